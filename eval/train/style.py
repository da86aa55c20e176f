"""One style that songs are made in, and how its rhythms are written.

The rhythms are common practice as drum and guitar teachers write them on the board; no source. One character is one
slot of the bar; a pattern of several bars is several times as long.

Drums: X accent, x hit, o soft, . nothing.
Bass: R root, F fifth, T third, S sixth, V flat seventh, O octave, N root of the next chord, A half a tone under it,
W a step of a walk; - holds, . stops.
Chords: X accent, x chord, o soft chord, r low root, f low fifth, 1 2 3 4 single notes of the chord upwards;
- holds, . stops.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Style:
    """One style. slots is per beat; swing bounds the share of the pair that its first half takes.

    comps: (family of instrument, pattern). extras: (drum name, pattern). riffs: whether guitars and bass may play
    a riff together instead. lead: probability of a sung or played melody.
    """

    name: str
    weight: float
    beats: int
    slots: int
    bpm: tuple[float, float]
    kick: tuple[str, ...]
    snare: tuple[str, ...]
    hat: tuple[str, ...]
    bass: tuple[str, ...]
    comps: tuple[tuple[str, str], ...]
    swing: tuple[float, float] = (0.5, 0.5)
    hat_sound: tuple[str, ...] = ("closed",)
    snare_sound: tuple[str, ...] = ("snare",)
    extras: tuple[tuple[str, str], ...] = field(default=())
    riffs: float = 0.0
    lead: float = 0.65
    drumless: float = 0.3


def check(style: Style) -> None:
    """Raise ValueError if a rhythm's length is not a whole number of bars."""
    size = style.beats * style.slots
    rhythms = [*style.kick, *style.snare, *style.hat, *style.bass]
    rhythms += [p for _, p in (*style.comps, *style.extras)]
    for rhythm in rhythms:
        if len(rhythm) % size:
            raise ValueError(f"style {style.name}: {rhythm!r} has {len(rhythm)} slots, a bar has {size}")
