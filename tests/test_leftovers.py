"""What a killed run leaves goes with the next run, and only that: what a live run holds stays."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from pulsefind.core.errors import OutputError
from pulsefind.core.files import write_file
from pulsefind.core.leftovers import alone_in, sweep, temporary_file, temporary_folder
from pulsefind.practice.ladder import check_folder

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no locks of this kind")

HOLD = """\
import sys, time
from pathlib import Path
from pulsefind.core.leftovers import temporary_file, temporary_folder
with temporary_file(Path(sys.argv[1])) as one, temporary_folder(Path(sys.argv[1])) as other:
    one.write_bytes(b"half")
    (other / "inside").write_bytes(b"half")
    print("ready", flush=True)
    time.sleep(60)
"""


@pytest.fixture
def holder(tmp_path):
    """A live run that holds a temporary file and a folder in tmp_path."""
    with subprocess.Popen([sys.executable, "-c", HOLD, str(tmp_path)], stdout=subprocess.PIPE, text=True) as run:
        assert run.stdout is not None and run.stdout.readline() == "ready\n"
        yield run
        run.kill()


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def test_what_a_live_run_holds_stays_and_goes_once_it_was_killed(holder, tmp_path):
    held = names(tmp_path)
    assert len(held) == 2
    write_file(tmp_path / "a.json", b"{}", force=False)
    assert names(tmp_path) == sorted([*held, "a.json"])
    holder.send_signal(signal.SIGKILL)
    holder.wait()
    assert names(tmp_path) == sorted([*held, "a.json"])
    write_file(tmp_path / "b.json", b"{}", force=False)
    assert names(tmp_path) == ["a.json", "b.json"]


def test_only_our_own_kind_of_name_is_swept_and_no_link_is_followed(tmp_path):
    mine = tmp_path / "precious"
    mine.mkdir()
    (mine / "song.wav").write_bytes(b"the only copy")
    for name in (".pulsefind-notes", ".pulsefind-abcdefgh", "x.pulsefind-abcdefgh.part", ".pulsefind-ABCDEFGH.part"):
        (tmp_path / name).write_bytes(b"mine")
    (tmp_path / ".pulsefind-linkaaaa.part").symlink_to(mine)
    os.mkfifo(tmp_path / ".pulsefind-pipeaaaa.part")
    before = names(tmp_path)
    (tmp_path / ".pulsefind-abcd_123.part").write_bytes(b"half")
    sweep(tmp_path)
    assert names(tmp_path) == before
    assert names(mine) == ["song.wav"]


NAMED = """\
import os, signal, sys
from pathlib import Path
from pulsefind.core import files
link = os.link
def killed(*names):
    link(*names)
    os.kill(os.getpid(), signal.SIGKILL)
if sys.argv[2] == "rename":
    files._renamed = lambda *_: False
os.link = killed
files.write_file(Path(sys.argv[1]), b"{}", force=False)
"""


@pytest.mark.parametrize("without", ["nothing", "rename"])
def test_a_kill_as_a_file_gets_its_name_leaves_nothing_after_a_run_that_is_refused(without, tmp_path):
    """Where a system can't rename without replacing, a moment has both names; Linux can."""
    code = subprocess.run([sys.executable, "-c", NAMED, str(tmp_path / "a.json"), without], check=False).returncode
    assert names(tmp_path) == ["a.json"] if code == 0 else code == -9 and len(names(tmp_path)) == 2
    assert code == -9 or sys.platform == "linux"
    with pytest.raises(OutputError, match="exists already"):
        write_file(tmp_path / "a.json", b"{}", force=False)
    assert names(tmp_path) == ["a.json"]


def test_a_ladder_that_is_refused_takes_away_what_a_killed_one_left_beside_it(tmp_path):
    (tmp_path / "steps").mkdir()
    (tmp_path / ".pulsefind-abcd_123.part").mkdir()
    (tmp_path / ".pulsefind-abcd_123.part" / "1.wav").write_bytes(b"half")
    with pytest.raises(OutputError, match="exists already"):
        check_folder(tmp_path / "steps", force=False)
    assert names(tmp_path) == ["steps"]


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="no numbers of users")
def test_what_is_another_users_stays(tmp_path, monkeypatch):
    theirs = tmp_path / ".pulsefind-abcd_123.part"
    theirs.write_bytes(b"half")
    monkeypatch.setattr(os, "geteuid", lambda: os.getuid() + 1)
    sweep(tmp_path)
    assert theirs.exists()


def test_one_that_was_swept_before_it_was_locked_is_made_again(tmp_path, monkeypatch):
    """Between its making and its lock another run may sweep it: here the first one is."""
    import fcntl

    lock = fcntl.flock
    gone: list[Path] = []

    def late(handle, how):
        if not gone and how == fcntl.LOCK_EX:
            gone.extend(tmp_path.iterdir())
            gone[0].unlink()
        lock(handle, how)

    monkeypatch.setattr(fcntl, "flock", late)
    with temporary_file(tmp_path) as path:
        assert gone and path != gone[0] and path.exists()
    assert names(tmp_path) == []


def test_a_disk_without_locks_will_do_and_nothing_is_swept_there(tmp_path, monkeypatch):
    import fcntl

    def no_locks(*_):
        raise OSError(95, "Operation not supported")

    monkeypatch.setattr(fcntl, "flock", no_locks)
    (tmp_path / ".pulsefind-abcd_123.part").write_bytes(b"half")
    with temporary_file(tmp_path) as path, temporary_folder(tmp_path) as folder:
        assert path.exists() and folder.exists()
    assert names(tmp_path) == [".pulsefind-abcd_123.part"]


@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="no list of what is open")
def test_no_file_stays_open(tmp_path, monkeypatch):
    import fcntl

    def n_open():
        return len(list(Path("/proc/self/fd").iterdir()))

    (tmp_path / ".pulsefind-abcd_123.part").write_bytes(b"half")
    lock, late = fcntl.flock, iter([True])

    def swept_first(handle, how):
        if how == fcntl.LOCK_EX and next(late, False):
            next(tmp_path.iterdir()).unlink()
        lock(handle, how)

    monkeypatch.setattr(fcntl, "flock", swept_first)
    before = n_open()
    for kind in (temporary_file, temporary_folder, alone_in):
        with kind(tmp_path):
            assert n_open() == before + 1
        assert n_open() == before


def test_alone_in_a_folder_one_waits_for_the_other(tmp_path):
    import fcntl

    handle = os.open(tmp_path, os.O_RDONLY)
    try:
        with alone_in(tmp_path), pytest.raises(BlockingIOError):
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    finally:
        os.close(handle)


def test_what_is_in_use_by_a_run_of_this_process_is_not_swept_either(tmp_path):
    with temporary_file(tmp_path) as one, temporary_folder(tmp_path) as other:
        sweep(tmp_path)
        assert one.is_file() and other.is_dir()


def test_a_folder_that_may_not_be_looked_into_is_no_error():
    sweep(Path("/nonexistent"))
