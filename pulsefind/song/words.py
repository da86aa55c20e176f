"""What a song's file says, in a line."""

from __future__ import annotations

from pulsefind.core.corrections import Corrections, One
from pulsefind.core.words import bars_text

_MOST = 4  # judged: things that a line names


def told(known: Corrections) -> str:
    """Everything that changes the beats, shortest first, then the number of sections: 'the 1 at 2.240 s, 2
    sections'.
    """
    parts = []
    if known.ones:
        parts.append(_ones(known.ones))
    if known.bpm_low is not None and known.bpm_high is not None:
        parts.append(f"{known.bpm_low:.0f} to {known.bpm_high:.0f} bpm")
    if known.meter is not None:
        parts.append(f"{known.meter[0]}/{known.meter[1]}")
    if known.start_s is not None or known.end_s is not None:
        parts.append("a part of the recording")
    parts += _bars(known)
    if known.taps_s:
        parts.append(f"{len(known.taps_s)} taps")
    if known.nudge_ms:
        parts.append(f"all beats {abs(known.nudge_ms):g} ms {'later' if known.nudge_ms > 0 else 'earlier'}")
    if known.sections:
        n = len(known.sections)
        parts.append(f"{n} {'section' if n == 1 else 'sections'}")
    return ", ".join(parts) or "nothing about beats"


def _ones(ones: tuple[One, ...]) -> str:
    times = [f"{one.time_s:.3f} s" if one.exact else f"about {one.time_s:.2f} s" for one in ones]
    return f"the 1 at {' and '.join(times[:_MOST])}{' and more' if times[_MOST:] else ''}"


def _bars(known: Corrections) -> list[str]:
    passages = [
        f"bars {passage.first_bar}-" if passage.last_bar is None else bars_text(passage.first_bar, passage.last_bar)
        for passage in known.passages
    ]
    found = [f"meters of {' and '.join(passages[:_MOST])}{' and more' if passages[_MOST:] else ''}"] if passages else []
    if known.tempi:
        found.append(f"a tempo from bar {' and '.join(str(tempo.bar) for tempo in known.tempi[:_MOST])}")
    return found
