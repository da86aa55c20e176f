import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from eval.take.groove import audio_difference, click_track, groove_difference, groove_folder, performances
from eval.take.kit_sound import RATE_HZ, render
from eval.take.simulated import corrected_share, simulated_pair
from eval.take.simulation import Player, make_track, simulate_take
from pulsefind.listen.audio import from_samples
from pulsefind.take.measures import noticeable
from pulsefind.take.midi import read_midi_take
from pulsefind.take.records import TakeError, TakeHits
from pulsefind.take.review import review_take
from pulsefind.take.strokes import find_strokes
from pulsefind.take.to_json import review_to_json
from pulsefind.take.verdict import verdict

HERE, SONG = Path("take.mid"), Path("my song.wav")
no_data = pytest.mark.skipif(
    groove_folder() is None, reason="no folder groove_midi in PULSEFIND_DATA or ../shared/data"
)


@pytest.fixture(scope="module")
def simulated():
    return [simulated_pair(seed, known_start=True) for seed in range(6)]


def test_offsets_and_spread_of_simulated_takes_are_the_true_ones(simulated):
    for _, _, take, _, review in simulated:
        # The clock is fitted to a player who wanders; what that leaves open moves the mean by some ms.
        assert review.timing.whole.offset_ms == pytest.approx(take.offset_ms.mean(), abs=12)
        assert review.timing.whole.spread_ms == pytest.approx(take.offset_ms.std(), abs=4)
        kick = np.array(take.kind) == "kick"
        apart = review.timing.kinds["kick"].offset_ms - review.timing.kinds["hat"].offset_ms
        true = take.offset_ms[kick].mean() - take.offset_ms[np.array(take.kind) == "hat"].mean()
        assert apart == pytest.approx(true, abs=1.0)


def test_missed_and_extra_notes_of_simulated_takes_are_counted(simulated):
    for _, _, take, _, review in simulated:
        assert abs(len(review.strokes.missed) - take.n_missed) <= 4
        assert abs(sum(s.reason == "extra" for s in review.strokes.strays) - take.n_extra) <= 3


def test_swing_drift_and_clock_of_simulated_takes_are_near_the_truth(simulated):
    for track, player, take, _, review in simulated:
        assert review.movement.swing[0].player_ratio == pytest.approx(player.swing_ratio, abs=0.12)
        assert abs(review.alignment.clock_ppm - take.clock_ppm) < 150
        for drift, stretch in zip(review.movement.drifts, track.alone, strict=True):
            member = (take.bar >= stretch.first_bar) & (take.bar <= stretch.last_bar)
            bar_s = (stretch.end_s - stretch.start_s) / 4
            slope = np.polyfit(take.nominal_s[member] / bar_s, take.offset_ms[member], 1)[0]
            assert drift.ms_per_bar == pytest.approx(slope, abs=3)


def test_gains_of_simulated_takes_lie_within_their_errors(simulated):
    for _, player, _, _, review in simulated:
        gains = review.movement.gains
        assert gains is not None and gains.interval_beats == 0.5
        assert abs(gains.phase_gain - player.phase_gain) < 4 * gains.phase_error


@pytest.mark.parametrize("size_ms", [80.0, 200.0])
def test_even_and_jumped_corrections_are_told_apart(size_ms):
    for seed in range(16):
        kind = "even" if seed % 2 else "jump"
        share = corrected_share(seed, kind, size_ms)
        assert share is not None and (share >= 0.5) == (kind == "even")


def test_a_perfectly_even_correction_has_share_one_and_the_ratio_that_was_played():
    track = make_track(100, 24, alone=((10, 13),))
    player = Player(motor_ms=0.0, white_noise=True, drift_ms_per_bar=60.0, correction="even")
    review = review_take(
        track, simulate_take(track, player, np.random.default_rng(0)).hits, HERE, SONG, starts_at_s=0.0
    )
    correction = review.movement.corrections[0]
    assert correction.spread_share == pytest.approx(1.0, abs=0.01)
    assert correction.bars == 1
    assert correction.size_ms == pytest.approx(-240, abs=6)
    # 240 ms taken out of a bar of 2400 ms: where 10 was, 9 is played.
    assert correction.stretch == pytest.approx(0.9, abs=0.005)
    for note in correction.notes:
        assert note.played_ms == pytest.approx(note.even_ms, abs=6)


def test_one_jump_has_share_zero():
    track = make_track(100, 24, alone=((10, 13),))
    player = Player(motor_ms=0.0, white_noise=True, drift_ms_per_bar=-40.0, correction="jump")
    review = review_take(
        track, simulate_take(track, player, np.random.default_rng(1)).hits, HERE, SONG, starts_at_s=0.0
    )
    assert review.movement.corrections[0].spread_share == pytest.approx(0.0, abs=0.01)
    assert review.advice.practice.command.startswith("pulsefind click 'my song.wav' --")


def test_a_steady_take_has_nothing_to_correct_and_is_sent_on_with_less_help():
    track = make_track(100, 24, alone=((10, 13),))
    player = Player(motor_ms=2.0, white_noise=True)
    review = review_take(
        track, simulate_take(track, player, np.random.default_rng(2)).hits, HERE, SONG, starts_at_s=0.0
    )
    assert review.movement.corrections == ()
    assert "--ladder" in review.advice.practice.command


def test_what_is_noticeable_follows_friberg_and_sundberg():
    track = make_track(100, 12)
    hits = simulate_take(track, Player(), np.random.default_rng(3)).hits
    review = review_take(track, hits, HERE, SONG, starts_at_s=0.0)
    # Eighths at 100 bpm are 300 ms apart: 2.5 % of that. Below 240 ms it is 6 ms.
    assert review.timing.noticeable_ms == pytest.approx(7.5, abs=0.01)
    fast = make_track(140, 12)
    hits = simulate_take(fast, Player(), np.random.default_rng(3)).hits
    assert noticeable(review_take(fast, hits, HERE, SONG, starts_at_s=0.0).strokes.played) == 6.0


def test_report_and_json_hold_numbers_only_and_fit_the_terminal(simulated):
    for _, _, _, _, review in simulated[:3]:
        text = verdict(review, details=True)
        assert max(len(line) for line in text.splitlines()) <= 80
        assert "nan" not in text.lower()
        document = json.loads(review_to_json(review), parse_constant=pytest.fail)
        assert document["whole"]["n"] == review.timing.whole.n
        assert len(document["played"]["offset_ms"]) == review.timing.whole.n
        assert sum(sum(p["histogram"]) for p in document["places"]) == review.timing.whole.n
        assert all(
            {"place", "nominal_ms", "played_ms", "even_ms"} == set(n)
            for c in document["corrections"]
            for n in c["notes"]
        )


def test_no_grade_and_no_promise_is_given(simulated):
    for _, _, _, _, review in simulated:
        text = verdict(review, details=True).lower()
        for word in ("score", "grade", "excellent", "good", "bad", "poor", "will improve", "perfect!"):
            assert word not in text


def hits_at(time_s, kind="snare"):
    n = len(time_s)
    return TakeHits(
        np.array(time_s), (kind,) * n, np.full(n, 90.0), "velocity", float(time_s[-1]) if n else 0.0, "midi"
    )


def test_bad_takes_are_told_in_one_line():
    track = make_track(100, 24)
    with pytest.raises(TakeError, match="no hits"):
        review_take(track, hits_at([]), HERE, SONG)
    with pytest.raises(TakeError, match="at least two bars"):
        review_take(track, hits_at(np.arange(8) * 0.3), HERE, SONG)
    with pytest.raises(TakeError, match="meet the track's bars"):
        review_take(track, hits_at(np.arange(40) * 0.3), HERE, SONG, starts_at_s=500.0)


def test_the_wrong_song_is_an_honest_cannot_tell():
    take = simulate_take(make_track(113, 40), Player(), np.random.default_rng(4))
    review = review_take(make_track(100, 40, wander_percent=0.3), take.hits, HERE, SONG)
    assert review.verdict == "can't tell" and review.timing.whole.n == 0
    assert "can't tell" in verdict(review, details=True)
    json.loads(review_to_json(review))


def test_candidates_are_shown_with_what_to_type():
    take = simulate_take(make_track(100, 64), Player(), np.random.default_rng(5), 10, 40, starts_at_s=20.0)
    review = review_take(make_track(100, 64), take.hits, HERE, SONG)
    text = verdict(review, details=True)
    assert review.verdict == "several starts are possible"
    assert "--starts-at=" in text and "Choose one" in text
    assert max(len(line) for line in text.splitlines()) <= 80


def test_a_take_longer_than_the_track_is_reviewed_where_there_is_a_track():
    long = simulate_take(make_track(100, 48), Player(), np.random.default_rng(6))
    review = review_take(make_track(100, 24), long.hits, HERE, SONG, starts_at_s=0.0)
    outside = [s for s in review.strokes.strays if s.reason == "outside"]
    assert len(outside) > 200
    assert any("after its last" in note for note in review.advice.notes)
    assert review.strokes.played.bar.max() == 23


def test_a_track_without_beat_is_refused():
    from dataclasses import replace

    track = make_track(100, 24)
    empty = replace(make_track(100, 1), guides=(), alone=())
    with pytest.raises(TakeError, match="no steady beat"):
        review_take(empty, hits_at(np.arange(80) * 0.3), HERE, SONG)
    assert review_take(
        replace(track, guides=(), alone=()), hits_at(1 + np.arange(80) * 0.3), HERE, SONG, starts_at_s=0.0
    )


def test_a_recorded_take_is_reviewed_like_its_notes():
    track = make_track(96, 20)
    take = simulate_take(track, Player(), np.random.default_rng(7))
    sound = find_strokes(from_samples(render(take.hits, np.random.default_rng(7)), RATE_HZ))
    by_sound = review_take(track, sound, HERE, SONG, starts_at_s=0.0)
    by_notes = review_take(track, take.hits, HERE, SONG, starts_at_s=0.0)
    assert by_sound.timing.whole.offset_ms == pytest.approx(by_notes.timing.whole.offset_ms, abs=1.0)
    assert by_sound.timing.whole.spread_ms == pytest.approx(by_notes.timing.whole.spread_ms, abs=0.7)
    struck, heard = (set(np.round(r.strokes.played.nominal_s, 6).tolist()) for r in (by_notes, by_sound))
    assert len(struck & heard) / len(struck) >= 0.97


@no_data
def test_human_performances_agree_with_plain_arithmetic():
    differences = []
    for path, bpm, beats, unit in performances(groove_folder(), 10, longest_s=60):
        hits = read_midi_take(path)
        track = click_track(bpm, beats, unit, hits.duration_s)
        differences.append(groove_difference(hits, track, review_take(track, hits, path, SONG, starts_at_s=0.0))[:2])
    # At the edges of what counts as a place the two rules differ; a tenth of the performances may show it.
    assert np.mean(np.abs(differences).max(axis=1) <= 1.0) >= 0.9
    assert np.abs(differences).max() < 3.0


@no_data
def test_human_performances_sound_like_their_notes():
    rows = []
    for index, (path, bpm, beats, unit) in enumerate(performances(groove_folder(), 4, seed=1, longest_s=40)):
        hits = read_midi_take(path)
        rows.append(
            audio_difference(hits, click_track(bpm, beats, unit, hits.duration_s), np.random.default_rng(index))
        )
    assert np.median(np.abs([row[0] for row in rows])) <= 3.0


def eighths(track, skip_bar=None):
    """Hats on eighths, kick and snare in turn on the beats: (time_s, kind, level) rows; accents on 1, soft '&'s."""
    rows = []
    edges = np.r_[track.beats.time_s, track.bars.end_s]
    for b in range(len(edges) - 1):
        if b // 4 == skip_bar:
            continue
        half_s = float(edges[b] + 0.5 * (edges[b + 1] - edges[b]))
        rows += [(float(edges[b]), "hat", 110.0 if b % 4 == 0 else 80.0), (half_s, "hat", 50.0)]
        rows.append((float(edges[b]), "snare" if b % 2 else "kick", 100.0))
    return rows


def as_hits(rows):
    time_s, kind, level = zip(*sorted(rows), strict=True)
    return TakeHits(np.array(time_s), kind, np.array(level), "velocity", time_s[-1] + 1, "midi")


def test_a_fill_is_a_section_of_its_own_with_its_own_offsets():
    track = make_track(100, 16)
    one_s = float(track.bars.start_s[5])
    # A bar of toms, all 12 ms late, in a groove that is exactly on the track.
    fill = [(one_s + 0.3 * k + 0.012, "tom", 100.0) for k in range(8)]
    hits = as_hits([*eighths(track, skip_bar=5), *fill])
    review = review_take(track, hits, HERE, SONG, starts_at_s=0.0)
    assert [(s.name, s.first_bar, s.last_bar) for s in review.timing.sections] == [
        ("with a guide", 1, 5),
        ("fill", 6, 6),
        ("with a guide", 7, 16),
    ]
    assert review.timing.sections[1].offsets.offset_ms == pytest.approx(12.0, abs=0.5)
    assert review.timing.sections[1].offsets.n == 8
    assert review.timing.sections[0].offsets.offset_ms == pytest.approx(0.0, abs=0.5)
    row = next(line for line in verdict(review, details=True).splitlines() if "fill" in line)
    assert "bar 6" in row and "12 ms late" in row
    assert [s["name"] for s in json.loads(review_to_json(review))["sections"]] == [
        s.name for s in review.timing.sections
    ]


def test_dynamics_per_place_are_the_levels_that_were_played():
    track = make_track(100, 16)
    review = review_take(track, as_hits(eighths(track)), HERE, SONG, starts_at_s=0.0)
    level = {(p.place, p.kind): p.level for p in review.timing.places}
    assert level["1", "hat"] == pytest.approx(110) and level["2", "hat"] == pytest.approx(80)
    assert level["1&", "hat"] == level["4&", "hat"] == pytest.approx(50)
    assert level["1", "kick"] == level["2", "snare"] == pytest.approx(100)
    rows = [line.split() for line in verdict(review, details=True).splitlines()]
    assert any(row[:2] == ["1", "hat"] and row[-1] == "110" for row in rows)
    assert any(row[:2] == ["1&", "hat"] and row[-1] == "50" for row in rows)


def test_dynamics_per_place_of_a_recording_are_those_of_its_strokes():
    track = make_track(100, 16)
    rows = [row for row in eighths(track) if row[1] == "hat"]
    sound = find_strokes(from_samples(render(as_hits(rows), np.random.default_rng(0)), RATE_HZ))
    review = review_take(track, sound, HERE, SONG, starts_at_s=0.0)
    level = {p.place: p.level for p in review.timing.places if p.kind == "cymbal"}
    # The kit's amplitude is 0.03 + 0.97 v^2 of the velocity's share v of 127: what 20 log10 makes of it in dB.
    loud, soft = (20 * np.log10(0.03 + 0.97 * (v / 127) ** 2) for v in (110, 50))
    assert level["1"] - level["1&"] == pytest.approx(loud - soft, abs=2.5)


def test_a_cymbal_under_a_snare_has_no_level_of_its_own_in_a_recording():
    track = make_track(100, 16)
    rows = [(t, kind, 60 if kind == "hat" else 100) for t, kind, _ in eighths(track)]
    sound = find_strokes(from_samples(render(as_hits(rows), np.random.default_rng(0)), RATE_HZ))
    # Every stroke with a snare is read as one with a cymbal too, whose level is then the snare's.
    snare = np.array([kind == "snare" for kind in sound.kind])
    fresh = snare & ~np.isin(sound.time_s, [t for t, k in zip(sound.time_s, sound.kind, strict=True) if k == "cymbal"])
    struck: list[tuple] = list(zip(sound.time_s, sound.kind, sound.level, strict=True))
    struck += [(t, "cymbal", 8.0) for t in sound.time_s[fresh]]
    time_s, kinds, level = zip(*sorted(struck), strict=True)
    read = replace(sound, time_s=np.array(time_s), kind=kinds, level=np.array(level), log_odds=None)
    levels = {(p.place, p.kind): p.level for p in review_take(track, read, HERE, SONG, starts_at_s=0.0).timing.places}
    assert levels["2", "cymbal"] is None and levels["4", "cymbal"] is None
    assert levels["2", "snare"] is not None and -3 < levels["2&", "cymbal"] < 1
    # Over MIDI every drum has its own.
    struck = as_hits([*eighths(track), *((float(t), "cymbal", 90) for t in track.beats.time_s[1::4])])
    levels = {(p.place, p.kind): p.level for p in review_take(track, struck, HERE, SONG, starts_at_s=0.0).timing.places}
    assert levels["2", "cymbal"] == pytest.approx(90)
