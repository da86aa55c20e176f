"""What the page gets ready to show and to count by, so that it invents no names or words of its own."""

from __future__ import annotations

from typing import Any

from pulsefind.core.counts import FADING, SYLLABLES, backbeat, count_in_beat_s, every_so_many, syllable_positions
from pulsefind.core.records import Analysis, GridSection
from pulsefind.core.words import clock, stretches_text
from pulsefind.guides.called import called, likeness, mark_of
from pulsefind.guides.placing import PLACE_RATE
from pulsefind.report.counting import counted_bars
from pulsefind.report.doubts import Doubt, doubts_of, sure_words
from pulsefind.report.feel import Feel, count_in_text, feel_of, feel_text, tempo_text
from pulsefind.report.guiding import mishearings, reliable, tells
from pulsefind.report.planned import PlanLine, falls, plan_lines

PRESETS = (
    ("none", "no click"),
    ("beats", "every beat"),
    ("1", "only the 1"),
    ("1 every 2", "the 1 of every 2nd bar"),
    ("1 every 4", "the 1 of every 4th bar"),
    ("backbeat", "the backbeat"),
    ("&", "every &"),
    ("guide", "where the sound to follow falls"),
)
"""Clicks that are offered by name, as `click --on` spells them."""


def told(analysis: Analysis) -> dict[str, Any]:
    """All words, marks and ways to count of a song with beats, as plain values for JSON; {} without beats.

    Bars are indices throughout (as in the page's `bars`), times seconds of the track.

    guides      one a guide, in the analysis' order: `called` (its name everywhere), `like` (the name with what it
                sounds like), `mark` {shape: "stroke" | "wedge" | "bar", height: 0 low .. 1 high}, `falls` ("1e and
                3a"), `reliable` ("in 4 of 5 bars, dead on, easy to hear"), `tells` ("where the 1 is"), `findsOne`
                (may the player be asked to find the 1 by it?), `mishear` (lines), `where` ("bars 1-12 and 16-24"),
                `counts`: one list for each bar of its pattern of {label, at (0..1 of the bar), beat (on a beat?),
                struck}
    plan        one a stretch: `first`, `last`, `kind` ("guide" | "band" | "alone"), `guide` (index or -1), `bars`
                ("bars 13-15"), `name`, `falls`, `what` (bars left out, all else said), `start`, `end`, `clock`
                ("0:31")
    doubts      `first`, `last`, `whole` (the whole song?), `about` ("the 1" | "the beat" | "half or double" | "the
                meter"), `bars`, `text`, `listen`, `then`, `settle` (the option that settles it), `sentence` (all of
                it)
    sure        `one`, `octave`, `meter`: "sure" | "nearly sure" | "fairly sure" | "not sure"
    feel        `meter`, `bpm` (of the felt beat: the number to show large), `note` ("quarter", "dotted quarter",
                "eighth"), `beats` (felt beats a bar), `counted` (bpm of the counts if they are others, else null),
                `styles` (["half-time (backbeat on 3)"]), `notes`, `words` (all of it), `tempo` ("holds at 96
                (95-97)"), `holds`
    countIn     `words` ("1 2 3 4, in on 1"), `beat`: for each bar the seconds from count to count of a count-in to
                it, `counts`: for each bar how many counts one bar of count-in has, `into`: counts before its first
                beat that are clicked as well (3 where a bar enters on 4). A count-in of n bars is n * counts[bar] +
                into[bar] clicks, `beat[bar]` apart, the last of them `beat[bar]` before the bar's first beat
    counting    `syllables`: {slots: [syllable, ...]}, `within`: for each grid section {syllable: 0..1 of the beat},
                swing included, `even`: {slots: {syllable: 0..1}} for beats that are counted anew (half, double)
    clicks      `presets`: [{on, words, every, places}], where places is {counts a bar: [label, ...]} and the clicks
                fall in bars whose (number - 1) is a multiple of every; places null is the guide that leads in each
                bar (nothing where none does). `fading`: the `on` of each stage of help that fades, all as long
    placeStands the share of bars from which a place belongs to a guide that is laid anew
    """
    if not len(analysis.beats.time_s):
        return {}
    return {
        "guides": _guides(analysis),
        "plan": [_plan_line(line) for line in plan_lines(analysis)],
        "doubts": [_doubt(doubt) for doubt in doubts_of(analysis)],
        "sure": {
            "one": sure_words(analysis.confidence.one),
            "octave": sure_words(analysis.confidence.octave),
            "meter": sure_words(analysis.confidence.meter),
        },
        "feel": _feel(feel_of(analysis)),
        "countIn": _count_in(analysis),
        "counting": _counting(analysis),
        "clicks": _clicks(analysis),
        "placeStands": PLACE_RATE,
    }


def _guides(analysis: Analysis) -> list[dict[str, Any]]:
    rows = []
    for k, (guide, name) in enumerate(zip(analysis.guides, called(analysis.guides), strict=True)):
        mark, what = mark_of(guide.sound), tells(guide, analysis)
        rows.append(
            {
                "called": name,
                "like": likeness(guide),
                "mark": {"shape": mark.shape, "height": mark.height},
                "falls": falls(guide, analysis),
                "reliable": reliable(guide),
                "tells": what,
                "findsOne": what == "where the 1 is",
                "mishear": list(mishearings(analysis, k)),
                "where": stretches_text(guide.coverage, analysis),
                "counts": [
                    [{"label": c.label, "at": round(c.share, 5), "beat": c.on_beat, "struck": c.struck} for c in bar]
                    for bar in counted_bars(analysis, guide)
                ],
            }
        )
    return rows


def _plan_line(line: PlanLine) -> dict[str, Any]:
    return {
        "first": line.first_bar,
        "last": line.last_bar,
        "kind": line.kind,
        "guide": -1 if line.guide is None else line.guide,
        "bars": line.bars,
        "name": line.name,
        "falls": line.places,
        "what": line.what,
        "start": round(line.start_s, 5),
        "end": round(line.end_s, 5),
        "clock": clock(line.start_s),
    }


def _doubt(doubt: Doubt) -> dict[str, Any]:
    return {
        "first": doubt.first_bar,
        "last": doubt.last_bar,
        "whole": doubt.whole,
        "about": doubt.about,
        "bars": doubt.bars,
        "text": doubt.text,
        "listen": doubt.listen,
        "then": doubt.then,
        "settle": doubt.settle,
        "sentence": doubt.sentence,
    }


def _feel(feel: Feel) -> dict[str, Any]:
    return {
        "meter": feel.meter,
        "bpm": round(feel.felt_bpm, 1),
        "note": feel.felt_note,
        "beats": feel.felt_beats,
        "counted": None if feel.counted_bpm is None else round(feel.counted_bpm, 1),
        "styles": list(feel.styles),
        "notes": feel.notes,
        "words": feel_text(feel),
        "tempo": tempo_text(feel),
        "holds": feel.holds,
    }


def _count_in(analysis: Analysis) -> dict[str, Any]:
    bars = analysis.bars
    return {
        "words": count_in_text(analysis),
        "beat": [round(count_in_beat_s(analysis.beats, bars, int(first)), 5) for first in bars.first_beat],
        "counts": bars.beats_per_bar.tolist(),
        "into": (bars.count[bars.first_beat] - 1).tolist(),
    }


def _counting(analysis: Analysis) -> dict[str, Any]:
    even = {slots: syllable_positions(GridSection(0, 0, slots, 1.0)) for slots in SYLLABLES}
    return {
        "syllables": {str(slots): list(names) for slots, names in SYLLABLES.items()},
        "within": [_rounded(syllable_positions(section)) for section in analysis.grid.sections],
        "even": {str(slots): _rounded(positions) for slots, positions in even.items()},
    }


def _rounded(positions: dict[str, float]) -> dict[str, float]:
    return {syllable: round(at, 5) for syllable, at in positions.items()}


def _clicks(analysis: Analysis) -> dict[str, Any]:
    meters = sorted({int(beats) for beats in analysis.bars.beats_per_bar})
    presets = []
    for on, words in PRESETS:
        places = None if on == "guide" else {str(beats): preset_places(on, beats) for beats in meters}
        every = every_so_many(on)
        presets.append({"on": on, "words": words, "every": every, "places": places})
    return {"presets": presets, "fading": list(FADING)}


def preset_places(on: str, beats: int) -> list[str]:
    """The labels of a preset in a bar of so many counts: the backbeat of four is 2 and 4."""
    counts = [str(count) for count in range(1, beats + 1)]
    if on == "none":
        return []
    if on == "beats":
        return counts
    if on == "&":
        return [f"{count}&" for count in counts]
    if on == "backbeat":
        return list(backbeat(beats))
    return ["1"]
