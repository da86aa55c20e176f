"""Small files and short options that ask for huge work: refused in one line, before it starts."""

import copy
import dataclasses
import io
import json
import time

import mido
import numpy as np
import pytest
import soundfile
from commands import run
from songs import analysis

from pulsefind.core.counts import parse_label
from pulsefind.core.errors import FormatError, HintError
from pulsefind.core.hints import parse_whole
from pulsefind.export.midi import read_midi
from pulsefind.listen.audio import load
from pulsefind.practice.clicks import parse_bars, parse_gap, parse_places
from pulsefind.practice.render import Part, check_part
from pulsefind.saved import from_json, to_json

SONG = analysis(meters=(4,) * 8, guide=(("2&", 1),))
DIGITS = "9" * 5000
"""Python refuses to make a number of more than 4,300 (int_max_str_digits)."""

SOON_S = 5.0


@pytest.fixture(autouse=True)
def soon():
    """A refusal that comes after the work is none."""
    before = time.process_time()
    yield
    assert time.process_time() - before < SOON_S


def midi(events):
    file = mido.MidiFile(type=1, ticks_per_beat=480)
    file.tracks.append(mido.MidiTrack(events))
    out = io.BytesIO()
    file.save(file=out)
    return out.getvalue()


def test_many_stretches_of_many_beats_each_are_too_many_beats():
    """4 KB of time signatures, each within the bound, that would make 45 million beats."""
    signature = {"numerator": 255, "denominator": 4}
    events = [mido.MetaMessage("time_signature", time=480 * 90_000 * (k > 0), **signature) for k in range(500)]
    events.append(mido.MetaMessage("marker", text="end", time=480 * 90_000))
    with pytest.raises(FormatError, match="more than 100000 beats"):
        read_midi(midi(events), "a.mid")


def saved(*path_and_value):
    document = json.loads(to_json(SONG))
    *path, name, value = path_and_value
    place = document
    for step in path:
        place = place[step]
    place[name] = value
    return json.dumps(document)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (("bars", "end_s", 2e6), "bars: end_s"),
        (("bars", "end_s", SONG.bars.end_s + 60), "bars: end_s"),
        (("guides", 0, "pattern_bars", 64), "its pattern"),
        (("guides", 0, "pattern_bars", 17), "its pattern"),
        (("guides", 0, "coverage", 0, "end_s", 1.9e6), "times of a stretch"),
        (("track", "duration_s", 4 * 3600 + 2), "track: its times"),
        (("bars", "beats_per_bar", [65] * 8), "beats_per_bar"),
        (("guides", 0, "hits", "time_s", [*SONG.guides[0].hits.time_s[:-1], 1.9e6]), "hits.time_s"),
    ],
)
def test_a_saved_analysis_that_asks_for_hours_is_damaged(change, told):
    with pytest.raises(FormatError, match=told):
        from_json(saved(*change))


def test_beats_that_lie_on_each_other_are_damage():
    document = json.loads(to_json(SONG))
    times = [1.0 + 1e-6 * k for k in range(len(SONG.beats.time_s))]
    document["beats"]["time_s"] = times
    document["bars"]["start_s"] = [times[k] for k in SONG.bars.first_beat]
    with pytest.raises(FormatError, match="how close they are"):
        from_json(json.dumps(document))


def test_what_is_rendered_lasts_four_hours_at_most():
    check_part(Part(0.0, 14.4, 1000), 20.0)
    check_part(None, 3600.0, 0.25)
    with pytest.raises(HintError, match=r"would sound for 4.0 hours; up to 4 can be written"):
        check_part(Part(0.0, 14.5, 1000), 20.0)
    with pytest.raises(HintError, match=r"would sound for 8.0 hours"):
        check_part(Part(0.0, 14.4, 1000), 20.0, 0.5)
    with pytest.raises(HintError, match=r"would sound for 4.4 hours"):
        check_part(None, 4000.0, 0.25)


@pytest.mark.parametrize(
    "read",
    [
        lambda: parse_label(DIGITS),
        lambda: parse_label(f"{DIGITS}&"),
        lambda: parse_places(f"1 every {DIGITS}", SONG.bars),
        lambda: parse_places(DIGITS, SONG.bars),
        lambda: parse_gap(f"{DIGITS}:4", None),
        lambda: parse_gap(f"4:{DIGITS}", None),
        lambda: parse_bars(DIGITS, SONG.bars),
        lambda: parse_bars(f"1-{DIGITS}", SONG.bars),
    ],
)
def test_five_thousand_digits_are_no_number(read):
    with pytest.raises(HintError):
        read()


def test_whole_numbers_have_up_to_six_digits():
    assert [parse_whole(text) for text in ("0", " 12 ", "999999")] == [0, 12, 999999]
    assert [parse_whole(text) for text in ("1000000", "", "-1", "1.0", "\u0661", "1 2")] == [None] * 6


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    noise = np.random.default_rng(0).normal(0, 0.1, round(SONG.track.duration_s * 44100))
    soundfile.write("song.wav", noise, 44100)
    track = dataclasses.replace(SONG.track, name="song.wav", sha256=load("song.wav").sha256)
    (tmp_path / "song.json").write_text(to_json(dataclasses.replace(SONG, track=track)))
    return tmp_path


OPTIONS = [
    *(f"find song.wav {name}" for name in ("--meter", "--bpm", "--one-at", "--range", "--nudge-ms")),
    *(f"click song.json --out o.wav {name}" for name in ("--on", "--times", "--speed", "--bars", "--clickless")),
    *(f"click song.json --out o.wav {name}" for name in ("--thin", "--swing", "--count-in", "--click-db")),
    *(f"take song.json take.wav {name}" for name in ("--starts-at", "--latency-ms")),
]


@pytest.mark.parametrize("words", OPTIONS)
@pytest.mark.parametrize("value", [DIGITS, f"{DIGITS}:{DIGITS}", f"1-{DIGITS}", f"0.{DIGITS}", f"-{DIGITS}"])
def test_options_of_five_thousand_digits_are_told_in_a_line(words, value, folder, monkeypatch, capsys):
    *command, option = words.split()
    code, _, err = run(monkeypatch, capsys, *command, f"{option}={value}")
    if code == 0:
        # 0.999... is a speed, or a time.
        assert value.startswith("0.")
        return
    assert code == 2
    if not err.startswith("Usage: "):
        assert err.startswith("pulsefind: ") and err.count("\n") == 1 and len(err) < 1000


@pytest.mark.parametrize("name", ["a.json", "a.jams", "a.csv", "a.txt", "song.song.toml"])
def test_files_with_five_thousand_digits_are_told_in_a_line(name, folder, monkeypatch, capsys):
    document = copy.deepcopy(json.loads(to_json(SONG)))
    text = {
        "a.json": json.dumps(document).replace('"rate_hz": 44100', f'"rate_hz": {DIGITS}'),
        "a.jams": '{"annotations": [{"namespace": "beat", "data": [{"time": 1, "value": ' + DIGITS + "}]}]}",
        "a.csv": f"time_s,count\n0.5,1\n1.0,{DIGITS}\n",
        "a.txt": f"0.5 1\n{DIGITS} 2\n",
        "song.song.toml": f"nudge_ms = {DIGITS}\n",
    }[name]
    (folder / name).write_text(text)
    words = {"a.json": ["export", name, "--to", "csv"], "song.song.toml": ["find", "song.wav"]}
    code, _, err = run(monkeypatch, capsys, *words.get(name, ["find", "song.wav", "--from", name]))
    assert code == 2 and err.startswith("pulsefind: ") and err.count("\n") == 1 and len(err) < 1000
