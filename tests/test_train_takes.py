"""Made takes in small: what is struck lies where it sounds, and nothing measured is learnt from."""

import numpy as np
import pytest

from eval.take import fitting_doubt
from eval.take.fitting import chosen
from eval.take.groove import groove_folder, performances
from eval.train.drum_sounds import RATE_HZ, drum, trimmed
from eval.train.take_ingredients import TakeIngredients, measured_performances
from eval.train.take_kits import DRUM_OF_KEY, DRUMS, KIND_OF_DRUM, KINDS, Samples, draw_kit, render
from eval.train.take_songs import LENGTH_S, TakeMaker, at_random

OWN = TakeIngredients(Samples(()), ())


def test_every_drum_sounds_at_once_and_dies_away():
    rng = np.random.default_rng(1)
    for name in DRUMS:
        sound = trimmed(drum(name, rng)(rng, 0.8))
        assert np.abs(sound).max() == pytest.approx(1.0)
        # Within 25 ms it has reached a tenth of its top, and it ends in silence.
        assert np.abs(sound[: round(0.025 * RATE_HZ)]).max() > 0.1
        assert np.abs(sound[-5:]).max() < 0.05


def test_general_midi_keys_are_those_of_the_standard():
    # General MIDI 1, percussion key map: a few of its entries.
    named = {36: "kick", 38: "snare", 42: "hat", 46: "hat", 49: "cymbal", 51: "cymbal", 41: "tom", 50: "tom"}
    assert {key: KIND_OF_DRUM[DRUM_OF_KEY[key]] for key in named} == named


def test_strokes_of_a_take_lie_where_its_sound_rises():
    rng = np.random.default_rng(2)
    kit = draw_kit(OWN.samples, rng)
    time_s = np.arange(0.5, 9.5, 1.0)
    names = [str(rng.choice(["kick", "snare", "closed", "tom2"])) for _ in time_s]
    sound = render(kit, [(t, d, 100.0) for t, d in zip(time_s, names, strict=True)], 10.0, rng)
    for t in time_s:
        at = round(t * RATE_HZ)
        assert np.abs(sound[at : at + 2000]).max() > 3 * np.abs(sound[at - 2000 : at - 10]).max()


def test_a_closed_hat_cuts_an_open_one():
    rng = np.random.default_rng(3)
    kit = draw_kit(OWN.samples, rng)
    free = render(kit, [(0.1, "open", 100.0)], 2.0, np.random.default_rng(0))
    cut = render(kit, [(0.1, "open", 100.0), (0.15, "pedal", 1.0)], 2.0, np.random.default_rng(0))
    after = slice(round(0.2 * RATE_HZ), round(0.3 * RATE_HZ))
    assert np.square(cut[after]).sum() < 0.5 * np.square(free[after]).sum() + 1e-9


def test_takes_hold_strokes_of_known_kinds_within_their_length():
    maker = TakeMaker(OWN)
    for seed in range(4):
        take = maker.make(seed)
        assert take.sound.shape == (2, round(LENGTH_S * RATE_HZ))
        assert (take.hits[:, 0] >= 0).all()
        assert (take.hits[:, 0] < LENGTH_S).all()
        assert set(np.unique(take.hits[:, 1])) <= set(range(len(KINDS)))


def test_random_strokes_are_in_order_of_time():
    notes, beat_s = at_random(np.random.default_rng(4))
    assert [t for t, *_ in notes] == sorted(t for t, *_ in notes)
    assert 60 / 190 <= beat_s <= 60 / 55


@pytest.mark.skipif(groove_folder() is None, reason="no folder groove_midi in PULSEFIND_DATA or ../shared/data")
def test_performances_that_are_measured_are_left_out():
    folder = groove_folder()
    drawn = [path for path, *_ in performances(folder, 40, seed=1)]
    drawn += chosen(folder, 24, held_out=False) + chosen(folder, 16, held_out=True)
    drawn += [path for path, *_ in fitting_doubt.drawn(36)]
    assert {path.relative_to(folder).as_posix() for path in drawn} <= measured_performances()


def test_a_batch_is_taught_what_is_struck():
    torch = pytest.importorskip("torch", reason="training needs PyTorch")
    from eval.train.take_kits import OUTPUTS
    from eval.train.take_mixing import TakeMixer, TakePool

    torch.set_num_threads(1)
    pool = TakePool(3, 1, "cpu")
    maker = TakeMaker(OWN)
    for seed in range(3):
        pool.add(maker.make(seed))
    spectra, targets = TakeMixer(pool, 3.0).batch(torch.arange(3), varied=True)
    assert spectra.shape[2] == targets.shape[2] == 301
    assert targets.shape[1] == len(OUTPUTS)
    # What is taken together is struck where any of its kinds is.
    hat, cymbal, both = (targets[:, OUTPUTS.index(name)].numpy() for name in ("hat", "cymbal", "hat or cymbal"))
    np.testing.assert_array_equal(both, np.maximum(hat, cymbal))
