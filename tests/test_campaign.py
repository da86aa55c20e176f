"""`python -m eval campaign`: a short one, and that its judge sees each kind of fault when it is planted."""

import json
import os
import shutil
import signal
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pytest

from eval.robustness import campaign, containers, judging
from eval.robustness.campaign import Told, play, run, summary
from eval.robustness.scenes import Scene, Stock
from eval.robustness.seeds import make_seeds
from eval.robustness.shapes import analysis_text, beats_text, jams, midi, toml
from pulsefind.cli import app as cli

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="copies of a process")


@pytest.fixture(scope="module")
def seeds(tmp_path_factory):
    folder = tmp_path_factory.mktemp("seeds")
    make_seeds(folder)
    return folder


def test_a_short_campaign_finds_nothing_and_gets_far():
    told = run(seed=5, count=60)
    assert not told.faults, summary(told)
    assert told.ended.total() >= 60
    answered = sum(n for how, n in told.ended.items() if how.endswith("answered"))
    assert answered > 15


def crash():
    raise ZeroDivisionError


def die():
    os.kill(os.getpid(), signal.SIGKILL)


def hang():
    time.sleep(60)


def resident_mib():
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


def leave(code):
    def act():
        sys.exit(code)

    return act


def say(*lines, code=2):
    def act():
        for line in lines:
            print(line, file=sys.stderr)
        sys.exit(code)

    return act


def put(name, text, code=0):
    def act():
        Path(name).write_text(text)
        if code:
            print("pulsefind: no", file=sys.stderr)
            sys.exit(code)

    return act


def passes():
    print(json.dumps({"track": {"duration_s": 1.0}, "warnings": []}))


def warns():
    print(json.dumps({"track": {"duration_s": 1.0}, "warnings": ["cut"]}))


def spend():
    began = time.process_time()
    while time.process_time() - began < 1.0:
        pass


FIND = ["find", "song.wav", "--json"]
OUT = ["find", "song.wav", "--out", "out.json", "--force"]
TAKE = ["take", "song.wav", "take.mid", "--history", "history.jsonl"]
PLANTED = {
    "a traceback": (OUT, crash, "traceback: ZeroDivisionError"),
    "a hang": (OUT, hang, "hang"),
    "a death": (OUT, die, "died: -9"),
    "an exit code": (OUT, leave(1), "exit code: 1"),
    "memory": (OUT, lambda: np.ones(2**25), "memory: more than"),
    "time": (OUT, spend, "slow"),
    "two lines": (OUT, say("pulsefind: no", "more"), "messages: not one line each"),
    "no line": (OUT, leave(2), "messages: refused without a word"),
    "a library's line": (OUT, lambda: os.write(2, b"Note: resync\n"), "messages: not one line each"),
    "an order": (OUT, lambda: print("\x1b[2J"), "messages: an order to the terminal"),
    "no JSON": (FIND, lambda: print("NaN"), "messages: what was printed as JSON is none"),
    "an input": (OUT, put("song.wav", "x"), "input changed: by find, .wav"),
    "an input through its analysis": (["hear", "song.json", "--force"], put("song.wav", "x"), "input changed: by hear"),
    "another file": (OUT, put("take.mid", "x"), "changed: by find, .mid"),
    "without force": (["find", "song.wav", "--out", "old.json"], put("old.json", "[]"), "changed: by find, .json"),
    "a file unasked": (OUT, put("else.txt", "x"), "changed: find wrote .txt unasked"),
    "a refused run's output": (OUT, put("out.json", "{}", code=2), "left over: find refused, and wrote .json"),
    "a temporary file": (OUT, put(".pulsefind-abcdefgh.part", "x"), "left over: .pulsefind-"),
    "a temporary file elsewhere": (OUT, lambda: os.close(tempfile.mkstemp()[0]), "left over: a temporary file"),
    "half an analysis": (OUT, put("out.json", '{"schema"'), "not whole: .json by find"),
    "an analysis of nothing": (OUT, put("out.json", "{}"), "not whole: .json by find"),
    "half a recording": (["click", "song.wav", "--out", "c.wav"], put("c.wav", "RIFF"), "not whole: .wav by click"),
    "half a page": (["page", "song.wav", "--out", "p.html"], put("p.html", "<html>"), "not whole: .html by page"),
    "a lost history": (TAKE, put("history.jsonl", '{"b": 2}\n'), "changed: a history"),
    "half for the whole": (FIND, passes, "passed for the whole: .wav"),
}
HALF = ".pulsefind-hgfedcba.part"
GOOD = {
    "nothing": (OUT, lambda: None),
    "a killed run's folder swept": (OUT, lambda: shutil.rmtree(HALF)),
    "a refusal": (OUT, say("pulsefind: no")),
    "a note": (OUT, say("pulsefind: song.song.toml is obeyed: the title", code=0)),
    "a warning": (FIND, warns),
    "a line more": (TAKE, put("history.jsonl", '{"a": 1}\n{"b": 2}\n')),
}


def faults_of(words, act, tmp_path, monkeypatch):
    """What a campaign of one command finds that does `act` in a folder of a few files."""

    def furnish(scene):
        for name, text in (("song.wav", "s"), ("take.mid", "t"), ("old.json", "{}"), ("history.jsonl", '{"a": 1}\n')):
            scene.put(name, text.encode())
        scene.put("song.json", b'{"track": {"name": "song.wav"}}')
        Path(HALF).mkdir()
        scene.put(f"{HALF}/out.flac", b"half")
        scene.whole_s["song.wav"] = 2.0

    for name, new in (("furnish", furnish), ("mishap", lambda _: None), ("command", lambda _: words), ("COMMANDS", 1)):
        monkeypatch.setattr(campaign, name, new)
    monkeypatch.setattr(campaign, "LIMIT_S", 2.0 if act is hang else 60.0)
    monkeypatch.setattr(campaign, "odds", lambda *_: False)
    monkeypatch.setattr(campaign, "pick", lambda _, of: of[0])
    monkeypatch.setattr(judging, "SLOW_S", 0.9)
    # A copy begins with what this process has.
    monkeypatch.setattr(judging, "HEAVY_MIB", resident_mib() + 150)
    monkeypatch.setattr(cli, "main", act)
    for name in ("place", "tmp", "told"):
        (tmp_path / name).mkdir()
    monkeypatch.chdir(tmp_path / "place")
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "tmp"))
    scene = Scene(Stock({}, np.zeros(1), 1.0), tmp_path / "place", np.random.default_rng(1))
    return [fault.kind for fault in play(scene, tmp_path / "told", 1).faults]


@pytest.mark.parametrize("planted", PLANTED)
def test_a_planted_fault_is_seen(planted, tmp_path, monkeypatch):
    """The judge must be able to find against every one of its rules."""
    words, act, kind = PLANTED[planted]
    (found,) = faults_of(words, act, tmp_path, monkeypatch)
    assert found.startswith(kind)


@pytest.mark.parametrize("good", GOOD)
def test_what_is_well_is_no_fault(good, tmp_path, monkeypatch):
    assert faults_of(*GOOD[good], tmp_path, monkeypatch) == []


def test_the_summary_counts_classes():
    told = Told()
    told.ended["find answered"] = 3
    told.faults = [campaign.Fault(4, ["find a", "find b"], "hang", ""), campaign.Fault(9, ["find c"], "hang", "late")]
    text = summary(told)
    assert text.startswith("3 commands")
    assert "2 faults of 1 classes\n     2  hang  (sequence 9)\n          find c\n          late" in text


def test_recordings_are_built_of_whole_parts(seeds):
    """Taken apart and put together again, files of the reference libraries are the same bytes, checksums included."""
    ogg, at = (seeds / "a.ogg").read_bytes(), 0
    while at < len(ogg):
        segments = ogg[at + 26]
        end = at + 27 + segments + sum(ogg[at + 27 : at + 27 + segments])
        assert containers._summed(bytearray(ogg[at:end])) == ogg[at:end]
        at = end
    mp3 = (seeds / "a.mp3").read_bytes()
    assert len(containers._mpeg_frames(mp3)) > 10
    assert b"".join(containers._mpeg_frames(mp3)) == mp3


def test_what_is_made_follows_from_the_seed(seeds):
    song, mp3, ogg, flac = ((seeds / name).read_bytes() for name in ("song.json", "a.mp3", "a.ogg", "a.flac"))
    samples = np.sin(np.arange(2000) / 10)
    makers = (
        lambda rng: analysis_text(song, rng),
        lambda rng: midi(rng, [1.0, 2.0, 3.0]),
        toml,
        jams,
        beats_text,
        lambda rng: containers.wav(rng, samples).data,
        lambda rng: containers.mp3(mp3, 0.5, rng).data,
        lambda rng: containers.ogg(ogg, 0.5, rng).data,
        lambda rng: containers.flac(flac, 0.5, rng).data,
    )
    for make in makers:
        once, again = ([make(np.random.default_rng(k)) for k in range(20)] for _ in range(2))
        assert once == again
        assert len(set(once)) > 5
