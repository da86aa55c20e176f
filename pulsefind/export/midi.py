"""Beats as a Standard MIDI File, and back.

Standard MIDI Files 1.0 (MIDI Manufacturers Association): tempo (FF 51), time signatures (FF 58) and markers (FF 06)
stand in the first track of a type 1 file; sounds follow on channel 10, General MIDI percussion.

A file starts at tick 0 and at the track's first sample, which is seldom a beat: so extra beats lead up to the first
one, at a tempo that puts it at its time, with a time signature of their own so that every 1 starts a bar. A tempo is a
whole number of microseconds per quarter, chosen so that the next beat (not the interval) comes closest to its true
time: rounding doesn't add up, and a beat is off by at most half a microsecond times the quarters in it.
"""

from __future__ import annotations

import io
from bisect import bisect_right
from fractions import Fraction

import mido
import numpy as np

from pulsefind.beats.imported import Given
from pulsefind.core.errors import FormatError
from pulsefind.core.limits import MOST_BEATS_IN_ALL
from pulsefind.core.records import Analysis, FloatArray, IntArray
from pulsefind.guides.called import called

TICKS_PER_QUARTER = 960  # common practice, no source: 0.5 ms at 120 bpm, divides by 2, 3 and 5
PERCUSSION_CHANNEL = 9  # published: channel 10 of General MIDI, counted from 0
ONE_NOTE, BEAT_NOTE, GUIDE_NOTE = 76, 77, 70
"""Published, General MIDI percussion map: high and low wood block, maracas."""

FIRST_BEAT, PICKUP, END = "first beat", "pickup", "end"
"""Markers with which a file written here can be read back exactly."""

_LONGEST_TEMPO = 2**24 - 1  # published: three bytes of microseconds a quarter (Standard MIDI Files 1.0)
_USUAL_TEMPO = 500000  # published: 120 bpm where a file says nothing
_VELOCITY, _ONE_VELOCITY = 90, 110  # judged: plain and accented, of 127
_NOTE_TICKS = 60  # judged: a 64th; the length of a percussion note isn't heard

_Event = tuple[int, mido.Message]


def write_midi(analysis: Analysis) -> bytes:
    """The bytes of a MIDI file: tempo map, time signatures, markers, a click track, and a track for each guide.

    Raises
    ------
    FormatError
        if there are no beats to write.
    """
    if not len(analysis.beats.time_s):
        raise FormatError("no steady beat was found, so there is nothing to write as MIDI")
    file = mido.MidiFile(type=1, ticks_per_beat=TICKS_PER_QUARTER)
    _add_track(file, _text(analysis.track.name), _conductor(analysis))
    _add_track(file, "click", _click_notes(analysis))
    for name, guide in zip(called(analysis.guides), analysis.guides, strict=True):
        ticks = tick_of(analysis, guide.hits.time_s)
        notes = [note for tick in ticks for note in _note(int(tick), GUIDE_NOTE, _VELOCITY)]
        _add_track(file, _text(f"guide: {name}"), notes)
    out = io.BytesIO()
    file.save(file=out)
    return out.getvalue()


def quarters_per_beat(analysis: Analysis) -> list[Fraction]:
    """(n_beats,) how many quarter notes each count lasts; twelve eighths are counted as four beats of three."""
    return [Fraction(float(q)) for q in np.repeat(analysis.beat_quarters, analysis.bars.beats)]


def beat_ticks(analysis: Analysis) -> IntArray:
    """(n_beats + 1,) the ticks at which the beats lie, and the end of the last bar."""
    steps = np.array([int(TICKS_PER_QUARTER * quarters) for quarters in quarters_per_beat(analysis)], np.int64)
    ticks: IntArray = _lead_beats(analysis) * steps[0] + np.r_[0, np.cumsum(steps)]
    return ticks


def tick_of(analysis: Analysis, time_s: FloatArray) -> FloatArray:
    """The nearest ticks (n,) of times (n,) between the start of the file and the end of the last bar."""
    edge_s = analysis.edges_s
    tick = beat_ticks(analysis)
    if edge_s[0] > 0:
        edge_s, tick = np.r_[0.0, edge_s], np.r_[0, tick]
    return np.round(np.interp(time_s, edge_s, tick))


def _lead_beats(analysis: Analysis) -> int:
    """Beats before the first one: as many as fit at its tempo, at least one unless it falls on the first sample."""
    first_s = float(analysis.beats.time_s[0])
    beat_s = float(analysis.edges_s[1]) - first_s
    return max(1, round(first_s / beat_s)) if first_s > 0 else 0


def _conductor(analysis: Analysis) -> list[_Event]:
    return [*_tempi(analysis), *_signatures(analysis), *_markers(analysis)]


def _tempi(analysis: Analysis) -> list[_Event]:
    """One tempo per beat, lead-in included, each aimed at the true time of the next beat."""
    lead = _lead_beats(analysis)
    quarters = quarters_per_beat(analysis)
    quarters = quarters[:1] * lead + quarters
    ticks = np.cumsum([0, *(int(TICKS_PER_QUARTER * one) for one in quarters)])
    edge_us = analysis.edges_s * 1e6
    aims_us = np.r_[edge_us[0] * np.arange(1, lead + 1) / max(1, lead), edge_us[1:]]
    now_us = Fraction(0)
    found: list[_Event] = []
    for beat, aim_us in enumerate(aims_us):
        tempo = min(max(round((Fraction(aim_us) - now_us) / quarters[beat]), 1), _LONGEST_TEMPO)
        now_us += tempo * quarters[beat]
        if not found or found[-1][1].tempo != tempo:
            found.append((int(ticks[beat]), mido.MetaMessage("set_tempo", tempo=tempo)))
    return found


def _signatures(analysis: Analysis) -> list[_Event]:
    """A time signature at each change of meter; lead and pickup have their own, so that the first 1 starts a bar."""
    bars, lead, ticks, quarters = analysis.bars, _lead_beats(analysis), beat_ticks(analysis), analysis.beat_quarters
    meter, step = int(bars.beats_per_bar[0]), int(ticks[1] - ticks[0])
    first_quarters = float(quarters[0])
    spans = [(0, lead % meter, first_quarters), (lead % meter * step, meter if lead >= meter else 0, first_quarters)]
    spans += [
        (int(ticks[first]), int(beats if number == 0 else full), float(one))
        for first, beats, full, number, one in zip(
            bars.first_beat, bars.beats, bars.beats_per_bar, bars.number, quarters, strict=True
        )
    ]
    found: list[_Event] = []
    for tick, beats, one in spans:
        message = _signature_message(beats, one) if beats else None
        if message is not None and (not found or found[-1][1] != message):
            found.append((tick, message))
    return found


def _signature_message(beats: int, quarters: float) -> mido.MetaMessage:
    """The time signature of bars whose beats last so many quarters: three eighths make a beat of nine and twelve."""
    numerator, denominator = (3 * beats, 8) if quarters == 1.5 else (beats, int(4 / quarters))
    # In MIDI clocks of 1/24 quarter, so that the reading program's metronome ticks on the counts.
    clocks = int(24 * quarters)
    return mido.MetaMessage("time_signature", numerator=numerator, denominator=denominator, clocks_per_click=clocks)


def _markers(analysis: Analysis) -> list[_Event]:
    bars, ticks = analysis.bars, beat_ticks(analysis).tolist()
    marks = [(ticks[0], FIRST_BEAT)]
    if bars.has_pickup:
        marks.append((ticks[0], PICKUP))
    for name, guide in zip(called(analysis.guides), analysis.guides, strict=True):
        for stretch in guide.coverage:
            marks.append((ticks[bars.first_beat[stretch.first_bar]], f"guide in: {name}"))
    marks += [(ticks[bars.first_beat[stretch.first_bar]], "alone") for stretch in analysis.alone]
    marks.append((ticks[-1], END))
    return [(tick, mido.MetaMessage("marker", text=_text(text))) for tick, text in marks]


def _click_notes(analysis: Analysis) -> list[_Event]:
    notes: list[_Event] = []
    for tick, count in zip(beat_ticks(analysis).tolist(), analysis.bars.count, strict=False):
        note, velocity = (ONE_NOTE, _ONE_VELOCITY) if count == 1 else (BEAT_NOTE, _VELOCITY)
        notes += _note(tick, note, velocity)
    return notes


def _note(tick: int, note: int, velocity: int) -> list[_Event]:
    return [
        (tick, mido.Message("note_on", channel=PERCUSSION_CHANNEL, note=note, velocity=velocity)),
        (tick + _NOTE_TICKS, mido.Message("note_off", channel=PERCUSSION_CHANNEL, note=note, velocity=0)),
    ]


def _add_track(file: mido.MidiFile, name: str, events: list[_Event]) -> None:
    """Append a track; events are sorted, and ticks become the differences that MIDI stores."""
    track = mido.MidiTrack([mido.MetaMessage("track_name", name=name)])
    now = 0
    for tick, message in sorted(events, key=lambda event: event[0]):
        track.append(message.copy(time=tick - now))
        now = tick
    file.tracks.append(track)


def _text(text: str) -> str:
    """What MIDI text can hold: Latin-1, on one line."""
    return " ".join(text.split()).encode("latin-1", "replace").decode("latin-1")


def read_midi(data: bytes, name: str) -> Given:
    """Beats, counts and meters from the tempo map and time signatures of a MIDI file.

    Beats run from the marker 'first beat' to the marker 'end' if there are any, else over the whole file.

    Raises
    ------
    FormatError
        if it is no MIDI file, or none that counts in bars and beats.
    """
    try:
        file = mido.MidiFile(file=io.BytesIO(data))
    except (OSError, EOFError, ValueError, KeyError, IndexError, mido.KeySignatureError) as error:
        raise FormatError(f"{name}: is no MIDI file that can be read ({error or 'it breaks off'})") from None
    if file.type == 2 or not 0 < file.ticks_per_beat < 0x8000:
        raise FormatError(f"{name}: counts in frames, or holds separate songs; export it with bars and beats")
    events = _absolute(file)
    ticks, counts, meters, unit = _beat_ticks_in(file, events, name)
    time_s = _times(ticks, events, file.ticks_per_beat)
    return Given(np.array(time_s), np.array(counts, np.int64), np.array(meters, np.int64), unit)


def _absolute(file: mido.MidiFile) -> list[_Event]:
    found: list[_Event] = []
    for track in file.tracks:
        now = 0
        for message in track:
            now += message.time
            found.append((now, message))
    return sorted(found, key=lambda event: event[0])


def _beat_ticks_in(file: mido.MidiFile, events: list[_Event], name: str) -> tuple[list[int], list[int], list[int], int]:
    """Ticks, counts, meters of the beats, and the note value that is counted most."""
    marks = {message.text: tick for tick, message in reversed(events) if message.type == "marker"}
    end = marks.get(END, events[-1][0] if events else 0)
    begin = marks.get(FIRST_BEAT, 0)
    signatures = {tick: message for tick, message in events if message.type == "time_signature"}
    starts = sorted(signatures) if 0 in signatures else [0, *sorted(signatures)]
    ticks: list[int] = []
    counts: list[int] = []
    meters: list[int] = []
    units: list[int] = []
    for start, stop in zip(starts, [*starts[1:], end], strict=True):
        beats, unit, step = _meter_of(signatures.get(start), file.ticks_per_beat)
        if len(ticks) + (stop - start) / step > MOST_BEATS_IN_ALL:
            raise FormatError(f"{name}: holds more than {MOST_BEATS_IN_ALL} beats; it seems to be damaged")
        section = np.arange(start, min(stop, end), step)
        ticks += [round(tick) for tick in section]
        counts += [k % beats + 1 for k in range(len(section))]
        meters += [beats] * len(section)
        units += [unit] * len(section)
    kept = [k for k, tick in enumerate(ticks) if tick >= begin]
    ticks, counts, meters = ([row[k] for k in kept] for row in (ticks, counts, meters))
    if PICKUP in marks and counts:
        _count_pickup(counts, meters)
    return ticks, counts, meters, max(set(units), key=units.count) if units else 4


def _meter_of(message: mido.MetaMessage | None, ticks_per_quarter: int) -> tuple[int, int, float]:
    """Counts a bar, the note value counted, and its ticks; 4/4 is what a file without a time signature means."""
    if message is None:
        return 4, 4, float(ticks_per_quarter)
    numerator, denominator = message.numerator, message.denominator
    if denominator == 8 and message.clocks_per_click == 36:
        return max(1, numerator // 3), 8, ticks_per_quarter * 1.5
    return max(1, numerator), denominator, ticks_per_quarter * 4 / denominator


def _count_pickup(counts: list[int], meters: list[int]) -> None:
    """A pickup, written as a short bar, gets the last counts of the bar that it leads to."""
    n = counts.index(1, 1) if 1 in counts[1:] else len(counts)
    meter = max(meters[n] if n < len(meters) else n, n)
    for k in range(n):
        counts[k], meters[k] = meter - n + k + 1, meter


def _times(ticks: list[int], events: list[_Event], ticks_per_quarter: int) -> list[float]:
    """Ticks as seconds, summed in whole microseconds so that no rounding accumulates."""
    at, tempo, total = [0], [_USUAL_TEMPO], [0]
    for tick, message in events:
        if message.type == "set_tempo":
            total.append(total[-1] + (tick - at[-1]) * tempo[-1])
            at.append(tick)
            tempo.append(message.tempo)
    found = []
    for tick in ticks:
        k = bisect_right(at, tick) - 1
        found.append((total[k] + (tick - at[k]) * tempo[k]) / ticks_per_quarter / 1e6)
    return found
