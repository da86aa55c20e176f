"""DEVELOPERS.md is short, and what it points at is there."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
TEXT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
WORDS = 1300
"""What a newcomer finishes: agreed, no source."""

MADE_UP = {"pulsefind/guides/rests.py", "tests/test_rests.py"}
"""Of the example of a new stage."""


def test_a_newcomer_finishes_it():
    assert len(TEXT.split()) <= WORDS


def test_every_file_it_names_is_there():
    named = set(re.findall(r"[\w/.-]+\.(?:py|md|mjs)\b", TEXT)) - MADE_UP
    assert len(named) > 20
    for name in named:
        places = [ROOT / name, ROOT / "pulsefind" / name, ROOT / "pulsefind" / "weights" / name]
        places += list((ROOT / "pulsefind").glob(f"*/{name}"))
        assert any(place.exists() for place in places), name


@pytest.mark.parametrize("package", ["pulsefind", "eval"])
def test_every_room_is_on_the_map(package):
    rooms = {path.parent.name for path in (ROOT / package).glob("*/__init__.py")}
    assert rooms
    for room in rooms:
        assert re.search(rf"^\| .*`{room}`", TEXT, re.M), room
