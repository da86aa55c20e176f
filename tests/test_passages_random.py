"""Whatever is told about single bars, and whether or not it makes sense: bars that fit each other, or one line."""

from typing import Any

import numpy as np
import pytest
from made_activations import NO_HARMONY, heard, song

from pulsefind.beats.bars import lay_bars, tempo_of
from pulsefind.beats.passages import read
from pulsefind.beats.told import exact_times, pinned
from pulsefind.core.corrections import Corrections, One
from pulsefind.core.errors import PulsefindError
from pulsefind.core.obeyed import obeyed
from pulsefind.core.records import Beats, Settings
from pulsefind.song.notation import parse_passage, parse_tempo

SOUND = heard(song((4, 8, 120), (3, 4, 120), (4, 8, 100)))
LENGTH_S = len(SOUND.values) / SOUND.frame_rate_hz
FORMS = ("4/4", "2/4", "3/8", "5/8", "3+3+2/8", "12/8", "1/16", "7/16", "64/2", "9/8", "4/4 held on 2")


def anything(rng):
    """Corrections as nobody would write them: 1s anywhere, passages of any meters, taps that limp."""
    known: dict[str, Any] = {}
    if rng.random() < 0.6:
        times = np.unique(np.round(rng.uniform(0, LENGTH_S, rng.integers(1, 4)), 2))
        known["ones"] = tuple(One(float(time_s), bool(rng.random() < 0.5)) for time_s in times)
    if rng.random() < 0.6:
        known["passages"] = tuple(passages(rng))
    if rng.random() < 0.3:
        known["tempi"] = (parse_tempo(f"bar {rng.integers(1, 20)}: {rng.integers(30, 380)}"),)
    if rng.random() < 0.4:
        tap_s = np.cumsum(rng.choice([0.25, 0.5, 0.5, 0.5, 0.51, 3.0], int(rng.integers(8, 40)))) + rng.uniform(0, 10)
        known["taps_s"] = tuple(np.round(tap_s[tap_s < LENGTH_S], 3).tolist())
        known["taps_count"] = tuple(k % 4 + 1 for k in range(len(known["taps_s"]))) if rng.random() < 0.5 else ()
        known["taps_by_ear"] = bool(rng.random() < 0.3)
    return Corrections(**known)


def passages(rng):
    bar = 1
    for _ in range(int(rng.integers(1, 4))):
        first = bar + int(rng.integers(0, 8))
        bar = first + int(rng.integers(1, 7))
        held = f"4/4 held on 4 until 0:{rng.uniform(0, LENGTH_S):06.3f}"
        forms = " ".join(str(rng.choice([*FORMS, held])) for _ in range(int(rng.integers(1, 4))))
        at = f" at 0:{rng.uniform(0, LENGTH_S):06.3f}" if rng.random() < 0.2 else ""
        yield parse_passage(f"bars {first}-{bar - 1}{at}: {forms}")


@pytest.mark.parametrize("seed", range(24))
def test_any_corrections_give_bars_that_fit_or_one_line(seed):
    known = anything(np.random.default_rng([seed, 20261127]))
    try:
        settings = obeyed(Settings(corrections=known), LENGTH_S)
        pulse = read(SOUND, NO_HARMONY, settings)
        n = len(pulse.time_s)
        beats = pinned(Beats(np.maximum(pulse.time_s, 0.0), np.ones(n), np.zeros(n, bool)), exact_times(settings))
    except PulsefindError as error:
        assert len(str(error).splitlines()) == 1
        return
    bars = lay_bars(pulse, beats)
    tempo_of(beats, bars)
    assert (bars.beats >= 1).all() and (bars.beats <= bars.beats_per_bar).all()
    within = np.arange(n) - np.repeat(bars.first_beat, bars.beats)
    assert np.array_equal(bars.count, np.repeat(bars.count[bars.first_beat], bars.beats) + within)
    edges = [-1] + [section.last_bar for section in pulse.sections]
    assert [section.first_bar for section in pulse.sections] == [last + 1 for last in edges[:-1]]
    assert edges[-1] < len(bars.beats)
    told_s = [one.time_s for one in known.ones if one.exact] if not known.passages and not known.taps_s else []
    assert all(np.abs(bars.start_s - time_s).min() < 1e-9 for time_s in told_s[1:])
