"""The follow plan of a rendered song whose four sections are known."""

import itertools

import numpy as np
import pytest
from making import RATE_HZ, at_places, beats_of, drum, noise_burst, pulse, render

from pulsefind.analysis import analyse
from pulsefind.listen.audio import from_samples

SECTIONS = (
    # bars, places of the tick (around 8 kHz), places of the knock (around 700 Hz); the third section is a break.
    (12, (0.5, 1.5, 2.5, 3.5), ()),
    (12, (), (0.0, 1.5, 3.0)),
    (4, (), ()),
    (12, (1.0, 3.0), (0.0, 1.5, 3.0)),
)


@pytest.fixture(scope="module")
def song():
    """The analysis on the true beats; the bars of each section."""
    n_bars = sum(bars for bars, _, _ in SECTIONS)
    beat = pulse(4 * n_bars + 1, bpm=112.0)
    rng = np.random.default_rng(3)
    ticks, knocks, first, spans = [], [], 0, []
    for bars, tick, knock in SECTIONS:
        span = range(first, first + bars)
        spans.append(span)
        ticks += at_places(beat, tick, span).tolist()
        knocks += at_places(beat, knock, span).tolist()
        first += bars
    length_s = beat.time_s[-1] + 1.0
    loose = 0.003
    sound = render(
        length_s,
        (np.array(ticks) + rng.normal(0, loose, len(ticks)), noise_burst(rng, 6000, 10000, 0.06, 0.012), 0.2),
        (np.array(knocks) + rng.normal(0, loose, len(knocks)), drum(700.0, decay_s=0.03), 0.3),
    )
    t = np.arange(len(sound)) / RATE_HZ
    sound += 0.1 * sum(np.sin(2 * np.pi * hz * t) for hz in (110.0, 138.6, 164.8))
    assert len(beats_of(beat).time_s) == 4 * n_bars + 1
    return analyse(from_samples(sound.astype(np.float32), RATE_HZ), beats_from=beat), spans


def places_of(guide):
    return tuple(place.position_beats for place in guide.places)


def test_the_right_guide_in_nearly_every_bar_and_alone_to_the_bar(song):
    analysis, spans = song
    right = total = 0
    for span, (_, tick, knock) in zip(spans, SECTIONS, strict=True):
        for bar in span:
            guide = analysis.plan[bar]
            true = [places for places in (tick, knock) if places]
            said = places_of(analysis.guides[guide]) if guide is not None else None
            right += said in true if true else said is None
            total += 1
    assert right >= 0.95 * total
    assert [(s.first_bar, s.last_bar) for s in analysis.alone if s.last_bar < spans[-1].stop] == [
        (spans[2].start, spans[2].stop - 1)
    ]


def test_no_more_changes_than_the_song_asks_for(song):
    analysis, spans = song
    plan = analysis.plan[: spans[-1].stop]
    assert sum(a != b for a, b in itertools.pairwise(plan)) == 3
