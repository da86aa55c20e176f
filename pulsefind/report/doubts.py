"""What is in doubt, in which bars, and the one thing that settles it."""

from __future__ import annotations

from dataclasses import dataclass

from pulsefind.core.records import Alternative, Analysis
from pulsefind.core.words import ENDS_EARLY, ONE_UNSURE, TEMPO_UNSURE, bars_text, clock
from pulsefind.report.feel import feel_of
from pulsefind.report.planned import bar_edges

SURE_ENOUGH = 0.6
"""Below this likelihood an answer is in doubt all through the song (judged)."""

IN_DOUBT = 0.5
"""Bars whose own confidence in their 1 is lower are in doubt even if the song as a whole isn't (judged)."""

_SURE, _NEARLY = 0.9, 0.75  # judged: likelihoods that are called sure and nearly sure

THE_ONE, THE_BEAT, THE_TEMPO, THE_METER = "the 1", "the beat", "half or double", "the meter"


@dataclass(frozen=True, slots=True)
class Doubt:
    """Bars first_bar..last_bar (indices, both included; whole: the whole song) in which something is unsure.

    about: 'the 1', 'the beat', 'half or double' or 'the meter'. text: what else it may be; listen: what to do to find
    out; then: when the command line option in settle puts it right. likely: the probability of the reading shown, 0..1.
    """

    first_bar: int
    last_bar: int
    whole: bool
    about: str
    bars: str
    text: str
    listen: str
    then: str
    settle: str
    likely: float

    @property
    def sentence(self) -> str:
        """All of it: 'The 1 may be 2 beats later. Listen ... If not, add --one-at 1.20'."""
        return f"{self.headline} {self.way_out}"

    @property
    def headline(self) -> str:
        """What is in doubt: 'Bars 9-16: the 1 may be elsewhere.'."""
        where = self.text if self.whole else f"{self.bars}: {self.text}"
        return f"{where[:1].upper()}{where[1:]}."

    @property
    def way_out(self) -> str:
        """How to settle it: 'Count along ... If it doesn't fit, tap 8 bars there and add --taps TAPS.txt'."""
        return f"{self.listen} {self.then} {self.settle}"


def doubts_of(analysis: Analysis) -> tuple[Doubt, ...]:
    """All doubts, those of the whole song first; empty when the answers are sure enough, or there are no bars."""
    if not len(analysis.bars.beats):
        return ()
    whole = [doubt for doubt in (_tempo(analysis), _meter(analysis), _one(analysis)) if doubt]
    return (*whole, *(_stretch(analysis, first, last) for first, last in _doubtful_stretches(analysis)))


def sure_words(share: float) -> str:
    """How sure something is: 'sure', 'nearly sure', 'fairly sure', 'not sure'."""
    if share >= _SURE:
        return "sure"
    return "nearly sure" if share >= _NEARLY else "fairly sure" if share >= SURE_ENOUGH else "not sure"


def other_warnings(analysis: Analysis) -> tuple[str, ...]:
    """The warnings that no doubt expresses better."""
    return tuple(warning for warning in analysis.warnings if warning not in (ONE_UNSURE, TEMPO_UNSURE))


def missing_sound(analysis: Analysis) -> tuple[str, ...]:
    """The warnings that a part of the recording itself is missing."""
    return tuple(warning for warning in analysis.warnings if warning.startswith(ENDS_EARLY))


def _whole_song(analysis: Analysis, about: str, words: tuple[str, str, str, str], likely: float) -> Doubt:
    """words: text, listen, then, settle."""
    return Doubt(0, len(analysis.bars.beats) - 1, True, about, "the whole song", *words, likely)


def _one(analysis: Analysis) -> Doubt | None:
    sure = analysis.confidence.one
    if sure >= SURE_ENOUGH:
        return None
    other = _alternative(analysis, "--one-at")
    about = THE_BEAT if other is not None and "half a beat" in other.reading else THE_ONE
    may_be = " may well be " if other is not None and other.probability > sure else " may be "
    text = other.reading.replace(" is ", may_be, 1) if other else "the 1 may be on another beat"
    bar = min(len(analysis.bars.start_s) - 1, 1)
    at = f"{clock(float(analysis.bars.start_s[bar]))}, bar {int(analysis.bars.number[bar])}"
    listen = f"Listen at {at}: do the bass and the chords change on its 1?"
    settle = other.hint if other else "--one-at SECONDS, the time of any 1"
    return _whole_song(analysis, about, (text, listen, "If not, add", settle), sure)


def _tempo(analysis: Analysis) -> Doubt | None:
    sure, bpm = analysis.confidence.octave, analysis.tempo.bpm
    if sure >= SURE_ENOUGH:
        return None
    other = _alternative(analysis, "--bpm")
    text = f"the tempo may be {other.reading}" if other else f"the tempo may be {bpm / 2:.0f} or {bpm * 2:.0f}"
    settle = other.hint if other else f"--bpm {round(bpm * 0.45)}:{round(bpm * 0.55)}"
    listen = "Tap your foot with the whole band, not with one sound."
    return _whole_song(analysis, THE_TEMPO, (text, listen, "If that is your tempo, add", settle), sure)


def _meter(analysis: Analysis) -> Doubt | None:
    sure = analysis.confidence.meter
    if sure >= SURE_ENOUGH:
        return None
    text, listen = f"it may not be {feel_of(analysis).meter}", "Count from one change of chord to the next."
    return _whole_song(analysis, THE_METER, (text, listen, "If you count three, add", "--meter 3/4"), sure)


def _alternative(analysis: Analysis, option: str) -> Alternative | None:
    return next((other for other in analysis.alternatives if other.hint.startswith(option)), None)


def _stretch(analysis: Analysis, first: int, last: int) -> Doubt:
    number = analysis.bars.number
    likely = min(s.one for s in analysis.confidence.sections if first <= s.first_bar and s.last_bar <= last)
    listen = f"Count along from {clock(float(bar_edges(analysis)[first]))}."
    return Doubt(
        first_bar=first,
        last_bar=last,
        whole=False,
        about=THE_ONE,
        bars=bars_text(int(number[first]), int(number[last])),
        text="the 1 may be elsewhere",
        listen=listen,
        then="If it doesn't fit, tap 8 bars there and add",
        settle="--taps TAPS.txt",
        likely=likely,
    )


def _doubtful_stretches(analysis: Analysis) -> list[tuple[int, int]]:
    """Runs of sections that by themselves would put the 1 elsewhere; none if the whole track is in doubt."""
    sections = analysis.confidence.sections
    doubtful = [section for section in sections if section.one < IN_DOUBT]
    if len(doubtful) == len(sections) or analysis.confidence.one < SURE_ENOUGH:
        return []
    runs: list[tuple[int, int]] = []
    for section in doubtful:
        if runs and runs[-1][1] + 1 == section.first_bar:
            runs[-1] = (runs[-1][0], section.last_bar)
        else:
            runs.append((section.first_bar, section.last_bar))
    return runs
