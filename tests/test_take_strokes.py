import mido
import numpy as np
import pretty_midi
import pytest
from making import drum, noise_burst
from making import render as render_at

from eval.take.kit_sound import RATE_HZ, render
from pulsefind.core.errors import AudioError
from pulsefind.listen.audio import from_samples
from pulsefind.take.records import TakeError, TakeHits
from pulsefind.take.strokes import change_point, find_strokes, read_take, without_leak


def strokes(kinds: list[str], step_s: float = 0.31, velocity: float = 100.0) -> TakeHits:
    time_s = 0.5 + step_s * np.arange(len(kinds))
    return TakeHits(time_s, tuple(kinds), np.full(len(kinds), velocity), "velocity", float(time_s[-1]) + 1, "midi")


@pytest.mark.parametrize("velocity", [50.0, 100.0, 127.0])
def test_strokes_are_timed_to_two_milliseconds(velocity):
    hits = strokes(["kick", "hat", "snare", "hat"] * 8, velocity=velocity)
    found = find_strokes(from_samples(render(hits, np.random.default_rng(0)), RATE_HZ))
    times = np.unique(found.time_s)
    assert len(times) == len(hits.time_s)
    assert np.abs(times - hits.time_s).max() < 0.002


def test_kinds_are_told_apart():
    hits = strokes(["kick", "hat", "snare", "hat"] * 8)
    found = find_strokes(from_samples(render(hits, np.random.default_rng(0)), RATE_HZ))
    first = {round(float(t), 2): k for t, k in zip(found.time_s[::-1], found.kind[::-1], strict=True)}
    heard = [first[round(float(t), 2)] for t in np.unique(found.time_s)]
    assert heard == ["kick", "cymbal", "snare", "cymbal"] * 8


def test_a_kick_under_a_cymbal_gives_two_hits():
    one = strokes(["kick", "hat", "snare", "hat"] * 8)
    time_s = np.sort(np.r_[one.time_s, one.time_s[::4]])
    kinds = []
    for k in range(32):
        kinds += ["cymbal", "kick"] if k % 4 == 0 else [one.kind[k]]
    both = TakeHits(time_s, tuple(kinds), np.full(len(time_s), 100.0), "velocity", one.duration_s, "midi")
    found = find_strokes(from_samples(render(both, np.random.default_rng(0)), RATE_HZ))
    at = [{k for t, k in zip(found.time_s, found.kind, strict=True) if abs(t - s) < 0.01} for s in one.time_s[::4]]
    assert all(kinds == {"kick", "cymbal"} for kinds in at)


def test_softer_strokes_between_loud_ones_are_heard():
    hits = strokes(["snare"] * 32, 0.15)
    level = np.where(np.arange(32) % 4 == 0, 110.0, 45.0)
    soft = TakeHits(hits.time_s, hits.kind, level, "velocity", hits.duration_s, "midi")
    found = find_strokes(from_samples(render(soft, np.random.default_rng(1)), RATE_HZ))
    assert len(np.unique(found.time_s)) == 32


def test_silence_and_noise_without_strokes_give_none():
    assert len(find_strokes(from_samples(np.zeros(RATE_HZ * 5), RATE_HZ)).time_s) == 0
    assert len(find_strokes(from_samples(np.zeros(0), RATE_HZ)).time_s) == 0
    hiss = 0.01 * np.random.default_rng(0).normal(size=RATE_HZ * 5)
    assert len(find_strokes(from_samples(hiss, RATE_HZ)).time_s) < 10


def test_phone_audio_at_8_khz_is_read_and_says_what_it_lacks():
    import soxr

    hits = strokes(["kick", "hat", "snare", "hat"] * 8)
    thin = soxr.resample(render(hits, np.random.default_rng(0)), RATE_HZ, 8000)
    found = find_strokes(from_samples(thin, 8000))
    assert "8 kHz" in found.notes[0]
    heard = np.unique(found.time_s)
    low = hits.time_s[::2]
    assert np.mean([np.abs(heard - t).min() < 0.005 for t in low]) > 0.9


def test_the_change_point_is_where_a_slow_search_finds_the_least_cost():
    rng = np.random.default_rng(0)
    signal = np.r_[rng.normal(0, 0.1, 300), rng.normal(0, 1.0, 200)]
    cost = [k * np.log(np.mean(signal[:k] ** 2)) + (500 - k) * np.log(np.mean(signal[k:] ** 2)) for k in range(12, 488)]
    assert change_point(signal) == 12 + int(np.argmin(cost))
    assert abs(change_point(signal) - 300) <= 2


def write_midi(path, rows, tempi=((0, 120.0),), channel=9):
    file = mido.MidiFile(ticks_per_beat=480)
    track = mido.MidiTrack()
    events = [(tick, mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(bpm))) for tick, bpm in tempi]
    for tick, note, velocity in rows:
        events.append((tick, mido.Message("note_on", note=note, velocity=velocity, channel=channel)))
        events.append((tick + 60, mido.Message("note_off", note=note, channel=channel)))
    now = 0
    for tick, message in sorted(events, key=lambda event: event[0]):
        track.append(message.copy(time=tick - now))
        now = tick
    file.tracks.append(track)
    file.save(path)


def test_midi_notes_are_where_pretty_midi_reads_them(tmp_path):
    path = tmp_path / "take.mid"
    rows = [(240 * k, (36, 42, 38, 46)[k % 4], 60 + k) for k in range(32)]
    write_midi(path, rows, tempi=((0, 120.0), (1920, 90.0), (3840, 150.0)))
    hits, audio = read_take(path)
    notes = sorted((n.start, n.velocity) for i in pretty_midi.PrettyMIDI(str(path)).instruments for n in i.notes)
    assert audio is None
    assert hits.time_s == pytest.approx([start for start, _ in notes], abs=1e-6)
    assert list(hits.level) == [velocity for _, velocity in notes]
    # General MIDI Level 1 percussion map.
    assert hits.kind == ("kick", "hat", "snare", "hat") * 8


def test_midi_without_a_drum_channel_is_read_and_says_so(tmp_path):
    path = tmp_path / "take.mid"
    write_midi(path, [(240 * k, 36, 90) for k in range(10)], channel=0)
    hits, _ = read_take(path)
    assert len(hits.time_s) == 10
    assert "drum channel" in hits.notes[0]


def test_midi_without_notes_is_refused_in_one_line(tmp_path):
    path = tmp_path / "empty.mid"
    write_midi(path, [])
    with pytest.raises(TakeError, match="holds no notes"):
        read_take(path)


@pytest.mark.parametrize("division", [b"\xe7\x28", b"\x00\x00"])
def test_midi_without_beats_is_refused_in_one_line(tmp_path, division):
    # Standard MIDI Files 1.0: the top bit of the division says frames a second (here 25 of 40 ticks); 0 is none.
    path = tmp_path / "take.mid"
    write_midi(path, [(240 * k, 36, 90) for k in range(10)])
    data = path.read_bytes()
    path.write_bytes(data[:12] + division + data[14:])
    with pytest.raises(TakeError, match="not in beats"):
        read_take(path)


def test_damaged_midi_and_other_files_are_refused_in_one_line(tmp_path):
    path = tmp_path / "cut.mid"
    write_midi(path, [(240 * k, 36, 90) for k in range(10)])
    path.write_bytes(path.read_bytes()[:60])
    with pytest.raises(TakeError, match="damaged"):
        read_take(path)
    with pytest.raises(AudioError, match="no such file"):
        read_take(tmp_path / "missing.wav")


def test_soft_ride_strokes_are_heard_over_the_wash_of_loud_ones():
    time_s = 0.5 + 0.22 * np.arange(60)
    level = np.where(np.arange(60) % 2, 60.0, 105.0)
    hits = TakeHits(time_s, ("cymbal",) * 60, level, "velocity", 14.5, "midi")
    found = find_strokes(from_samples(render(hits, np.random.default_rng(3)), RATE_HZ)).time_s
    away_s = np.array([np.min(np.abs(found - t)) for t in time_s])
    assert np.mean(away_s < 0.005) >= 0.9
    # And no stroke is made up of the wash.
    assert len(found) <= 63


def test_faint_hits_together_with_the_track_are_its_own_and_ghost_notes_stay():
    track = from_samples(render(strokes(["kick", "hat", "snare", "hat"] * 4), np.random.default_rng(0)), RATE_HZ)
    at_s = np.array([0.5, 0.7, 0.81, 1.12, 1.3])
    # The second lies between the track's strokes, the third on one but as loud as a ghost note, the fourth on one.
    level = np.array([0.0, -30.0, -18.0, -30.0, 0.0])
    hits = TakeHits(at_s + 2.0, ("snare",) * 5, level, "dB", 5.0, "audio", log_odds=np.zeros(5))
    assert without_leak(hits, at_s, track).time_s.tolist() == pytest.approx([2.5, 2.7, 2.81, 3.3])
    silent = from_samples(np.zeros(RATE_HZ * 5), RATE_HZ)
    assert len(without_leak(hits, at_s, silent).time_s) == 5


BURSTS_S = 0.5 + 0.4137 * np.arange(12)


def bursts(seed, *parts, low_hz=150, high_hz=9000, length_s=6.0, decay_s=0.02):
    """Bursts of noise at known samples, over a noise 100 dB down."""
    rng = np.random.default_rng(seed)
    burst = noise_burst(rng, low_hz, high_hz, 9 * decay_s, decay_s)
    mix = render_at(length_s, *((times, burst, level) for times, level in parts))
    return mix + rng.normal(0, 1e-5, len(mix))


@pytest.mark.parametrize("ring", [0.0, 0.1, 0.5])
def test_bright_strokes_are_timed_to_two_tenths_of_a_millisecond_over_what_rings(ring):
    mix = bursts(0, (BURSTS_S, 0.3), low_hz=2000, high_hz=12000, decay_s=0.01)
    mix += ring * np.sin(2 * np.pi * 70 * np.arange(len(mix)) / RATE_HZ)
    found = np.unique(find_strokes(from_samples(mix, RATE_HZ)).time_s)
    assert found == pytest.approx(BURSTS_S, abs=2e-4)


@pytest.mark.parametrize("low_hz", [500, 1200, 3000, 6000, 10000])
def test_strokes_in_one_band_alone_are_timed_as_well(low_hz):
    mix = bursts(1, (BURSTS_S, 0.3), low_hz=low_hz, high_hz=1.6 * low_hz)
    found = np.unique(find_strokes(from_samples(mix, RATE_HZ)).time_s)
    assert found == pytest.approx(BURSTS_S, abs=2e-4)


@pytest.mark.parametrize(("apart_s", "strokes_each"), [(0.012, 1), (0.02, 1), (0.03, 2), (0.05, 2)])
def test_two_strokes_are_two_from_25_ms_on(apart_s, strokes_each):
    mix = bursts(2, (np.sort(np.r_[BURSTS_S, BURSTS_S + apart_s]), 0.5), low_hz=200, high_hz=12000, decay_s=0.003)
    assert len(np.unique(find_strokes(from_samples(mix, RATE_HZ)).time_s)) == 12 * strokes_each


@pytest.mark.parametrize("soft_db", [6, 12, 20, 30, 36])
def test_levels_are_those_that_the_strokes_were_made_with(soft_db):
    soft_s = BURSTS_S[:-1] + 0.2
    found = find_strokes(
        from_samples(bursts(3, (BURSTS_S, 0.9), (soft_s, 0.9 * 10 ** (-soft_db / 20)), length_s=7.0), RATE_HZ)
    )
    soft = np.abs(found.time_s[:, None] - soft_s).min(axis=1) < 0.01
    assert soft.sum() == 11 and (~soft).sum() == 12
    assert found.level[soft] == pytest.approx(np.full(11, -soft_db), abs=0.5)
    assert found.level[~soft] == pytest.approx(np.zeros(12), abs=0.5)


@pytest.mark.parametrize("soft_db", [46, 60])
def test_what_lies_far_below_the_loud_strokes_is_silence(soft_db):
    soft_s = BURSTS_S[:-1] + 0.2
    mix = bursts(3, (BURSTS_S, 0.9), (soft_s, 0.9 * 10 ** (-soft_db / 20)), length_s=7.0)
    assert len(find_strokes(from_samples(mix, RATE_HZ)).time_s) == 12


@pytest.mark.parametrize("band_hz", [(6000, 10000), (10000, 16000)])
def test_noise_above_6_khz_holds_no_strokes_and_hides_none(band_hz):
    from scipy.signal import butter, sosfilt

    rng = np.random.default_rng(4)
    hiss = sosfilt(butter(4, band_hz, "bandpass", fs=RATE_HZ, output="sos"), rng.normal(0, 0.01, 20 * RATE_HZ))
    assert len(find_strokes(from_samples(hiss, RATE_HZ)).time_s) == 0
    at_s = 0.5 + np.arange(19)
    mix = hiss + render_at(20, (at_s, noise_burst(rng, 150, 12000, 0.1, 0.02), 12 * hiss.std()))
    assert np.unique(find_strokes(from_samples(mix, RATE_HZ)).time_s) == pytest.approx(at_s, abs=0.002)


@pytest.mark.parametrize(("rate_hz", "told"), [(16000, True), (17900, True), (18000, False), (22050, False)])
def test_what_a_recording_lacks_is_told_below_18_khz(rate_hz, told):
    notes = find_strokes(from_samples(np.zeros(rate_hz), rate_hz)).notes
    assert bool(notes) == told
    if told:
        assert f"recorded at {rate_hz / 1000:g} kHz" in notes[0]


@pytest.mark.parametrize("n_before", [0, 12, 13, 100, 300])
def test_the_change_point_of_any_stretch_is_that_of_a_slow_search(n_before):
    rng = np.random.default_rng(n_before)
    signal = np.r_[rng.normal(0, 0.05, n_before), rng.normal(0, 1.0, 150)]
    n = len(signal)

    def cost(k):
        return k * np.log(np.mean(signal[:k] ** 2)) + (n - k) * np.log(np.mean(signal[k:] ** 2))

    assert change_point(signal) == min(range(12, n - 12), key=cost)


def test_the_change_from_silence_is_found_to_the_sample_and_a_scrap_has_none():
    signal = np.r_[np.zeros(100), np.random.default_rng(0).normal(size=100)]
    assert change_point(signal) == 100
    assert change_point(signal[:24]) == 0
    assert 12 <= change_point(signal[90:115]) <= 13


@pytest.mark.parametrize("hz", [45, 55, 80])
@pytest.mark.parametrize("swell_ms", [0, 10])
def test_low_drums_are_timed_where_they_begin_and_are_kicks(hz, swell_ms):
    sound = drum(hz, 0.75, 0.08)
    sound[: round(swell_ms * 44.1)] *= np.linspace(0, 1, round(swell_ms * 44.1))
    mix = render_at(7.5, (BURSTS_S, sound, 0.5)) + np.random.default_rng(5).normal(0, 1e-5, round(7.5 * RATE_HZ))
    found = find_strokes(from_samples(mix, RATE_HZ))
    assert set(found.kind) == {"kick"}
    assert np.unique(found.time_s) == pytest.approx(BURSTS_S, abs=3e-4)
