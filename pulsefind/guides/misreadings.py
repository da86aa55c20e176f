"""How a guide could fool you: other beats and bars that its hits suggest, and the cue that tells them apart.

Everything follows from the places alone, in twelfths of a beat, around the pattern:

- Evenly spaced hits are heard as a beat: one with its own tempo if they are slower or quicker than the true beat, one
  across it (3 against 2 or 4, dotted notes), or the true beat shifted if they fall between the beats. Three or more
  equally spaced hits that fill half of the pattern or bar but don't fit the bar make such a beat too, while they last.
- Hits that a shift maps onto themselves can't tell the two apart: any beat, half a bar, part of a beat.
- A figure is heard as beginning after its longest gap (Garner 1974, "The processing of information and structure"), so
  a figure that begins anywhere but on the 1 makes its beginning sound like the 1. Longest means half as long again as
  any other.
- A figure of two or four bars may seem to begin with any of them.
- Nearly even hits are heard as even: three in a beat up to 2 : 1, three in a bar (or two, in an odd bar of five beats
  or more) up to 1.5 : 1; swung notes are heard as straight.

How tempting a reading is: its share beside the true one, f p / (f p + f' p'). f is how well each reading's beat (or its
strong beats, where only the 1 moves) agrees with the hits, the harmonic mean of hits explained and beats struck, after
the clocks of Povel and Essens (1985, "Perception of temporal patterns"); p is how natural its tempo is, highest at 120
a minute (after van Noorden and Moelants 1999; values from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import groupby

import numpy as np

from pulsefind.core.counts import parse_label
from pulsefind.core.records import Bars, Guide, Misreading, Place, Tempo

_TICKS = 12
"""Places are compared in twelfths of a beat, which hold sixteenths and triplets exactly (arithmetic)."""

_BEAT_BPM = (40.0, 220.0)
"""Nothing slower or quicker than this is felt as a beat (common practice, no source)."""

_PREFERRED_BPM = 120.0  # published: van Noorden and Moelants 1999, from memory
_OCTAVES_WIDE = 0.9  # standard deviation of the preference (judged; from memory of the same)
_LEAST_FIT = 0.1  # judged: no reading is impossible
_CLEARLY_LONGEST = 1.5  # judged: times the next longest gap
_EVENED_IN_BEAT, _EVENED_IN_BAR = 2.0, 1.5  # judged: longest over shortest gap that is still heard as even
_SMALLEST_SWING = 1.15  # as in beats/grid.py (judged)
_LISTED = 4  # judged: places that a cue names

HITS_AS_BEATS = frozenset({"off the beat", "turned", "slow", "quick", "cross", "evened"})
"""Kinds in which each hit is taken for a beat, so that the misreading can be counted aloud."""


@dataclass(frozen=True, slots=True)
class Figure:
    """Where a guide is struck: ticks (sorted, within cycle), all in twelfths of a counted beat.

    beat is the felt beat, three counts in 6/8 and the like, and bpm its tempo. swing is long : short of the notes
    between the beats, 1 if straight. shown names the places. is_bass: the bass plays it, so the cue has to be another
    instrument.
    """

    ticks: tuple[int, ...]
    cycle: int
    bar: int
    beat: int
    bpm: float
    swing: float
    shown: str
    is_bass: bool = False

    @property
    def gaps(self) -> tuple[int, ...]:
        """From each hit to the next, around the pattern."""
        return tuple(int(g) for g in np.diff([*self.ticks, self.ticks[0] + self.cycle]))

    @property
    def period(self) -> int:
        """The smallest shift that maps the hits onto themselves."""
        return next(p for p in range(1, self.cycle + 1) if self.cycle % p == 0 and self.same_after(p))

    @property
    def step(self) -> int:
        """The gap between evenly spaced hits, 0 where they are not."""
        return self.gaps[0] if len(set(self.gaps)) == 1 else 0

    def same_after(self, shift: int) -> bool:
        """Does moving all hits by so much give the same hits?"""
        return {(tick + shift) % self.cycle for tick in self.ticks} == set(self.ticks)

    def fit(self, period: int, phase: int) -> float:
        """How well a clock fits the hits: the harmonic mean of the share of hits on it and the share of its ticks
        struck.
        """
        on = sum((tick - phase) % period == 0 for tick in self.ticks)
        return 2 * on / (self.cycle / period + len(self.ticks))

    def bpm_of(self, period: float) -> float:
        """The tempo of a beat of that many ticks."""
        return self.bpm * self.beat / period


@dataclass(frozen=True, slots=True)
class _Reading:
    """One misreading: its kind, what it is heard as, its tempo, its fit and the truth's, and the cue."""

    kind: str
    heard_as: str
    bpm: float
    fit: float
    true_fit: float
    cue: str


def find_misreadings(guides: tuple[Guide, ...], bars: Bars, tempo: Tempo) -> tuple[Misreading, ...]:
    """List what each guide could be taken for, guide by guide, the most tempting first.

    Empty without guides, and for a guide that leaves no doubt.
    """
    found: list[Misreading] = []
    for index, guide in enumerate(guides):
        figure = figure_of(guide.places, guide.pattern_bars, bars, tempo)
        figure = replace(figure, is_bass=guide.sound.instrument == "bass")
        readings = [
            Misreading(index, r.heard_as, r.bpm, _tempting(r, figure), r.cue, r.kind) for r in _readings(figure)
        ]
        found.extend(sorted(readings, key=lambda reading: -reading.tempting))
    return tuple(found)


def fixes(guide: Guide, bars: Bars, tempo: Tempo) -> str:
    """What the guide's places settle by themselves: "the 1", "the half bar", "the beat", or "" if not even that."""
    figure = figure_of(guide.places, guide.pattern_bars, bars, tempo)
    if not figure.ticks or any(figure.same_after(figure.beat // parts) for parts in (2, 3, 4)):
        return ""
    shifts = [k for k in range(figure.beat, figure.bar, figure.beat) if figure.same_after(k)]
    if not shifts:
        return "the 1"
    return "the half bar" if 2 * shifts[0] == figure.bar and shifts[0] > figure.beat else "the beat"


def figure_of(places: tuple[Place, ...], pattern_bars: int, bars: Bars, tempo: Tempo) -> Figure:
    """The places of a guide in ticks, reduced to as few bars as it takes."""
    beats = bars.usual_beats or 4
    in_threes = bars.unit == 8 and beats % 3 == 0 and beats > 3
    bar = beats * _TICKS
    ticks = {round(((p.bar - 1) * beats + p.position_beats) * _TICKS) % (bar * pattern_bars) for p in places}
    names = [p.label for p in places[:_LISTED]]
    shown = ", ".join(names) + (" ..." if len(places) > _LISTED else "")
    felt = 3 if in_threes else 1
    figure = Figure(
        tuple(sorted(ticks)), bar * pattern_bars, bar, felt * _TICKS, tempo.bpm / felt, _swing(places), shown
    )
    if pattern_bars == 1 or not figure.same_after(bar):
        return figure
    one_bar = tuple(sorted({tick % bar for tick in ticks}))
    return Figure(one_bar, bar, bar, figure.beat, figure.bpm, figure.swing, figure.shown)


def _swing(places: tuple[Place, ...]) -> float:
    """Long : short of the swung pairs among the places; a last triplet without its middle one counts as swung."""
    syllables = {parse_label(p.label)[1] for p in places}
    ratios = []
    for place in places:
        syllable, within = parse_label(place.label)[1], place.position_beats % 1.0
        if syllable == "&" or (syllable == "let" and "trip" not in syllables):
            ratios.append(within / (1 - within))
        elif syllable in ("e", "a"):
            ratios.append((within % 0.5) / (0.5 - within % 0.5))
    return max(ratios, default=1.0)


def _tempting(reading: _Reading, figure: Figure) -> float:
    heard = max(reading.fit, _LEAST_FIT) * _natural(reading.bpm)
    true = max(reading.true_fit, _LEAST_FIT) * _natural(figure.bpm)
    return heard / (heard + true)


def _natural(bpm: float) -> float:
    return float(np.exp(-0.5 * (np.log2(bpm / _PREFERRED_BPM) / _OCTAVES_WIDE) ** 2))


def _readings(figure: Figure) -> Iterator[_Reading]:
    if not figure.ticks:
        return
    for rule in (_off_the_beat, _turned, _other_tempo, _across, _alike, _other_bar, _evened, _straight):
        yield from rule(figure)


def _off_the_beat(figure: Figure) -> Iterator[_Reading]:
    """The beat heard where the hits are, between the true beats."""
    phases = {tick % figure.beat for tick in figure.ticks}
    part = next((figure.beat // k for k in (2, 3) if figure.same_after(figure.beat // k)), None)
    start = _start(figure)
    if phases == {0} or not (len(phases) == 1 or part or (start is not None and start % figure.beat)):
        return
    moved = part or (start if start is not None else figure.ticks[0]) % figure.beat
    other, move = ("chords", "move") if figure.is_bass else ("bass", "moves")
    if part:
        cue = f"it strikes the beats and what lies between them alike; listen for the {other} on the beat"
    elif len(phases) == 1:
        cue = f"it falls on {figure.shown}; the {other} {move} between its hits"
    else:
        cue = f"it seems to start after its longest gap, and doesn't; go by the {other}"
    heard = "the beat itself, shifted"
    yield _Reading("off the beat", heard, figure.bpm, figure.fit(figure.beat, moved), figure.fit(figure.beat, 0), cue)


def _start(figure: Figure) -> int | None:
    """The hit that seems to begin the figure, in ticks from the 1; None if none stands out, or it is the 1.

    Evenly spaced hits all begin it, where they divide the bar; then the first counts.
    """
    if figure.cycle > figure.bar:
        return None
    if figure.step:
        fits = figure.bar % figure.step == 0 and figure.step % figure.beat == 0 and figure.step > figure.beat
        return figure.ticks[0] if fits and figure.ticks[0] else None
    period = figure.period
    once = figure.gaps[: sum(tick < period for tick in figure.ticks)]
    longest = int(np.argmax(once))
    if len(once) < 2 or once[longest] <= _CLEARLY_LONGEST * sorted(once)[-2]:
        return None
    return figure.ticks[(longest + 1) % len(once)] or None


def _turned(figure: Figure) -> Iterator[_Reading]:
    """Another beat heard as the 1."""
    start = _start(figure)
    if start is None or start % figure.beat:
        return
    beats = figure.bar // figure.beat
    strong = figure.bar // 2 if beats % 2 == 0 and len(figure.ticks) > 1 else figure.bar
    heard = "1 and 3" if beats == 4 and figure.step == 2 * figure.beat else "the 1"
    cue = f"it falls on {figure.shown}: the chords change before its hits, not with them"
    yield _Reading("turned", heard, figure.bpm, figure.fit(strong, start), figure.fit(strong, 0), cue)


def _other_tempo(figure: Figure) -> Iterator[_Reading]:
    """Evenly spaced hits as a beat of their own."""
    step, beat = figure.step, figure.beat
    if not step or step == beat:
        return
    if step % beat and beat % step:
        return
    if step < beat:
        found = [
            _Reading("quick", "beats of a quicker pulse", figure.bpm_of(step), 1.0, figure.fit(beat, 0), _cue(figure))
        ]
    else:
        found = [_Reading("slow", "slow beats", figure.bpm_of(step), 1.0, figure.fit(beat, 0), _cue(figure))]
        if step % (4 * beat) == 0 and figure.ticks[0]:
            half = figure.bpm_of(step / 2)
            heard = "2 and 4 of a bar at half the tempo" if step == 4 * beat else "2 and 4 of a slower bar"
            found.append(_Reading("half time", heard, half, 2 / 3, figure.fit(beat, 0), _cue(figure)))
    yield from (reading for reading in found if _BEAT_BPM[0] <= reading.bpm <= _BEAT_BPM[1])


def _cue(figure: Figure) -> str:
    if figure.step < figure.beat:
        others = "the chords" if figure.is_bass else "the chords and the bass"
        return f"{figure.beat // figure.step} of its hits make one beat: {others} move at that rate"
    return f"it falls on {figure.shown}: say the counts between its hits"


def _across(figure: Figure) -> Iterator[_Reading]:
    """A beat across the true one: 3 against 2, 3 against 4, dotted notes."""
    gap, hits = _equal_run(figure)
    fits_beat = gap and (gap % figure.beat == 0 or figure.beat % gap == 0)
    if not gap or (figure.bar % gap == 0 and fits_beat) or (figure.step and fits_beat):
        return
    bpm = figure.bpm_of(gap)
    if not _BEAT_BPM[0] <= bpm <= _BEAT_BPM[1]:
        return
    fit = min(1.0, 2 * hits / (figure.cycle / gap + len(figure.ticks)))
    even = figure.bar // gap if figure.bar % gap == 0 and figure.bar > gap else 0
    heard = f"{even} even beats a bar" if even else "a beat that drifts across the bars"
    cue = f"it falls on {figure.shown}: {_on_beats(figure)} on a beat"
    yield _Reading("cross", heard, bpm, fit, figure.fit(figure.beat, 0), cue)


def _on_beats(figure: Figure) -> str:
    count = sum(tick % figure.beat == 0 for tick in figure.ticks)
    return {0: "none lies", 1: "one lies"}.get(count, f"{count} lie")


def _equal_run(figure: Figure) -> tuple[int, int]:
    """The gap and the number of hits of the longest run of equal gaps that fills half of what repeats, or (0, 0)."""
    if figure.step:
        return figure.step, len(figure.ticks)
    gaps = figure.gaps
    turn = next(k for k in range(len(gaps)) if gaps[k] != gaps[k - 1])
    runs = [(gap, len(list(run))) for gap, run in groupby(gaps[turn:] + gaps[:turn])]
    gap, n = max(runs, key=lambda run: (run[1] >= 2, run[0] * run[1]))
    enough = n >= 2 and 2 * gap * n >= min(figure.period, figure.bar)
    return (gap, sum(k + 1 for g, k in runs if g == gap and k >= 2)) if enough else (0, 0)


def _alike(figure: Figure) -> Iterator[_Reading]:
    """Hits that look the same from other beats leave the 1 open."""
    beats = figure.bar // figure.beat
    shifts = [k * figure.beat for k in range(1, beats) if figure.same_after(k * figure.beat)]
    if not shifts:
        return
    if figure.beat in shifts and beats > 2:
        kind, heard = "any beat", "a bar that begins on any of its beats"
    elif 2 * shifts[0] == figure.bar:
        kind, heard = "half bar", "a bar that begins half a bar off"
    else:
        kind, heard = "any hit", "a bar that begins with any of its hits"
    yield _Reading(kind, heard, figure.bpm, 1.0, 1.0, "it says nothing about the 1: listen for the change of chord")


def _other_bar(figure: Figure) -> Iterator[_Reading]:
    """A longer figure that seems to begin with another of its bars."""
    n = figure.cycle // figure.bar
    if n == 1:
        return
    bars = [sorted(tick for tick in figure.ticks if tick // figure.bar == k) for k in range(n)]
    hits = " + ".join(str(len(bar)) for bar in bars)
    heard = f"the same figure begun with {'its second bar' if n == 2 else 'another of its bars'}"
    yield _Reading("other bar", heard, figure.bpm, 1.0, 1.0, f"its bars have {hits} hits: keep them in that order")


def _evened(figure: Figure) -> Iterator[_Reading]:
    """Nearly even hits heard as even."""
    odd_bar = figure.bar // figure.beat >= 5 and figure.bar // figure.beat % 2
    for span in sorted({figure.beat, 2 * figure.beat, figure.bar}):
        if figure.cycle % span or not figure.same_after(span):
            continue
        inside = [tick for tick in figure.ticks if tick < span]
        wanted = (2, 3) if odd_bar and span == figure.bar else (3,)
        if len(inside) not in wanted or inside[0]:
            continue
        gaps = np.diff([*inside, span])
        most = _EVENED_IN_BEAT if span == figure.beat else _EVENED_IN_BAR
        if gaps.min() == gaps.max() or gaps.max() > most * gaps.min():
            continue
        in_beat = span == figure.beat
        bpm = figure.bpm if in_beat else figure.bpm_of(span / len(inside))
        heard = "even triplets" if in_beat else f"{len(inside)} even beats"
        cue = "long and short: its hits aren't evenly spaced"
        yield _Reading("evened", heard, bpm, float(gaps.min() / gaps.max()), figure.fit(figure.beat, 0), cue)
        return


def _straight(figure: Figure) -> Iterator[_Reading]:
    """Swung notes heard as straight ones."""
    if figure.swing < _SMALLEST_SWING or figure.beat != _TICKS:
        return
    true_fit = figure.fit(figure.beat, 0)
    cue = f"the notes between the beats come late, {figure.swing:.1f} : 1"
    yield _Reading("straight", "straight notes", figure.bpm, true_fit / figure.swing, true_fit, cue)
