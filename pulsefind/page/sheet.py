"""The gig sheet: one printable page a song, and for a set list its order, its tempo jumps and what to check before."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import groupby, pairwise
from math import ceil
from pathlib import Path

import numpy as np
from markupsafe import Markup

from pulsefind.core.counts import label, slot_positions
from pulsefind.core.records import Analysis, GridSection, Guide, IntArray
from pulsefind.core.words import percent, time_text
from pulsefind.guides.plan import PlanPart, plan_parts
from pulsefind.page.assets import render, source_hash, web_text
from pulsefind.report.feel import feel_of
from pulsefind.report.planned import falls

SURE_ENOUGH = 0.6
"""Below this a song goes to the front of the check list, as the report's warnings do."""

MOST_GUIDES = 3
MOST_PARTS = 12
MOST_TRAPS = 4
MOST_LINES = 6
"""Count lines that a page has room for; guides that are in charge of fewer bars go without."""

HEIGHT_MM = 250.0
SIZES = (
    ("large", 1.4),
    ("big", 1.27),
    ("medium", 1.15),
    ("plain", 1.0),
    ("small", 0.85),
    ("slim", 0.77),
    ("tiny", 0.7),
)
_NOTE_CHARACTERS, _TITLE_CHARACTERS = 62, 32
"""How many characters of a note and of the title fit in a line at scale 1."""

TEMPO_STEP = 0.04
"""A lasting change of tempo by more than this share is named. Listeners notice less between two notes; a player
who reads a sheet wants the changes that need another feel."""

_WINDOW_BARS = 4


@dataclass(frozen=True, slots=True)
class Slot:
    """One slot of a drawn count line: where it lies (0..1 of the bar), what is counted, whether it is struck."""

    share: float
    text: str
    on_beat: bool
    struck: bool


@dataclass(frozen=True, slots=True)
class GuideLine:
    """A guide on the sheet: letter, places, the sound in words, and a count line for each bar of its pattern."""

    letter: str
    places: str
    name: str
    lines: tuple[tuple[Slot, ...], ...]


@dataclass(frozen=True, slots=True)
class SongPage:
    """What stands on one page. Everything is text that is ready to print."""

    title: str
    tempo: str
    meter: str
    grid: str
    count_in: str
    first_bar: str
    guides: tuple[GuideLine, ...]
    form: tuple[tuple[str, str, bool], ...]
    traps: tuple[str, ...]
    sure: str
    check: tuple[str, ...]
    certainty: float
    bpm: float
    size: str


def sheet_html(analyses: Iterable[Analysis], paper: str = "a4") -> str:
    """Write the sheet as one HTML text: a page a song, after a page for the set when there are several songs.

    paper is 'a4' or 'letter'. Each analysis is let go once its page is gathered, so a set may be as long as it likes.
    """
    songs = [song_page(analysis) for analysis in analyses]
    style = web_text("sheet.css").replace("{{paper}}", {"a4": "A4", "letter": "letter"}[paper])
    values = {
        "songs": songs,
        "jumps": tempo_jumps([song.bpm for song in songs]),
        "unsure": sorted((song for song in songs if song.check), key=lambda song: song.certainty),
        "style": Markup(style),
        "policy": f"default-src 'none'; style-src {source_hash(style)}; base-uri 'none'; form-action 'none'",
    }
    return render("sheet.html", values)


def song_page(analysis: Analysis) -> SongPage:
    """Gather what one page says. A recording without a beat gets a page that says so."""
    title = Path(analysis.track.name).stem
    if not len(analysis.beats.time_s):
        nothing = ("No steady beat was found: listen whether there is one at all.",)
        return SongPage(title, "no beat", "", "", "", "", (), (), (), "not at all", nothing, 0.0, 0.0, "large")
    parts = plan_parts(analysis.plan)
    confidence = analysis.confidence
    guides, check = _guide_lines(analysis, parts), _check(analysis)
    form = _form(analysis, parts, {guide.letter for guide in guides})
    traps = tuple(_traps(analysis, parts))[:MOST_TRAPS]
    page = SongPage(
        title=title,
        tempo=f"{analysis.tempo.bpm:.0f}",
        meter=analysis.usual_meter,
        grid=feel_of(analysis).notes,
        count_in=count_in_text(analysis),
        first_bar=_first_bar(analysis),
        guides=guides,
        form=form,
        traps=traps,
        sure=_sure(analysis),
        check=check,
        certainty=min(confidence.one, confidence.octave, confidence.meter),
        bpm=analysis.tempo.bpm,
        size="",
    )
    return replace(page, size=_size(page))


def _size(page: SongPage) -> str:
    """The largest size at which the page's words and drawings still fit on the shorter of the two papers."""
    return next((name for name, scale in SIZES if _height_mm(page, scale) <= HEIGHT_MM), SIZES[-1][0])


def _height_mm(page: SongPage, scale: float) -> float:
    """An estimate of the printed height, from heights at scale 1 that were measured on a printed page."""
    lines = sum(len(guide.lines) for guide in page.guides)
    form_rows = len(page.form) if scale > 1.2 else (len(page.form) + 1) // 2
    notes = sum(_lines_of(note, _NOTE_CHARACTERS / scale) for note in (*page.traps, *page.check))
    titles = min(2, _lines_of(page.title, _TITLE_CHARACTERS / scale))
    headings = bool(page.form) + bool(page.traps) + bool(page.check)
    words = 11 * titles + 40 + 19 * len(page.guides) + 10.5 * form_rows + 7 * notes + 10 * headings + 19
    return words * scale + 25 * lines * min(1.0, scale)


def _lines_of(text: str, width: float) -> int:
    return ceil(len(text) / width)


def _sure(analysis: Analysis) -> str:
    sure = analysis.confidence
    return f"the 1 {percent(sure.one)}, tempo {percent(sure.octave)}, meter {percent(sure.meter)}"


def count_in_text(analysis: Analysis) -> str:
    """The spoken count-in: a bar of counts, and up to the pickup's first count: '1 2 3 4 | 1 2 3 | in on 4'."""
    beats = int(analysis.bars.beats_per_bar[0])
    bar = " ".join(str(count) for count in range(1, beats + 1))
    first = int(analysis.bars.count[0])
    if first == 1:
        return f"{bar} | in on 1"
    before = " ".join(str(count) for count in range(1, first))
    return f"{bar} | {before} | in on {first}"


def _first_bar(analysis: Analysis) -> str:
    full = np.flatnonzero(analysis.bars.number == 1)
    if not len(full):
        return "no full bar"
    text = f"Bar 1 at {time_text(float(analysis.bars.start_s[full[0]]))}"
    if analysis.bars.has_pickup:
        beats = int(analysis.bars.beats[0])
        text += f", after a pickup of {beats} {'beat' if beats == 1 else 'beats'}"
    return text


def _letter(guide: int) -> str:
    return chr(ord("A") + guide)


def _guide_lines(analysis: Analysis, parts: tuple[PlanPart, ...]) -> tuple[GuideLine, ...]:
    """The guides of the plan, those in charge of most bars first, in the order of their letters."""
    bars_of: dict[int, int] = {}
    for part in parts:
        if part.guide is not None:
            bars_of[part.guide] = bars_of.get(part.guide, 0) + part.last_bar - part.first_bar + 1
    drawn = 0
    lines: dict[int, GuideLine] = {}
    for index in sorted(bars_of, key=lambda guide: -bars_of[guide])[:MOST_GUIDES]:
        line = _guide_line(analysis, index)
        drawn += len(line.lines)
        lines[index] = line if drawn <= MOST_LINES else replace(line, lines=())
    return tuple(lines[index] for index in sorted(lines))


def _guide_line(analysis: Analysis, index: int) -> GuideLine:
    guide = analysis.guides[index]
    section = analysis.grid.at(guide.coverage[0].first_bar)
    beats = analysis.bars.usual_beats
    lines = tuple(_count_line(guide, bar, beats, section) for bar in range(1, guide.pattern_bars + 1))
    return GuideLine(_letter(index), falls(guide, analysis), guide.name, _without_repeats(lines))


def _without_repeats(lines: tuple[tuple[Slot, ...], ...]) -> tuple[tuple[Slot, ...], ...]:
    """Four drawn bars don't fit beside two other guides: a second half that repeats the first is left out."""
    half = len(lines) // 2
    return lines[:half] if half and lines[:half] == lines[half:] else lines


def _count_line(guide: Guide, bar: int, beats: int, section: GridSection) -> tuple[Slot, ...]:
    struck = {place.label for place in guide.places if place.bar == bar}
    slots = []
    crowded = beats * section.slots_per_beat
    for count in range(1, beats + 1):
        for slot, within in enumerate(slot_positions(section)):
            name = label(count, slot, section.slots_per_beat)
            text = str(count) if slot == 0 else name.lstrip("0123456789")[: None if crowded < 17 else 1]
            slots.append(Slot((count - 1 + float(within)) / beats, text, slot == 0, name in struck))
    return tuple(slots)


def _form(analysis: Analysis, parts: tuple[PlanPart, ...], drawn: set[str]) -> tuple[tuple[str, str, bool], ...]:
    """The song in runs of bars: which bars, what to do, and whether the player is alone there."""
    rows = []
    for part in parts[:MOST_PARTS]:
        bars = _bars_text(analysis.bars.number, part.first_bar, part.last_bar)
        rows.append((bars, _what_to_do(analysis, part.guide, drawn), part.guide is None))
    if len(parts) > MOST_PARTS:
        rows[-1] = ("...", f"and {len(parts) - MOST_PARTS + 1} more changes", False)
    return tuple(rows)


def _what_to_do(analysis: Analysis, guide: int | None, drawn: set[str]) -> str:
    """A guide that is drawn above needs only its letter; another one's first places stand beside it."""
    if guide is None:
        return "alone"
    letter = _letter(guide)
    labels = [place.label for place in analysis.guides[guide].places]
    return f"follow {letter}" if letter in drawn else f"{letter}: {' '.join(labels[:4])}{' ...' if labels[4:] else ''}"


def _bars_text(number: IntArray, first: int, last: int) -> str:
    low, high = int(number[first]), int(number[last])
    start = "pickup" if low == 0 else str(low)
    return start if low == high else f"{start}-{high}"


def _traps(analysis: Analysis, parts: tuple[PlanPart, ...]) -> list[str]:
    """What can go wrong on stage: short or long bars, tempo changes, and guides that are easily misheard."""
    used = {part.guide for part in parts}
    found = [*_odd_bars(analysis), *_tempo_changes(analysis)]
    for misreading in sorted(analysis.misreadings, key=lambda m: -m.tempting):
        if misreading.guide in used:
            # One trap a guide: the stage has no room for more.
            used.remove(misreading.guide)
            found.append(
                f"{_letter(misreading.guide)} can be heard as {misreading.heard_as}, "
                f"at {misreading.bpm:.0f} bpm: {misreading.cue}"
            )
    return found


def _odd_bars(analysis: Analysis) -> list[str]:
    bars = analysis.bars
    usual = analysis.bars.usual_beats
    by_meter: dict[str, list[int]] = {}
    for k in np.flatnonzero(bars.beats_per_bar != usual):
        by_meter.setdefault(analysis.meter(int(k)), []).append(int(bars.number[k]))
    found = []
    for meter, numbers in by_meter.items():
        shown = ", ".join(str(n) for n in numbers[:6]) + (f" and {len(numbers) - 6} more" if len(numbers) > 6 else "")
        found.append(f"{'Bar' if len(numbers) == 1 else 'Bars'} {shown}: {meter}")
    return found


def _tempo_changes(analysis: Analysis) -> list[str]:
    """Bars from which the tempo is another by more than TEMPO_STEP, judged by the four bars on either side.

    Medians decide whether there is a change, so that one odd bar makes none; means say where, as they turn at one bar.
    """
    bpm = analysis.tempo.bar_bpm
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


def _check(analysis: Analysis) -> tuple[str, ...]:
    """What to listen for before the gig; empty when the answers are sure enough."""
    confidence, bpm = analysis.confidence, analysis.tempo.bpm
    found = []
    if confidence.one < SURE_ENOUGH:
        found.append(f"Is the 1 right? {_first_bar(analysis)}: do the bass and the chords change there?")
    if confidence.octave < SURE_ENOUGH:
        found.append(f"Is it {bpm:.0f} bpm, or {bpm / 2:.0f} or {bpm * 2:.0f}? Tap with the whole band, not one sound.")
    if confidence.meter < SURE_ENOUGH:
        found.append(f"Is it {analysis.usual_meter}? Count from one change of harmony to the next.")
    if not analysis.guides:
        found.append("No sound to follow was found: learn the cues by heart.")
    if found and analysis.alternatives:
        other = analysis.alternatives[0]
        found.append(f"The next best reading: {other.reading} ({percent(other.probability)}).")
    return tuple(found)


def tempo_jumps(bpm: Sequence[float]) -> list[str]:
    """How the tempo changes from each song to the next, in words; one entry fewer than songs."""
    jumps = []
    for before, after in pairwise(bpm):
        if not before or not after:
            jumps.append("tempo unknown")
            continue
        change = round(after) - round(before)
        word = "the same" if change == 0 else f"{abs(change)} bpm {'faster' if change > 0 else 'slower'}"
        jumps.append(f"{word} ({100 * (after / before - 1):+.0f} %)" if change else word)
    return jumps
