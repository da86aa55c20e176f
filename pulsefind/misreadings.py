"""How a guide could fool you: other beats that its hits suggest, and the cue that tells them apart."""

from __future__ import annotations

from math import gcd

from pulsefind.records import Bars, Guide, Misreading, Tempo

_TICKS = 12
"""Places are compared on twelfths of a beat, which hold sixteenths and triplets exactly."""

_COMFORTABLE_BPM = (40.0, 220.0)
_PREFERRED_BPM = 120.0


def find_misreadings(guides: tuple[Guide, ...], bars: Bars, tempo: Tempo) -> tuple[Misreading, ...]:
    """List the even pulses that each guide's places could be taken for, the most tempting first per guide.

    A pattern of evenly spaced hits that does not fall on every beat can be heard as the beat itself, at its own
    tempo and phase. How tempting that is falls with the distance of its tempo from about 120 a minute
    (preferred tempo: Fraisse 1982, value from memory). Patterns that are the beat, or that are uneven, have none here.
    """
    found: list[Misreading] = []
    for index, guide in enumerate(guides):
        found.extend(_even_pulse(index, guide, bars, tempo))
    return tuple(found)


def _even_pulse(index: int, guide: Guide, bars: Bars, tempo: Tempo) -> list[Misreading]:
    beats = max((int(b) for b in bars.beats_per_bar), default=4)
    cycle = beats * guide.pattern_bars * _TICKS
    ticks = sorted(round(((p.bar - 1) * beats + p.position_beats) * _TICKS) % cycle for p in guide.places)
    step = cycle // len(ticks) if ticks and cycle % len(ticks) == 0 else 0
    if not step or any((tick - ticks[0]) % step for tick in ticks) or len(set(ticks)) != len(ticks):
        return []
    shift = ticks[0] % step
    if step == _TICKS and shift == 0:
        return []
    bpm = tempo.bpm * _TICKS / step
    if not _COMFORTABLE_BPM[0] <= bpm <= _COMFORTABLE_BPM[1]:
        return []
    tempting = 1.0 / (1.0 + abs(bpm / _PREFERRED_BPM - 1.0) * 2.0)
    where = ", ".join(p.label for p in guide.places)
    if step == _TICKS:
        heard, cue = (
            "the beat itself, shifted off the true beat",
            "the bass and the chords change between its hits",
        )
    elif gcd(step, _TICKS) == _TICKS and shift == 0:
        heard, cue = "every beat of a slower pulse", f"it falls on {where} only; count the beats between"
    elif step > _TICKS:
        heard, cue = (
            "slow beats, or 1 and 3 of a slower bar",
            f"it falls on {where}: say the counts between its hits",
        )
    else:
        heard, cue = "beats of a quicker pulse", f"it falls on {where}: the chords move at the slower rate"
    return [Misreading(index, heard, bpm, tempting, cue)]
