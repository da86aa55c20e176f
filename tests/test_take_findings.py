"""Faults with a shape in time, limbs against each other, and how they are told."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import t as student_t

from eval.take.faults import faulty, named
from eval.take.simulation import Player, make_track, simulate_take
from pulsefind.take import findings
from pulsefind.take import measures as take_measures
from pulsefind.take.corrections import Course
from pulsefind.take.findings import find_faults
from pulsefind.take.limbs import drums_apart, fading_kind, uneven_limb
from pulsefind.take.records import Advice, Finding, Gains, Played, Practice
from pulsefind.take.review import review_take
from pulsefind.take.verdict import MOST_TO_PRACTISE, fixed_within, verdict
from pulsefind.take.wander import Wander, fit_wander, log_likelihood, log_ratios, whitened

NONE = np.zeros(0, np.int64)


def _wandering(rng, n=320, decay_s=0.6, spread_ms=8.0, motor_ms=2.0):
    step = np.exp(-0.25 / decay_s)
    value, row = 0.0, []
    for noise in rng.normal(size=n):
        value = step * value + np.sqrt(1 - step**2) * spread_ms * noise
        row.append(value)
    return np.array(row) + rng.normal(0, motor_ms, n)


def _course(offset_ms, track):
    nominal = np.sort(np.r_[track.beats.time_s, track.beats.time_s + 0.25])[: len(offset_ms)]
    bar = np.arange(len(nominal)) // 8
    return Course(nominal, np.asarray(offset_ms), bar, tuple("11&22&33&44&"[:1] for _ in nominal))


def test_innovations_are_those_of_the_covariance_matrix():
    # The slow version: Cholesky of the full covariance, exp(-|dt| / decay) plus white noise, at uneven times.
    rng = np.random.default_rng(0)
    time_s = np.cumsum(rng.uniform(0.1, 0.9, 40))
    values = rng.normal(size=(40, 3))
    covariance = np.exp(-np.abs(time_s[:, None] - time_s) / 0.6) + 0.3 * np.eye(40)
    slow = np.linalg.solve(np.linalg.cholesky(covariance), values) / 5.0
    assert whitened(Wander(0.6, 0.3, 5.0), time_s, values) == pytest.approx(slow, abs=1e-9)


def test_the_wandering_of_a_player_is_found_again():
    rng = np.random.default_rng(1)
    offset_ms = _wandering(rng, 2000)
    found = fit_wander(0.25 * np.arange(2000), offset_ms)
    # 2 of 8 ms as powers.
    assert found.decay_s == 0.6 and found.motor_share in (0.02, 0.1)
    assert found.spread_ms == pytest.approx(8.0, rel=0.1)


def test_log_ratios_are_differences_of_the_log_likelihoods_of_two_courses():
    # The slow version: the whole course again without the shape, at every size, by the full covariance matrix and
    # scipy's Student t (its constant falls out of the difference). What hardly shows in a note is left out: a tenth.
    rng = np.random.default_rng(4)
    wander, time_s = Wander(0.6, 0.3, 9.0), np.cumsum(rng.uniform(0.1, 0.4, 60))
    shapes = np.stack([np.exp(-np.maximum(time_s - begin, 0) / 0.5) * (time_s >= begin) for begin in (3.0, 6.0)], 1)
    course = rng.normal(0, 9, 60) + 70 * shapes[:, 0]
    covariance = np.exp(-np.abs(time_s[:, None] - time_s) / 0.6) + 0.3 * np.eye(60)
    root = np.linalg.cholesky(covariance)

    def slow(values):
        return float(student_t(10).logpdf(np.linalg.solve(root, values) / 9.0).sum())

    found = log_ratios(wander, time_s, course, shapes, np.array([40.0, 80.0]))
    assert found[0] == pytest.approx([slow(course - a * shapes[:, 0]) - slow(course) for a in (40, 80)], abs=0.1)
    without = log_likelihood(wander, time_s, course - 40 * shapes[:, 0]) - log_likelihood(wander, time_s, course)
    assert without == pytest.approx(float(found[0, 0]), abs=0.1)


def test_what_speaks_for_a_fault_about_one_place_is_added_up_against_all_else_there():
    # Two slips in bars 3 to 5 and a creep there; another slip in bar 30 is another matter.
    kinds = ("slip", "slip", "creep", "slip")
    shapes = findings._Shapes(np.zeros((5, 4)), kinds, np.array([3, 4, 3, 30]), np.array([4, 5, 6, 30]))
    log_odds = np.array([[1.0, 0.0], [1.2, -1.0], [0.5, 0.2], [0.3, -9.0]])
    found = findings._fault(shapes, log_odds, np.array([40.0, -40.0]))
    slips, creep = np.exp([1.0, 0.0, 1.2, -1.0]).sum(), np.exp([0.5, 0.2]).sum()
    assert found.kind == "slip" and found.shape == 0 and (found.first_bar, found.last_bar) == (3, 4)
    assert found.log_odds == pytest.approx(np.log(slips) - np.log(1 + creep))
    assert found.any_log_odds == pytest.approx(np.log(slips + creep))
    # The expected size of the likeliest shape, by hand.
    assert found.size_ms == pytest.approx(40 * (np.e - 1) / (np.e + 1))


def test_a_single_note_far_out_is_no_fault_but_a_slip_that_decays_is():
    track = make_track(120.0, 40)
    named = []
    for seed in range(4):
        offset_ms = _wandering(np.random.default_rng(seed))
        misread, slipped = offset_ms.copy(), offset_ms.copy()
        misread[120] += 110
        slipped[120:] += 80 * np.exp(-np.arange(200) / 6)
        named.append([len(find_faults(_course(y, track), track, NONE, NONE)) for y in (misread, slipped)])
    assert np.sum(named, axis=0)[0] <= 1 and np.sum(named, axis=0)[1] >= 3


@pytest.mark.parametrize("size_ms", [60.0, -60.0])
def test_creeping_is_found_with_its_bars_and_size_and_nothing_is_found_without(size_ms):
    track = make_track(120.0, 40)
    quiet = clear = 0
    for seed in range(6):
        rng = np.random.default_rng(seed)
        offset_ms = _wandering(rng)
        at = np.arange(320) / 8
        creep = size_ms * np.clip((at - 12) / 6, 0, 1) * np.clip(19 - at, 0, 1)
        quiet += not find_faults(_course(offset_ms, track), track, NONE, NONE)
        found = find_faults(_course(offset_ms + creep, track), track, NONE, NONE)
        if len(found) == 1 and found[0].kind == "creep":
            clear += abs(found[0].first_bar - 12) <= 3 and abs(found[0].size_ms / size_ms - 1) < 0.4
    assert clear >= 5 and quiet >= 5


def test_a_player_who_follows_a_track_that_changes_its_tempo_is_not_blamed(monkeypatch):
    monkeypatch.setattr(take_measures, "gains_of", lambda *_: None)
    blamed = 0
    for seed in range(6):
        track = make_track(110.0, 40, wander_percent=3.0, seed=seed)
        take = simulate_take(track, Player(phase_gain=0.4), np.random.default_rng(seed))
        blamed += bool(
            review_take(track, take.hits, Path("take.mid"), Path("song.wav"), starts_at_s=0.0).advice.findings
        )
    assert blamed <= 1


@pytest.mark.parametrize(
    ("kind", "least"), [("creep", 4), ("slip", 2), ("late return", 3), ("rushed fill", 4), ("uneven", 4)]
)
def test_large_faults_of_simulated_players_are_named(kind, least, monkeypatch):
    # How players steer takes long to estimate and says nothing here.
    monkeypatch.setattr(take_measures, "gains_of", lambda *_: None)
    # Of five takes with faults of 40 ms and more. Slips that are taken back within half a bar drown in loose playing.
    takes = [take for seed in range(40) if (take := faulty(kind, 500_000 + seed, True)).size_ms >= 40][:5]
    assert sum(named(take)[0] for take in takes) >= least


def _played(own_ms, level=None):
    """Kick and hat on 1 and 3, snare and hat on 2 and 4, by 40 bars; own_ms: spread of each by itself."""
    rng = np.random.default_rng(2)
    rows = []
    for beat in range(160):
        whole = rng.normal(0, 10)
        for kind in ("hat", "snare" if beat % 2 else "kick"):
            rows.append((beat * 0.5, whole + rng.normal(*own_ms[kind]), beat, kind))
    nominal, offset = (np.array([row[k] for row in rows]) for k in (0, 1))
    index = np.array([row[2] for row in rows])
    order = np.argsort(nominal + offset / 1000, kind="stable")
    played = Played(
        (nominal + offset / 1000)[order],
        nominal[order],
        offset[order],
        (index // 4)[order],
        (index % 4).astype(float)[order],
        tuple(str(1 + index[k] % 4) for k in order),
        tuple(rows[k][3] for k in order),
        np.full(len(rows), 90.0) if level is None else level(nominal)[order],
        np.zeros(len(rows), bool),
    )
    return played, np.zeros(len(rows))


EVEN = {"hat": (0, 4), "kick": (0, 4), "snare": (0, 4)}


@pytest.mark.parametrize("kind", ["kick", "snare", "hat"])
def test_the_uneven_limb_is_told_from_the_even_ones(kind):
    found = uneven_limb(*_played({**EVEN, kind: (0, 20)}))
    assert found is not None and found.kind == kind
    assert found.spread_ms == pytest.approx(20.0, rel=0.3)
    assert uneven_limb(*_played(EVEN)) is None


def test_drums_that_lie_apart_are_heard_from_19_ms_on():
    found = drums_apart(_played({**EVEN, "kick": (-26, 4)})[0])
    assert found is not None and (found.first, found.second) == ("kick", "hat")
    assert found.ahead_ms == pytest.approx(26.0, abs=2.0)
    assert drums_apart(_played({**EVEN, "kick": (-12, 4)})[0]) is None


def test_strokes_that_grow_softer_are_told_and_even_ones_are_not():
    fading = _played(EVEN, lambda t: 100.0 - 30.0 * t / t.max())[0]
    found = fading_kind(fading, "velocity")
    assert found is not None and found[1] == pytest.approx(30.0, abs=2.0)
    assert fading_kind(_played(EVEN)[0], "velocity") is None


@pytest.mark.parametrize(
    ("gain", "interval", "words"),
    [
        # A quarter is left after log(0.25) / log(1 - gain) notes: 2, 4.8, 4.8 and 27.
        (0.5, 0.5, "within a beat"),
        (0.25, 0.5, "within two beats"),
        (0.3, 1.0, "within a bar"),
        (0.05, 0.5, "over more than a bar"),
    ],
)
def test_how_soon_slips_are_fixed(gain, interval, words):
    gains = Gains("hat", interval, 100, 1, gain, 0.1, 0.0, None, None, None, 5.0, 2.0)
    assert fixed_within(gains) == words


def test_words_come_first_at_most_three_things_and_tables_only_on_request():
    track = make_track(120.0, 24)
    take = simulate_take(track, Player(), np.random.default_rng(5))
    review = review_take(track, take.hits, Path("take.mid"), Path("song.wav"), starts_at_s=0.0)
    finding = Finding("creep", 3, 8, -40.0, "hold the tempo", "in bars 3-8 you crept 40 ms ahead", "pulsefind click x")
    many = replace(review, advice=Advice(Practice("a", "b", "pulsefind click y"), (finding,) * 5))
    text = verdict(many)
    assert text.count("pulsefind click") == MOST_TO_PRACTISE and "4. " not in text
    assert "Places" not in text and "--details" in text
    assert max(map(len, text.splitlines())) <= 80
    details = verdict(many, details=True)
    assert "Places" in details and details.index("Practise") < details.index("Places")


def test_a_long_take_is_looked_at_in_parts_that_hold_every_fault_in_bounded_memory(monkeypatch):
    track = make_track(120.0, 200)
    rng = np.random.default_rng(3)
    offset_ms = _wandering(rng, 1600)
    planted = {20: 80.0, 59: 80.0, 150: -80.0}  # the second lies where two parts meet
    for bar, size_ms in planted.items():
        offset_ms[8 * bar :] += size_ms * np.exp(-np.arange(1600 - 8 * bar) / 5.0)
    sizes = []
    shapes = findings._shapes

    def counted(*arguments):
        made = shapes(*arguments)
        sizes.append(made.values.size)
        return made

    monkeypatch.setattr(findings, "_shapes", counted)
    found = find_faults(_course(offset_ms, track), track, NONE, NONE)
    # Each where it was planted, once.
    assert sorted(fault.first_bar for fault in found if abs(fault.size_ms) > 40) == sorted(planted)
    # All of it side by side would be 1600 notes by 8 creeps a bar and 5 slips a note; 64 bars are a tenth of that.
    assert max(sizes) <= 0.12 * 1600 * (8 * 200 + 5 * 1600)
