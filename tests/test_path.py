"""The beat search against a slow, independent frame-by-frame Viterbi of the same model."""

import numpy as np
import pytest

from pulsefind.beats import path as beatpath
from pulsefind.beats.path import BEAT_REGION, TEMPO_STIFFNESS, beat_region, best_path, intervals


def slow_log_likelihood(values, interval, meters):
    """Best path through the full state space (beat of the bar, interval, position in the beat), frame by frame."""
    beat = np.clip(values, 1e-7, 1 - 1e-7)
    silence = np.clip(1 - values.sum(axis=1), 1e-7, 1 - 1e-7) / (BEAT_REGION - 1)
    region = beat_region(interval)
    ratio = interval[None, :] / interval[:, None]
    transition = np.exp(-TEMPO_STIFFNESS * np.abs(ratio - 1))
    transition = np.log(transition / transition.sum(axis=1, keepdims=True))
    best = -np.inf
    for meter in meters:
        start = -np.log(len(interval)) - np.log(sum(meters))
        value = [[np.full(n, start - np.log(n)) for n in interval] for _ in range(meter)]
        for frame in range(len(values)):
            if frame:
                ends = np.array([[v[-1] for v in count] for count in value])
                broken = ends + np.log(np.where(np.arange(meter) == meter - 1, 1.0, beatpath.BROKEN_BAR))[:, None]
                before = [broken.max(axis=0), *ends[:-1]]
                arriving = [(before[c][:, None] + transition).max(axis=0) for c in range(meter)]
                value = [[np.r_[arriving[c][i], v[:-1]] for i, v in enumerate(value[c])] for c in range(meter)]
            for c in range(meter):
                on, off = np.log(beat[frame, 1 if c == 0 else 0]), np.log(silence[frame])
                value[c] = [v + np.where(np.arange(len(v)) < region[i], on, off) for i, v in enumerate(value[c])]
        best = max(best, *(v.max() for count in value for v in count))
    return best


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize(("meters", "broken_bar"), [((1,), 1e-4), ((3,), 1e-4), ((3, 4), 1e-4), ((3, 4), 0.3)])
def test_same_likelihood_as_the_slow_search(seed, meters, broken_bar, monkeypatch):
    # The slow search knows no limit on how much one beat may differ from the next.
    monkeypatch.setattr(beatpath, "LARGEST_STEP", 10.0)
    monkeypatch.setattr(beatpath, "BROKEN_BAR", broken_bar)
    rng = np.random.default_rng(seed)
    interval = intervals(20.0, 80.0, 200.0)
    values = rng.uniform(0.01, 0.2, (150, 2))
    values[rng.integers(0, 10) :: 11, 0] = rng.uniform(0.3, 0.5)
    values[rng.integers(0, 10) :: 44, 1] = rng.uniform(0.3, 0.4)
    assert best_path(values, interval, meters).log_likelihood == pytest.approx(
        slow_log_likelihood(values, interval, meters), abs=1e-6
    )


def test_same_beats_as_madmoms_search():
    # madmom (Böck et al. 2016) searches the same model frame by frame in compiled code.
    from pulsefind.listen.madmom_name import madmom_can_be_imported

    with madmom_can_be_imported():
        from madmom.features.downbeats import DBNDownBeatTrackingProcessor

        search = DBNDownBeatTrackingProcessor(beats_per_bar=[3, 4], fps=100, threshold=0)
    rng = np.random.default_rng(11)
    times = np.cumsum(52 + np.round(3 * np.sin(np.arange(60) / 9))).astype(int)
    values = rng.uniform(0.001, 0.03, (times[-1] + 60, 2))
    values[times, 0], values[times[::4], 0], values[times[::4], 1] = 0.7, 0.1, 0.8
    reference = np.round(search(values)[:, 0] * 100).astype(int)
    found = best_path(values, intervals(100.0, 55.0, 215.0), (3, 4)).frame
    assert np.abs(found[:, None] - reference[None, :]).min(axis=1).max() <= 1
    assert abs(len(found) - len(reference)) <= 1


def test_a_bar_may_break_off_and_the_beats_go_on_evenly():
    values = np.full((2320, 2), 0.005)
    times = 20 + 50 * np.arange(46)
    ones = np.r_[times[0:20:4], times[22::4]]
    values[times, 0] = 0.9
    values[ones] = (0.02, 0.9)
    found = best_path(values, intervals(100.0, 55.0, 215.0), (3, 4)).frame
    assert found.tolist() == times.tolist()


def as_bars(activation):
    """Every beat a downbeat: for searches with bars of one beat."""
    return np.stack([np.full(len(activation), 1e-6), activation], axis=1)


def test_even_pulses_are_found_exactly():
    activation = np.full(1000, 0.01)
    activation[7::50] = 0.9
    path = best_path(as_bars(activation), intervals(100.0, 55.0, 215.0), (1,))
    assert path.frame.tolist() == list(range(7, 1000, 50))
    assert set(path.interval[1:-1].tolist()) == {50}


def test_a_slow_change_of_tempo_is_followed():
    times = np.cumsum(np.linspace(60, 45, 40)).round().astype(int)
    activation = np.full(times[-1] + 30, 0.01)
    activation[times] = 0.9
    found = best_path(as_bars(activation), intervals(100.0, 55.0, 215.0), (1,)).frame
    assert np.abs(found[:, None] - times[None, :]).min(axis=1).max() <= 2


def test_no_frames_give_no_beats():
    assert len(best_path(np.zeros((0, 2)), intervals(100.0, 55.0, 215.0), (3, 4)).frame) == 0


def test_the_result_lies_inside_the_frames():
    path = best_path(np.full((30, 2), 0.4), intervals(100.0, 55.0, 215.0), (3, 4))
    assert ((path.frame >= 0) & (path.frame < 30)).all()


def test_intervals_cover_the_tempi_and_thin_out_when_many():
    assert intervals(100.0, 60.0, 120.0).tolist() == list(range(50, 101))
    many = intervals(100.0, 20.0, 400.0)
    assert len(many) >= 60
    assert (many[0], many[-1]) == (15, 300)
