"""What eval does to takes of real players, and what it calls right."""

import numpy as np
import pytest

from eval.take.band import CHANGES, FRONT_S, Row, as_it_is, cut, judged, leaking, listed, silence, summary, telephone
from pulsefind.listen.audio import from_samples
from pulsefind.take.records import Alignment, StartCandidate

RATE_HZ = 8000


def _sound(seconds: float, hz: float = 440.0) -> np.ndarray:
    return 0.5 * np.sin(2 * np.pi * hz * np.arange(int(seconds * RATE_HZ)) / RATE_HZ)


def _found(*starts: tuple[float, float], chosen: bool = False) -> Alignment:
    candidates = tuple(StartCandidate(start, 0.0, 1, share) for start, share in starts)
    first = starts[0][0] if starts else 0.0
    return Alignment("hits", first, 0.0, chosen, False, candidates, None, "")


def test_silence_and_cuts_move_the_start_by_what_they_say() -> None:
    take = _sound(5.0)
    for front_s in FRONT_S:
        later, cut_off = silence(front_s)(take, take, RATE_HZ), cut(front_s)(take, take, RATE_HZ)
        # A sample of the take at index k of the changed one was played at starts_at_s + k / rate.
        shift = round(front_s * RATE_HZ)
        assert later.starts_at_s == -front_s and np.array_equal(later.samples[shift:], take)
        assert cut_off.starts_at_s == front_s and np.array_equal(cut_off.samples, take[shift:])


def test_a_telephone_takes_the_lows_away_and_a_leak_has_its_level() -> None:
    low, mid = _sound(2.0, 80.0), _sound(2.0, 1000.0)
    heard = telephone(low + mid, low, RATE_HZ).samples
    spectrum = np.abs(np.fft.rfft(heard))
    assert spectrum[160] < 0.01 * spectrum[2000]
    mixed = leaking(low, mid, RATE_HZ).samples
    ratio = np.abs(np.fft.rfft(mixed))[2000] / np.abs(np.fft.rfft(mixed))[160]
    # Level of the leak against the take: 20 log10 of the ratio of two sines' amplitudes.
    assert 20 * np.log10(ratio) == pytest.approx(-12.0, abs=0.2)


@pytest.mark.parametrize(
    ("found", "outcome"),
    [
        (_found((0.019, 1.0), chosen=True), "right"),
        (_found((0.021, 1.0), chosen=True), "chosen and wrong"),
        (_found((0.0, 0.6), (1.0, 0.4)), "first"),
        (_found((1.0, 0.5), (2.0, 0.3), (0.0, 0.2)), "shown"),
        (_found((1.0, 0.4), (2.0, 0.3), (3.0, 0.2), (0.0, 0.1)), "shown without"),
        (_found(), "refused"),
    ],
)
def test_outcomes(found: Alignment, outcome: str) -> None:
    take = from_samples(_sound(4.0), RATE_HZ)
    assert judged(found, take, 0.0)[0] == outcome


def test_the_clock_counts_in_the_middle_of_the_take() -> None:
    found = Alignment("hits", 0.0, 1000.0, True, False, (StartCandidate(0.0, 1000.0, 1, 1.0),), None, "")
    take = from_samples(_sound(60.0), RATE_HZ)
    # 1000 millionths over half a minute are 30 ms.
    outcome, error_ms, _ = judged(found, take, 0.0)
    assert outcome == "chosen and wrong" and error_ms == pytest.approx(-30.0, abs=0.1)


def test_the_table_counts_every_outcome_once() -> None:
    rows = [Row("a", "as exported", "right", 0.0, 1.0), Row("b", "as exported", "refused", 0.0, 0.0)]
    assert "| as exported | 2 | 1 | 0 | 0 | 0 | 0 | 1 |" in summary(rows)
    assert listed(rows).count("\n") == 4
    assert as_it_is in CHANGES.values()
