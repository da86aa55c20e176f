"""Harmonic change, on tones whose pitch classes are known."""

import numpy as np
import pytest
import soxr
from making import RATE_HZ

from pulsefind.core.records import Harmony
from pulsefind.listen import harmony
from pulsefind.listen.audio import from_samples
from pulsefind.listen.features import framed_magnitude
from pulsefind.listen.harmony import RATE_HZ as RATE_HZ_OF_HARMONY
from pulsefind.listen.harmony import WINDOW, _pitch_class_bank, chord_change, harmony_of


def tone(hz, length_s):
    return 0.3 * np.sin(2 * np.pi * hz * np.arange(int(length_s * RATE_HZ)) / RATE_HZ)


@pytest.mark.parametrize(("hz", "column"), [(110.0, 9), (440.0, 12 + 9), (261.63, 12 + 0), (65.41, 0)])
def test_a_tone_falls_into_its_pitch_class(hz, column):
    # A4 = 440 Hz (ISO 16); C4 and C2 from equal temperament. The first twelve columns are the bass.
    harmony = harmony_of(from_samples(tone(hz, 2.0), RATE_HZ))
    assert int(harmony.pitch_class[20].argmax()) == column


def test_bins_and_notes_are_those_of_librosa():
    import librosa

    bin_hz = librosa.fft_frequencies(sr=RATE_HZ_OF_HARMONY, n_fft=WINDOW)
    used = (bin_hz >= 40) & (bin_hz <= 2500)
    note = np.round(librosa.hz_to_midi(bin_hz[used])).astype(int)
    column = note % 12 + np.where(bin_hz[used] < 220, 0, 12)
    bank = _pitch_class_bank()
    assert np.array_equal(bank[used].argmax(axis=1), column)
    assert not bank[~used].any()


def test_the_beat_at_which_the_chord_changes_stands_out():
    samples = np.concatenate([tone(220, 2.0), tone(294, 2.0), tone(220, 2.0)])
    beats = np.arange(0.5, 6.0, 0.5)
    change = chord_change(harmony_of(from_samples(samples, RATE_HZ)), beats)
    assert set(np.argsort(change)[-2:]) == {3, 7}


@pytest.mark.parametrize("length_s", [0.01, 3.0, 13.1, 30.0])
def test_piece_by_piece_is_the_same_as_at_once(length_s):
    audio = from_samples(np.random.default_rng(1).normal(0, 0.1, int(length_s * RATE_HZ)), RATE_HZ)
    whole = soxr.resample(audio.samples, RATE_HZ, RATE_HZ_OF_HARMONY)
    centre = np.arange(0, len(whole), harmony.HOP)
    expected = np.sqrt(framed_magnitude(whole, harmony.WINDOW, centre, harmony._pitch_class_bank()))
    np.testing.assert_allclose(harmony_of(audio).pitch_class, expected, rtol=1e-4)


def test_nothing_to_compare_gives_zeros():
    assert chord_change(Harmony(np.zeros((0, 24)), 20.0), np.arange(5.0)).tolist() == [0] * 5
    assert chord_change(harmony_of(from_samples(np.zeros(RATE_HZ), RATE_HZ)), np.arange(5.0)).tolist() == [0] * 5
    assert len(harmony_of(from_samples(np.zeros(0), RATE_HZ)).pitch_class) == 0
