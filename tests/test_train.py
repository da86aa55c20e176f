"""The recipe in small: songs and their truth, and a run that learns for a few steps."""

from __future__ import annotations

import numpy as np
import pytest

from eval.reader.styles_unheard import UNHEARD_STYLES
from eval.train.composing import compose
from eval.train.ingredients import RATE_HZ, own_sounds_only
from eval.train.percussion import with_percussion
from eval.train.performing import HIT_KINDS, perform
from eval.train.songs import SongMaker
from eval.train.style import check
from eval.train.styles import STYLES


@pytest.fixture(scope="module")
def maker():
    return SongMaker(own_sounds_only())


@pytest.mark.parametrize("style", STYLES + UNHEARD_STYLES, ids=lambda s: s.name)
def test_rhythms_fill_whole_bars(style):
    check(style)


def test_a_rhythm_that_does_not_fill_its_bar_is_refused():
    from dataclasses import replace

    with pytest.raises(ValueError, match="a bar has"):
        check(replace(STYLES[0], kick=("x..",)))


def test_the_same_seed_gives_the_same_song(maker):
    first, second = maker.make(5), maker.make(5)
    np.testing.assert_array_equal(first.stems, second.stems)
    np.testing.assert_array_equal(first.beats, second.beats)


@pytest.mark.parametrize("style", STYLES + UNHEARD_STYLES, ids=lambda s: s.name)
def test_beats_count_through_bars_and_move_on(style):
    rng = np.random.default_rng(11)
    bpm = sum(style.bpm) / 2
    song = perform(compose(style, bpm, 12, rng, with_band=True, with_drums=True, share_late=0.12), 40.0, rng)
    steps, counts = np.diff(song.beats[:, 0]), song.beats[:, 1]
    assert (steps > 0).all()
    assert 0.55 < np.median(steps) * bpm / 60 < 1.8
    going_on = (counts[1:] == counts[:-1] + 1) | (counts[1:] == 1)
    assert going_on.all()


def onsets_near(envelope, time_s, reach_s):
    """For each time, the largest rise of the level within reach."""
    at = (time_s * RATE_HZ / 110).astype(int)
    reach = int(reach_s * RATE_HZ / 110)
    rise = np.maximum(np.diff(np.log(envelope + 1e-5)), 0)
    return np.stack([rise[np.clip(at + k, 0, len(rise) - 1)] for k in range(-reach - 1, reach + 1)]).max(axis=0)


def test_hits_lie_on_onsets_of_the_rendered_drums(maker):
    found, by_chance = [], []
    rng = np.random.default_rng(0)
    for seed in range(40, 52):
        song = maker.make(seed)
        drums = song.stems[0].astype(float) / 32768
        time_s = song.hits[song.hits[:, 1] < HIT_KINDS.index("pluck"), 0]
        time_s = time_s[(time_s > 0.2) & (time_s < song.end_s - 0.2)]
        if len(time_s) < 20:
            continue
        envelope = np.add.reduceat(drums**2, np.arange(0, len(drums), 110))
        found.append((onsets_near(envelope, time_s, 0.006) > 0.2).mean())
        by_chance.append((onsets_near(envelope, rng.uniform(0.2, song.end_s - 0.2, 500), 0.006) > 0.2).mean())
    assert len(found) >= 4
    assert np.mean(found) > 0.9
    assert np.mean(by_chance) < 0.6


def test_percussion_is_added_on_the_slots_of_a_song_and_hats_stay_hats():
    rng = np.random.default_rng(2)
    style = next(s for s in STYLES if s.slots == 4 and s.beats == 4)
    added = set()
    for _ in range(40):
        score = compose(style, 100.0, 12, rng, with_band=False, with_drums=True, share_late=0.0)
        changed = with_percussion(score, style.slots, rng)
        hats = [np.isin(s.drums[:, 1], (42, 44, 46)).sum() for s in (score, changed)]
        assert hats[0] == hats[1]
        assert (np.diff(changed.drums[:, 0]) >= 0).all()
        assert ((changed.drums[:, 2] >= 1) & (changed.drums[:, 2] <= 127)).all()
        extra = changed.drums[~np.isin(changed.drums[:, 1], score.drums[:, 1])]
        np.testing.assert_allclose(extra[:, 0] * style.slots % 1, 0, atol=1e-9)
        added |= set(extra[:, 1].astype(int))
    assert len(added - {42, 44, 46}) >= 8


@pytest.mark.parametrize("aim", ["pulse", "kit"])
def test_a_small_run_learns_and_exports(aim, tmp_path):
    torch = pytest.importorskip("torch", reason="training needs PyTorch")
    from eval.train.aims import AIMS
    from eval.train.exporting import export
    from eval.train.model import OUTPUTS, Features, PulseNetwork
    from eval.train.training import Plan, train
    from pulsefind.listen.network import features, outputs, read_weights

    torch.set_num_threads(1)
    plan = Plan(seconds=240, pool=10, first=6, makers=1, batch=2, excerpt_s=8.0, steps=3, seed=9, aim=aim)
    figures = train(None, plan, tmp_path)
    assert figures["steps"] == 3 and np.isfinite(figures["validation_0"])
    export(tmp_path, tmp_path / "pulse.npz", None, AIMS[aim])
    weights = read_weights(tmp_path / "pulse.npz")
    assert weights.outputs == OUTPUTS
    samples = np.random.default_rng(4).normal(0, 0.1, 4 * RATE_HZ).astype(np.float32)
    network = PulseNetwork(dilations=AIMS[aim].dilations).eval()
    with np.load(tmp_path / "state.npz") as stored:
        network.load_state_dict({k: torch.from_numpy(stored[k]) for k in stored.files})
    with torch.no_grad():
        spectra = Features()(torch.from_numpy(samples)[None])
        expected = torch.sigmoid(network(spectra))[0, : len(OUTPUTS)].T.numpy()
    np.testing.assert_allclose(
        np.concatenate(list(features([samples], 1.0))), spectra[0].permute(1, 0, 2).numpy(), atol=1e-4
    )
    np.testing.assert_allclose(outputs(features([samples], 1.0), weights), expected, atol=5e-3)


def test_exported_weights_can_be_trained_on():
    torch = pytest.importorskip("torch", reason="training needs PyTorch")
    from eval.train.model import Features
    from eval.train.unfolding import unfolded
    from pulsefind.listen.network import features, outputs, packaged_weights

    torch.set_num_threads(1)
    noise = np.random.default_rng(5).normal(0, 0.1, (3, 4 * RATE_HZ)).astype(np.float32)
    with torch.no_grad():
        spectra = Features()(torch.from_numpy(noise))
        network = unfolded(packaged_weights(), [spectra[:2], spectra[1:]])
        given = torch.sigmoid(network(spectra[:1]))[0, : len(packaged_weights().outputs)].T.numpy()
        learning = torch.sigmoid(network.train()(spectra))[0].T.numpy()
    np.testing.assert_allclose(given, outputs(features([noise[0]], 1.0), packaged_weights()), atol=1e-3)
    # While it learns, each batch is normalised by itself: near the same, and not untrained.
    assert np.abs(learning[:, : given.shape[1]] - given).mean() < 0.1
    assert all(float(norm.weight.detach().std()) > 0 for norm in network.norms)
