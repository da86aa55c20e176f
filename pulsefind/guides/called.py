"""What a guide is called, and the mark that pictures its sound, the same wherever it is shown.

A name is a few words for the sound, different for each guide of a song. A mark is a stroke for a short sound, a wedge
for one that washes out, a bar for one that holds its note; the higher it stands, the higher the sound.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log2

from pulsefind.core.errors import HintError
from pulsefind.core.records import Guide, Sound

_DRUMMERS_WORDS = {"bass drum": "kick"}
"""The drummer's word, where General MIDI's percussion map has another."""

_LENGTHS = ("short", "long")
"""Left out of names: a tick is short and a note long anyway."""

_ORDINALS = (
    "second",
    "third",
    "fourth",
    "fifth",
    "sixth",
    "seventh",
    "eighth",
    "ninth",
    "tenth",
    "eleventh",
    "twelfth",
)

_HEARD_APART_OCTAVES = 0.25
"""Two sounds with the same name that are closer than this aren't called lower and higher (judged)."""

_LONG_MS = 260.0  # from here on a sound rings, as in naming.py (common practice, no source)
_A_NOTE = 0.4  # up to this noisiness it rings as a note, beyond it as a wash, as in naming.py (judged)

_LOWEST_HZ, _OCTAVES = 50.0, 8.0
"""The heights of marks run from a low bass to the top of a cymbal (judged)."""


@dataclass(frozen=True, slots=True)
class Mark:
    """shape: 'stroke', 'wedge' or 'bar'; height: 0 (low) to 1 (high)."""

    shape: str
    height: float


def mark_of(sound: Sound) -> Mark:
    """The mark of a sound: mark_of(Sound(9000, 600, 0.8)) is a high wedge."""
    ringing = "bar" if sound.noisiness < _A_NOTE else "wedge"
    shape = "stroke" if sound.decay_ms <= _LONG_MS else ringing
    height = log2(max(sound.centre_hz, _LOWEST_HZ) / _LOWEST_HZ) / _OCTAVES
    return Mark(shape, round(min(1.0, height), 3))


def called(guides: tuple[Guide, ...]) -> tuple[str, ...]:
    """A short name for each guide, all different: ('kick', 'crisp tick', 'second crisp tick').

    Two with the same name are told apart by pitch where that can be heard, more of them by rank. Empty without guides.
    """
    plain = [_plain(guide) for guide in guides]
    names = []
    for k, name in enumerate(plain):
        same = [j for j, other in enumerate(plain) if other == name]
        names.append(name if len(same) == 1 else _told_apart(guides, same, k, name))
    return tuple(names)


def _plain(guide: Guide) -> str:
    """The drum, or what the sound is like to the ear, without any measured figures."""
    drum = guide.sound.drum
    if drum and drum != "percussion":
        return _DRUMMERS_WORDS.get(drum, drum)
    words = guide.name.split(",")[0].split(" around ")[0].split()
    return " ".join(word for word in words if word not in _LENGTHS) or "sound"


def _told_apart(guides: tuple[Guide, ...], same: list[int], k: int, name: str) -> str:
    hz = [max(1.0, guides[j].sound.centre_hz) for j in same]
    if len(same) == 2 and abs(log2(hz[0] / hz[1])) >= _HEARD_APART_OCTAVES:
        return f"{'lower' if hz[same.index(k)] == min(hz) else 'higher'} {name}"
    rank = same.index(k)
    if rank == 0:
        return name
    return f"{_ORDINALS[rank - 1]} {name}" if rank <= len(_ORDINALS) else f"{name} {rank + 1}"


def likeness(guide: Guide) -> str:
    """The long name without its measured pitch: 'crisp tick, like a snare or a hand clap'."""
    head, _, rest = guide.name.partition(",")
    return f"{head.split(' around ')[0]},{rest}" if rest else head.split(" around ")[0]


def guide_index(guides: tuple[Guide, ...], asked: str) -> int:
    """The index of a guide asked for by its name, part of its name, or its number (1 for the first).

    Raises
    ------
    HintError
        if there are no guides, none of that name, or several.
    """
    if not guides:
        raise HintError("--guide: no guide was found in this track; click on counts instead, like --on '2 4'")
    names = called(guides)
    wanted = " ".join(asked.lower().split())
    if wanted.isascii() and wanted.isdigit() and 1 <= int(wanted) <= len(guides):
        return int(wanted) - 1
    found = [k for k, name in enumerate(names) if name == wanted] or [
        k for k, name in enumerate(names) if wanted and (name.startswith(wanted) or name.endswith(wanted))
    ]
    if len(found) == 1:
        return found[0]
    listed = ", ".join(names[k] for k in found) if found else ", ".join(names)
    raise HintError(f"--guide {asked}: {'could be' if found else 'the guides of this track are'} {listed}")
