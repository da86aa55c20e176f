import json
import os
import subprocess
import sys

import numpy as np
import pytest
import soundfile

from eval.take.kit_sound import RATE_HZ, add_leak, render
from eval.take.simulation import Player, make_track, simulate_take
from pulsefind.analysis import analyse
from pulsefind.cli.app import main
from pulsefind.core.records import Settings
from pulsefind.core.words import TAKE_ENDS_EARLY
from pulsefind.saved import to_json


@pytest.fixture
def run(capsys, monkeypatch):
    """Run a command line: exit code, stdout, stderr."""

    def go(*words):
        monkeypatch.setattr("sys.argv", ["pulsefind", *map(str, words)])
        with pytest.raises(SystemExit) as stop:
            main()
        told = capsys.readouterr()
        return stop.value.code or 0, told.out, told.err

    return go


@pytest.fixture
def track_file(tmp_path):
    path = tmp_path / "song.json"
    path.write_text(to_json(make_track(100, 24, alone=((10, 13),), wander_percent=0.4)))
    return path


@pytest.fixture
def take_file(tmp_path):
    rng = np.random.default_rng(0)
    track = make_track(100, 24, alone=((10, 13),), wander_percent=0.4)
    path = tmp_path / "take.wav"
    soundfile.write(path, render(simulate_take(track, Player(drift_ms_per_bar=20), rng).hits, rng), RATE_HZ)
    return path


def test_a_take_is_reviewed_in_the_terminal(run, track_file, take_file):
    code, out, err = run("take", track_file, take_file, "--starts-at", "0", "--details")
    assert (code, err) == (0, "")
    for word in ("Start", "Take", "Practise", "Hits", "Whole", "Meaning", "Alone", "Places", "Next", "pulsefind click"):
        assert word in out
    assert out.count("\nStart ") == 1
    # A command is not broken over lines: it is there to be copied.
    assert max(len(line) for line in out.splitlines() if "pulsefind click" not in line) <= 80


def test_a_cut_take_says_once_that_its_end_is_missing(run, track_file, take_file):
    data = take_file.read_bytes()
    take_file.write_bytes(data[: round(0.7 * len(data))])
    for words in (("--starts-at", "0"), ("--starts-at", "0", "--details"), ("--starts-at", "0", "--json"), ()):
        code, out, err = run("take", track_file, take_file, *words)
        assert (code, err) == (0, "") and " ".join(out.split()).count(TAKE_ENDS_EARLY) == 1, words


def test_json_goes_to_the_terminal_and_to_a_file(run, track_file, take_file, tmp_path):
    target = tmp_path / "review.json"
    code, out, _ = run("take", track_file, take_file, "--starts-at", "0", "--json", "--out", target)
    assert code == 0 and json.loads(out) == json.loads(target.read_text())
    code, _, err = run("take", track_file, take_file, "--starts-at", "0", "--out", target)
    assert code == 2 and "--force" in err


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere every name is text")
def test_names_that_are_no_text_can_be_saved_and_typed_again(run, track_file, take_file, tmp_path):
    """What is offered to be typed means the same file, by the shell itself."""
    names = [os.fsencode(tmp_path) + name for name in (b"/it's \xff7 a\xc3\xa9.json", b"/take \xfe.wav")]
    files = [path.rename(os.fsdecode(name)) for path, name in zip((track_file, take_file), names, strict=True)]
    target = tmp_path / "review.json"
    code, _, err = run("take", *files, "--starts-at", "0", "--json", "--out", target)
    assert (code, err) == (0, "")
    review = json.loads(target.read_text(encoding="utf-8"))
    assert review["recording"] == "take \N{REPLACEMENT CHARACTER}.wav"
    command = review["practice"]["command"].removeprefix("pulsefind")
    typed = subprocess.run(["bash", "-c", f"printf '%s\\0' {command}"], capture_output=True, check=True).stdout
    assert names[0] in typed.split(b"\0")


def test_a_history_grows_and_shows_progress(run, track_file, take_file, tmp_path):
    history = tmp_path / "takes.jsonl"
    run("take", track_file, take_file, "--starts-at", "0", "--history", history)
    code, out, _ = run("take", track_file, take_file, "--starts-at", "0", "--history", history)
    assert code == 0 and "2 of this track" in out
    assert len(history.read_text().splitlines()) == 2
    # What became better comes before the tables, with or without them.
    assert out.index("Takes ") < out.index("--details")
    _, details, _ = run("take", track_file, take_file, "--starts-at", "0", "--history", history, "--details")
    assert details.index("Takes ") < details.index("Places ")


def test_the_latency_is_measured_from_the_track_recorded_by_itself(run, tmp_path):
    rng = np.random.default_rng(1)
    music = np.cumsum(rng.normal(size=RATE_HZ * 20)) * 1e-3
    music = 0.1 * np.diff(music, prepend=0.0) / 1e-3
    soundfile.write(tmp_path / "song.wav", music, RATE_HZ)
    late = add_leak(1e-4 * rng.normal(size=RATE_HZ * 15), music, -0.023, 0.0, 40.0, rng)
    soundfile.write(tmp_path / "loop.wav", late / np.abs(late).max(), RATE_HZ)
    code, out, _ = run("take", tmp_path / "song.wav", tmp_path / "loop.wav", "--how-late")
    assert code == 0
    assert float(out.split("machine is ")[1].split(" ms")[0]) == pytest.approx(23.0, abs=0.5)
    (tmp_path / "song.json").write_text(to_json(analyse(tmp_path / "song.wav", Settings(network="own"))))
    assert run("take", tmp_path / "song.json", tmp_path / "loop.wav", "--how-late") == (0, out, "")
    code, out, _ = run("take", tmp_path / "song.wav", tmp_path / "song.wav", "--how-late")
    assert code == 0 and "is 0.0 ms late" in out and "-0" not in out
    soundfile.write(tmp_path / "other.wav", rng.normal(size=RATE_HZ * 15) * 0.1, RATE_HZ)
    code, out, err = run("take", tmp_path / "song.wav", tmp_path / "other.wav", "--how-late")
    assert (code, out) == (2, "") and "isn't heard" in err


@pytest.mark.parametrize(
    "words", [("--json",), ("--out", "r.json"), ("--history", "h.jsonl"), ("--latency-ms", "0"), ("--details",)]
)
def test_what_asks_for_a_review_does_not_go_with_how_late(words, run, tmp_path, monkeypatch):
    """It would be left out without a word, and no JSON or file come."""
    monkeypatch.chdir(tmp_path)
    one_line(run("take", "song.wav", "loop.wav", "--how-late", *words), "--how-late", words[0])
    assert not list(tmp_path.iterdir())


def one_line(result, *words):
    code, out, err = result
    assert (code, out) == (2, "")
    assert err.count("\n") == 1 and "Traceback" not in err
    for word in words:
        assert word in err


def test_bad_input_ends_with_one_line(run, track_file, take_file, tmp_path):
    soundfile.write(tmp_path / "silent.wav", np.zeros(RATE_HZ * 5), RATE_HZ)
    one_line(run("take", track_file, tmp_path / "silent.wav"), "no hits")
    whole, rate_hz = soundfile.read(take_file)
    soundfile.write(tmp_path / "short.wav", whole[: int(3.0 * rate_hz)], rate_hz)
    one_line(run("take", track_file, tmp_path / "short.wav"), "two bars")
    (tmp_path / "empty.mid").write_bytes(
        b"MThd\x00\x00\x00\x06\x00\x00\x00\x01\x01\xe0MTrk\x00\x00\x00\x04\x00\xff\x2f\x00"
    )
    one_line(run("take", track_file, tmp_path / "empty.mid"), "holds no notes")
    (tmp_path / "text.wav").write_text("not a recording")
    one_line(run("take", track_file, tmp_path / "text.wav"), "text.wav")
    one_line(run("take", track_file, tmp_path / "missing.wav"), "no such file")
    one_line(run("take", track_file, tmp_path), "folder")
    one_line(run("take", tmp_path / "missing.json", take_file), "missing.json")
    (tmp_path / "other.json").write_text("{}")
    one_line(run("take", tmp_path / "other.json", take_file), "schema")
    one_line(run("take", track_file, take_file, "--starts-at", "soon"), "--starts-at")
    one_line(run("take", track_file, take_file, "--latency-ms", "90000"), "latency")
    (tmp_path / "notes.txt").write_text("buy sticks\n")
    code, _, err = run("take", track_file, take_file, "--starts-at", "0", "--history", tmp_path / "notes.txt")
    assert code == 2 and "no take of a history" in err
    assert (tmp_path / "notes.txt").read_text() == "buy sticks\n"


def test_the_wrong_song_is_no_error_but_a_cannot_tell(run, track_file, tmp_path):
    rng = np.random.default_rng(2)
    other = simulate_take(make_track(113, 30), Player(), rng)
    soundfile.write(tmp_path / "other.wav", render(other.hits, rng), RATE_HZ)
    code, out, _ = run("take", track_file, tmp_path / "other.wav")
    assert code == 0 and "can't tell" in out


def test_neither_the_track_nor_the_take_is_written_over(run, track_file, take_file):
    for source in (track_file, take_file):
        before = source.read_bytes()
        code, _, err = run("take", track_file, take_file, "--starts-at", "0", "--out", source, "--force")
        assert code == 2 and "is what is read" in err and source.read_bytes() == before
