"""The listening test without ears: correlations in closed form, and which stem a guide belongs to."""

from dataclasses import replace
from math import sqrt

import numpy as np
import pytest
from making import at_places, bars_of, beats_of, hits_at, pulse

from eval.sets.bands import made_songs, onsets
from eval.sets.heard import belongs_to, likeness
from eval.train.rendering import STEMS
from pulsefind.core.records import Grid, GridSection, GuideHits, Sound
from pulsefind.guides.finding import find_guides


def test_likeness_is_the_cosine_between_a_sound_and_a_stem_and_between_it_and_all_others():
    t = np.arange(2000) / 2000
    low, mid, high = (np.sin(2 * np.pi * k * t) for k in (5, 50, 500))
    stems = np.stack([low, 2 * mid, high])
    # Sines of whole periods are orthogonal: the sums below are by Pythagoras.
    assert likeness(3 * low + mid, stems, 0) == pytest.approx((3 / sqrt(10), 2 / sqrt(10 * 5)))
    assert likeness(high, stems, 2) == pytest.approx((1, 0), abs=1e-9)
    # What is lifted out may be longer or shorter by the rounding of rates.
    assert likeness(np.r_[high, 1.0], stems, 2) == pytest.approx((1, 0), abs=1e-9)
    assert likeness(np.zeros(2000), stems, 1) == (0.0, 0.0)


def guide_struck_at(time_s, sound):
    """A guide of that sound, whose hits lie at those times."""
    a_pulse = pulse(64)
    bars = bars_of(a_pulse)
    hits = hits_at(at_places(a_pulse, [1, 3]), sounds=(sound,))
    (guide,) = find_guides(hits, beats_of(a_pulse), bars, Grid((GridSection(0, len(bars.beats) - 1, 2, 1.0),)))
    n = len(time_s)
    return replace(guide, hits=GuideHits(time_s, np.zeros(n, np.int64), ("",) * n, np.ones(n, np.bool_)))


def test_a_name_settles_the_stem_and_onsets_where_it_leaves_it_open():
    drum, bass = Sound(8000.0, 50.0, 0.3, "hi-hat"), Sound(80.0, 200.0, 0.1, instrument="bass")
    unknown, plucked = Sound(900.0, 60.0, 0.3), Sound(900.0, 60.0, 0.3, instrument="guitar or keys")
    seen = set()
    for _, song, stems in made_songs("bands_drumless", 3):
        assert stems.shape[0] == len(STEMS)
        assert np.abs(stems.sum(axis=0)).max() == pytest.approx(0.5)
        for name, time_s in onsets(song).items():
            role = name.split("_", maxsplit=1)[0]
            seen.add(role)
            assert STEMS[belongs_to(guide_struck_at(time_s, unknown), song)] == role
            assert STEMS[belongs_to(guide_struck_at(time_s, plucked), song)] == role
            assert STEMS[belongs_to(guide_struck_at(time_s, drum), song)] == "drums"
            assert STEMS[belongs_to(guide_struck_at(time_s, bass), song)] == "bass"
    assert len(seen) > 1
