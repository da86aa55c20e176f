"""Rooms for the tests of them, opened and closed."""

import shutil
import sys

import pytest

from eval.robustness.rooms import RunningRoom, is_running, short_song

__all__ = ["RunningRoom", "copied", "is_running", "needs_signals", "open_room", "room", "short_song"]

needs_signals = pytest.mark.skipif(sys.platform == "win32", reason="signals of Unix")


@pytest.fixture
def open_room(tmp_path, request):
    """Open rooms; at the end they are closed."""
    rooms = []

    def opened(folder=None, cache=None):
        rooms.append(RunningRoom(folder or tmp_path / "songs", cache))
        return rooms[-1]

    yield opened
    for room in rooms:
        room.end()


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    """One room for all tests of a file."""
    opened = RunningRoom(tmp_path_factory.mktemp("room") / "songs")
    yield opened
    opened.end()


def copied(room, name):
    """The folder of a room, as it is now."""
    return shutil.copytree(room.folder, room.folder.parent / name)
