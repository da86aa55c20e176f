"""Every command obeys the song's file without being asked, and all of them agree bar by bar."""

import csv
import html
import json
import re

import mido
import numpy as np
import pytest
import soundfile
from commands import run
from making import RATE_HZ, drum, noise_burst, render
from songs import onsets

from pulsefind.core.corrections import Corrections
from pulsefind.saved import from_json, read_record
from pulsefind.song.reading import read_song
from pulsefind.song.writing import song_text

NUDGE_MS = 25.0
FILE = """\
# Ida's ears, my pencil
title = "Paper Harbour"
nudge_ms = 25          # headphones
the_1 = 3.650          # heard late, on purpose
meters = ["bars 9-12: 3+3+2/8", "bar 14: 2/4"]
sections = ["verse 1-8", "bridge 9-12", "verse 13-18"]
notes = ["sticks in the <bridge>"]
mood = "brisk"
"""


@pytest.fixture(scope="module")
def sound():
    rng = np.random.default_rng(3)
    beat_s = 1.213 + 0.6 * np.arange(80)
    halves = np.arange(1.213, beat_s[-1] + 0.6, 0.3)
    hat, snare = noise_burst(rng, 6000, 14000, 0.08, 0.02), noise_burst(rng, 300, 5000, 0.2, 0.06)
    parts = (
        (halves, hat, 0.15),
        (beat_s[1::2], snare, 0.5),
        (beat_s[::4], drum(60), 0.9),
        (beat_s[2::4], drum(60), 0.7),
    )
    return render(beat_s[-1] + 2.0, *parts)


@pytest.fixture
def folder(tmp_path, monkeypatch, sound):
    monkeypatch.chdir(tmp_path)
    soundfile.write("harbour.wav", sound, RATE_HZ, subtype="FLOAT")
    (tmp_path / "harbour.song.toml").write_text(FILE)
    return tmp_path


@pytest.fixture
def go(monkeypatch, capsys):
    def call(*words, track="harbour.wav"):
        return run(monkeypatch, capsys, words[0], track, *words[1:], "--network", "own")

    return call


def found(go, *words):
    code, out, err = go("find", "--json", *words)
    assert code == 0, err
    return from_json(out), err


OBEYED = (
    "pulsefind: harbour.song.toml is obeyed: the 1 at 3.650 s, meters of bars 9-12 and bar 14, "
    "all beats 25 ms later, 3 sections\n"
)


def test_find_says_in_one_line_that_it_obeys(folder, go):
    song, err = found(go)
    assert err == OBEYED
    first = song.bars.start_s[song.bars.number >= 1]
    assert np.abs(first - (3.65 + NUDGE_MS / 1000)).min() < 1e-6
    assert any("1 at 3.650 s lies" in warning for warning in song.warnings)
    assert [song.meter(k) for k in np.flatnonzero((song.bars.number >= 8) & (song.bars.number <= 15))] == [
        "4/4", *["3+3+2/8"] * 4, "4/4", "2/4", "4/4",
    ]  # fmt: skip
    assert (folder / "harbour.song.toml").read_text() == FILE


def test_all_commands_agree_bar_by_bar(folder, go, monkeypatch, capsys):
    song, _ = found(go)
    starts, beats = song.bars.start_s, song.beats.time_s
    code, _, err = go("export", "--to", "csv,beats,midi", "--out", "x")
    assert (code, err) == (0, OBEYED)
    rows = list(csv.DictReader((folder / "x.bars.csv").read_text().splitlines()))
    assert np.allclose([float(row["start_s"]) for row in rows], starts, atol=1e-5)
    assert [float(line.split("\t")[0]) for line in (folder / "x.beats.txt").read_text().splitlines()] == pytest.approx(
        beats.tolist(), abs=1e-4
    )
    midi = [
        (m.numerator, m.denominator) for m in mido.MidiFile(folder / "x.mid").tracks[0] if m.type == "time_signature"
    ]
    assert midi[-5:] == [(4, 4), (8, 8), (4, 4), (2, 4), (4, 4)]
    code, _, err = go("page", "--out", "x.html", "--audio", "beside")
    assert (code, err) == (0, OBEYED)
    data = page_data(folder / "x.html")
    assert np.allclose(data["beats"]["time"], beats, atol=1e-4)
    assert data["bars"]["meter"] == [song.meter(k) for k in range(len(starts))]
    code, _, err = go("click", "--no-track", "--count-in", "0", "--out", "x.wav")
    assert (code, err.splitlines()[0]) == (0, OBEYED.strip())
    samples, rate_hz = soundfile.read(folder / "x.wav")
    clicks = onsets(samples if samples.ndim == 1 else samples[:, 0], rate_hz)
    assert np.abs(clicks[:, None] - beats[None, :]).min(axis=0).max() < 0.002
    code, _, err = go("sheet", "--out", "sheet.html")
    assert (code, err) == (0, OBEYED)
    sheet = html.unescape((folder / "sheet.html").read_text())
    assert "Paper Harbour" in sheet and "sticks in the <bridge>" in sheet and "bridge: " in sheet
    assert "Bars 9, 10, 11, 12: 3+3+2/8" in sheet and "Bar 14: 2/4" in sheet


def page_data(path):
    return json.loads(re.search(r'id="data">(.*?)</script>', path.read_text(), re.S)[1])


def test_take_lays_the_take_on_the_corrected_grid(folder, go):
    song, _ = found(go)
    take = mido.MidiFile(ticks_per_beat=960)
    track = mido.MidiTrack()
    now = 0
    # The default tempo of a MIDI file: half a second a quarter.
    for time_s in song.beats.time_s:
        tick = round(time_s * 1920)
        track.append(mido.Message("note_on", channel=9, note=36, velocity=90, time=tick - now))
        track.append(mido.Message("note_off", channel=9, note=36, velocity=0, time=10))
        now = tick + 10
    take.tracks.append(track)
    take.save(folder / "take.mid")
    code, out, err = go("take", "take.mid", "--starts-at", "0", "--json")
    assert (code, err) == (0, OBEYED)
    assert abs(json.loads(out)["whole"]["offset_ms"]) < 3
    code, out, _ = go("take", "take.mid", "--starts-at", "0", "--json", "--no-song-file")
    assert json.loads(out)["whole"]["offset_ms"] == pytest.approx(NUDGE_MS, abs=6)


def test_what_the_file_says_comes_back_from_the_page(folder, go):
    go("page", "--out", "x.html", "--audio", "beside")
    known = read_record(Corrections, page_data(folder / "x.html")["song"], "song")
    assert known == read_song(folder / "harbour.song.toml").corrections
    (folder / "again.song.toml").write_text(song_text(known))
    assert read_song(folder / "again.song.toml").corrections == known
    first, _ = found(go)
    again, err = found(go, "--song-file", "again.song.toml")
    assert "again.song.toml is obeyed" in err
    assert np.array_equal(first.beats.time_s, again.beats.time_s)


def test_sections_are_taken_where_bars_are(folder, go):
    code, out, err = go("click", "--bars", "verse 2", "--out", "x.wav")
    assert code == 0 and "bars 13-18" in out
    code, out, err = go("click", "--bars", "solo", "--out", "y.wav")
    assert (code, out) == (2, "") and "names verse, bridge" in err
    assert not (folder / "y.wav").exists()


def test_what_is_typed_goes_before_the_file(folder, go):
    song, err = found(go, "--one-at", "1.21", "--nudge-ms", "0")
    assert "--one-at instead of its the_1, --nudge-ms instead of its nudge_ms" in err
    assert np.abs(song.bars.start_s - 1.213).min() < 0.01
    plain, err = found(go, "--no-song-file")
    assert err == "" and plain.settings.corrections == Corrections()
    assert go("find", "--nudge-ms", "500")[0] == 2


def test_beats_from_elsewhere_stay_as_they_are(folder, go):
    (folder / "mine.txt").write_text("".join(f"{1.3 + 0.6 * k:.3f}\t{k % 4 + 1}\n" for k in range(60)))
    song, err = found(go, "--from", "mine.txt")
    assert song.beats.time_s[0] == 1.3 and "is obeyed: 3 sections" in err


def test_a_saved_analysis_that_is_older_than_the_file_is_said_so(folder, go):
    go("find", "--out", "harbour.json")
    code, _, err = go("sheet", "--out", "a.html", track="harbour.json")
    assert (code, err) == (0, "")
    (folder / "harbour.song.toml").write_text(FILE.replace("25 ", "5 "))
    told = "harbour.json was analysed without what harbour.song.toml says now"
    for words in (("sheet", "--out", "b.html"), ("export", "--to", "csv", "--out", "b")):
        assert told in go(*words, track="harbour.json")[2]
    assert told in go("click", "--analysis", "harbour.json", "--bars", "2-3", "--out", "b.wav")[2]


def test_a_file_of_another_recording_is_left_out(folder, go):
    text = FILE + 'recording = { sha256 = "%s", length_s = %s }\n'
    (folder / "harbour.song.toml").write_text(text % ("ab" * 32, 90.0))
    song, err = found(go)
    assert "is left out: it was made for a recording of 90.00 s" in err and song.settings.corrections == Corrections()
    song, err = found(go, "--song-file", "harbour.song.toml")
    assert "its times may be off" in err and song.settings.corrections.title == "Paper Harbour"
    (folder / "harbour.song.toml").write_text(text % ("ab" * 32, round(song.track.duration_s, 2)))
    song, err = found(go)
    assert "another copy of this recording" in err and song.settings.corrections.nudge_ms == 25


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (("3+3+2/8", "3+3+2/9"), "harbour.song.toml, line 5, meters"),
        (("bar 14", "bar 140"), "meters: bar 140 in the song's file: the song has bars 1 to"),
        (("3.650", "365.0"), "names 365.00 s, but the recording ends at"),
        (('title = "Paper', "title = Paper"), "line 2"),
    ],
)
def test_what_cannot_be_obeyed_is_one_line_and_exit_code_2(folder, go, change, told):
    (folder / "harbour.song.toml").write_text(FILE.replace(*change))
    code, out, err = go("find")
    assert (code, out) == (2, "") and told in err.splitlines()[-1]
    assert "Traceback" not in err and len(err.splitlines()) <= 2


def test_what_is_typed_is_kept_when_asked_and_nothing_else_changes(folder, go):
    code, _, err = go("find", "--one-at", "1.213", "--nudge-ms", "4", "--keep")
    assert code == 0 and "harbour.song.toml keeps the_1, nudge_ms" in err
    kept = (folder / "harbour.song.toml").read_text()
    assert [line for line in FILE.splitlines() if line not in kept.splitlines()] == [
        "nudge_ms = 25          # headphones",
        "the_1 = 3.650          # heard late, on purpose",
    ]
    for comment in ("# headphones", "# heard late, on purpose", "# Ida's ears, my pencil"):
        assert comment in kept
    known = read_song(folder / "harbour.song.toml").corrections
    assert (known.ones[0].time_s, known.ones[0].exact, known.nudge_ms) == (1.213, True, 4.0)
    song, err = found(go)
    assert known.recording.sha256 == song.track.sha256
    assert go("find", "--keep")[0] == 2


def test_a_song_without_a_file_gets_one_when_asked(folder, go):
    (folder / "harbour.song.toml").unlink()
    (folder / "taps.txt").write_text("".join(f"{1.213 + 0.6 * k:.3f} {k % 4 + 1}\n" for k in range(16)))
    go("find", "--taps", "taps.txt", "--meter", "4/4")
    assert not (folder / "harbour.song.toml").exists()
    assert go("find", "--taps", "taps.txt", "--keep")[0] == 0
    song, err = found(go)
    assert "is obeyed: 16 taps" in err and np.isin(np.round(1.213 + 0.6 * np.arange(16), 3), song.beats.time_s).all()


def test_sections_are_suggested_ready_to_be_put_into_the_file(folder, go, monkeypatch, capsys):
    code, out, _ = go("sections")
    assert code == 0 and 'sections = [\n  "A 1-' in out


def test_the_page_knows_of_a_file_that_holds_comments_only(folder, go):
    (folder / "harbour.song.toml").write_text("# Ida: the bridge rushes\n")
    go("page", "--out", "x.html", "--audio", "beside")
    data = page_data(folder / "x.html")
    assert data["hasSongFile"] and data["known"] == {}
    (folder / "harbour.song.toml").unlink()
    go("page", "--out", "x.html", "--audio", "beside", "--force")
    assert not page_data(folder / "x.html")["hasSongFile"]
