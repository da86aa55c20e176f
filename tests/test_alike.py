"""Parts that sound alike get one letter: made songs whose form is known."""

import numpy as np
import pytest
from making import bars_of, pulse

from pulsefind.core.records import Harmony
from pulsefind.song.alike import alike_parts

FRAMES_HZ = 20.0
CHORDS = {"a": [0, 5, 7, 0], "b": [9, 2, 4, 9], "c": [3, 10, 8, 1]}


def sung(form, noise=0.3, seed=1):
    """Bars of 2 s with a chord each, four a letter: roots in the bass, triads above, and noise on all of it."""
    rng = np.random.default_rng(seed)
    rows = []
    for part in form:
        for root in CHORDS[part]:
            row = np.zeros(24)
            row[root] = 1.0
            row[12 + (root + np.array([0, 4, 7])) % 12] = 1.0
            rows.append(np.tile(row, (int(2 * FRAMES_HZ), 1)))
    values = np.concatenate(rows)
    return Harmony(np.abs(values + noise * rng.standard_normal(values.shape)), FRAMES_HZ)


def parts(form, **how):
    beats = pulse(16 * len(form), bpm=120, start_s=0.0)
    return [(part.name, part.first_bar, part.last_bar) for part in alike_parts(bars_of(beats), sung(form, **how))]


@pytest.mark.parametrize("seed", range(5))
def test_a_form_is_found_again(seed):
    assert parts("aabacab", seed=seed) == [
        ("A", 1, 8),
        ("B", 9, 12),
        ("A", 13, 16),
        ("C", 17, 20),
        ("A", 21, 24),
        ("B", 25, 28),
    ]


def test_what_never_comes_back_has_letters_of_its_own():
    assert [name for name, _, _ in parts("abc")] == ["A", "B", "C"]


def test_too_little_gives_none():
    assert parts("a") == []
    assert alike_parts(bars_of(pulse(32)), Harmony(np.zeros((0, 24)), FRAMES_HZ)) == ()
