"""Times that were told are there to the millisecond, through the whole pipeline, on a made song of exact truth."""

from dataclasses import replace

import numpy as np
import pytest
from making import RATE_HZ, drum, noise_burst, render

from pulsefind.analysis import analyse
from pulsefind.beats.told import pinned
from pulsefind.core.corrections import Corrections, One, Section
from pulsefind.core.errors import HintError
from pulsefind.core.obeyed import obeyed
from pulsefind.core.records import Beats, Settings
from pulsefind.listen.audio import from_samples
from pulsefind.saved import from_json, to_json
from pulsefind.song.notation import parse_passage

BEAT_S, START_S, N_BEATS = 0.6, 1.213, 64
TRUE_S = START_S + BEAT_S * np.arange(N_BEATS)
OWN = Settings(network="own")


@pytest.fixture(scope="module")
def sound():
    rng = np.random.default_rng(3)
    hat = noise_burst(rng, 6000, 14000, 0.08, 0.02)
    snare = noise_burst(rng, 300, 5000, 0.2, 0.06)
    halves = np.arange(START_S, TRUE_S[-1] + BEAT_S, BEAT_S / 2)
    low = drum(60)
    parts = ((halves, hat, 0.15), (TRUE_S[1::2], snare, 0.5), (TRUE_S[::4], low, 0.9), (TRUE_S[2::4], low, 0.7))
    return from_samples(render(TRUE_S[-1] + 2.0, *parts), RATE_HZ)


@pytest.fixture(scope="module")
def plain(sound):
    return analyse(sound, OWN)


def told(sound, **known):
    return analyse(sound, replace(OWN, corrections=Corrections(**known)))


def meters(analysis):
    return [analysis.meter(bar) for bar in range(len(analysis.bars.beats))]


def away(time_s, from_s):
    return np.abs(np.asarray(time_s)[:, None] - np.atleast_1d(from_s)[None, :]).min(axis=0)


def test_the_song_is_heard_right_without_help(plain):
    assert away(plain.beats.time_s, TRUE_S).max() < 0.01


@pytest.mark.parametrize("off_s", [-0.04, -0.017, 0.023, 0.04, 0.055])
def test_an_exact_1_is_there_to_the_millisecond_and_nothing_else_moves(sound, plain, off_s):
    at_s = round(float(TRUE_S[16] + off_s), 3)
    found = told(sound, ones=(One(at_s, True),))
    assert away(found.bars.start_s, at_s) < 1e-9
    changed = found.beats.time_s != plain.beats.time_s
    assert changed.sum() == 1 and found.beats.time_s[changed][0] == at_s
    assert any("than the sound has it" in warning for warning in found.warnings) == (abs(off_s) > 0.02)


def test_a_1_by_ear_is_the_beat_that_is_meant(sound, plain):
    found = told(sound, ones=(One(round(float(TRUE_S[16] + 0.06), 2), False),))
    assert np.array_equal(found.beats.time_s, plain.beats.time_s)


@pytest.mark.parametrize("beat", [17, 18, 19])
def test_an_exact_1_on_another_beat_moves_the_count_and_no_beat(sound, plain, beat):
    at_s = round(float(plain.beats.time_s[np.argmin(np.abs(plain.beats.time_s - TRUE_S[beat]))]), 3)
    found = told(sound, ones=(One(at_s, True),))
    assert away(found.bars.start_s, TRUE_S[beat::4]).max() < 0.01
    assert np.abs(found.beats.time_s - plain.beats.time_s).max() < 0.001


def test_an_exact_1_far_from_every_beat_takes_all_beats_along(sound):
    at_s = round(float(TRUE_S[16]) + 0.22, 3)
    found = told(sound, ones=(One(at_s, True),))
    assert away(found.bars.start_s, at_s) < 1e-9
    inner = found.beats.time_s[4:-4]
    assert np.abs((inner - at_s) / BEAT_S - np.round((inner - at_s) / BEAT_S)).max() < 0.09


@pytest.mark.parametrize("late_s", [0.0, 0.014, 0.06, -0.04])
@pytest.mark.parametrize("counted", [False, True])
def test_taps_keep_their_place(sound, plain, late_s, counted):
    rng = np.random.default_rng(5)
    tapped = np.arange(16, 48)
    tap_s = np.round(TRUE_S[tapped] + late_s + rng.normal(0, 0.01, len(tapped)), 3)
    counts = tuple(int(k) % 4 + 1 for k in tapped) if counted else ()
    found = told(sound, taps_s=tuple(tap_s), taps_count=counts)
    assert away(found.beats.time_s, tap_s).max() < 1e-9
    time_s = found.beats.time_s[found.beats.time_s < TRUE_S[-1] + 0.1]
    outside = (time_s < TRUE_S[15]) | (time_s > TRUE_S[49])
    assert away(TRUE_S, time_s[outside]).max() < 0.02
    assert any("they were kept" in warning for warning in found.warnings) == (abs(late_s) > 0.025)


def test_a_lag_is_taken_out_where_the_person_agrees(sound):
    tap_s = np.round(TRUE_S[16:48] + 0.06, 3)
    found = told(sound, taps_s=tuple(tap_s), taps_by_ear=True)
    assert away(found.beats.time_s, TRUE_S[16:48]).max() < 0.02
    assert any("that was taken out" in warning for warning in found.warnings)


def test_taps_between_what_is_heard_are_beats_too(sound):
    # Three in the time of two: nothing that the sound has, and obeyed all the same.
    tap_s = np.round(TRUE_S[16] + 0.4 * np.arange(24), 3)
    found = told(sound, taps_s=tuple(tap_s), taps_count=tuple(k % 3 + 1 for k in range(24)))
    inside = (found.beats.time_s >= tap_s[0] - 0.01) & (found.beats.time_s <= tap_s[-1] + 0.01)
    assert np.array_equal(found.beats.time_s[inside], tap_s)
    assert found.bars.count[inside].tolist() == [k % 3 + 1 for k in range(24)]


@pytest.mark.parametrize("nudge_ms", [12.0, -38.0])
def test_a_nudge_moves_beats_bars_guides_and_stretches_alike(sound, plain, nudge_ms):
    found, by_s = told(sound, nudge_ms=nudge_ms), nudge_ms / 1000
    assert np.allclose(found.beats.time_s, plain.beats.time_s + by_s, atol=1e-9)
    assert np.allclose(found.bars.start_s, plain.bars.start_s + by_s, atol=1e-9)
    assert len(found.guides) == len(plain.guides) > 0
    for moved, guide in zip(found.guides, plain.guides, strict=True):
        assert np.allclose(moved.hits.time_s, guide.hits.time_s + by_s, atol=1e-9)
        assert moved.places == guide.places
        assert moved.coverage[0].start_s == pytest.approx(guide.coverage[0].start_s + by_s)


def test_a_nudge_to_before_the_recording_is_refused(plain):
    early = replace(plain, beats=replace(plain.beats, time_s=plain.beats.time_s - plain.beats.time_s[0] + 0.001))
    from pulsefind.core.obeyed import nudged

    assert nudged(early, -50.0).beats.time_s[0] == 0.0
    with pytest.raises(HintError, match="before the recording"):
        nudged(early, -700.0)


def test_a_passage_of_the_whole_pipeline(sound, plain):
    # The sound is 4/4; told otherwise it is counted otherwise there, and as before elsewhere.
    found = told(sound, passages=(parse_passage("bars 5-8: 3+3+2/8"),))
    first = int(np.flatnonzero(found.bars.number == 5)[0])
    assert [found.meter(first + k) for k in range(-1, 5)] == ["4/4", *["3+3+2/8"] * 4, "4/4"]
    assert away(found.bars.start_s, plain.bars.start_s).max() < 0.02
    before = plain.beats.time_s < plain.bars.start_s[first] - 0.1
    assert np.array_equal(found.beats.time_s[: before.sum()], plain.beats.time_s[before])
    assert found.tempo.bpm == pytest.approx(plain.tempo.bpm, abs=0.2)
    assert np.abs(found.tempo.bar_bpm - plain.tempo.bpm).max() < 3


def test_what_was_told_is_saved_and_read_back(sound):
    known = Corrections(
        title="Paper Harbour",
        nudge_ms=2.0,
        ones=(One(round(float(TRUE_S[16]), 3), True),),
        passages=(parse_passage("bars 5-8: 2/4 3/8 3/8 4/8"),),
        sections=(Section("verse", 3, 6),),
    )
    found = analyse(sound, replace(OWN, corrections=known))
    back = from_json(to_json(found))
    assert back.settings.corrections == known
    assert meters(back) == meters(found)


def test_what_is_named_for_one_run_goes_before_the_file():
    known = Corrections(ones=(One(3.0, True), One(9.0, False)), bpm_low=80, bpm_high=100, meter=(3, 4), nudge_ms=5.0)
    held = obeyed(Settings(corrections=known), 60.0)
    assert (held.one_at_s, held.one_exact, held.corrections.ones) == (3.0, True, (One(9.0, False),))
    assert (held.bpm_low, held.meter, held.nudge_ms, held.beats_per_bar) == (80, (3, 4), 5.0, 3)
    held = obeyed(Settings(corrections=known, one_at_s=4.0, bpm_low=50.0, bpm_high=60.0, nudge_ms=0.0), 60.0)
    assert (held.one_at_s, held.one_exact, held.corrections.ones) == (4.0, False, ())
    assert (held.bpm_low, held.nudge_ms) == (50, 0)
    assert obeyed(Settings(corrections=known, start_s=5.0), 60.0).one_at_s == 9.0
    with pytest.raises(HintError, match=r"names 9\.00 s, but the recording ends at 8\.00 s"):
        obeyed(Settings(corrections=known), 8.0)


def test_times_that_leave_no_room_are_refused():
    beats = Beats(np.arange(8) * 0.1, np.ones(8), np.zeros(8, bool))
    with pytest.raises(HintError, match="leave no room"):
        pinned(beats, np.array([0.24, 0.26]))
    assert np.array_equal(pinned(beats, np.array([5.0])).time_s, beats.time_s)
