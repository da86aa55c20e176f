"""What an ordinary user may not enter, read or write: one line from every command, and nothing changed.

Root may do everything, so commands run in a copy of this process that has become nobody.
"""

import json
import os
import resource
import shutil
import signal
import sys
import tempfile
import warnings
from pathlib import Path

import pytest

from eval.robustness.apart import ended, started
from eval.robustness.campaign import _be_nobody, _load_all, _stock
from eval.robustness.cases import call
from eval.robustness.seeds import make_seeds

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="copies of a process")


@pytest.fixture(scope="module")
def folder():
    """A folder that nobody may write to, with a song, its analysis and a take; `closed` has the same, and no way in."""
    # Not below pytest's own folder, which nobody else may enter.
    made = Path(tempfile.mkdtemp(prefix="permissions-"))
    made.chmod(0o755)
    seeds = made / "seeds"
    seeds.mkdir()
    make_seeds(seeds)
    _stock(seeds)
    before = os.environ.get("PULSEFIND_CACHE")
    os.environ["PULSEFIND_CACHE"] = str(made / "cache")
    try:
        _load_all(seeds)
    finally:
        os.environ.pop("PULSEFIND_CACHE")
        if before is not None:
            os.environ["PULSEFIND_CACHE"] = before
    for name in ("here", "closed", "readonly"):
        place = made / name
        place.mkdir()
        for file in ("song.wav", "song.json", "take.mid", "beats.txt", "history.jsonl"):
            (place / file).write_bytes((seeds / file).read_bytes())
        (place / "a.song.toml").write_text('title = "Paper Harbour"\n')
    for ending in ("wav", "json", "mid", "txt", "toml", "jsonl"):
        (made / "here" / f"unreadable.{ending}").write_bytes(b"RIFF")
    if os.geteuid() == 0:
        for path in (made / "here", *(made / "here").iterdir()):
            os.chown(path, 65534, 65534)
    for path in (made / "closed", *(made / "here").glob("unreadable*")):
        path.chmod(0)
    (made / "readonly").chmod(0o555)
    yield made
    for name in ("closed", "readonly"):
        (made / name).chmod(0o755)
    shutil.rmtree(made)


def as_nobody(folder, *words, full_bytes=None, **environment):
    """A command in folder/here, as a user who owns nothing but it: exit code (or traceback), stdout, stderr."""

    def act():
        if os.geteuid() == 0:
            _be_nobody()
        os.chdir(folder / "here")
        # As outside the tests, where a warning is a line and no error.
        warnings.simplefilter("default")
        if full_bytes is not None:
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            resource.setrlimit(resource.RLIMIT_FSIZE, (full_bytes, full_bytes))
        os.environ.update({"PULSEFIND_CACHE": str(folder / "none"), **environment})
        return json.dumps(call([str(word) for word in words])).encode()

    end = ended(started(act), 300.0)
    assert end.told, f"no end after {end.took_s:.0f} s" if end.late else f"died: {end.code}"
    return json.loads(end.told)


def refused(folder, *words, **environment):
    """A command that must end with one line, which is returned, and leave everything as it was."""
    before = {path.name: path.stat().st_mtime_ns for path in (folder / "here").iterdir()}
    code, out, said = as_nobody(folder, *words, **environment)
    assert (code, out) == (2, ""), code
    assert said.startswith("pulsefind: ") and said.count("\n") == 1
    assert {path.name: path.stat().st_mtime_ns for path in (folder / "here").iterdir()} == before
    return said


OUTPUTS = {
    "find": ("find", "song.wav", "--out", "{}/o.json"),
    "click": ("click", "song.wav", "--bars", "2-2", "--out", "{}/o.wav"),
    "ladder": ("click", "song.wav", "--ladder", "--out", "{}/ladder"),
    "hear": ("hear", "song.json", "--out", "{}/o.wav"),
    "export": ("export", "song.json", "--out", "{}/o"),
    "page": ("page", "song.json", "--out", "{}/o.html"),
    "sheet": ("sheet", "song.json", "--out", "{}/o.html"),
    "take": ("take", "song.json", "take.mid", "--out", "{}/o.json"),
    "merge": ("merge", "a.song.toml", "a.song.toml", "--out", "{}/o.toml"),
}
INPUTS = {
    "find": ("find", "{}/song.wav"),
    "an analysis": ("find", "{}/song.json"),
    "beats": ("find", "song.wav", "--from", "{}/beats.txt"),
    "taps": ("find", "song.wav", "--taps", "{}/beats.txt"),
    "the song's file": ("find", "song.wav", "--song-file", "{}/a.song.toml"),
    "click": ("click", "song.wav", "--analysis", "{}/song.json"),
    "hear": ("hear", "{}/song.wav"),
    "export": ("export", "{}/song.json", "--out", "o"),
    "page": ("page", "{}/song.json"),
    "a review": ("page", "song.json", "--take", "{}/review.json"),
    "sheet": ("sheet", "song.json", "{}/song.json"),
    "take": ("take", "song.json", "{}/take.mid"),
    "history": ("take", "song.json", "take.mid", "--starts-at", "0", "--history", "{}/history.jsonl"),
    "merge": ("merge", "a.song.toml", "{}/a.song.toml", "--out", "o.toml"),
    "sections": ("sections", "{}/song.wav"),
}


@pytest.mark.parametrize("command", OUTPUTS)
@pytest.mark.parametrize("place", ["closed", "readonly", "closed/below"])
def test_an_output_that_can_not_be_there_is_one_line(folder, command, place):
    said = refused(folder, *(word.format(folder / place) for word in OUTPUTS[command]))
    assert "Permission denied" in said or "can't be" in said


@pytest.mark.parametrize(
    "words",
    [
        ("export", "song.json", "--to", "midi,jams,beats,csv", "--out", "o"),
        ("hear", "song.json", "--out", "o.flac"),
        ("click", "song.json", "--out", "o.wav"),
        ("click", "song.json", "--ladder", "--out", "ladder"),
    ],
)
@pytest.mark.parametrize("full_bytes", [0, 300, 2_500, 400_000])
def test_of_files_that_belong_together_all_are_written_or_none(folder, words, full_bytes):
    """A limit on the size of files stands for a full disk: one of them fits, the next doesn't."""
    before = sorted(path.name for path in (folder / "here").iterdir())
    code, out, said = as_nobody(folder, *words, full_bytes=full_bytes)
    after = sorted(path.name for path in (folder / "here").iterdir())
    for name in set(after) - set(before):
        (folder / "here" / name).unlink()
    if code == 0:
        assert words[0] == "export" and full_bytes > 2_500 and len(after) - len(before) == 6
        return
    assert (code, out, said.count("\n")) == (2, "", 1) and "File too large" in said
    assert ".part" not in said and after == before


@pytest.mark.parametrize("command", INPUTS)
def test_an_input_behind_a_closed_folder_is_one_line(folder, command):
    if command == "history":
        # The review is shown before it is added, so that it isn't lost.
        code, out, said = as_nobody(folder, *(word.format(folder / "closed") for word in INPUTS[command]))
        assert (code, said.count("\n")) == (2, 1) and "can't be" in said and out
        return
    refused(folder, *(word.format(folder / "closed") for word in INPUTS[command]))


@pytest.mark.parametrize("command", INPUTS)
def test_a_file_that_may_not_be_read_is_one_line(folder, command):
    """Not the usage of the command: nothing is wrong with how it was called."""
    words = [f"unreadable{Path(word).suffix}" if "{}" in word else word for word in INPUTS[command]]
    words += ["--starts-at", "0"] if command == "history" else []
    assert "ermission" in refused(folder, *words)


@pytest.mark.parametrize("place", ["closed/cache", "readonly/cache", "closed"])
def test_a_cache_where_none_can_be_costs_nothing_but_time(folder, place):
    code, out, said = as_nobody(folder, "find", "song.wav", "--json", PULSEFIND_CACHE=str(folder / place))
    assert code == 0 and json.loads(out)["beats"]["time_s"]
    assert all(line.startswith("pulsefind: ") for line in said.splitlines()) and said.count("\n") <= 1


def test_a_folder_that_can_not_be_looked_into_is_one_line(folder):
    assert "can't be looked into" in refused(folder, "find", folder / "closed")


def test_the_check_itself_is_made_as_an_ordinary_user(folder):
    """Else all of the above would pass for root, who may do everything."""
    assert json.loads(ended(started(lambda: json.dumps(_uid_after(folder)).encode()), 60.0).told) != 0


def _uid_after(folder):
    if os.geteuid() == 0:
        _be_nobody()
    with pytest.raises(PermissionError):
        list((folder / "closed").iterdir())
    return os.geteuid()
