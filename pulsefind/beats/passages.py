"""The song's file obeyed bar by bar: later 1s, passages in other meters, stops of free length, new tempi at a bar.

Up to where the file says something, what was heard stays. A passage is laid along the sound with its meters as written
(`aligning`). After it, the beats that were heard continue if they fit, with a fresh count; if they don't, only that
rest is decoded again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from pulsefind.beats.aligning import align
from pulsefind.beats.beatwise import FRAME_RATE_HZ as STRUCK_RATE_HZ
from pulsefind.beats.decode import decode
from pulsefind.beats.parts import (
    LOCAL_BEATS,
    beat_length_s,
    counted_from_one,
    first_part,
    joined,
    last_part,
    quarter_length_s,
    recounted,
    settled,
    with_time,
)
from pulsefind.beats.path import AUDIBLE
from pulsefind.beats.taps import groups, lateness_s, step_s
from pulsefind.beats.told import with_taps_in_place
from pulsefind.core.corrections import BarForm, One, Passage, TempoFrom
from pulsefind.core.errors import HintError
from pulsefind.core.records import Activations, FloatArray, Harmony, IntArray, Pulse, SectionConfidence, Settings

NEAR_SHARE = 0.25
"""A beat heard within this share of a beat from where the file puts one is that beat (judged)."""

TEMPO_SHARE = 0.2
"""What is decoded again after a passage keeps the tempo before it, give or take this share (judged)."""

FIRST_AFTER_STOP = 0.2
"""After a stop, the first beat with at least this activation is the 1 (judged)."""

REACH_BARS = 2
"""Up to so many bars are added to reach a 1 given before the first beat or after the last (judged)."""


@dataclass(frozen=True, slots=True)
class _Sound:
    """Everything needed to decode the rest of a song again."""

    activations: Activations
    harmony: Harmony
    settings: Settings

    @property
    def end_s(self) -> float:
        """Where it ends."""
        return len(self.activations.values) / self.activations.frame_rate_hz


def read(activations: Activations, harmony: Harmony, settings: Settings) -> Pulse:
    """The decoder's pulse with everything that was given: hints on the whole track, taps in place, and single bars.

    Raises
    ------
    HintError
        if a bar is named that the song doesn't have.
    """
    first = groups(settings)[0]
    return with_passages(with_taps_in_place(decode(activations, harmony, first), first), activations, harmony, settings)


def with_passages(pulse: Pulse, activations: Activations, harmony: Harmony, settings: Settings) -> Pulse:
    """The pulse as the song's file has it; unchanged if the file says nothing about single bars.

    Raises
    ------
    HintError
        if a bar is named that the song doesn't have.
    """
    known, later = settings.corrections, groups(settings)[1:]
    if len(pulse.time_s) > 2 and settings.one_at_s is not None:
        pulse = _reaching(pulse, settings.one_at_s, settings.one_exact)
    if not (known.ones or known.passages or known.tempi or later) or not len(pulse.time_s):
        return settled(pulse) if settings.taps_s else pulse
    sound = _Sound(activations, harmony, settings)
    told = _with_quarters(pulse, settings)
    for one in known.ones:
        told = _from_one(told, one, sound)
    for taps in later:
        told = _from_taps(told, taps, sound)
    steps: list[Passage | TempoFrom] = [*known.passages, *known.tempi]
    for step in sorted(steps, key=_first_bar):
        told = _in_tempo(told, step, sound) if isinstance(step, TempoFrom) else _in_meters(told, step, sound)
    told = settled(told)
    return replace(told, sections=_over(pulse, told))


def _first_bar(step: Passage | TempoFrom) -> int:
    return step.bar if isinstance(step, TempoFrom) else step.first_bar


def _with_quarters(pulse: Pulse, settings: Settings) -> Pulse:
    quarters = 1.5 if settings.in_threes else 4 / pulse.unit
    return replace(pulse, beat_quarters=np.full(len(pulse.time_s), quarters))


def _reaching(pulse: Pulse, one_s: float, exact: bool) -> Pulse:
    """The pulse, extended to a given 1 that lies up to two bars before the first beat or after the last.

    The added beats keep the tempo of that end; for a 1 found by ear they fall where that tempo leads.
    """
    early = one_s < pulse.time_s[0]
    end = 0 if early else len(pulse.time_s) - 1
    end_s, step_s, meter = float(pulse.time_s[end]), beat_length_s(pulse, end), int(pulse.beats_per_bar[end])
    n = round(abs(end_s - one_s) / step_s)
    if (not early and one_s <= end_s) or not 1 <= n <= REACH_BARS * meter:
        return pulse
    by = np.arange(-n, 0) if early else np.arange(1, n + 1)
    # By ear, they keep their own tempo, unless that leads to before the recording.
    told_step_s = abs(one_s - end_s) / n
    added_s = end_s + (told_step_s if exact or end_s - n * step_s < 0 else step_s) * by
    count = (int(pulse.count[end]) - 1 + by) % meter + 1
    order = np.argsort(np.r_[pulse.time_s, added_s], kind="stable")
    return replace(
        pulse,
        time_s=np.r_[pulse.time_s, added_s][order],
        count=np.r_[pulse.count, count][order],
        beats_per_bar=np.r_[pulse.beats_per_bar, np.full(n, meter)][order],
    )


def _from_taps(pulse: Pulse, taps: Settings, sound: _Sound) -> Pulse:
    """The pulse with a later group of taps in place; what comes after them follows them."""
    late_s = lateness_s(sound.activations, np.array(taps.taps_s)) if taps.taps_by_ear else 0.0
    tap_s = np.array(taps.taps_s) - late_s
    put = with_taps_in_place(pulse, replace(taps, taps_s=tuple(tap_s), taps_by_ear=False))
    last = int(np.searchsorted(put.time_s, tap_s[-1], side="right"))
    before, rest = first_part(put, last), last_part(put, last)
    next_s, step = float(tap_s[-1]) + step_s(tap_s), step_s(tap_s)
    if not len(rest.time_s):
        return put
    count = int(before.count[-1]) % int(before.beats_per_bar[-1]) + 1
    near = np.flatnonzero(np.abs(rest.time_s - next_s) <= NEAR_SHARE * step)
    if len(near):
        return joined(before, recounted(last_part(rest, int(near[0])), count))
    bpm = 60 / step
    return joined(
        before, recounted(_read_again(sound, next_s, bpm * (1 - TEMPO_SHARE), bpm * (1 + TEMPO_SHARE)), count)
    )


def _from_one(pulse: Pulse, one: One, sound: _Sound) -> Pulse:
    """The pulse with a 1 at that time, from which the rest is counted; what comes before stays."""
    at = int(np.argmin(np.abs(pulse.time_s - one.time_s)))
    if abs(float(pulse.time_s[at]) - one.time_s) <= NEAR_SHARE * beat_length_s(pulse, at):
        return joined(first_part(pulse, at), counted_from_one(last_part(pulse, at)))
    before = first_part(pulse, int(np.searchsorted(pulse.time_s, one.time_s - NEAR_SHARE * beat_length_s(pulse, at))))
    bpm = 60 / beat_length_s(pulse, at)
    return joined(before, _read_again(sound, one.time_s, bpm * (1 - TEMPO_SHARE), bpm * (1 + TEMPO_SHARE)))


def _in_tempo(pulse: Pulse, tempo: TempoFrom, sound: _Sound) -> Pulse:
    """The pulse with another tempo from a bar on; if it has that tempo already, only the turning point is moved."""
    at = _beat_of_bar(pulse, tempo.bar, f"tempi: bar {tempo.bar}")
    bpm = 60 / beat_length_s(last_part(pulse, at), 0)
    turn_s = _turn_s(pulse, at, sound)
    if tempo.bpm_low <= bpm <= tempo.bpm_high:
        return with_time(pulse, at, turn_s)
    return joined(first_part(pulse, at), _read_again(sound, turn_s, tempo.bpm_low, tempo.bpm_high))


def _in_meters(pulse: Pulse, passage: Passage, sound: _Sound) -> Pulse:
    """The pulse with a passage's bars in the given meters."""
    if passage.at_s is not None:
        pulse = _from_one(pulse, One(passage.at_s, True), sound)
        at = int(np.argmin(np.abs(pulse.time_s - passage.at_s)))
    else:
        at = _beat_of_bar(pulse, passage.first_bar, f"meters: bar {passage.first_bar}")
    before, nothing = first_part(pulse, at), first_part(pulse, 0)
    quarter_s = (
        quarter_length_s(before, True) if len(before.time_s) > 2 else quarter_length_s(last_part(pulse, at), False)
    )
    start_s = _turn_s(pulse, at, sound) if passage.at_s is None else passage.at_s
    bar, rest = 0, nothing
    forms = passage.forms
    n_bars = None if passage.last_bar is None else passage.last_bar - passage.first_bar + 1
    # All bars up to a stop, or to the end, at once: a stop cuts the song in two.
    while n_bars is None or bar < n_bars:
        run = _run(forms, bar, n_bars, quarter_s, sound.end_s - start_s)
        if not run:
            break
        laid, end_s = _laid(run, start_s, quarter_s, sound, pulse)
        before = joined(before, laid)
        quarter_s = quarter_length_s(laid, at_end=True) if len(laid.time_s) > 2 else quarter_s
        bar += len(run)
        start_s, rest = end_s, nothing
        if run[-1].held:
            rest = _after_stop(run[-1], end_s, quarter_s, sound, pulse)
            start_s = float(rest.time_s[0]) if len(rest.time_s) else sound.end_s
        elif n_bars is None or bar >= n_bars:
            rest = _after(pulse, end_s, quarter_s, sound)
    return joined(before, rest)


def _turn_s(pulse: Pulse, at: int, sound: _Sound) -> float:
    """Where the beat at a turning point lies: a search for beats of one length bends it towards what comes after.

    It is what sounds loudest and nearest to where the beats before it lead; in silence, the beat as found.
    """
    if at < 3:
        return float(pulse.time_s[at])
    rate_hz = sound.activations.frame_rate_hz
    step_s = float(np.median(np.diff(pulse.time_s[max(0, at - LOCAL_BEATS) : at])))
    led_s = float(pulse.time_s[at - 1]) + step_s
    first, last = (round((led_s + by * NEAR_SHARE * step_s) * rate_hz) for by in (-1, 1))
    near = sound.activations.values[first : last + 1].sum(axis=1)
    if not len(near) or near.max() < AUDIBLE:
        return float(pulse.time_s[at])
    away = ((first + np.arange(len(near))) / rate_hz - led_s) / (NEAR_SHARE * step_s)
    return (first + int((near * np.exp(-2 * away**2)).argmax())) / rate_hz


def _run(
    forms: tuple[BarForm, ...], first: int, n_bars: int | None, quarter_s: float, left_s: float
) -> tuple[BarForm, ...]:
    """The bars of a passage from number `first` up to the next stop, the passage's end or the song's end."""
    found: list[BarForm] = []
    while (n_bars is None or first + len(found) < n_bars) and left_s > 0:
        form = forms[(first + len(found)) % len(forms)]
        found.append(form)
        left_s -= form.beats * form.beat_quarters * quarter_s
        if form.held:
            break
    return tuple(found)


def _laid(
    run: tuple[BarForm, ...], start_s: float, quarter_s: float, sound: _Sound, pulse: Pulse
) -> tuple[Pulse, float]:
    """Bars of known forms laid along the sound, and where the next bar begins (or the hold, before a stop)."""
    beats = [form.held or form.beats for form in run]
    count = np.concatenate([np.arange(1, n + 1) for n in beats])
    meters = np.repeat([form.held or form.beats for form in run], beats)
    quarters = np.repeat([form.beat_quarters for form in run], beats)
    time_s = align(sound.activations, start_s, quarter_s, quarters, np.append(count == 1, True).astype(np.int64))
    end_s = float(time_s[-1])
    inside = time_s[:-1] < sound.end_s
    laid = replace(
        pulse,
        time_s=time_s[:-1][inside],
        count=count[inside],
        beats_per_bar=meters[inside],
        beat_quarters=quarters[inside],
    )
    return laid, end_s


def _after(pulse: Pulse, end_s: float, quarter_s: float, sound: _Sound) -> Pulse:
    """The rest of a song after a passage, from a 1: as it was heard if a beat lies there, else decoded again."""
    if end_s >= sound.end_s - quarter_s:
        return first_part(pulse, 0)
    at = int(np.argmin(np.abs(pulse.time_s - end_s)))
    if abs(float(pulse.time_s[at]) - end_s) <= NEAR_SHARE * beat_length_s(pulse, at):
        rest = counted_from_one(last_part(pulse, at))
        # A search for beats of one length bends the beat at the turn; the passage's own end is more accurate.
        return with_time(rest, 0, end_s)
    if end_s > pulse.time_s[-1]:
        return first_part(pulse, 0)
    bpm = 60 / (quarter_s * float(np.median(pulse.beat_quarters)))
    return _read_again(sound, end_s, bpm * (1 - TEMPO_SHARE), bpm * (1 + TEMPO_SHARE))


def _after_stop(form: BarForm, end_s: float, quarter_s: float, sound: _Sound, pulse: Pulse) -> Pulse:
    """The rest after a stop of free length: from the given time, or from the first beat heard again."""
    bpm = 60 / (quarter_s * float(np.median(pulse.beat_quarters)))
    low, high = bpm * (1 - TEMPO_SHARE), bpm * (1 + TEMPO_SHARE)
    if form.until_s is not None:
        return _read_again(sound, form.until_s, low, high)
    first = round((end_s - quarter_s / 4) * sound.activations.frame_rate_hz)
    loud = np.flatnonzero(sound.activations.values[max(first, 0) :].sum(axis=1) >= FIRST_AFTER_STOP)
    if not len(loud):
        return first_part(pulse, 0)
    # Climb to the top of the first peak.
    values = sound.activations.values.sum(axis=1)
    at = max(first, 0) + int(loud[0])
    while at + 1 < len(values) and values[at + 1] > values[at]:
        at += 1
    return _read_again(sound, at / sound.activations.frame_rate_hz, low, high)


def _read_again(sound: _Sound, from_s: float, bpm_low: float, bpm_high: float) -> Pulse:
    """The rest of the song from a 1 on, decoded by itself."""
    rate_hz = sound.activations.frame_rate_hz
    first = max(0, round(from_s * rate_hz) - 3)
    cut_s = first / rate_hz
    heard = sound.activations
    cut = replace(
        heard,
        values=heard.values[first:],
        downbeat_log_odds=heard.downbeat_log_odds[first:],
        phase_log_odds=heard.phase_log_odds[first:],
        struck=heard.struck[min(round(cut_s * STRUCK_RATE_HZ), len(heard.struck)) :],
    )
    skipped = min(round(cut_s * sound.harmony.frame_rate_hz), len(sound.harmony.pitch_class))
    harmony = replace(sound.harmony, pitch_class=sound.harmony.pitch_class[skipped:])
    hints = replace(
        sound.settings,
        bpm_low=bpm_low,
        bpm_high=bpm_high,
        one_at_s=None,
        taps_s=(),
        taps_count=(),
    )
    pulse = _with_quarters(decode(cut, harmony, hints), sound.settings)
    if not len(pulse.time_s):
        return pulse
    pulse = replace(pulse, time_s=pulse.time_s + cut_s)
    kept = last_part(pulse, int(np.searchsorted(pulse.time_s, from_s + beat_length_s(pulse, 0) / 2)))
    return counted_from_one(_with_first(kept, from_s)) if len(kept.time_s) else kept


def _with_first(pulse: Pulse, time_s: float) -> Pulse:
    """The pulse with a beat at an earlier time, and with as many as fit in between."""
    step_s = beat_length_s(pulse, 0)
    n = max(1, round((float(pulse.time_s[0]) - time_s) / step_s))
    lead = time_s + (float(pulse.time_s[0]) - time_s) * np.arange(n) / n
    meter = int(pulse.beats_per_bar[0])
    count = (int(pulse.count[0]) - 1 - np.arange(n, 0, -1)) % meter + 1
    return replace(
        pulse,
        time_s=np.r_[lead, pulse.time_s],
        count=np.r_[count, pulse.count],
        beats_per_bar=np.r_[np.full(n, meter), pulse.beats_per_bar],
        beat_quarters=np.r_[np.full(n, pulse.beat_quarters[0]), pulse.beat_quarters],
    )


def _beat_of_bar(pulse: Pulse, bar: int, what: str) -> int:
    """The index of a bar's first beat, bars counted as in the report."""
    ones: IntArray = np.flatnonzero(pulse.count == 1)
    if not 1 <= bar <= len(ones):
        raise HintError(f"{what} in the song's file: the song has bars 1 to {len(ones)}")
    return int(ones[bar - 1])


def _over(heard: Pulse, told: Pulse) -> tuple[SectionConfidence, ...]:
    """The sections' confidence laid over the bars as they are now: each bar keeps that of the section heard there."""
    if not heard.sections or not len(told.time_s):
        return ()
    starts, old = _bar_starts(told), _bar_starts(heard)
    index = np.clip(np.searchsorted(old, starts + 1e-6) - 1, 0, len(old) - 1)
    last = np.array([section.last_bar for section in heard.sections])
    of = np.searchsorted(last, index)
    edges = [0, *(np.flatnonzero(np.diff(of)) + 1).tolist(), len(starts)]
    return tuple(
        replace(heard.sections[min(int(of[first]), len(last) - 1)], first_bar=first, last_bar=end - 1)
        for first, end in pairwise(edges)
    )


def _bar_starts(pulse: Pulse) -> FloatArray:
    first = pulse.count == 1
    first[0] = True
    starts: FloatArray = pulse.time_s[first]
    return starts
