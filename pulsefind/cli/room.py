"""The command `room`."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pulsefind.core.errors import HintError

if TYPE_CHECKING:
    from pulsefind.room.guard import Guard

RoomFolderOption = Annotated[
    Path | None,
    typer.Option("--folder", help="Folder for the songs, or one with recordings of yours; else Music/pulsefind."),
]
NoBrowserOption = Annotated[bool, typer.Option("--no-browser", help="Print the address and open no browser.")]


def room(folder: RoomFolderOption = None, no_browser: NoBrowserOption = False) -> None:
    """Open the room: drop songs into a browser window. Nobody else gets in, and nothing leaves this machine.

    It closes with its window, or with Ctrl-C.
    """
    try:
        from pulsefind.room.app import Opening, run
        from pulsefind.room.place import held, settled
    except ModuleNotFoundError as error:
        if error.name not in ("starlette", "uvicorn", "h11", "anyio"):
            raise
        raise HintError('the room needs its extra; install it with: pip install "pulsefind[room]"') from None
    place = settled(folder)

    def opened(guard: Guard) -> None:
        print(f"The room is open, for you alone: {guard.address}")
        print(f"Songs lie in {place.folder}. Close the window to end, or press Ctrl-C here.", flush=True)
        if not no_browser:
            import webbrowser

            webbrowser.open(guard.ticket())

    worker = [sys.executable, "-m", "pulsefind.cli.worker", str(os.getpid())]
    with held(place):
        run(Opening(place, worker, opened))
    print("The room is closed.")
