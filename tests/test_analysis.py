"""The whole pipeline on made sound, and the saved analysis."""

import dataclasses
import json
import math

import mir_eval
import numpy as np
import pretty_midi
import pytest
from making import RATE_HZ

from pulsefind.analysis import analyse
from pulsefind.core.errors import AudioError, FormatError, HintError
from pulsefind.core.records import Settings
from pulsefind.demo import BREAK_BARS, SHAKER_PLACES, STRING_PLACES
from pulsefind.listen.audio import crop, from_samples
from pulsefind.saved import SCHEMA, from_json, to_json


def test_the_demo_song_is_read_as_it_was_made(demo_song, demo_analysis):
    song = demo_song[1]
    first = next(k for k in range(len(demo_analysis.bars.number)) if demo_analysis.bars.number[k] == 1)
    assert demo_analysis.bars.start_s[first] == pytest.approx(song.first_bar_s, abs=0.02)
    assert set(demo_analysis.bars.beats_per_bar.tolist()) == {4}
    assert demo_analysis.bars.beats[0] == 1
    assert demo_analysis.tempo.bpm == pytest.approx(song.bpm, rel=0.01)
    # Both sounds that the song was made with are there; the string, which settles the 1, before the shaker, which
    # leaves it open between two beats.
    places = [[p.label for p in g.places] for g in demo_analysis.guides]
    assert places[0] == list(STRING_PLACES)
    assert list(SHAKER_PLACES) in places[:3]
    numbers = [
        (int(demo_analysis.bars.number[s.first_bar]), int(demo_analysis.bars.number[s.last_bar]))
        for s in demo_analysis.alone
    ]
    assert (BREAK_BARS[0], BREAK_BARS[-1]) in numbers


def test_mir_eval_scores_the_demo(demo_song, demo_analysis):
    # Scores by mir_eval (Raffel et al. 2014): an implementation of the field's metrics that is not ours.
    song = demo_song[1]
    ones = np.array([t for t, c in zip(song.beat_s, song.count, strict=True) if c == 1])
    beats = demo_analysis.beats.time_s
    assert mir_eval.beat.f_measure(song.beat_s, beats) == 1.0
    assert mir_eval.beat.f_measure(song.beat_s, beats, f_measure_threshold=0.02) > 0.98
    assert mir_eval.beat.f_measure(ones, beats[demo_analysis.bars.count == 1]) == 1.0
    assert mir_eval.beat.continuity(song.beat_s, beats)[1] == 1.0


def test_beats_written_as_a_midi_tempo_map_are_read_back_by_pretty_midi(demo_analysis, tmp_path):
    # pretty_midi (Raffel and Ellis 2014) reads the Standard MIDI File's tempo map by itself.
    import mido

    times, resolution = demo_analysis.beats.time_s, 480
    track = mido.MidiTrack()
    track.append(mido.MetaMessage("time_signature", numerator=4, denominator=4, time=0))
    for interval in np.diff(np.r_[0.0, times]):
        track.append(mido.MetaMessage("set_tempo", tempo=round(interval * 1e6), time=0))
        track.append(mido.MetaMessage("marker", text="beat", time=resolution))
    midi = mido.MidiFile(ticks_per_beat=resolution)
    midi.tracks.append(track)
    midi.save(tmp_path / "a.mid")
    read = pretty_midi.PrettyMIDI(str(tmp_path / "a.mid"))
    found = np.array([read.tick_to_time(resolution * (k + 1)) for k in range(len(times))])
    assert np.abs(found - times).max() < 0.0005


def test_the_saved_analysis_has_the_names_that_others_read(demo_analysis):
    saved = json.loads(to_json(demo_analysis))
    assert saved["schema"] == SCHEMA
    assert len(saved["beats"]["time_s"]) == len(saved["beats"]["count"])
    assert len(saved["bars"]["start_s"]) == len(saved["bars"]["beats"]) == len(saved["bars"]["meter"])
    guide = saved["guides"][0]
    assert guide["places"] == ["1e", "3a"]
    assert len(guide["hits"]["time_s"]) == len(guide["hits"]["place"])
    assert {"first_bar", "last_bar", "start_s", "end_s"} <= set(guide["coverage"][0])
    assert {"first_bar", "last_bar", "start_s", "end_s"} <= set(saved["alone"][0])


def test_saved_and_read_back_is_the_same(demo_analysis):
    text = to_json(demo_analysis)
    assert to_json(from_json(text)) == text


def test_the_same_sound_gives_the_same_bytes(demo_song, demo_analysis):
    again = analyse(from_samples(demo_song[0], RATE_HZ))
    assert to_json(again) == to_json(demo_analysis)


def test_what_the_cache_knows_gives_the_same_bytes_as_a_fresh_run(demo_song, tmp_path, monkeypatch):
    monkeypatch.setenv("PULSEFIND_CACHE", str(tmp_path))
    part = crop(from_samples(demo_song[0], RATE_HZ), 0.0, 20.0)[0]
    plain, hinted = Settings(network="own"), Settings(network="own", one_at_s=float(demo_song[1].beat_s[6]))
    kept = [to_json(analyse(part, settings)) for settings in (plain, plain, hinted)]
    assert {path.name.split("-")[0] for path in tmp_path.iterdir()} == {"beats", "harmony", "hits", "own"}
    fresh = [analyse(part, dataclasses.replace(settings, use_cache=False)) for settings in (plain, plain, hinted)]
    assert kept == [
        to_json(dataclasses.replace(a, settings=s)) for a, s in zip(fresh, (plain, plain, hinted), strict=True)
    ]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "no JSON"),
        ("[]", "no schema number"),
        ('{"a": 1}', "no schema number"),
        ('{"schema": 99}', "schema 99"),
        (f'{{"schema": {SCHEMA}}}', "damaged"),
    ],
)
def test_what_is_no_saved_analysis(text, message):
    with pytest.raises(FormatError, match=message):
        from_json(text)


def test_the_plan_is_saved_bar_by_bar_and_follows_from_the_guides_where_it_is_missing(demo_analysis):
    saved = json.loads(to_json(demo_analysis))
    assert saved["plan"] == list(demo_analysis.plan) and len(saved["plan"]) == len(saved["bars"]["start_s"])
    alone = {bar for stretch in demo_analysis.alone for bar in range(stretch.first_bar, stretch.last_bar + 1)}
    assert alone == {bar for bar, guide in enumerate(demo_analysis.plan) if guide is None}
    del saved["plan"]
    for misreading in saved["misreadings"]:
        del misreading["kind"]
    assert from_json(json.dumps(saved)).plan == demo_analysis.plan


@pytest.mark.parametrize("plan", [[0], "x", [99] * 1000])
def test_a_plan_that_does_not_fit_is_refused(demo_analysis, plan):
    saved = json.loads(to_json(demo_analysis))
    saved["plan"] = plan
    with pytest.raises(FormatError, match="damaged"):
        from_json(json.dumps(saved))


@pytest.mark.parametrize("field", ["beats", "bars", "guides", "tempo", "track", "settings"])
def test_a_garbled_field_is_refused(demo_analysis, field):
    saved = json.loads(to_json(demo_analysis))
    saved[field] = "x"
    with pytest.raises(FormatError, match="damaged"):
        from_json(json.dumps(saved))


def numbers_in(value):
    if isinstance(value, dict):
        value = list(value.values())
    if isinstance(value, list):
        return [n for item in value for n in numbers_in(item)]
    return [value] if isinstance(value, (int, float)) else []


@pytest.mark.parametrize(
    "samples",
    [
        np.zeros(0),
        np.zeros(3 * RATE_HZ),
        0.1 * np.random.default_rng(0).normal(size=RATE_HZ // 5),
        0.1 * np.random.default_rng(1).normal(size=8 * RATE_HZ),
        np.tile(0.1 * np.random.default_rng(2).normal(size=(3 * RATE_HZ, 1)), (1, 7)),
    ],
    ids=["nothing", "silence", "a fifth of a second", "white noise", "seven channels"],
)
def test_sound_without_a_beat_is_answered_honestly(samples):
    analysis = analyse(from_samples(samples, RATE_HZ))
    assert analysis.guides == () or len(analysis.beats.time_s)
    if not len(analysis.beats.time_s):
        assert analysis.warnings
        assert analysis.alone == ()
    text = to_json(analysis)
    assert all(math.isfinite(n) for n in numbers_in(json.loads(text)))
    assert to_json(from_json(text)) == text


def test_a_part_keeps_the_times_of_the_whole(demo_song, demo_analysis):
    part = analyse(from_samples(demo_song[0], RATE_HZ), Settings(start_s=10.0, end_s=30.0))
    inside = demo_analysis.beats.time_s[(demo_analysis.beats.time_s > 11) & (demo_analysis.beats.time_s < 29)]
    assert all(np.abs(part.beats.time_s - t).min() < 0.01 for t in inside)
    assert part.track.start_s == 10.0
    with pytest.raises(AudioError, match="holds no sound"):
        analyse(from_samples(demo_song[0], RATE_HZ), Settings(start_s=100.0))


def test_taps_bind_are_saved_and_give_the_same_again(demo_song):
    audio, truth = from_samples(demo_song[0], RATE_HZ), demo_song[1]
    # Somebody taps between the beats, a little unevenly, for eight bars.
    tap_s = (truth.beat_s[8:40] + truth.beat_s[9:41]) / 2 + np.random.default_rng(2).normal(0, 0.02, 32)
    counts = tuple(int(count) for count in np.arange(32) % 4 + 1)
    tapped = analyse(audio, Settings(taps_s=tuple(map(float, tap_s)), taps_count=counts))
    away = np.abs(tapped.beats.time_s[:, None] - tap_s).min(axis=0)
    assert away.max() < 0.12 and np.median(away) < 0.04
    assert any("disagree with the sound" in warning for warning in tapped.warnings)
    saved = from_json(to_json(tapped))
    assert saved.settings.taps_s == pytest.approx(tap_s, abs=1e-6) and saved.settings.taps_count == counts
    again = analyse(audio, saved.settings)
    assert np.abs(again.beats.time_s - tapped.beats.time_s).max() < 1e-4
    part = Settings(taps_s=tuple(map(float, tap_s)), start_s=tap_s[3])
    with pytest.raises(HintError, match="tap along to that part"):
        analyse(audio, part)


@pytest.mark.parametrize(("taps_s", "counts"), [([1.0, 2.0], [1]), ([1.0], []), ([2.0, 1.0], [1, 2])])
def test_saved_taps_that_do_not_fit_are_refused(demo_analysis, taps_s, counts):
    saved = json.loads(to_json(demo_analysis))
    saved["settings"] |= {"taps_s": taps_s, "taps_count": counts}
    with pytest.raises(FormatError, match="damaged"):
        from_json(json.dumps(saved))


def test_hints_bind(demo_song):
    audio = from_samples(demo_song[0], RATE_HZ)
    three = analyse(audio, Settings(meter=(3, 4)))
    assert set(three.bars.beats_per_bar.tolist()) == {3}
    twelve = analyse(audio, Settings(meter=(12, 8)))
    assert set(json.loads(to_json(twelve))["bars"]["meter"]) == {"12/8"}
    half = analyse(audio, Settings(bpm_low=40, bpm_high=60))
    assert 40 <= half.tempo.bpm <= 60
    moved = analyse(audio, Settings(one_at_s=float(demo_song[1].beat_s[6])))
    ones = moved.beats.time_s[moved.bars.count == 1]
    assert np.abs(ones - demo_song[1].beat_s[6]).min() < 0.05
