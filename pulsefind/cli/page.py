"""The command `page`."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from pulsefind.cli.many import check_folder, songs_of
from pulsefind.cli.opening import SongArgument, check_same, opened, recording_of
from pulsefind.cli.options import (
    ForceOption,
    Hints,
    check_ending,
)
from pulsefind.cli.telling import doubts
from pulsefind.core.errors import HintError, PulsefindError
from pulsefind.core.words import name_text


class Sound(StrEnum):
    """Where the page finds the recording."""

    inside = "inside"
    beside = "beside"


class Light(StrEnum):
    """How the page looks when it is opened."""

    auto = "auto"
    dark = "dark"
    bright = "bright"


PageOutOption = Annotated[
    Path | None, typer.Option("--out", help="The page to write, an .html file; else the song's name and 'page'.")
]
SoundOption = Annotated[
    Sound, typer.Option("--audio", help="Put the recording inside, or leave it beside: the page then asks for it.")
]
LightOption = Annotated[Light, typer.Option("--light", help="For a dark room or a bright stage; it can be switched.")]
TakeOption = Annotated[
    Path | None, typer.Option("--take", help="Show this review of a take, saved by `pulsefind take --out`.")
]
PageHistoryOption = Annotated[
    Path | None,
    typer.Option("--history", help="With --take: show the takes in this file of `pulsefind take --history`."),
]


def page(
    song: SongArgument,
    hints: Hints,
    out: PageOutOption = None,
    audio: SoundOption = Sound.inside,
    light: LightOption = Light.auto,
    take: TakeOption = None,
    history: PageHistoryOption = None,
    force: ForceOption = False,
) -> None:
    """Write a page to see, hear and practise a song in a browser: one file, no network.

    Of a set (set.toml) each song gets a page, in the folder that --out names.
    """
    if song.suffix.lower() == ".toml":
        if take is not None or history is not None or hints.about_beats or hints.part:
            raise HintError("a take and corrections are for one song; name that song")
        _pages(song, hints, out or song.with_suffix(""), audio, light, force)
        return
    out = out or Path(f"{song.stem} page.html")
    check_ending(out, (".html", ".htm"), force)
    if history is not None and take is None:
        raise HintError("--history belongs to --take; name the review of a take too")
    from pulsefind.core.files import write_file
    from pulsefind.listen.audio import load
    from pulsefind.page.page import page_html, read_recording
    from pulsefind.page.take_view import read_take_review
    from pulsefind.song.place import find_song

    track = recording_of(song)
    analysis = opened(song, hints)
    loaded = load(track)
    check_same(song, analysis, loaded)
    recording = read_recording(track, loaded) if audio is Sound.inside else None
    review = read_take_review(take, analysis, history) if take is not None else None
    has_file = find_song(track) is not None
    names = name_text(track), name_text(out)
    html = page_html(analysis, loaded, recording, *names, light.value, review, has_song_file=has_file)
    write_file(out, html.encode(), force)
    print(f"{out}: {len(html) / 1e6:.1f} MB; open it in a browser")
    doubts(analysis)


def _pages(songs: Path, hints: Hints, folder: Path, audio: Sound, light: Light, force: bool) -> None:
    """A page for each song of a set; one that can't be read keeps no other from its page."""
    # What is played twice has one page.
    members = list(dict.fromkeys(songs_of([songs])))
    check_folder(folder, members)
    pages = [folder / f"{song.stem}.html" for song in members]
    for path in pages:
        check_ending(path, (".html",), force)
    troubles = []
    for song, path in zip(members, pages, strict=True):
        try:
            page(song, hints, path, audio, light, None, None, force)
        except PulsefindError as error:
            troubles.append(str(error))
    if troubles:
        raise HintError(f"{len(troubles)} of {len(members)} songs without a page: {'; '.join(troubles)}")
