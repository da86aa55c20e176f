"""The commands `click` and `export`, and --from, as they are typed."""

import dataclasses
import json
import os
import time
from pathlib import Path

import mido
import numpy as np
import pytest
import soundfile
from commands import run
from songs import analysis, onsets, write_track

from pulsefind.analysis import analyse
from pulsefind.beats.imported import pulse_of
from pulsefind.cli.telling import levels_json, levels_text
from pulsefind.core.records import Settings
from pulsefind.export.formats import export, read_beats
from pulsefind.listen.audio import load
from pulsefind.practice.mix import Rendered
from pulsefind.saved import from_json, to_json

SONG = analysis(meters=(4,) * 8, bpm=240.0, pickup=1, guide=(("2&", 1), ("4&", 1)))


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A folder with a track and its saved analysis, to work in."""
    monkeypatch.chdir(tmp_path)
    write_track(tmp_path / "song.wav", SONG.track.duration_s)
    track = dataclasses.replace(SONG.track, sha256=load(tmp_path / "song.wav").sha256)
    (tmp_path / "song.json").write_text(to_json(dataclasses.replace(SONG, track=track)))
    return tmp_path


def click(monkeypatch, capsys, *words):
    return run(monkeypatch, capsys, "click", "song.wav", "--analysis", "song.json", *words)


def test_a_click_track_says_what_it_is_in_words_and_the_caution_once(folder, monkeypatch, capsys):
    monkeypatch.setenv("PULSEFIND_CACHE", str(folder / "cache"))
    code, out, err = click(monkeypatch, capsys)
    assert (code, err) == (0, "")
    told = " ".join(out.split())
    assert told.startswith("song click.wav (0:")
    assert "1 bar in, a click on every beat, the whole song, 240 bpm" in told
    assert "Caution: start with the volume low" in told
    assert "LUFS" not in told and "dB" not in told
    assert max(len(line) for line in out.splitlines()) <= 80
    assert soundfile.info(folder / "song click.wav").frames > 0
    _, again, _ = click(monkeypatch, capsys, "--force")
    assert "Caution" not in again
    yesterday = time.time() - 24 * 3600
    os.utime(folder / "cache" / "cautioned", (yesterday, yesterday))
    assert "Caution" in click(monkeypatch, capsys, "--force")[1]


def test_levels_are_told_where_they_are_asked_for(folder, monkeypatch, capsys):
    _, out, _ = click(monkeypatch, capsys, "-v")
    assert "40 clicks" in out and "LUFS" in out and "dBTP" in out
    _, out, _ = click(monkeypatch, capsys, "--json", "--force")
    (told,) = json.loads(out)["files"]
    assert told["clicks"] == 40 and told["path"] == "song click.wav" and told["true_peak_dbtp"] <= -1.0


def test_what_has_no_loudness_is_told_in_json_all_the_same():
    """Blocks of R 128 last 400 ms, and those below -70 LUFS count for nothing; JSON has no infinity (RFC 8259)."""
    short = Rendered(Path("guide loop.wav"), 0.3, -np.inf, -200.0, 0.0, 0)

    def refuse(word):
        raise ValueError(word)

    (told,) = json.loads(levels_json((short,)), parse_constant=refuse)["files"]
    assert told["loudness_lufs"] is None and told["duration_s"] == 0.3
    assert levels_text(short) == "0 clicks, too short or soft for a loudness, true peak -200.0 dBTP"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (
            ("--on", "2 4", "--bars", "3-4", "--times", "4", "--speed", "0.5"),
            "clicks on 2 and 4, bars 3-4 four times, 120",
        ),
        (("--on", "1 every 4", "--count-in", "0"), "no count-in, a click on 1 of every 4th bar, the whole song"),
        (("--on", "2& 4& then 1"), "clicks on 2& and 4&, then 1, the whole song"),
        (("--on", "guide"), "clicks where the bright tick (2& and 4&) falls, none in bars 7-8"),
        (("--on", "guide", "--guide", "bright tick"), "clicks where the bright tick falls (2& and 4&) in bars 1-6"),
        (("--clickless", "2:2", "--seed", "1"), "2 bars with clicks and 2 without, by surprise"),
        (("--no-track", "--click-right"), "clicks only, track left and click right"),
    ],
)
def test_what_was_made_is_said_as_a_musician_would(folder, monkeypatch, capsys, words, told):
    code, out, _ = click(monkeypatch, capsys, *words, "--out", "a.wav")
    assert code == 0 and told in " ".join(out.split())


@pytest.mark.parametrize("ending", ["wav", "flac", "ogg", "mp3"])
def test_clicks_alone_in_every_format(folder, monkeypatch, capsys, ending):
    code, _, err = click(monkeypatch, capsys, "--no-track", "--count-in", "0", "--on", "2 4", "--out", f"a.{ending}")
    assert (code, err) == (0, "")
    sound, rate_hz = soundfile.read(folder / f"a.{ending}")
    even = np.isin(SONG.bars.count, [2, 4])
    np.testing.assert_allclose(onsets(sound, rate_hz), SONG.beats.time_s[even], atol=0.001)


@pytest.mark.parametrize("speed", ["0.5", "0.75", "1.25"])
def test_at_another_speed_the_click_is_rendered_and_not_stretched(folder, monkeypatch, capsys, speed):
    words = ("--no-track", "--count-in", "0", "--speed", speed, "--out", "a.wav")
    code, _, _ = click(monkeypatch, capsys, *words)
    assert code == 0
    sound, rate_hz = soundfile.read(folder / "a.wav")
    np.testing.assert_allclose(onsets(sound, rate_hz), SONG.beats.time_s / float(speed), atol=0.001)


def test_bars_in_a_loop_with_a_count_in(folder, monkeypatch, capsys):
    words = ("--bars", "3-4", "--times", "3", "--click-right", "--out", "a.wav")
    code, _, _ = click(monkeypatch, capsys, *words)
    assert code == 0
    sound, rate_hz = soundfile.read(folder / "a.wav")
    heard = onsets(sound[:, 1], rate_hz)
    # At 240 bpm: half a second of silence, a bar of count-in, then three times two bars, all a quarter second apart.
    np.testing.assert_allclose(heard, 0.5 + 0.25 * np.arange(4 + 3 * 8), atol=0.001)
    assert len(sound) / rate_hz == pytest.approx(0.5 + 1.0 + 3 * 2.0, abs=0.001)


def test_gaps_thinning_and_ranges_are_taken(folder, monkeypatch, capsys):
    for k, words in enumerate(
        [
            ("--clickless", "2:2"),
            ("--clickless", "2:2", "--seed", "3"),
            ("--thin", "2"),
            ("--range", "2-4", "--times", "2"),
            ("--on", "guide", "--accent"),
            ("--on", "&", "--swing", "2"),
            ("--guide", "1", "--on", "guide", "--click-db", "-3", "--track-db", "-6"),
        ]
    ):
        code, _, err = click(monkeypatch, capsys, *words, "--out", f"{k}.wav")
        assert (code, err) == (0, ""), words


def test_a_guide_that_is_named_is_clicked(folder, monkeypatch, capsys):
    """Whoever types the sound to click on means it; with places of their own both would be meant, and it is said."""
    sounds = []
    for name, words in enumerate(((), ("--on", "guide"), ("--on", " Guide"))):
        code, out, _ = click(monkeypatch, capsys, "--guide", "bright tick", *words, "--out", f"{name}.wav")
        assert code == 0 and "clicks where the bright tick" in " ".join(out.split())
        sounds.append((folder / f"{name}.wav").read_bytes())
    assert sounds[0] == sounds[1] == sounds[2]
    for on in ("beats", "2 4", ""):
        code, out, err = click(monkeypatch, capsys, "--guide", "bright tick", "--on", on, "--out", "b.wav")
        assert (code, out, err.count("\n")) == (2, "", 1) and "leave out one" in err
    code, _, err = click(monkeypatch, capsys, "--guide", "bright tick", "--ladder", "--out", "steps")
    assert (code, err) == (0, "") and (folder / "steps" / "cues.txt").exists()


def test_a_ladder(folder, monkeypatch, capsys):
    code, out, _ = click(monkeypatch, capsys, "--ladder", "--kind", "flac", "--reveal", "2", "--out", "steps")
    assert code == 0
    assert (folder / "steps" / "cues.txt").exists()
    assert len(list((folder / "steps").glob("*.flac"))) == 6
    assert "cues.txt" in out
    assert "Caution" in (folder / "steps" / "cues.txt").read_text()


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--on", "5&"), "no more than 4 counts"),
        (("--on", "2x"), "'2x' is no count"),
        (("--bars", "6-3"), "the range is empty"),
        (("--bars", "99"), "there is no bar 99"),
        (("--range", "5-5"), "ends before it starts"),
        (("--range", "500-600"), "is empty"),
        (("--range", "0-0.2"), "no beat lies in the range"),
        (("--bars", "2", "--range", "1-2"), "give one of them"),
        (("--clickless", "0:4"), "at least one bar"),
        (("--clickless", "4:0"), "at least one bar"),
        (("--thin", "0"), "at least one bar"),
        (("--seed", "1"), "give that too"),
        (("--speed", "0"), "--speed 0"),
        (("--times", "0"), "from 1 to 1000"),
        (("--swing", "0.5"), "--swing 0.5"),
        (("--count-in", "-1"), "from 0 to 8"),
        (("--click-db", "7"), "--click-db 7"),
        (("--reveal", "0", "--ladder", "--out", "steps"), "--reveal 0"),
        (("--out", "no/a.wav"), "does not exist"),
        (("--out", "a.xyz"), "no format that can be written"),
        (("--out", "song.wav"), "is what is read"),
        (("--ladder", "--out", "no/steps"), "does not exist"),
        (("--ladder", "--out", "song.wav"), "is a file"),
        (("--ladder", "--kind", "xyz"), "no format that can be written"),
        (("--guide", "4", "--on", "guide"), "the guides of this track are bright tick"),
        (("--on", "1/4"), "write '1 every 4'"),
        (("--on", "1 | 2"), "with then"),
        (("--clickless", "2:20"), "9 bars are played"),
        (("--ladder", "--clickless", "2:2"), "leave out --on"),
        (("--meter", "3/4"), "brings its own beats"),
        (("--from", "song.json"), "brings its own beats"),
    ],
)
def test_bad_input_is_one_line_and_leaves_nothing(folder, monkeypatch, capsys, words, message):
    before = {p.name: p.stat().st_mtime_ns for p in folder.iterdir()}
    code, out, err = click(monkeypatch, capsys, *words)
    assert code == 2
    assert message in err
    assert err.count("\n") == 1
    assert out == ""
    assert {p.name: p.stat().st_mtime_ns for p in folder.iterdir()} == before


@pytest.mark.parametrize("words", [(), ("--bars", "3"), ("--ladder",)])
def test_a_track_without_a_beat_is_said(folder, monkeypatch, capsys, words):
    soundfile.write(folder / "silence.wav", np.zeros(5 * 44100), 44100)
    code, out, err = run(monkeypatch, capsys, "click", "silence.wav", *words)
    assert (code, out) == (2, "")
    assert "no steady beat was found" in err
    assert sorted(p.name for p in folder.iterdir()) == ["silence.wav", "song.json", "song.wav"]


def test_an_analysis_of_another_track_is_refused(folder, monkeypatch, capsys):
    write_track(folder / "other.wav", 2.0)
    code, _, err = run(monkeypatch, capsys, "click", "other.wav", "--analysis", "song.json")
    assert code == 2
    assert "not of other.wav" in err
    code, _, err = run(monkeypatch, capsys, "click", "song.wav", "--analysis", "none.json")
    assert code == 2
    assert "can't be read" in err


def test_export_writes_what_is_asked_for(folder, monkeypatch, capsys):
    code, out, _ = run(monkeypatch, capsys, "export", "song.json", "--to", "midi,jams,beats,csv")
    assert code == 0
    names = ["song.mid", "song.jams", "song.beats.txt", "song.beats.csv", "song.bars.csv", "song.hits.csv"]
    assert out.split("\n")[:-1] == names
    assert mido.MidiFile(folder / "song.mid").type == 1
    code, _, err = run(monkeypatch, capsys, "export", "song.json", "--to", "midi,csv")
    assert code == 2
    assert "--force" in err
    assert run(monkeypatch, capsys, "export", "song.json", "--to", "midi", "--out", "b.mid")[1] == "b.mid\n"


def test_export_says_what_it_can_not_do(folder, monkeypatch, capsys):
    (folder / "text.json").write_text("{}")
    for words, message in (
        (("song.json", "--to", "pdf"), "formats that can be written are"),
        (("none.json", "--to", "midi"), "can't be read"),
        (("text.json", "--to", "midi"), "not a saved analysis"),
        (("song.json", "--to", "midi", "--out", "no/a"), "does not exist"),
    ):
        code, _, err = run(monkeypatch, capsys, "export", *words)
        assert code == 2
        assert message in err
        assert err.count("\n") == 1


def test_corrected_beats_give_guides_of_their_own(folder, monkeypatch, capsys):
    """The given beats stand as they are, and hits and guides are found on them; the network is not asked."""
    rate_hz = 44100
    time_s = 0.8 + np.arange(41) * 0.5
    sound = 0.001 * np.random.default_rng(0).standard_normal(35 * rate_hz)
    tick = np.random.default_rng(1).standard_normal(1500) * np.exp(-np.arange(1500) / 300)
    for k, at in enumerate(time_s):
        if k % 4 in (1, 3):
            first = round((at + 0.25) * rate_hz)
            sound[first : first + 1500] += 0.3 * tick
    soundfile.write(folder / "ticks.wav", sound.astype(np.float32), rate_hz)
    (folder / "beats.txt").write_text("".join(f"{t:.6f}\t{k % 4 + 1}\n" for k, t in enumerate(time_s)))
    code, out, _ = run(monkeypatch, capsys, "find", "ticks.wav", "--from", "beats.txt", "--json")
    assert code == 0
    found = from_json(out)
    np.testing.assert_allclose(found.beats.time_s, time_s, atol=1e-6)
    assert {place.label for place in found.guides[0].places} == {"2&", "4&"}
    # Export, import: the same analysis. (That beats survive each format is tested with the formats.)
    for kind in ("midi", "jams"):
        ending, data = next(iter(export(found, kind).items()))
        path = folder / f"again{ending}"
        path.write_bytes(data)
        again = analyse(folder / "ticks.wav", Settings(), beats_from=pulse_of(read_beats(path), Settings(), path.name))
        one, two = json.loads(to_json(found)), json.loads(to_json(again))
        same(one, two)


def same(one, two):
    """Equal but for times, to 3 microseconds (MIDI rounds to whole ones), and what follows from them."""
    assert type(one) is type(two)
    if isinstance(one, dict):
        assert one.keys() == two.keys()
        for key in one:
            same(one[key], two[key])
    elif isinstance(one, list):
        assert len(one) == len(two)
        for a, b in zip(one, two, strict=True):
            same(a, b)
    elif isinstance(one, float):
        assert one == pytest.approx(two, abs=3e-3, rel=1e-4)
    else:
        assert one == two


def test_beats_of_another_recording_are_refused(folder, monkeypatch, capsys):
    (folder / "beats.txt").write_text("899 1\n900 2\n901 3\n")
    code, _, err = run(monkeypatch, capsys, "find", "song.wav", "--from", "beats.txt")
    assert code == 2
    assert "check that they belong together" in err


def test_the_click_can_use_corrected_beats(folder, monkeypatch, capsys):
    time_s = 1.0 + np.arange(20) * 0.4
    (folder / "beats.txt").write_text("".join(f"{t:.6f}\t{k % 4 + 1}\n" for k, t in enumerate(time_s)))
    words = ("click", "song.wav", "--from", "beats.txt", "--no-track", "--count-in", "0", "--out", "a.wav")
    assert run(monkeypatch, capsys, *words)[0] == 0
    sound, rate_hz = soundfile.read(folder / "a.wav")
    np.testing.assert_allclose(onsets(sound, rate_hz), time_s, atol=0.001)
