"""Figures that only the folded bars show, against the times they were rendered at."""

import numpy as np
import pytest
from making import RATE_HZ, at_places, bars_of, beats_of, drum, noise_burst, pulse, render

from pulsefind.core.counts import slot_positions
from pulsefind.core.records import Grid, GridSection
from pulsefind.listen import folded as figures
from pulsefind.listen.audio import from_samples
from pulsefind.listen.features import spectrogram_of
from pulsefind.listen.folded import _LOWEST_HZ, _SEMITONE_WINDOW, _semitone_bank, find_folded

BPM, BARS = 100.0, 12
LENGTH_S = 1.0 + BARS * 4 * 60 / BPM + 1


def eighths(a_pulse):
    return Grid((GridSection(0, len(bars_of(a_pulse).beats) - 1, 2, 1.0),))


def figures_of(mix, start_s=0.0):
    a_pulse = pulse(BARS * 4, bpm=BPM)
    return folded_of(from_samples(mix, RATE_HZ), start_s, a_pulse, eighths(a_pulse))


def folded_of(audio, start_s, a_pulse, grid):
    return find_folded(audio, start_s, beats_of(a_pulse), bars_of(a_pulse), grid, spectrogram_of(audio))


def place_sets(hits, start_s=0.0):
    """Places in beats from the 1 at which each sound is struck in 7 bars of 10 or more, by plain arithmetic."""
    found = []
    for k in range(len(hits.sounds)):
        at = (hits.time_s[hits.sound == k] + start_s - 1.0) * BPM / 60
        places, count = np.unique(np.round(2 * at).astype(int) % 8, return_counts=True)
        found.append(tuple((places[count >= 0.7 * BARS] / 2).tolist()))
    return found


def band(rng, figure, level, deep):
    """A tick on a figure, a drum three times as loud at other places, noise throughout."""
    a_pulse = pulse(BARS * 4, bpm=BPM)
    tick = noise_burst(rng, 6000, 11000, 0.1, 0.03)
    loud = drum(80) + 0.2 * np.pad(noise_burst(rng, 200, 9000, 0.01, 0.003), (0, int(0.24 * RATE_HZ)))[: len(drum(80))]
    mix = render(LENGTH_S, (at_places(a_pulse, figure), tick, level), (at_places(a_pulse, deep), loud, 0.6))
    return mix + rng.normal(0, 0.002, len(mix))


@pytest.mark.parametrize("figure", [(1.5, 3.5), (0.5, 1.5, 2.5, 3.5), (0.0, 1.5), (0.0, 1.5, 3.0)])
def test_the_places_of_a_soft_sound_are_those_it_was_rendered_at(figure):
    # On 1 and 3 a drum is struck as well, as loud as the whole band of the tick: where the tick is not, it isn't found.
    found = place_sets(figures_of(band(np.random.default_rng(3), figure, 0.05, (0.0, 2.0))))
    assert figure in found
    assert all(set(places) <= set(figure) | {0.0, 2.0} for places in found)


def test_what_does_not_recur_is_no_figure():
    rng = np.random.default_rng(4)
    a_pulse = pulse(BARS * 4, bpm=BPM)
    # Every eighth is struck in a third of the bars, at random.
    struck = np.sort(rng.choice(at_places(a_pulse, [k / 2 for k in range(8)]), BARS * 8 // 3, replace=False))
    mix = render(LENGTH_S, (struck, noise_burst(rng, 2000, 9000, 0.1, 0.03), 0.4))
    assert place_sets(figures_of(mix + rng.normal(0, 0.002, len(mix)))) == []


def test_a_sound_left_out_now_and_then_is_struck_in_the_other_bars():
    rng = np.random.default_rng(5)
    a_pulse = pulse(BARS * 4, bpm=BPM)
    played = [bar for bar in range(BARS) if bar not in (4, 9)]
    times = at_places(a_pulse, [1.5, 3.5], bars=played)
    mix = render(LENGTH_S, (times, noise_burst(rng, 2000, 9000, 0.1, 0.03), 0.4))
    hits = figures_of(mix + rng.normal(0, 0.002, len(mix)))
    assert len(hits.sounds) == 1
    assert hits.time_s == pytest.approx(times, abs=0.003)


def test_times_count_from_the_part_that_is_given():
    mix = band(np.random.default_rng(3), (1.5, 3.5), 0.05, (0.0, 2.0))
    whole, part = figures_of(mix), figures_of(mix[RATE_HZ // 2 :], start_s=0.5)
    assert (1.5, 3.5) in place_sets(part, 0.5)
    assert np.allclose(part.time_s + 0.5, whole.time_s, atol=0.01)


@pytest.mark.parametrize("mix", [np.zeros(0), np.zeros(int(LENGTH_S * RATE_HZ)), np.ones(int(LENGTH_S * RATE_HZ))])
def test_nothing_gives_nothing(mix):
    hits = figures_of(mix)
    assert len(hits.time_s) == 0
    assert hits.sounds == ()


def test_three_bars_are_too_few():
    a_pulse = pulse(12, bpm=BPM)
    mix = band(np.random.default_rng(3), (1.5, 3.5), 0.3, (0.0,))
    hits = folded_of(from_samples(mix, RATE_HZ), 0.0, a_pulse, eighths(a_pulse))
    assert hits.sounds == ()


def test_a_tone_falls_into_its_semitone():
    # Equal temperament: twelve semitones to the octave, the definition.
    bank = _semitone_bank(RATE_HZ)
    for semitone in (12, 36, 60):
        hz = _LOWEST_HZ * 2 ** (semitone / 12)
        tone = np.sin(2 * np.pi * hz * np.arange(_SEMITONE_WINDOW) / RATE_HZ) * np.hanning(_SEMITONE_WINDOW)
        # Low semitones are narrower than the window tells apart.
        assert abs(int(np.argmax(np.abs(np.fft.rfft(tone)) @ bank)) - semitone) <= (2 if semitone < 24 else 0)


def test_a_swung_grid_has_its_own_places():
    rng = np.random.default_rng(6)
    a_pulse = pulse(BARS * 4, bpm=BPM)
    section = GridSection(0, BARS - 1, 2, 2.0)
    late = float(slot_positions(section)[1])
    times = at_places(a_pulse, [1 + late, 3 + late])
    mix = render(LENGTH_S, (times, noise_burst(rng, 2000, 9000, 0.1, 0.03), 0.4))
    audio = from_samples(mix + rng.normal(0, 0.002, len(mix)), RATE_HZ)
    hits = folded_of(audio, 0.0, a_pulse, Grid((section,)))
    assert hits.time_s == pytest.approx(times, abs=0.003)


def test_bars_of_a_single_place_have_their_sound_on_it():
    """Counted in one, with nothing finer: what is struck on every beat falls on the only place there is."""
    a_pulse = pulse(BARS * 4, bpm=BPM, meter=1)
    times = at_places(a_pulse, [0.0])
    mix = render(LENGTH_S, (times, noise_burst(np.random.default_rng(7), 2000, 9000, 0.1, 0.03), 0.4))
    hits = folded_of(from_samples(mix, RATE_HZ), 0.0, a_pulse, Grid((GridSection(0, BARS * 4 - 1, 1, 1.0),)))
    assert hits.time_s == pytest.approx(times, abs=0.003)


def test_bars_piece_by_piece_are_the_same_as_at_once(monkeypatch):
    mix = band(np.random.default_rng(3), (0.5, 2.5), 0.05, (0.0, 2.0))
    whole = figures_of(mix)
    monkeypatch.setattr(figures, "_PIECE_BARS", 5)
    pieces = figures_of(mix)
    assert len(whole.time_s) > 20
    for field in ("time_s", "sound", "strength", "level_db", "timbre"):
        np.testing.assert_array_equal(getattr(pieces, field), getattr(whole, field))
