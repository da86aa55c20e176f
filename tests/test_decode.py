"""The decoder on made activations: octaves, meters, pickups, hints."""

import numpy as np
import pytest

from pulsefind.beats import decode as decoder
from pulsefind.core.records import Activations, Harmony, Settings
from pulsefind.listen.activations import downbeat_log_odds, phase_log_odds

FPS = 100
NO_HARMONY = Harmony(np.zeros((0, 24)), 20.0)


def heard(values):
    """Activations of one network."""
    return Activations(values, downbeat_log_odds(values), phase_log_odds(values), FPS)


def decode(activations, settings, harmony=NO_HARMONY):
    return decoder.decode(activations, harmony, settings)


def activations(beat_s, count, length_s, strength=0.9, noise=0.01, seed=0):
    """Peaks of three frames at the beats: first column for counts above 1, second for the 1."""
    rng = np.random.default_rng(seed)
    values = rng.uniform(0, noise, (int(length_s * FPS), 2))
    for t, c in zip(beat_s, count, strict=True):
        frame = round(t * FPS)
        column = 1 if c == 1 else 0
        for k, share in ((-1, 0.4), (0, 1.0), (1, 0.4)):
            if 0 <= frame + k < len(values):
                values[frame + k, column] = max(values[frame + k, column], strength * share)
    return heard(np.clip(values, 0, 0.99))


def song(bpm=120.0, meter=4, beats=80, first=1, start_s=1.0):
    times = start_s + np.arange(beats) * 60 / bpm
    return times, (np.arange(beats) + first - 1) % meter + 1


@pytest.mark.parametrize(("bpm", "meter"), [(120, 4), (90, 3), (150, 5), (200, 6), (210, 7), (70, 4), (180, 4)])
def test_tempo_meter_and_the_one(bpm, meter):
    times, count = song(bpm, meter)
    pulse = decode(activations(times, count, times[-1] + 1), Settings())
    assert np.abs(pulse.time_s - times).max() <= 0.011
    assert np.array_equal(pulse.count, count)
    assert set(pulse.beats_per_bar.tolist()) == {meter}
    assert pulse.probability_one > 0.9


def test_a_pickup_is_counted():
    times, count = song(first=3)
    pulse = decode(activations(times, count, 42), Settings())
    assert pulse.count[:4].tolist() == [3, 4, 1, 2]


def test_odd_meters_are_counted_in_eighths_when_quick():
    times, count = song(210, 7)
    assert decode(activations(times, count, times[-1] + 1), Settings()).unit == 8
    times, count = song(120, 4)
    assert decode(activations(times, count, times[-1] + 1), Settings()).unit == 4


def test_beats_go_on_through_a_silent_stretch():
    times, count = song()
    heard = (times < 15) | (times > 23)
    pulse = decode(activations(times[heard], count[heard], 42), Settings())
    assert len(pulse.time_s) == len(times)
    assert np.abs(pulse.time_s - times).max() < 0.04


def test_a_tempo_hint_binds():
    times, count = song(120)
    pulse = decode(activations(times, count, 42), Settings(bpm_low=50, bpm_high=70))
    assert 50 <= 60 / np.median(np.diff(pulse.time_s)) <= 70


def test_a_meter_hint_binds():
    times, count = song(120, 4)
    pulse = decode(activations(times, count, 42), Settings(meter=(3, 4)))
    assert set(pulse.beats_per_bar.tolist()) == {3}
    assert set(decode(activations(times, count, 42), Settings(meter=(12, 8))).beats_per_bar.tolist()) == {4}
    assert set(decode(activations(times, count, 42), Settings(meter=(9, 8))).beats_per_bar.tolist()) == {3}


@pytest.mark.parametrize("beat", [0, 1, 2, 3])
def test_one_hint_moves_the_one_of_the_whole_song(beat):
    times, count = song()
    pulse = decode(activations(times, count, 42), Settings(one_at_s=float(times[20 + beat] + 0.04)))
    assert np.array_equal(np.flatnonzero(pulse.count == 1) % 4, np.full(20, beat))
    if beat == 2:
        assert any("speaks against" in warning for warning in pulse.warnings)


def test_a_hint_between_beats_moves_all_beats_and_says_so():
    times, count = song()
    pulse = decode(activations(times, count, 42), Settings(one_at_s=float(times[20] + 0.25)))
    one = pulse.time_s[pulse.count == 1]
    assert np.abs(one - (times[20] + 0.25)).min() < 0.011
    assert any("all beats were moved" in warning for warning in pulse.warnings)


def test_between_two_readings_there_is_an_alternative_with_its_hint():
    times, count = song(70, 4, 40)
    strong = activations(times, count, 36, 0.9).values
    between = times + 30 / 70
    hints, tempi = [], []
    for level in np.r_[np.linspace(0.0, 0.1, 21), 0.9]:
        weak = activations(between, np.full(40, 2), 36, level).values
        pulse = decode(heard(np.maximum(strong, weak)), Settings())
        tempi.append(round(60 / np.median(np.diff(pulse.time_s)), -1))
        assert pulse.probability_one <= pulse.probability_octave * pulse.probability_meter * pulse.probability_phase
        hints += [other.hint for other in pulse.alternatives if other.hint.startswith("--bpm")]
    assert tempi[0] == 70
    assert tempi[-1] == 140
    assert hints, tempi


@pytest.mark.parametrize("values", [np.zeros((0, 2)), np.zeros((500, 2)), np.full((20, 2), 0.4)])
def test_too_little_to_count(values):
    assert len(decode(heard(values), Settings()).time_s) == 0


def test_chord_changes_settle_the_one_where_the_network_does_not_know():
    times, _ = song()
    even = activations(times, np.full(80, 2), 42)
    for first in range(4):
        chord = np.zeros((42 * 20, 24))
        for k in range(len(chord)):
            chord[k, 5 * int((k / 20 - times[first]) // 2.0) % 12] = 1.0
        pulse = decode(even, Settings(meter=(4, 4)), Harmony(chord, 20.0))
        assert np.flatnonzero(pulse.count == 1)[0] == first


def strummed_between():
    """A song whose activations are a little higher between the beats, and evidence that the beats are the beats."""
    times, count = song()
    late = activations(times + 0.25, count, 42)
    told = activations(times, count, 42)
    return times, Activations(late.values, late.downbeat_log_odds, told.phase_log_odds, FPS)


def test_the_half_that_is_marked_more_strongly_is_the_beat():
    times, heard = strummed_between()
    pulse = decode(heard, Settings())
    inside = times[(times > pulse.time_s[0] - 0.1) & (times < pulse.time_s[-1] + 0.1)]
    assert np.abs(pulse.time_s[:, None] - inside).min(axis=0).max() < 0.03
    unmoved = decode(Activations(heard.values, heard.downbeat_log_odds, -heard.phase_log_odds, FPS), Settings())
    assert np.abs(unmoved.time_s[:, None] - (inside[1:-1] + 0.25)).min(axis=0).max() < 0.03


def test_the_other_half_is_kept_as_an_alternative_with_the_hint_that_selects_it():
    _, heard = strummed_between()
    doubtful = Activations(heard.values, heard.downbeat_log_odds, 0.1 * heard.phase_log_odds, FPS)
    first = decode(doubtful, Settings())
    other = next(a for a in first.alternatives if a.reading == "the beat is half a beat away")
    assert 0.01 < other.probability < 0.5
    assert first.probability_one <= 1 - other.probability + 1e-9
    second = decode(doubtful, Settings(one_at_s=float(other.hint.split()[1])))
    assert np.abs(second.time_s[:, None] - first.time_s[2:-2]).min(axis=0).min() > 0.2


@pytest.mark.parametrize("beats", range(5, 12))
def test_a_few_beats_whose_half_is_in_doubt_are_still_answered(beats):
    times, count = song(beats=beats, first=2)
    heard = activations(times, count, times[-1] + 1)
    doubtful = Activations(heard.values, heard.downbeat_log_odds - 5.0, np.zeros(len(heard.values)), FPS)
    pulse = decode(doubtful, Settings())
    assert len(pulse.time_s) >= beats - 1
    for other in pulse.alternatives:
        assert other.hint
