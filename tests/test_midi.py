"""Standard MIDI Files, read back by mido and pretty_midi."""

import io

import mido
import numpy as np
import pretty_midi
import pytest
from songs import analysis, of_pulse, random_analysis

from pulsefind.beats.imported import pulse_of
from pulsefind.core.errors import FormatError
from pulsefind.core.records import Pulse, Settings
from pulsefind.export.midi import (
    BEAT_NOTE,
    GUIDE_NOTE,
    ONE_NOTE,
    TICKS_PER_QUARTER,
    quarters_per_beat,
    read_midi,
    tick_of,
    write_midi,
)


def by_mido(data):
    return mido.MidiFile(file=io.BytesIO(data))


def by_pretty_midi(data):
    return pretty_midi.PrettyMIDI(io.BytesIO(data))


def events(file, kind):
    """(tick, message) of one kind in the first track."""
    now, found = 0, []
    for message in file.tracks[0]:
        now += message.time
        if message.type == kind:
            found.append((now, message))
    return found


def tick_s(song):
    """Seconds of one tick at the slowest beat."""
    edges = np.r_[song.beats.time_s, song.bars.end_s]
    return float(np.diff(edges).max()) / (TICKS_PER_QUARTER * float(quarters_per_beat(song)[0]))


def written_beats(song):
    """Beats that each bar's time signature has: a pickup is written as long as it sounds."""
    return np.where(song.bars.number == 0, song.bars.beats, song.bars.beats_per_bar)


SONGS = [
    analysis(meters=(4,) * 8, start_s=0.0),
    analysis(meters=(4,) * 8, pickup=1, bpm=97.3, drift=0.05),
    analysis(meters=(3,) * 8, start_s=0.013, bpm=180.0),
    analysis(meters=(5,) * 4 + (4,) * 4, pickup=2, start_s=40.0, drift=0.1),
    analysis(meters=(7,) * 5, unit=8, bpm=210.0, start_s=2.2, drift=0.02),
    analysis(meters=(5,) * 3 + (7,) * 3, unit=8, bpm=240.0, pickup=3),
    *(random_analysis(seed) for seed in range(20)),
]


@pytest.mark.parametrize("song", SONGS, ids=range(len(SONGS)))
def test_beats_are_read_back_by_pretty_midi(song):
    beats = by_pretty_midi(write_midi(song)).get_beats()
    # pretty_midi counts 6/8 in dotted quarters: of its eighths only 1 and 4 are beats there.
    in_bar = np.concatenate([np.arange(n) for n in song.bars.beats])
    compound = (song.bars.unit == 8) & (np.repeat(written_beats(song), song.bars.beats) == 6)
    expected = song.beats.time_s[~compound | (in_bar % 3 == 0)]
    nearest = np.abs(beats[:, None] - expected[None, :]).min(axis=0)
    assert nearest.max() <= tick_s(song) + 1e-6


@pytest.mark.parametrize("song", SONGS, ids=range(len(SONGS)))
def test_downbeats_are_read_back_by_pretty_midi(song):
    downbeats = by_pretty_midi(write_midi(song)).get_downbeats()
    ones = song.beats.time_s[song.bars.count == 1]
    nearest = np.abs(downbeats[:, None] - ones[None, :])
    assert nearest.min(axis=0).max() <= tick_s(song) + 1e-6
    # From the first 1 on nothing else is a downbeat (a last bar that breaks off ends the file).
    after = downbeats[(downbeats > ones[0] - 1e-3) & (downbeats < song.bars.end_s - 1e-3)]
    assert len(after) == len(ones)


@pytest.mark.parametrize("song", SONGS, ids=range(len(SONGS)))
def test_the_click_track_sounds_on_the_beats(song):
    now, heard = 0.0, []
    for message in by_mido(write_midi(song)):  # mido turns ticks into seconds along the tempo map.
        now += message.time
        if message.type == "note_on" and message.note in (ONE_NOTE, BEAT_NOTE):
            assert message.channel == 9
            heard.append((now, message.note))
    np.testing.assert_allclose([t for t, _ in heard], song.beats.time_s, atol=2e-6)
    assert [note == ONE_NOTE for _, note in heard] == list(song.bars.count == 1)


def test_an_hour_does_not_drift():
    """No rounding adds up: each tempo aims at the next beat's true time.

    Closed form: a tempo is a whole number of microseconds a quarter, so a beat is off by at most half of one (a beat is
    a quarter here). Rounding each interval by itself would walk off: sqrt(7000 / 12), about 24 us, as likely as not.
    """
    rng = np.random.default_rng(1)
    time_s = 0.7321 + np.cumsum(60 / 117.3 * (1 + 0.02 * rng.standard_normal(7040)))
    n = len(time_s)
    song = of_pulse(Pulse(time_s, np.arange(n) % 4 + 1, np.full(n, 4), 4, 1, 1, 1))
    assert song.bars.end_s > 3600
    file = by_mido(write_midi(song))
    tempi = [(tick, message.tempo) for tick, message in events(file, "set_tempo")]
    at_us = exact_times_us(tempi, [int(t) for t in tick_of(song, time_s)])
    off_us = np.array(at_us) - time_s * 1e6
    assert np.abs(off_us).max() <= 0.5 + 1e-3
    beats = by_pretty_midi(write_midi(song)).get_beats()
    assert np.abs(beats[:, None][-20:] - time_s[None, :][:, -20:]).min(axis=0).max() < 2e-6


def exact_times_us(tempi, ticks):
    """Microseconds of ticks by whole-number sums, tick by tick."""
    tempo_at, total, found, tempo = dict(tempi), 0, {}, 0
    wanted = set(ticks)
    for tick in range(max(ticks) + 1):
        if tick in wanted:
            found[tick] = total / TICKS_PER_QUARTER
        tempo = tempo_at.get(tick, tempo)
        total += tempo
    return [found[tick] for tick in ticks]


# The pairs are those of SMF 1.0, FF 58: numerator, denominator (a power of two), MIDI clocks (1/24 quarter) a click.
@pytest.mark.parametrize(
    ("song", "expected"),
    [
        (analysis(meters=(7,) * 3, unit=8, start_s=0.0), [(0, 7, 8, 12)]),
        (analysis(meters=(5,) * 3, start_s=0.0), [(0, 5, 4, 24)]),
        (analysis(meters=(4, 4, 3, 3), start_s=0.0), [(0, 4, 4, 24), (8, 3, 4, 24)]),
        # One second before the first beat at 60 bpm is one beat, then the pickup of two, then the first bar.
        (analysis(meters=(4,) * 3, pickup=2), [(0, 1, 4, 24), (1, 2, 4, 24), (3, 4, 4, 24)]),
        # Five seconds are five beats: a bar of one, a bar of four.
        (analysis(meters=(4,) * 3, start_s=5.0), [(0, 1, 4, 24), (1, 4, 4, 24)]),
        (analysis(meters=(4,) * 3, unit=8, start_s=0.0, meter=(12, 8)), [(0, 12, 8, 36)]),
    ],
)
def test_time_signatures(song, expected):
    step = TICKS_PER_QUARTER * quarters_per_beat(song)[0]
    found = [
        (tick / step, m.numerator, m.denominator, m.clocks_per_click)
        for tick, m in events(by_mido(write_midi(song)), "time_signature")
    ]
    assert found == expected


def test_markers_and_the_guide_track():
    song = analysis(meters=(4,) * 8, pickup=1, guide=(("2&", 1),))
    file = by_mido(write_midi(song))
    marks = [(tick / TICKS_PER_QUARTER, m.text) for tick, m in events(file, "marker")]
    assert (1.0, "first beat") in marks
    assert (2.0, "guide in: bright tick") in marks
    assert [text for _, text in marks].count("alone") == len(song.alone)
    notes = [n for i in by_pretty_midi(write_midi(song)).instruments if "guide" in i.name for n in i.notes]
    assert {n.pitch for n in notes} == {GUIDE_NOTE}
    np.testing.assert_allclose([n.start for n in notes], song.guides[0].hits.time_s, atol=tick_s(song))
    assert all(i.is_drum for i in by_pretty_midi(write_midi(song)).instruments)


@pytest.mark.parametrize("song", SONGS, ids=range(len(SONGS)))
def test_round_trip(song):
    given = read_midi(write_midi(song), "a.mid")
    np.testing.assert_allclose(given.time_s, song.beats.time_s, atol=2e-6)
    pulse = pulse_of(given, Settings(), "a.mid")
    np.testing.assert_array_equal(pulse.count, song.bars.count)
    np.testing.assert_array_equal(pulse.beats_per_bar, np.repeat(song.bars.beats_per_bar, song.bars.beats))
    assert pulse.unit == song.bars.unit


def test_twelve_eighths_come_back_as_four_beats():
    song = analysis(meters=(4,) * 4, unit=8, meter=(12, 8), drift=0.02)
    given = read_midi(write_midi(song), "a.mid")
    np.testing.assert_allclose(given.time_s, song.beats.time_s, atol=2e-6)
    np.testing.assert_array_equal(given.count, song.bars.count)


def test_a_file_from_elsewhere_is_read_whole():
    # Written by pretty_midi: 3/4 at 90 bpm, four bars, no markers.
    midi = pretty_midi.PrettyMIDI(initial_tempo=90.0)
    midi.time_signature_changes.append(pretty_midi.TimeSignature(3, 4, 0.0))
    drum = pretty_midi.Instrument(0, is_drum=True)
    drum.notes.append(pretty_midi.Note(90, 36, 0.0, 12 * 60 / 90))
    midi.instruments.append(drum)
    out = io.BytesIO()
    midi.write(out)
    given = read_midi(out.getvalue(), "b.mid")
    np.testing.assert_allclose(given.time_s[:12], np.arange(12) * 60 / 90, atol=1e-4)
    np.testing.assert_array_equal(given.count[:12], [1, 2, 3] * 4)


def test_names_that_latin_1_lacks_are_written_without_a_crash():
    song = analysis(name="песня\n🎵.wav")
    assert by_mido(write_midi(song)).tracks[0].name.endswith(".wav")


@pytest.mark.parametrize("data", [b"", b"RIFF", b"MThd", write_midi(SONGS[0])[:60], b"MThd\0\0\0\6\0\1\0\1\xe7\x28"])
def test_what_is_no_midi_is_said(data):
    with pytest.raises(FormatError):
        pulse_of(read_midi(data, "x.mid"), Settings(), "x.mid")


def test_without_beats_there_is_nothing_to_write():
    empty = of_pulse(Pulse(np.zeros(0), np.zeros(0), np.zeros(0), 4, 1, 1, 1))
    with pytest.raises(FormatError, match="nothing to write"):
        write_midi(empty)


def test_a_key_that_there_is_not_is_no_crash():
    # One byte in a foreign file: 115 sharps. mido has an error of its own for it.
    track = b"\x00\xff\x59\x02\x73\x6f\x00\xff\x2f\x00"
    data = b"MThd\0\0\0\6\0\1\0\1\0\x60MTrk" + len(track).to_bytes(4, "big") + track
    with pytest.raises(FormatError, match="no MIDI file"):
        read_midi(data, "x.mid")
