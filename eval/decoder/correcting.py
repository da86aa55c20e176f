"""A simulated person who knows the truth and corrects the first wrong thing they hear, one at a time.

They listen to the reading of a track from the start, up to where it goes wrong for longer than a beat, and use what the
song's file offers for what they hear: the tempo if most of the track has another one; a 1 if most beats lie between the
true ones, or the beats are right and the 1 is elsewhere; the meter if all bars have another length; one bar's meter if
only that bar is odd. If the beats go astray for only some bars, or a correction didn't help (it is undone, but still
counts), they tap and count eight bars from there. Times are pressed by ear: up to 80 ms off for a 1, taps with a
standard deviation of 15 ms. Then they listen again. Nothing outside the annotated stretch is heard.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from eval.decoder.evidence import Evidence, evidence
from eval.records import Answer, Reference, Track
from eval.scoring.metrics import MATCH_S, track_scores
from pulsefind.beats.passages import read
from pulsefind.core.arrays import most_common
from pulsefind.core.corrections import BarForm, Corrections, One, Passage, counted_from
from pulsefind.core.errors import HintError
from pulsefind.core.nearest import nearest
from pulsefind.core.obeyed import obeyed
from pulsefind.core.records import FloatArray, IntArray, Pulse, Settings

RIGHT = 0.98
MOST_CORRECTIONS = 5
PRESSED_S, TAPPED_S = 0.08, 0.015
TAPPED_BARS = 8

_OCTAVE = float(np.log(1.2))


@dataclass(frozen=True, slots=True)
class Course:
    """One track: downbeat F and beat F (0..1) before and after each correction; what was corrected, in words."""

    set_name: str
    name: str
    downbeat_f: tuple[float, ...]
    beat_f: tuple[float, ...]
    said: tuple[str, ...]

    @property
    def needed(self) -> int | None:
        """After how many corrections beats and bars were right; None if they never were."""
        pairs = zip(self.downbeat_f, self.beat_f, strict=True)
        return next((k for k, (one, beat) in enumerate(pairs) if min(one, beat) >= RIGHT), None)


@dataclass(frozen=True, slots=True)
class _Reading:
    """A reading as heard at the true beats: which of its beats lies at each (-1: none), and its count (0: none)."""

    beat_s: FloatArray
    count: IntArray
    at: IntArray
    found: IntArray


def corrected(tracks: Iterable[Track], seed: int) -> Iterator[Course]:
    """Each track that has bars, corrected until it is right, or the person gives up."""
    for track in tracks:
        if track.reference.count is None or (track.reference.count == 1).sum() < 2:
            continue
        rng = np.random.default_rng([seed, zlib.crc32(f"{track.set_name}/{track.name}".encode())])
        yield _course(evidence(track), rng)


def _course(heard: Evidence, rng: np.random.Generator) -> Course:
    known, said = Corrections(), list[str]()
    pulse = _read(heard, known)
    scores = [_scores(heard, pulse)]
    helped = True
    while min(scores[-1]) < RIGHT and len(said) < MOST_CORRECTIONS:
        told, what = _told(heard, pulse, known, rng, helped)
        said.append(what)
        try:
            then = _read(heard, told)
            now = _scores(heard, then)
        except HintError as error:
            said[-1] += f" (refused: {error})"
            now = (0.0, 0.0)
        helped = sum(now) > sum(scores[-1])
        if helped:
            known, pulse = told, then
        else:
            said[-1] += " (undone)"
        scores.append(now if helped else scores[-1])
    ones, beats = zip(*scores, strict=True)
    return Course(heard.track.set_name, heard.track.name, ones, beats, tuple(said))


def _read(heard: Evidence, known: Corrections) -> Pulse:
    """The decoder's reading with what is known, as the pipeline has it, in seconds of the recording."""
    length_s = len(heard.heard.values) / heard.heard.frame_rate_hz
    hints = obeyed(Settings(corrections=counted_from(known, heard.start_s)), length_s)
    pulse = read(heard.heard, heard.harmony, hints)
    return replace(pulse, time_s=pulse.time_s + heard.start_s)


def _scores(heard: Evidence, pulse: Pulse) -> tuple[float, float]:
    """Downbeat F and beat F within the annotated stretch."""
    reference = heard.track.reference
    margin_s = float(np.median(np.diff(reference.beat_s))) / 2
    inside = (pulse.time_s > reference.beat_s[0] - margin_s) & (pulse.time_s < reference.beat_s[-1] + margin_s)
    scores = track_scores(reference, Answer(pulse.time_s[inside], pulse.count[inside]))
    return scores["downbeat_f_70"] or 0.0, scores["beat_f_70"] or 0.0


def _heard_at(reference: Reference, pulse: Pulse) -> _Reading:
    near = nearest(pulse.time_s, reference.beat_s) if len(pulse.time_s) else np.zeros(len(reference.beat_s), np.int64)
    met = np.abs(pulse.time_s[near] - reference.beat_s) <= MATCH_S if len(pulse.time_s) else near < 0
    at = np.where(met, near, -1)
    return _Reading(reference.beat_s, reference.count, at, np.where(met, pulse.count[near], 0))  # type: ignore[arg-type]


def _told(
    heard: Evidence, pulse: Pulse, known: Corrections, rng: np.random.Generator, helped: bool
) -> tuple[Corrections, str]:
    """What is known after one more correction, and the correction in words."""
    reading = _heard_at(heard.track.reference, pulse)
    astray = (reading.found == 0) | (_extra(reading.beat_s, pulse) > 0)
    wrong = astray | (reading.found != reading.count)
    # Wrong for longer than a beat: at least two of four.
    lasting = wrong & (np.convolve(wrong, np.ones(4), "full")[3:] >= 2)
    first = int(np.argmax(lasting if lasting.any() else wrong))
    usual = most_common(_bar_lengths(reading.count))
    if not helped:
        return _tapped(reading, known, first, usual, rng)
    if astray[first : first + 4].mean() >= 0.5:
        bpm = 60 / float(np.median(np.diff(reading.beat_s)))
        other = 60 / float(np.median(np.diff(pulse.time_s))) if len(pulse.time_s) > 1 else bpm
        if abs(np.log(other / bpm)) > _OCTAVE and known.bpm_low is None:
            return replace(known, bpm_low=0.94 * round(bpm), bpm_high=1.06 * round(bpm)), f"bpm {bpm:.0f}"
        if astray.mean() < 0.5 or known.ones:
            return _tapped(reading, known, first, usual, rng)
        return _with_one(reading, known, first, rng)
    even = (_bar_lengths(reading.count) == usual).mean() > 0.9
    if known.meter is None and even and most_common(pulse.beats_per_bar) != usual:
        return replace(known, meter=(usual, 4)), f"meter {usual}/4"
    odd = _odd_bar(reading, pulse, first, usual)
    if odd is not None:
        form = BarForm(f"{odd[1]}/4", odd[1], 4 / pulse.unit)
        passages = sorted((*known.passages, Passage(odd[0], odd[0], (form,))), key=lambda one: one.first_bar)
        return replace(known, passages=tuple(passages)), f"bar {odd[0]}"
    return _with_one(reading, known, first, rng)


def _with_one(reading: _Reading, known: Corrections, first: int, rng: np.random.Generator) -> tuple[Corrections, str]:
    """A 1, pressed by ear: the first true one from the first wrong beat on, or else the last before it."""
    ones = np.flatnonzero(reading.count == 1)
    chosen = int(ones[min(int(np.searchsorted(ones, first)), len(ones) - 1)])
    pressed_s = max(0.0, float(reading.beat_s[chosen] + rng.uniform(-PRESSED_S, PRESSED_S)))
    pressed = One(round(pressed_s, 2), False)
    others = [one for one in known.ones if abs(one.time_s - pressed.time_s) > 0.5]
    right = ones[(reading.found[ones] == 1) & (ones < first)]
    if not others and len(right):
        # The first 1 counts for the whole song: what was right before the wrong place needs one of its own.
        others = [One(round(float(reading.beat_s[right[0]]), 2), False)]
    ones_told = tuple(sorted((*others, pressed), key=lambda one: one.time_s))
    return replace(known, ones=ones_told), f"the 1 at {' and '.join(f'{one.time_s:.2f}' for one in ones_told)}"


def _extra(beat_s: FloatArray, pulse: Pulse) -> IntArray:
    """(n,) how many beats of a reading lie clearly between each true beat and the next."""
    edge = np.append(beat_s, 2 * beat_s[-1] - beat_s[-2])
    quarter = np.diff(edge) / 4
    low = np.searchsorted(pulse.time_s, edge[:-1] + quarter)
    high = np.searchsorted(pulse.time_s, edge[1:] - quarter)
    between: IntArray = np.maximum(high - low, 0)
    return between


def _bar_lengths(count: IntArray) -> IntArray:
    """(n_bars,) beats of each full bar."""
    ones = np.flatnonzero(count == 1)
    return np.diff(ones) if len(ones) > 1 else np.array([int(count.max())])


def _odd_bar(reading: _Reading, pulse: Pulse, first: int, usual: int) -> tuple[int, int] | None:
    """Number and length of an odd bar that begins where the count first goes wrong; None if there is none."""
    ones = np.flatnonzero(reading.count == 1)
    begin = int(np.searchsorted(ones, first, side="right")) - 1
    for bar in (begin - 1, begin):
        if not 0 <= bar < len(ones) - 1 or ones[bar + 1] - ones[bar] == usual:
            continue
        at = int(reading.at[ones[bar]])
        if at >= 0 and pulse.count[at] == 1:
            return int((pulse.count[: at + 1] == 1).sum()), int(ones[bar + 1] - ones[bar])
    return None


def _tapped(
    reading: _Reading, known: Corrections, first: int, usual: int, rng: np.random.Generator
) -> tuple[Corrections, str]:
    """Eight bars tapped and counted from the first wrong beat on, beside what was tapped before."""
    # At the end of a track they begin a little earlier: four taps at least.
    begin = max(0, min(first - 1, len(reading.beat_s) - 2 * usual))
    part = slice(begin, first + TAPPED_BARS * usual)
    tap_s = reading.beat_s[part] + np.clip(rng.normal(0, TAPPED_S, len(reading.beat_s[part])), -0.04, 0.04)
    kept = [k for k, time_s in enumerate(known.taps_s) if not tap_s[0] - 0.2 <= time_s <= tap_s[-1] + 0.2]
    times = [known.taps_s[k] for k in kept] + [round(float(time_s), 3) for time_s in tap_s]
    counts = [known.taps_count[k] for k in kept] + [int(count) for count in reading.count[part]]
    order = np.argsort(times)
    known = replace(known, bpm_low=None, bpm_high=None)
    taps = replace(known, taps_s=tuple(times[k] for k in order), taps_count=tuple(counts[k] for k in order))
    return taps, f"taps from {tap_s[0]:.1f}"


def course_table(courses: Sequence[Course]) -> str:
    """Markdown: a row for each set, with how many tracks are right after 0, 1, 2, 3 corrections, then every course."""
    names = ("set", "tracks", "right as found", "after 1", "after 2", "after 3", "later or never")
    lines = [f"| {' | '.join(names)} |", "|" + "---|" * len(names)]
    for name in [*dict.fromkeys(course.set_name for course in courses), "all"]:
        rows = [course for course in courses if name in (course.set_name, "all")]
        after = [sum(course.needed is not None and course.needed <= k for course in rows) for k in range(4)]
        lines.append("| " + " | ".join([name, *map(str, (len(rows), *after, len(rows) - after[3]))]) + " |")
    for course in courses:
        pairs = zip(course.downbeat_f, course.beat_f, strict=True)
        scores = " ".join(f"{100 * one:.0f}/{100 * beat:.0f}" for one, beat in pairs)
        lines.append(f"\n{course.set_name}/{course.name}: {scores}; {', '.join(course.said) or 'nothing to correct'}")
    return "\n".join(lines) + "\n"
