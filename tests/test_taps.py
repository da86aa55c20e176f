"""Tapped beats: octave, half and 1 where they are tapped, and the rest of the track after them."""

import numpy as np
import pytest
from made_activations import NO_HARMONY, RATE_HZ, activations, found, heard, ones_found, song, values_of

from pulsefind.beats.decode import decode
from pulsefind.beats.imported import tapped
from pulsefind.beats.taps import lateness_s, tapped_meter
from pulsefind.core.errors import FormatError, HintError
from pulsefind.core.records import Activations, Settings
from pulsefind.export.formats import read_beats
from pulsefind.listen.activations import downbeat_log_odds

SONG = song((4, 24, 120))
LENGTH_S = SONG.time_s[-1] + 1.0
EIGHT_BARS = slice(32, 64)


def taps_at(time_s, count=(), scatter_s=0.025, late_s=0.0, seed=1):
    """Taps of a player who scatters by so much and is late by so much."""
    scattered = time_s + late_s + np.random.default_rng(seed).normal(0, scatter_s, len(time_s))
    return Settings(taps_s=tuple(np.sort(scattered)), taps_count=tuple(int(c) for c in count))


def strummed():
    """Something is struck strongly half a beat after each beat, and the beats are weak."""
    between = values_of(SONG.time_s + 0.25, SONG.count, LENGTH_S, strength=0.9)
    return activations(np.maximum(between, values_of(SONG.time_s, SONG.count, LENGTH_S, strength=0.3)))


def test_eight_bars_of_taps_settle_the_half_of_the_whole_song():
    assert found(SONG, decode(strummed(), NO_HARMONY, Settings())) < 0.2
    pulse = decode(strummed(), NO_HARMONY, taps_at(SONG.time_s[EIGHT_BARS]))
    assert found(SONG, pulse) > 0.97
    assert any("taps disagree with the sound" in warning for warning in pulse.warnings)


@pytest.mark.parametrize("times", [2, 0.5])
def test_eight_bars_of_taps_settle_the_octave_of_the_whole_song(times):
    tap_s = SONG.time_s[EIGHT_BARS]
    tap_s = np.sort(np.r_[tap_s, tap_s + 0.25]) if times == 2 else tap_s[::2]
    pulse = decode(heard(SONG), NO_HARMONY, taps_at(tap_s, scatter_s=0.015))
    assert 60 / np.median(np.diff(pulse.time_s)) == pytest.approx(120 * times, rel=0.02)
    assert any("beats a minute" in warning for warning in pulse.warnings)
    assert np.abs(pulse.time_s[:, None] - tap_s[None, :]).min(axis=0).max() < 0.07


@pytest.mark.parametrize("late_s", [-0.06, 0.0, 0.05, 0.1])
def test_lateness_is_found_and_taken_out(late_s):
    settings = taps_at(SONG.time_s[EIGHT_BARS], late_s=late_s)
    assert lateness_s(heard(SONG), np.array(settings.taps_s)) == pytest.approx(late_s, abs=0.015)
    pulse = decode(heard(SONG), NO_HARMONY, settings)
    assert np.abs(pulse.time_s[:, None] - SONG.time_s[None, :]).min(axis=0).max() < 0.02
    assert any("all taps are about" in warning for warning in pulse.warnings) == (abs(late_s) > 0.03)


def counted_wrong(shift):
    """A network that takes another beat for the 1 all over the song."""
    values = values_of(SONG.time_s, (SONG.count - 1 + shift) % 4 + 1, LENGTH_S)
    return Activations(values, downbeat_log_odds(values), activations(values).phase_log_odds, RATE_HZ)


@pytest.mark.parametrize("shift", [0, 1, 2, 3])
def test_counts_over_eight_bars_settle_the_1_of_the_whole_song(shift):
    pulse = decode(counted_wrong(shift), NO_HARMONY, taps_at(SONG.time_s[EIGHT_BARS], SONG.count[EIGHT_BARS]))
    assert ones_found(SONG, pulse) == 1.0
    assert any("counts of the taps disagree" in warning for warning in pulse.warnings) == (shift != 0)


def test_a_meter_that_the_sound_does_not_have_is_kept_for_the_whole_song():
    count = np.arange(33) % 3 + 1
    pulse = decode(heard(SONG), NO_HARMONY, taps_at(SONG.time_s[32:65], count))
    assert set(pulse.beats_per_bar.tolist()) == {3}
    assert np.array_equal(pulse.count[np.searchsorted(pulse.time_s, SONG.time_s[32:65] - 0.1)], count)


def test_a_change_of_meter_outside_the_taps_stays():
    truth = song((4, 12, 120), (3, 8, 120), (4, 6, 120))
    pulse = decode(heard(truth), NO_HARMONY, taps_at(truth.time_s[8:40], truth.count[8:40]))
    assert ones_found(truth, pulse) == 1.0


def test_taps_where_nothing_sounds_are_beats():
    silent = heard(SONG).values.copy()
    silent[: round(14 * RATE_HZ)] = 0.0
    pulse = decode(activations(silent), NO_HARMONY, taps_at(SONG.time_s[:24], scatter_s=0.0))
    assert found(SONG, pulse) == 1.0


def test_a_tap_left_out_and_a_pause_do_no_harm():
    taken = np.r_[20:30, 31:40, 70:85]
    settings = taps_at(SONG.time_s[taken], SONG.count[taken])
    pulse = decode(counted_wrong(2), NO_HARMONY, settings)
    assert ones_found(SONG, pulse) == 1.0


def test_the_usual_tapped_meter():
    assert tapped_meter((3, 4, 1, 2, 3, 4, 1, 2, 3, 1, 2, 3, 4, 1)) == 4
    assert tapped_meter((1, 2, 3)) is None


def read(tmp_path, text, settings=None):
    path = tmp_path / "taps.txt"
    path.write_text(text)
    return tapped(read_beats(path), settings or Settings(), path.name)


def test_a_file_of_taps_becomes_part_of_the_settings(tmp_path):
    assert read(tmp_path, "1.0\n1.5\n2.1\n2.5\n").taps_s == (1.0, 1.5, 2.1, 2.5)
    settings = read(tmp_path, "1.0 3\n1.5 4\n2.1 1\n2.5 2\n9.0 4\n9.5 1\n")
    assert settings.taps_count == (3, 4, 1, 2, 4, 1)


@pytest.mark.parametrize(
    ("text", "settings", "message"),
    [
        ("", Settings(), "holds 0 beats"),
        ("1.0\n1.5\n2.0\n", Settings(), "at least 4"),
        ("1.0\n2.0\n1.5\n3.0\n", Settings(), "sort them"),
        ("1.0\nx\n1.5\n3.0\n", Settings(), "line 2"),
        ("1.0\n1.5\n2.0\n2.5\n", Settings(bpm_low=80, bpm_high=90), "leave out --bpm"),
        ("1 1\n1.5 2\n2.0 3\n2.5 1\n", Settings(one_at_s=1.0), "leave out --one-at"),
        ("1 1\n1.5 2\n2.0 4\n2.5 1\n", Settings(), "count 4 after 2"),
        ("1 1\n1.5 1\n2.0 1\n2.5 1\n", Settings(), "every tap is counted 1"),
        ("1 5\n1.5 6\n2.0 7\n2.5 8\n", Settings(), "bars of 7"),
        ("1 1\n1.5 2\n2.0 3\n2.5 1\n", Settings(meter=(4, 4)), "--meter asks for bars of 4"),
    ],
)
def test_a_bad_file_of_taps_is_told_in_one_line(tmp_path, text, settings, message):
    with pytest.raises((FormatError, HintError), match=message) as error:
        read(tmp_path, text, settings)
    assert "\n" not in str(error.value)
