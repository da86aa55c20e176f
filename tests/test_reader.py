"""The reader of bars and what it is given: what must not matter does not, and its layers are those of the textbook."""

import numpy as np
import pytest
from scipy.special import log_softmax

from pulsefind.beats import reader
from pulsefind.beats.beatwise import FRAME_RATE_HZ, beat_rows, n_columns
from pulsefind.beats.reader import DILATIONS, PLACES, Weights, one_log_odds, packaged_weights, place_log_probability
from pulsefind.core.errors import FormatError
from pulsefind.core.records import Harmony

HARMONY_RATE_HZ = 20.0
BEATS_S = 1.0 + 0.5 * np.arange(64)


def song(seed=0, length_s=36.0):
    """Kick on 1 and 3, snare on 2 and 4, a chord a bar; what the networks say of it, with noise."""
    rng = np.random.default_rng(seed)
    struck = rng.uniform(0.01, 0.04, (round(length_s * FRAME_RATE_HZ), 14))
    pitch = rng.uniform(0.0, 0.1, (round(length_s * HARMONY_RATE_HZ), 24))
    for k, time_s in enumerate(BEATS_S):
        frame, at = round(time_s * FRAME_RATE_HZ), round(time_s * HARMONY_RATE_HZ)
        struck[frame, [0, 2]] = 0.9
        struck[frame, [1, 3]] = 0.8 if k % 4 == 0 else 0.05
        struck[frame, 6 if k % 2 == 0 else 7] = 0.9
        root = (0, 5, 7, 9)[k // 4 % 4]
        pitch[at : at + 10, [root, 12 + root, 12 + (root + 4) % 12, 12 + (root + 7) % 12]] += 1.0
    return struck, Harmony(pitch, HARMONY_RATE_HZ)


def rows_of(struck, harmony, times=BEATS_S):
    return beat_rows(struck, harmony, times)


def test_the_one_of_a_plain_song_is_found():
    # Kick on 1 and 3, backbeat on 2 and 4, a new chord a bar: nobody counts it otherwise (common practice, no source).
    odds = one_log_odds(rows_of(*song()))
    assert odds.shape == BEATS_S.shape
    assert (odds[::4] > 0).mean() > 0.9
    assert (np.delete(odds, np.arange(0, 64, 4)) > 0).mean() < 0.1


def test_another_key_changes_nothing():
    struck, harmony = song()
    pitch = harmony.pitch_class
    moved = np.concatenate([np.roll(pitch[:, :12], 5, axis=1), np.roll(pitch[:, 12:], 5, axis=1)], axis=1)
    np.testing.assert_allclose(rows_of(struck, Harmony(moved, HARMONY_RATE_HZ)), rows_of(struck, harmony), atol=1e-5)


def test_another_level_of_the_harmony_changes_nothing():
    struck, harmony = song()
    quiet = Harmony(harmony.pitch_class * 0.25, HARMONY_RATE_HZ)
    np.testing.assert_allclose(rows_of(struck, quiet), rows_of(struck, harmony), atol=2e-3)


def test_the_same_song_later_in_the_recording_reads_the_same():
    struck, harmony = song()
    silence = np.full((100, 14), 0.01)
    later = np.concatenate([silence, struck])
    pitch = np.concatenate([np.zeros((40, 24)), harmony.pitch_class])
    moved = beat_rows(later, Harmony(pitch, HARMONY_RATE_HZ), BEATS_S + 2.0)
    np.testing.assert_allclose(moved[4:], rows_of(struck, harmony)[4:], atol=0.35)
    assert np.argmax(one_log_odds(moved)[:4]) == 0


@pytest.mark.parametrize("times", [np.zeros(0), np.array([1.0])])
def test_fewer_than_two_beats_give_no_rows(times):
    struck, harmony = song()
    rows = rows_of(struck, harmony, times)
    assert rows.shape == (0, n_columns())
    assert one_log_odds(rows).shape == (0,)


def test_nothing_heard_gives_no_rows():
    _, harmony = song()
    assert rows_of(np.zeros((0, 14)), harmony).shape == (0, n_columns())


def naive_logits(rows, w):
    """The same layers beat by beat and tap by tap, from their definitions."""

    def normal(v, k):
        return (v - v.mean()) / np.sqrt(v.var() + 1e-5) * w[f"{k}.weight"] + w[f"{k}.bias"]

    def elu(v):
        return np.array([x if x > 0 else np.exp(x) - 1 for x in v])

    x = [w["entry.weight"] @ row + w["entry.bias"] for row in rows]
    for k, dilation in enumerate(DILATIONS):
        y = [normal(v, f"norm{k}") for v in x]
        out = []
        for i in range(len(x)):
            z = w[f"dilated{k}.bias"].copy()
            for tap, offset in enumerate((-dilation, 0, dilation)):
                if 0 <= i + offset < len(x):
                    z = z + w[f"dilated{k}.weight"][:, :, tap] @ y[i + offset]
            out.append(x[i] + w[f"mix{k}.weight"] @ elu(z) + w[f"mix{k}.bias"])
        x = out
    return np.array([w["place.weight"] @ normal(v, "exit_norm") + w["place.bias"] for v in x])


def test_the_layers_are_those_of_the_definitions():
    rows = rows_of(*song())[:20]
    one = packaged_weights().networks[0]
    expected = log_softmax(naive_logits(rows.astype(np.float64), one), axis=1)
    np.testing.assert_allclose(place_log_probability(rows, Weights((one,))), expected, atol=2e-3)


def test_the_packaged_weights_are_three_networks_over_all_places():
    networks = packaged_weights().networks
    assert len(networks) == 3
    assert all(w["place.bias"].shape == (len(PLACES),) for w in networks)
    assert all(w["entry.weight"].shape[1] == n_columns() for w in networks)
    assert np.exp(place_log_probability(rows_of(*song()), packaged_weights())).sum(axis=1) == pytest.approx(1.0)


def test_a_damaged_weights_file_is_one_line(tmp_path, monkeypatch):
    broken = tmp_path / "reader-1.npz"
    broken.write_bytes(b"PK nothing")
    monkeypatch.setattr(reader, "WEIGHTS", broken)
    packaged_weights.cache_clear()
    try:
        with pytest.raises(FormatError, match="install pulsefind again"):
            packaged_weights()
    finally:
        packaged_weights.cache_clear()
