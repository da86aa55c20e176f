"""What was made, as a musician would say it: '1 bar in, clicks on 2 and 4, bars 20-27 four times, 76 bpm'."""

from __future__ import annotations

import numpy as np

from pulsefind.core.records import Analysis
from pulsefind.core.words import bars_text, clock, listed, stretches_text
from pulsefind.guides.called import called
from pulsefind.practice.mix import Levels
from pulsefind.practice.render import Part, Plan, Practice, followed
from pulsefind.report.feel import feel_of
from pulsefind.report.planned import GUIDE, falls, plan_lines

_TIMES = {1: "", 2: " twice", 3: " three times", 4: " four times"}  # judged: beyond, figures read better
_AT_EDGE_S = 0.01  # judged: typed times are read off to the hundredth


def said(practice: Practice) -> str:
    """Count-in, clicks, part and tempo of practice audio, in words."""
    analysis, plan = practice.analysis, practice.plan
    bpm = feel_of(analysis).felt_bpm * practice.spool.speed
    words = [
        _count_in(plan.count_in_bars),
        _clicks(analysis, plan, practice.part),
        *_help(plan),
        played(analysis, practice.part),
        f"{bpm:.0f} bpm",
        *_levels(practice.levels),
    ]
    return ", ".join(words)


def _count_in(bars: int) -> str:
    return f"{bars} {'bar' if bars == 1 else 'bars'} in" if bars else "no count-in"


def _clicks(analysis: Analysis, plan: Plan, part: Part | None) -> str:
    places = plan.places.strip().lower()
    if places == "guide":
        return _on_guide(analysis, followed(analysis, plan), part)
    if places == "beats":
        return "a click on every beat"
    if "every" in places:
        first, _, every = places.partition(" every ")
        return f"a click on {first} of every {ordinal(int(every))} bar"
    if places == "backbeat":
        return "clicks on the backbeat"
    bars = [listed(bar.replace(",", " ").split()) for bar in places.split(" then ")]
    return f"clicks on {', then '.join(bars)}"


def _on_guide(analysis: Analysis, guide: int | None, part: Part | None) -> str:
    if guide is not None:
        chosen = analysis.guides[guide]
        name, where = called(analysis.guides)[guide], stretches_text(chosen.coverage, analysis)
        return f"clicks where the {name} falls ({falls(chosen, analysis)}) in {where}"
    whole = part or Part(0.0, np.inf)
    lines = [line for line in plan_lines(analysis) if line.end_s > whole.start_s and line.start_s < whole.end_s]
    leads = dict.fromkeys(f"the {line.name} ({line.places})" for line in lines if line.kind == GUIDE)
    silent = [line.bars for line in lines if line.kind != GUIDE]
    text = f"clicks where {', then '.join(list(leads)[:3])}{' and others' if len(leads) > 3 else ''} falls"
    return f"{text}, none in {listed(silent[:4])}" if silent else text


def ordinal(number: int) -> str:
    """'2nd', '3rd', '4th'; 11th to 13th too."""
    ending = "th" if number % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"


def _help(plan: Plan) -> list[str]:
    if plan.gap is not None:
        by = ", by surprise" if plan.gap.seed is not None else ""
        return [f"{plan.gap.on} bars with clicks and {plan.gap.off} without{by}"]
    return [f"fewer clicks every {plan.thin} bars"] if plan.thin is not None else []


def played(analysis: Analysis, part: Part | None) -> str:
    """The part that is played: 'the whole song', 'bars 20-27 four times', '0:30-1:02'."""
    if part is None:
        return "the whole song"
    edges_s = np.r_[analysis.bars.start_s, analysis.bars.end_s]
    first, last = (int(np.argmin(np.abs(edges_s - at_s))) for at_s in (part.start_s, part.end_s))
    whole_bars = abs(edges_s[first] - part.start_s) < _AT_EDGE_S and abs(edges_s[last] - part.end_s) < _AT_EDGE_S
    if whole_bars and last > first:
        text = bars_text(int(analysis.bars.number[first]), int(analysis.bars.number[last - 1]))
    else:
        text = f"{clock(part.start_s)}-{clock(part.end_s)}"
    return text + _TIMES.get(part.times, f" {part.times} times")


def _levels(levels: Levels) -> list[str]:
    words = [] if levels.with_track else ["clicks only"]
    return [*words, "track left and click right"] if levels.split else words
