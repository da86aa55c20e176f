"""The click itself: band-limited, between the samples, equally loud."""

import numpy as np
import pyloudnorm
import pytest

from pulsefind.practice.click_sound import LENGTH_S, TONE_HZ, amplitude, draw, wave

RATE_HZ = 44100


def drawn(at, rate_hz=RATE_HZ, n=8192, tone_hz=TONE_HZ[0]):
    out = np.zeros(n)
    draw(out, at, 1.0, tone_hz, rate_hz)
    return out


@pytest.mark.parametrize("rate_hz", [32000, 44100, 48000])
@pytest.mark.parametrize("tone_hz", TONE_HZ)
def test_nothing_folds_back_at_the_edge_of_the_band(rate_hz, tone_hz):
    spectrum = np.abs(np.fft.rfft(drawn(1000.3, rate_hz, tone_hz=tone_hz)))
    top = int(len(spectrum) * 0.9)
    assert 20 * np.log10(spectrum[top:].max() / spectrum.max()) < -90


@pytest.mark.parametrize("shift", [0.1, 0.25, 0.5, 0.937])
def test_a_fraction_of_a_sample_is_a_delay_in_the_spectrum(shift):
    # The delay theorem of the Fourier transform is the oracle.
    whole, late = drawn(1000.0), drawn(1000.0 + shift)
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(len(whole)) * shift)
    delayed = np.fft.irfft(np.fft.rfft(whole) * turn, len(whole))
    assert np.abs(late - delayed).max() < 1e-4


def test_a_click_cut_by_a_block_goes_on_in_the_next():
    whole = drawn(1000.7)
    first, second = np.zeros(1500), np.zeros(8192 - 1500)
    draw(first, 1000.7, 1.0, TONE_HZ[0], RATE_HZ)
    draw(second, 1000.7 - 1500, 1.0, TONE_HZ[0], RATE_HZ)
    np.testing.assert_allclose(np.r_[first, second], whole, atol=1e-12)


def test_outside_its_length_there_is_silence():
    time_s = np.array([-1.0, -0.0006, LENGTH_S + 1e-6, 1.0])
    np.testing.assert_array_equal(np.abs(wave(time_s, 1000.0)) < 1e-15, True)
    out = np.zeros(10)
    draw(out, 5000.0, 1.0, 1000.0, RATE_HZ)
    assert not out.any()


@pytest.mark.parametrize("fraction", [0.0, 0.3, 0.5])
@pytest.mark.parametrize("tone_hz", TONE_HZ)
def test_every_click_is_equally_loud(tone_hz, fraction):
    # pyloudnorm, another implementation of BS.1770, on a click every 100 ms.
    out = np.zeros(4 * RATE_HZ)
    level = amplitude(tone_hz, -20.0)
    for at in np.arange(500, len(out), RATE_HZ // 10):
        draw(out, at + fraction, level, tone_hz, RATE_HZ)
    assert pyloudnorm.Meter(RATE_HZ).integrated_loudness(out) == pytest.approx(-20.0, abs=0.15)
