"""The gig sheet: one printable page per song, and for a set list its order, tempo jumps and what to check beforehand.

Names, plan, marks and doubts are the report's. At two metres, print is legible from about 5 mm height (1/250 to 1/400
of the distance: common practice for signs, no source), which is 20 pt.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import groupby, pairwise
from math import ceil
from pathlib import Path

import numpy as np
from markupsafe import Markup

from pulsefind.core.records import Analysis
from pulsefind.core.words import clock, listed, time_text
from pulsefind.guides.called import Mark, called, mark_of
from pulsefind.page.assets import render, source_hash, web_text
from pulsefind.report.counting import Count, counted_bars
from pulsefind.report.doubts import THE_BEAT, THE_METER, THE_ONE, THE_TEMPO, Doubt, doubts_of, missing_sound
from pulsefind.report.feel import count_in_text, feel_of, feel_text, tempo_text
from pulsefind.report.guiding import mishearings
from pulsefind.report.planned import GUIDE, PlanLine, falls, plan_lines

MOST_DRAWN = 2  # judged: guides that are drawn
MOST_ROWS = 10  # judged: stretches of the plan that a page lists
MOST_WATCHED = 3  # judged: things to watch out for on stage
MOST_NOTES = 4  # judged: notes of the player's own
MOST_LINES = 4
"""Count lines that a page has room for (judged); guides in charge of fewer bars go without."""

HEIGHT_MM = 251.0  # judged: letter, the shorter paper, has 259 mm between its margins; the rest is for the estimate
# Names as in sheet.css and their scales; judged: 1 is 20 pt.
SIZES = (
    ("large", 1.4),
    ("big", 1.27),
    ("medium", 1.15),
    ("plain", 1.0),
    ("small", 0.87),
    ("slim", 0.77),
    ("tiny", 0.66),
)
_NOTE_CHARACTERS, _SMALL_CHARACTERS, _ROW_CHARACTERS, _TITLE_CHARACTERS = 53, 76, 44, 30
"""How many characters of a note, small print, a plan row and the title fit on a line at scale 1 (judged)."""

TEMPO_STEP = 0.04
"""A lasting change of tempo by more than this share is mentioned (judged). Listeners notice less between two notes, but
a player reading a sheet wants the changes that feel different.
"""

_WINDOW_BARS = 4  # judged: bars on either side that must agree before a change of tempo counts


@dataclass(frozen=True, slots=True)
class Row:
    """A stretch of the plan: its bars, whether in doubt, what leads, the mark if that is a guide, and what to do."""

    bars: str
    unsure: bool
    kind: str
    mark: Mark | None
    what: str


@dataclass(frozen=True, slots=True)
class Drawn:
    """A guide as drawn: name, mark, where it falls, and a count line for each bar of its pattern."""

    name: str
    mark: Mark
    places: str
    lines: tuple[tuple[Count, ...], ...]


@dataclass(frozen=True, slots=True)
class SongPage:
    """The contents of one page, all of it text ready to print; an unsure number ends with a question mark.

    watch: what can go wrong on stage; doubts: what is unsure, and how to settle it before the gig.
    """

    title: str
    duration_s: float
    tempo: str
    tempo_words: str
    meter: str
    feel: str
    count_in: str
    first_bar: str
    ending: str
    rows: tuple[Row, ...]
    drawn: tuple[Drawn, ...]
    watch: tuple[str, ...]
    doubts: tuple[tuple[str, str], ...]
    certainty: float
    bpm: float
    size: str
    notes: tuple[str, ...] = ()

    @property
    def check(self) -> tuple[str, ...]:
        """The doubts as sentences."""
        return tuple(" ".join(doubt) for doubt in self.doubts)

    @property
    def duration(self) -> str:
        """Minutes and seconds of the recording."""
        return clock(self.duration_s)


def sheet_html(analyses: Iterable[Analysis], paper: str = "a4", title: str | None = None) -> str:
    """Write the sheet as one HTML text: a page per song, after a page for the set if there are several songs.

    paper is 'a4' or 'letter'. title heads the set, or the song if there is only one. Each analysis is released once its
    page is gathered, so a set may be of any length.
    """
    songs = [song_page(analysis) for analysis in analyses]
    if title and len(songs) == 1:
        songs = [_sized(replace(songs[0], title=title))]
    style = web_text("sheet.css").replace("{{paper}}", {"a4": "A4", "letter": "letter"}[paper])
    values = {
        "songs": songs,
        "title": title or (songs[0].title if len(songs) == 1 else "Set list"),
        "total": _total(songs),
        "jumps": tempo_jumps([song.bpm for song in songs]),
        "unsure": sorted((song for song in songs if song.check), key=lambda song: song.certainty),
        "paper": paper,
        "style": Markup(style),
        "policy": f"default-src 'none'; style-src {source_hash(style)}; base-uri 'none'; form-action 'none'",
    }
    return render("sheet.html", values)


def _total(songs: list[SongPage]) -> str:
    return f"{len(songs)} songs, {clock(sum(song.duration_s for song in songs))} of music"


def song_page(analysis: Analysis) -> SongPage:
    """Gather the contents of one page. A recording without a beat gets a page that says so."""
    known = analysis.settings.corrections
    title, length_s = known.title or Path(analysis.track.name).stem, analysis.track.duration_s
    if not len(analysis.beats.time_s):
        nothing = (("No steady beat was found.", "Listen: is there one at all?"), *_gone(analysis))
        return SongPage(title, length_s, "no beat", "", "", "", "", "", "", (), (), (), nothing, 0.0, 0.0, "large")
    feel, confidence, doubts = feel_of(analysis), analysis.confidence, doubts_of(analysis)
    unsure = {doubt.about for doubt in doubts if doubt.whole}
    rows, drawn = _rows_and_drawn(analysis, doubts)
    page = SongPage(
        title=title,
        duration_s=length_s,
        tempo=f"{feel.felt_bpm:.0f}{' ?' if THE_TEMPO in unsure else ''}",
        tempo_words=tempo_text(feel),
        meter=f"{feel.meter}{' ?' if THE_METER in unsure else ''}",
        feel=feel_text(feel).partition(", ")[2],
        count_in=count_in_text(analysis),
        first_bar=f"{_first_bar(analysis)}{' ?' if unsure & {THE_ONE, THE_BEAT} else ''}",
        ending=_ending(analysis),
        rows=rows,
        drawn=drawn,
        watch=tuple(_watched(analysis))[:MOST_WATCHED],
        doubts=_doubts(analysis, doubts),
        certainty=min(confidence.one, confidence.octave, confidence.meter),
        bpm=feel.felt_bpm,
        size="",
        notes=known.notes[:MOST_NOTES],
    )
    return _sized(page)


def _sized(page: SongPage) -> SongPage:
    """The same page in the largest size at which its words and drawings fit on the shorter paper."""
    fitting = (name for name, scale in SIZES if _height_mm(page, scale) <= HEIGHT_MM)
    return replace(page, size=next(fitting, SIZES[-1][0]))


def _height_mm(page: SongPage, scale: float) -> float:
    """An estimate of the printed height, from heights measured on a printed page at scale 1."""
    beside = max((len(row.bars) + 2 * row.unsure for row in page.rows), default=0)
    rows = sum(_lines_of(row.what, _ROW_CHARACTERS / scale - beside) for row in page.rows)
    notes = sum(
        _lines_of(note, _NOTE_CHARACTERS / scale) for note in (*page.notes, *page.watch, *(d[0] for d in page.doubts))
    )
    small = sum(_lines_of(way_out, _SMALL_CHARACTERS / scale) for _, way_out in page.doubts)
    titles = min(2, _lines_of(page.title, _TITLE_CHARACTERS / scale))
    feel = _lines_of(f"{page.meter} {page.feel} {page.tempo_words}", 42 / scale)
    headings = bool(page.notes) + bool(page.watch) + bool(page.doubts)
    words = 12 * titles + 49 + 9 * feel + 9.5 * rows + 2 * len(page.rows) + 9 * notes + 6.5 * small + 9 * headings
    words += 13 * len(page.drawn)
    # A drawn line is as wide as the page (narrower at the smallest sizes), and its height follows from that.
    return words * scale + 25 * sum(len(one.lines) for one in page.drawn) * min(1.0, scale)


def _lines_of(text: str, width: float) -> int:
    return max(1, ceil(len(text) / width))


def _first_bar(analysis: Analysis) -> str:
    full = np.flatnonzero(analysis.bars.number == 1)
    if not len(full):
        return "no full bar"
    text = f"Bar 1 at {time_text(float(analysis.bars.start_s[full[0]]))}"
    if analysis.bars.number[0] == 0:
        counts = [str(int(count)) for count in analysis.bars.count[: analysis.bars.beats[0]]]
        text += f", after a pickup on {listed(counts)}"
    return text


def _ending(analysis: Analysis) -> str:
    """The last bar and when it ends; if it is cut short, on which count."""
    bars = analysis.bars
    text = f"Ends with bar {int(bars.number[-1])} at {clock(bars.end_s)}"
    if bars.beats[-1] < bars.beats_per_bar[-1]:
        text += f", on count {int(bars.count[-1])}"
    return text


def _rows_and_drawn(analysis: Analysis, doubts: tuple[Doubt, ...]) -> tuple[tuple[Row, ...], tuple[Drawn, ...]]:
    lines = plan_lines(analysis)
    drawn = _drawn(analysis, lines)
    stretches = [(doubt.first_bar, doubt.last_bar) for doubt in doubts if not doubt.whole]
    rows = [_row(analysis, line, stretches) for line in lines[:MOST_ROWS]]
    if len(lines) > MOST_ROWS:
        left = len(lines) - MOST_ROWS + 1
        rows[-1] = Row("then", False, GUIDE, None, f"{left} more changes: see the page")
    return tuple(rows), drawn


def _row(analysis: Analysis, line: PlanLine, stretches: list[tuple[int, int]]) -> Row:
    unsure = any(first <= line.last_bar and line.first_bar <= last for first, last in stretches)
    mark = None if line.guide is None else mark_of(analysis.guides[line.guide].sound)
    return Row(line.bars, unsure, line.kind, mark, line.what)


def _drawn(analysis: Analysis, lines: tuple[PlanLine, ...]) -> tuple[Drawn, ...]:
    """The guides of the plan in order of appearance; if there are many, those in charge of the most bars."""
    bars_of: dict[int, int] = {}
    for line in lines:
        if line.guide is not None:
            bars_of[line.guide] = bars_of.get(line.guide, 0) + line.last_bar - line.first_bar + 1
    names, drawn, n_lines = called(analysis.guides), {}, 0
    for k in sorted(bars_of, key=lambda guide: -bars_of[guide])[:MOST_DRAWN]:
        bars = counted_bars(analysis, analysis.guides[k])
        n_lines += len(bars)
        if n_lines <= MOST_LINES:
            guide = analysis.guides[k]
            drawn[k] = Drawn(names[k], mark_of(guide.sound), falls(guide, analysis), bars)
    return tuple(drawn[k] for k in bars_of if k in drawn)


def _watched(analysis: Analysis) -> list[str]:
    """What can go wrong on stage: short or long bars, tempo changes, and guides that are easy to mishear."""
    found = [*_odd_bars(analysis), *_tempo_changes(analysis)]
    names = called(analysis.guides)
    for guide in dict.fromkeys(line.guide for line in plan_lines(analysis) if line.guide is not None):
        # One per guide: on stage there is no room for more.
        for misheard in mishearings(analysis, guide)[:1]:
            found.append(f"The {names[guide]} is easy to mishear {misheard}")
    return found


def _odd_bars(analysis: Analysis) -> list[str]:
    bars = analysis.bars
    meters = [analysis.meter(bar) for bar in range(len(bars.beats))]
    usual = analysis.usual_meter
    by_meter: dict[str, list[int]] = {}
    for meter, number in zip(meters, bars.number, strict=True):
        if meter != usual:
            by_meter.setdefault(meter, []).append(int(number))
    found = []
    for meter, numbers in by_meter.items():
        shown = ", ".join(str(n) for n in numbers[:6]) + (f" and {len(numbers) - 6} more" if len(numbers) > 6 else "")
        found.append(f"{'Bar' if len(numbers) == 1 else 'Bars'} {shown}: {meter}")
    return found


def _tempo_changes(analysis: Analysis) -> list[str]:
    """Bars from which the tempo differs by more than TEMPO_STEP, comparing the four bars on either side.

    Medians decide whether there is a change, so that a single odd bar makes none; means, which change most at one bar,
    say where.
    """
    bpm = analysis.tempo.bar_bpm * feel_of(analysis).felt_bpm / analysis.tempo.bpm
    splits = range(_WINDOW_BARS, len(bpm) - _WINDOW_BARS + 1)
    around = {bar: (bpm[bar - _WINDOW_BARS : bar], bpm[bar : bar + _WINDOW_BARS]) for bar in splits}
    changed = [bar for bar, (old, new) in around.items() if abs(np.median(new) / np.median(old) - 1) > TEMPO_STEP]
    found: list[str] = []
    for _, run in groupby(enumerate(changed), key=lambda item: item[1] - item[0]):
        bars = [bar for _, bar in run]
        sharpest = max(bars, key=lambda bar: abs(around[bar][1].mean() - around[bar][0].mean()))
        after = np.median(around[sharpest][1])
        found.append(f"Tempo from bar {int(analysis.bars.number[sharpest])}: {after:.0f} bpm")
    return found


def _gone(analysis: Analysis) -> list[tuple[str, str]]:
    """Says that part of the recording is missing, and what to do."""
    return [("The end of the recording is missing.", said.partition(": ")[2]) for said in missing_sound(analysis)]


def _doubts(analysis: Analysis, doubts: tuple[Doubt, ...]) -> tuple[tuple[str, str], ...]:
    """What to settle before the gig, and how; empty if the answers are sure enough."""
    found = [(doubt.headline, doubt.way_out) for doubt in doubts]
    found += _gone(analysis)
    if not analysis.guides:
        found.append(("No sound to follow was found.", "Learn the cues by heart."))
    return tuple(found)


def tempo_jumps(bpm: Sequence[float]) -> list[str]:
    """How the tempo changes from each song to the next, in words: one entry fewer than songs."""
    jumps = []
    for before, after in pairwise(bpm):
        if not before or not after:
            jumps.append("tempo unknown")
            continue
        change = round(after) - round(before)
        word = "the same" if change == 0 else f"{abs(change)} bpm {'faster' if change > 0 else 'slower'}"
        jumps.append(f"{word} ({100 * (after / before - 1):+.0f} %)" if change else word)
    return jumps
