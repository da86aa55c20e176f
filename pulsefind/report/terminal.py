"""The report for the terminal: 80 columns, readable without colour, what to play first."""

from __future__ import annotations

import numpy as np

from pulsefind.core.records import Analysis
from pulsefind.core.words import INDENT, WIDTH, clipped, clock, field, listed, stretches_text, time_text
from pulsefind.guides.called import called, likeness
from pulsefind.report.counting import count_rows, counted_bars
from pulsefind.report.doubts import doubts_of, missing_sound, other_warnings, sure_words
from pulsefind.report.feel import count_in_text, feel_of, feel_text, tempo_text
from pulsefind.report.guiding import easiest_and_surest, mishearings, reliable, tells
from pulsefind.report.planned import ALONE, falls, leading, plan_lines, plan_rows

_MORE_GUIDES = 4  # judged: guides listed beside those of the plan
_MISHEARINGS = 2  # judged: mishearings told of each guide


def report(analysis: Analysis) -> str:
    """Say what was found. Ends with a newline."""
    lines = [_title(analysis), ""]
    if not len(analysis.beats.time_s):
        lines += field("Beat", _nothing_found(analysis))
        for warning in missing_sound(analysis):
            lines += field("Note", warning)
        return "\n".join(lines) + "\n"
    for part in (_tempo, _one, _doubts, _plan, _leader, _others, _how_sure, _corrections):
        lines += part(analysis)
    return "\n".join(lines) + "\n"


def _title(analysis: Analysis) -> str:
    length = clock(analysis.track.duration_s)
    return f"{clipped(analysis.track.name, WIDTH - len(length) - 3)}   {length}"


def _nothing_found(analysis: Analysis) -> str:
    reason = analysis.warnings[0] if analysis.warnings else "no steady beat found"
    return f"{reason}. If you hear one, name its tempo: --bpm 80:100, or a part that has it: --range 0:30-1:00"


def _tempo(analysis: Analysis) -> list[str]:
    feel = feel_of(analysis)
    lines = [*field("Tempo", tempo_text(feel)), *field("Feel", feel_text(feel))]
    return [*lines, *field("Count-in", count_in_text(analysis))]


def _one(analysis: Analysis) -> list[str]:
    bars = analysis.bars
    full = np.flatnonzero(bars.number == 1)
    if not len(full):
        return [*field("The 1", "no full bar was found"), ""]
    text = f"bar 1 at {time_text(bars.start_s[full[0]])}"
    if bars.has_pickup:
        counts = " ".join(str(int(c)) for c in bars.count[: bars.beats[0]])
        text += f", after a pickup on {counts}"
    last = int(bars.number[-1])
    return [*field("The 1", f"{text}; {last} {'bar' if last == 1 else 'bars'}, to {clock(bars.end_s)}"), ""]


def _doubts(analysis: Analysis) -> list[str]:
    """Doubts about what everything below rests on."""
    whole = [doubt for doubt in doubts_of(analysis) if doubt.whole]
    lines = [line for doubt in whole for line in field("DOUBT", doubt.sentence)]
    return [*lines, ""] if lines else []


def _plan(analysis: Analysis) -> list[str]:
    """What to follow, stretch by stretch; doubtful bars have a question mark and are explained below."""
    stretches = [doubt for doubt in doubts_of(analysis) if not doubt.whole]
    lines = plan_rows(analysis, "FOLLOW", tuple((doubt.first_bar, doubt.last_bar) for doubt in stretches))
    lines += _never_alone(analysis)
    for doubt in stretches:
        lines += field("?", doubt.sentence)
    return [*lines, ""]


def _never_alone(analysis: Analysis) -> list[str]:
    alone = any(line.kind == ALONE for line in plan_lines(analysis))
    return [] if alone else field("", "never alone: something to follow in every bar")


def _leader(analysis: Analysis) -> list[str]:
    """The guide that leads first: where its counts fall, how it behaves, what it tells, and what it is mistaken for."""
    leader = leading(analysis)
    if leader is None:
        return []
    guide, name = analysis.guides[leader], called(analysis.guides)[leader]
    rows = count_rows(counted_bars(analysis, guide), WIDTH - INDENT)
    lines = [f"{'' if k else 'Count':<{INDENT}}{row}" for k, row in enumerate(rows)]
    lines += field("", f"In brackets: the {name}, {reliable(guide)}.")
    sounds = likeness(guide)
    lines += field("", f"{sounds[:1].upper()}{sounds[1:]}. It tells you {tells(guide, analysis)}.")
    for misheard in mishearings(analysis, leader)[:_MISHEARINGS]:
        lines += field("", f"Easy to mishear {misheard}")
    return [*lines, ""]


def _others(analysis: Analysis) -> list[str]:
    """The other guides, those of the plan first."""
    leader = leading(analysis)
    planned = [line.guide for line in plan_lines(analysis)]
    rest = [k for k in range(len(analysis.guides)) if k != leader]
    rest.sort(key=lambda k: k not in planned)
    if not rest:
        return []
    names = called(analysis.guides)
    lines: list[str] = []
    for k in rest[:_MORE_GUIDES]:
        guide = analysis.guides[k]
        text = f"{names[k]} on {falls(guide, analysis)}; {stretches_text(guide.coverage, analysis, 3)}"
        lines += field("" if lines else "Also", text)
    hidden = len(rest) - _MORE_GUIDES
    if hidden > 0:
        lines += field("", f"and {hidden} weaker: --json lists {'it' if hidden == 1 else 'them'}")
    if best := easiest_and_surest(analysis):
        lines += field("", f"Loudest: {names[best[0]]}. Surest about the 1: {names[best[1]]}.")
    return [*lines, ""]


def _how_sure(analysis: Analysis) -> list[str]:
    sure, meter = analysis.confidence, feel_of(analysis).meter
    answers = ((f"the {meter}", sure.meter), ("the tempo (not half or double)", sure.octave), ("the 1", sure.one))
    by_word: dict[str, list[str]] = {}
    for what, share in answers:
        by_word.setdefault(sure_words(share), []).append(what)
    lines = field("How sure", "; ".join(f"{word} of {listed(whats)}" for word, whats in by_word.items()))
    for warning in other_warnings(analysis):
        lines += field("Note", warning)
    return [*lines, ""]


def _corrections(analysis: Analysis) -> list[str]:
    bpm = analysis.tempo.bpm
    return [
        *field("Wrong?", "If the 1 is elsewhere, add the time of any 1: --one-at 12.3"),
        *field("", f"If it is twice too fast, add --bpm {round(bpm * 0.45)}:{round(bpm * 0.55)}"),
        *field("", f"If it is twice too slow, add --bpm {round(bpm * 1.8)}:{round(bpm * 2.2)}"),
    ]
