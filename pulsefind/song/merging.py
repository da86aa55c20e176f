"""Merges two people's files of one song; what they disagree on is named, not decided."""

from __future__ import annotations

from typing import Any

from pulsefind.core.errors import FormatError
from pulsefind.song.reading import SongFile, corrections_of, document_of
from pulsefind.song.writing import edited

LISTS = ("notes", "meters", "tempi", "sections", "confirmed")
"""Keys that hold lists of entries: those of both files are kept, mine first."""

_MEANT = {"the_1": ("ones",), "meter": ("meter",), "bpm": ("bpm_low", "bpm_high"), "range": ("start_s", "end_s")}
"""Keys whose text tells more, or less, than their value (2.240 is to the millisecond, 2.24 isn't): what they mean."""

_LONGEST = 60  # judged: characters of a value that are shown


def merged(mine: SongFile, theirs: SongFile) -> str:
    """The text of my file, comments included, with what theirs adds.

    Raises
    ------
    FormatError
        if both say something else about the same thing; every such key is named with both values, or the two entries
        that can't hold together.
    """
    ours, others = (document_of(one.text.removeprefix("\ufeff"), one.path.name) for one in (mine, theirs))
    changes: dict[str, Any] = {}
    conflicts = []
    for key, value in others.items():
        if key not in ours:
            changes[key] = value
        elif key in LISTS:
            held, told = _rows(ours[key]), _rows(value)
            if added := [row for row in told if row not in held]:
                changes[key] = held + added
        elif not _agree(mine, theirs, key, ours[key] == value):
            conflicts.append(f"{key} ({_shown(ours[key])} in {mine.path.name}, {_shown(value)} in {theirs.path.name})")
    if conflicts:
        raise FormatError(f"both say something else about {', '.join(conflicts)}; settle it in one of them")
    text = edited(mine.text, changes, mine.path.name)
    try:
        corrections_of(text, f"{mine.path.name} with {theirs.path.name}")
    except FormatError as error:
        raise FormatError(f"the two can't hold together: {error}; settle it in one of them") from None
    return text


def _agree(mine: SongFile, theirs: SongFile, key: str, alike: bool) -> bool:
    """Do both say the same under a key? alike: the values are equal."""
    if key not in _MEANT:
        return alike
    return all(getattr(mine.corrections, name) == getattr(theirs.corrections, name) for name in _MEANT[key])


def _rows(value: Any) -> list[Any]:
    return value if isinstance(value, list) else [value]


def _shown(value: Any) -> str:
    text = str(value)
    return text if len(text) <= _LONGEST else text[: _LONGEST - 3] + "..."
