"""The report for the terminal: 80 columns, readable without colour, most wanted things first."""

from __future__ import annotations

import numpy as np

from pulsefind.core.counts import SYLLABLES, label
from pulsefind.core.records import Analysis, Guide, Stretch
from pulsefind.core.words import INDENT, WIDTH, field, grid_name, percent, places_text, stretches_text, time_text
from pulsefind.guides.misreadings import fixes

_MORE_GUIDES = 4
_TRAPS = 2

IN_DOUBT = 0.5
"""A section whose 1 is less likely than that is named."""


def report(analysis: Analysis) -> str:
    """Say what was found. Ends with a newline."""
    lines = [_title(analysis), ""]
    if not len(analysis.beats.time_s):
        lines += field("Beat", _nothing_found(analysis))
        return "\n".join(lines) + "\n"
    settled = [fixes(guide, analysis.bars, analysis.tempo) for guide in analysis.guides]
    lines += [*_tempo(analysis), *_one(analysis), *_follow(analysis, settled), *_others(analysis, settled)]
    for part in (_alone, _steadiness, _sureness, _corrections):
        lines += part(analysis)
    return "\n".join(lines) + "\n"


def _title(analysis: Analysis) -> str:
    length = time_text(analysis.track.duration_s).split(".")[0]
    name = "".join(c if c.isprintable() else "?" for c in analysis.track.name)
    room = WIDTH - len(length) - 3
    return f"{name if len(name) <= room else name[: room - 3] + '...'}   {length}"


def _nothing_found(analysis: Analysis) -> str:
    reason = analysis.warnings[0] if analysis.warnings else "no steady beat found"
    return f"{reason}. If you hear one, name its tempo: --bpm 80:100, or a part that has it: --range 0:30-1:00"


def _tempo(analysis: Analysis) -> list[str]:
    meters = list(dict.fromkeys(analysis.meter(k) for k in range(len(analysis.bars.beats))))
    kind = f"{analysis.tempo.bpm:.1f} bpm in {_usual_meter(analysis)}"
    if len(meters) > 1:
        kind += f" (with bars of {', '.join(m for m in meters if m != _usual_meter(analysis))})"
    grids = list(dict.fromkeys(grid_name(s, analysis.bars.unit) for s in analysis.grid.sections))
    return field("Tempo", f"{kind}, {', then '.join(grids[:3])}")


def _usual_meter(analysis: Analysis) -> str:
    usual = int(np.bincount(analysis.bars.beats_per_bar).argmax())
    return analysis.meter(int(np.argmax(analysis.bars.beats_per_bar == usual)))


def _one(analysis: Analysis) -> list[str]:
    bars = analysis.bars
    full = np.flatnonzero(bars.number == 1)
    if not len(full):
        return field("The 1", "no full bar was found")
    text = f"first full bar at {time_text(bars.start_s[full[0]])}"
    if bars.number[0] == 0:
        counts = " ".join(str(int(c)) for c in bars.count[: bars.beats[0]])
        text += f", after a pickup (count {counts})"
    last = int(bars.number[-1])
    return [*field("The 1", f"{text}; {last} bars, to {time_text(bars.end_s)}"), ""]


def _follow(analysis: Analysis, settled: list[str]) -> list[str]:
    if not analysis.guides:
        return [*field("Follow", "nothing recurs often enough to be followed; you carry the time"), ""]
    guide = analysis.guides[0]
    lines = field("FOLLOW", guide.name)
    lines += field("", f"falls on {places_text(guide)}; {_timing(guide)}")
    lines += ["", *count_line(analysis, guide), ""]
    lines += field("", f"heard in {stretches_text(guide.coverage, analysis)}, {_loudness(guide)}")
    traps = [misreading for misreading in analysis.misreadings if misreading.guide == 0]
    lines += field("", f"by itself it settles {settled[0] or 'no more than an even pulse'}")
    for trap in traps[:_TRAPS]:
        lines += field("", f"Trap: can be heard as {trap.heard_as}, at {trap.bpm:.0f} bpm; {trap.cue}.")
    return [*lines, ""]


def _timing(guide: Guide) -> str:
    rate = round(100 * float(np.mean([place.hit_rate for place in guide.places])))
    offset = float(np.mean([place.offset_ms for place in guide.places]))
    spread = float(np.mean([place.spread_ms for place in guide.places]))
    lean = "on the spot" if abs(offset) < 3 else f"{abs(offset):.0f} ms {'early' if offset < 0 else 'late'}"
    return f"there {rate} % of the time, {lean}, give or take {spread:.0f} ms"


def _loudness(guide: Guide) -> str:
    level = guide.loudness_db
    word = "easy to hear" if level >= 12 else "clear" if level >= 7 else "faint"
    return f"{word} ({level:.0f} dB over what sounds just before it)"


def count_line(analysis: Analysis, guide: Guide) -> list[str]:
    """Draw the bar (each bar of a longer pattern): counts above, the guide's places below them."""
    bar = int(np.flatnonzero(analysis.bars.number >= 1)[0])
    bar = guide.coverage[0].first_bar if guide.coverage else bar
    section = analysis.grid.at(bar)
    beats = int(np.bincount(analysis.bars.beats_per_bar).argmax())
    slots = section.slots_per_beat
    names = [label(count, slot, slots) for count in range(1, beats + 1) for slot in range(slots)]
    # Places that another section's finer grid brought in still need a column.
    extra = [p.label for p in guide.places if p.label not in names]
    if extra:
        slots = 4 if any(name.endswith(("e", "a")) for name in extra) else 6
        names = [label(count, slot, slots) for count in range(1, beats + 1) for slot in range(slots)]
    shown = [
        str(count) if slot == 0 else SYLLABLES[slots][slot] for count in range(1, beats + 1) for slot in range(slots)
    ]
    cell = max(len(text) for text in shown) + 1
    if INDENT + cell * len(shown) > WIDTH:
        shown = [text[:1] for text in shown]
        cell = 2 if INDENT + 3 * len(shown) > WIDTH else 3
    cell = min(cell + 1, 4) if INDENT + (cell + 1) * len(shown) <= WIDTH else cell
    lines = [("count".ljust(INDENT) + "".join(text.ljust(cell) for text in shown)).rstrip()]
    for number in range(1, guide.pattern_bars + 1):
        struck = {place.label for place in guide.places if place.bar == number}
        head = "guide" if guide.pattern_bars == 1 else f"bar {number}"
        row = "".join(("X" if name in struck else ".").ljust(cell) for name in names)
        lines.append((head.ljust(INDENT) + row).rstrip())
    return lines


def _others(analysis: Analysis, settled: list[str]) -> list[str]:
    others = analysis.guides[1 : 1 + _MORE_GUIDES]
    if not others:
        return []
    lines = []
    for index, guide in enumerate(others):
        text = f"{index + 2}. {guide.name}: {places_text(guide)}; {stretches_text(guide.coverage, analysis, 3)}"
        lines += field("Also" if index == 0 else "", text)
    hidden = len(analysis.guides) - 1 - len(others)
    if hidden > 0:
        lines += field("", f"and {hidden} weaker: --json lists {'it' if hidden == 1 else 'them'}")
    return [*lines, *_best_for(analysis, settled), ""]


def _best_for(analysis: Analysis, settled: list[str]) -> list[str]:
    """Which guide is the easiest to hear and which tells most, where they are two."""
    guides = analysis.guides
    easiest = _first_at_the_top([guide.audibility * guide.coverage_share for guide in guides])
    telling = _first_at_the_top([guide.score * _telling(what) for guide, what in zip(guides, settled, strict=True)])
    if easiest == telling:
        return []
    what = settled[telling] or "the pulse"
    return field("Best", f"easiest to hear is {easiest + 1}; {telling + 1} tells you most: it settles {what}")


def _first_at_the_top(values: list[float]) -> int:
    """The first of those that are as good as the best: what differs by less than 3 % is not worth another line."""
    return next(k for k, value in enumerate(values) if value >= 0.97 * max(values))


def _telling(settled: str) -> float:
    """A sound that settles the 1 tells all; each doubt that is left halves it."""
    return {"the 1": 1.0, "the half bar": 0.5, "the beat": 0.25}.get(settled, 0.125)


def _alone(analysis: Analysis) -> list[str]:
    if not analysis.alone:
        return [*field("Alone", "never: in every bar there is something to follow"), ""]
    lines = []
    for index, stretch in enumerate(analysis.alone[:6]):
        when = f"{time_text(stretch.start_s)}-{time_text(stretch.end_s)}"
        text = f"{stretches_text((stretch,), analysis)}, {when}: nothing to follow, you carry the time"
        lines += field("Alone" if index == 0 else "", text)
    if len(analysis.alone) > 6:
        lines += field("", f"and {len(analysis.alone) - 6} more: --json lists them")
    return [*lines, ""]


def _steadiness(analysis: Analysis) -> list[str]:
    tempo = analysis.tempo
    low, high = (float(v) for v in np.percentile(tempo.bar_bpm, [5, 95])) if len(tempo.bar_bpm) else (0.0, 0.0)
    drift = tempo.drift_percent
    word = "very steady" if drift < 1 else "steady" if drift < 3 else "drifts" if drift < 8 else "changes a lot"
    carried = int(analysis.beats.carried.sum())
    text = f"{word}: {low:.1f} to {high:.1f} bpm, beats even to {tempo.jitter_ms:.0f} ms"
    if carried:
        text += f"; {carried} of {len(analysis.beats.carried)} beats have no sound of their own"
    return field("Steady", text)


def _sureness(analysis: Analysis) -> list[str]:
    sure = analysis.confidence
    text = f"the 1 {percent(sure.one)}, tempo octave {percent(sure.octave)}, meter {percent(sure.meter)}"
    lines = field("Sure", text)
    if doubtful := _in_doubt(analysis):
        lines += field("", f"the 1 is in doubt in {stretches_text(doubtful, analysis)}: check it by ear there")
    for other in analysis.alternatives[:2]:
        lines += field("", f"next best: {other.reading} ({percent(other.probability)}); to see it: {other.hint}")
    for warning in analysis.warnings:
        lines += field("", f"Note: {warning}")
    return [*lines, ""]


def _in_doubt(analysis: Analysis) -> tuple[Stretch, ...]:
    """Runs of sections that by themselves put the 1 rather elsewhere; nothing where the whole track is in doubt."""
    sections = analysis.confidence.sections
    doubtful = [section for section in sections if section.one < IN_DOUBT]
    if len(doubtful) == len(sections):
        return ()
    runs: list[tuple[int, int]] = []
    for section in doubtful:
        if runs and runs[-1][1] + 1 == section.first_bar:
            runs[-1] = (runs[-1][0], section.last_bar)
        else:
            runs.append((section.first_bar, section.last_bar))
    ends_s = [*analysis.bars.start_s[1:], analysis.bars.end_s]
    return tuple(Stretch(a, b, float(analysis.bars.start_s[a]), float(ends_s[b])) for a, b in runs)


def _corrections(analysis: Analysis) -> list[str]:
    bpm = analysis.tempo.bpm
    wrong_one = "if the 1 is elsewhere: --one-at SECONDS, the time of any 1"
    wrong_octave = (
        f"if it is twice too fast: --bpm {round(bpm * 0.45)}:{round(bpm * 0.55)}; "
        f"twice too slow: --bpm {round(bpm * 1.8)}:{round(bpm * 2.2)}"
    )
    return [*field("Wrong?", wrong_one), *field("", wrong_octave)]
