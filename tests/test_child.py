"""Child processes: bounded, told apart by how they end, and gone when we are."""

import multiprocessing
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from pulsefind.core import child
from pulsefind.core.child import Limits, running, worker_pool
from pulsefind.core.errors import OutputError
from pulsefind.page import pdf

resource = pytest.importorskip("resource")
pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals and limits of Unix")


def python(code):
    return [sys.executable, "-c", code]


def ended(pid):
    """Has a process ended? A zombie that nobody has waited for yet counts as ended."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] == "Z"
    except FileNotFoundError:
        return True


def wait_until(condition, limit_s=20.0):
    deadline = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < deadline, "waited in vain"
        time.sleep(0.02)


def test_a_child_that_ends_well_gives_its_output_and_no_reason():
    with running(python("print('hello')"), Limits(30)) as child:
        assert child.stdout.read() == b"hello\n"
        assert child.finish() is None


def test_a_child_that_fails_gives_its_last_line():
    code = "import sys; print('first', file=sys.stderr); print('the last word', file=sys.stderr); sys.exit(3)"
    with running(python(code), Limits(30)) as child:
        assert child.finish() == "the last word"
    with running(python("import sys; sys.exit(3)"), Limits(30)) as child:
        assert child.finish() == "exit code 3"


def test_a_child_that_talks_without_end_on_stderr_does_not_block():
    code = "import sys; sys.stderr.write('x' * 10_000_000); print('done')"
    with running(python(code), Limits(30)) as child:
        assert child.stdout.read() == b"done\n"
        assert child.finish() is None


def test_time_is_limited():
    with running(python("import time; time.sleep(100)"), Limits(0.5)) as child:
        assert child.stdout.read() == b""
        assert child.finish() == "it took longer than 0.5 s"


@pytest.mark.skipif(sys.platform != "linux", reason="counts memory the Linux way")
def test_memory_is_limited():
    with running(python("bytearray(2**30)"), Limits(30, memory_bytes=2**28)) as child:
        assert child.finish() == "MemoryError"


def test_what_it_writes_is_limited(tmp_path):
    path = tmp_path / "big"
    with running(python(f"open({str(path)!r}, 'wb').write(bytes(100_000))"), Limits(30, file_bytes=1000)) as child:
        assert child.finish() is not None
    assert path.stat().st_size <= 1000


def test_leaving_the_block_ends_the_child_and_its_own_children():
    code = "import subprocess; p = subprocess.Popen(['sleep', '100']); print(p.pid, flush=True); p.wait()"
    with running(python(code), Limits(60)) as child:
        grandchild = int(child.stdout.readline())
        assert not ended(grandchild)
    wait_until(lambda: ended(grandchild))


def test_standard_input_is_empty():
    with running(python("import sys; print(sys.stdin.read() == '')"), Limits(30)) as child:
        assert child.stdout.read() == b"True\n"


@pytest.mark.skipif(sys.platform != "linux", reason="the kernel's help is Linux's")
@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
def test_the_child_dies_with_its_parent(how):
    code = (
        # Whoever runs the tests in the background may have left it ignored.
        "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "from pulsefind.core.child import Limits, running\n"
        "with running(['sh', '-c', 'echo $$; exec sleep 100'], Limits(200)) as child:\n"
        "    print(int(child.stdout.readline()), flush=True)\n"
        "    child.finish()\n"
    )
    parent = subprocess.Popen(python(code), stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    with parent:
        pid = int(parent.stdout.readline())
        assert not ended(pid)
        parent.send_signal(how)
    wait_until(lambda: ended(pid))


def in_a_copy(act, *arguments):
    """Run something in a copy of this process: its exit code, and what it returned if that was 0."""
    context = multiprocessing.get_context("fork")
    reader, writer = context.Pipe(duplex=False)
    copy = context.Process(target=lambda: writer.send(act(*arguments)))
    copy.start()
    copy.join(20)
    return copy.exitcode, reader.recv() if reader.poll() else None


@pytest.mark.skipif(sys.platform != "linux", reason="counts memory the Linux way")
def test_the_bounds_are_set_before_the_program_starts():
    bound = child._bounded(Limits(1, memory_bytes=2**34, file_bytes=2**30))

    assert bound is not None

    def bounds():
        bound()
        return [
            resource.getrlimit(kind)[0] for kind in (resource.RLIMIT_CORE, resource.RLIMIT_DATA, resource.RLIMIT_FSIZE)
        ]

    # Room enough for what coverage writes as the copy ends.
    assert in_a_copy(bounds) == (0, [0, 2**34, 2**30])


@pytest.mark.skipif(sys.platform != "linux", reason="the kernel's help is Linux's")
def test_a_child_whose_parent_died_before_it_could_be_watched_leaves():
    # No process has the number 0.
    assert in_a_copy(child._death_watch(), 0) == (1, None)
    assert in_a_copy(child._death_watch(), os.getpid()) == (0, None)


def how_signals_are_taken(_):
    held = signal.pthread_sigmask(signal.SIG_BLOCK, [])
    return signal.getsignal(signal.SIGINT), signal.getsignal(signal.SIGTERM), child._STOPS & held


def test_a_worker_leaves_interrupts_to_its_parent_which_has_its_own_back():
    before = signal.pthread_sigmask(signal.SIG_BLOCK, [])
    with worker_pool(2) as pool:
        taken = pool.map(how_signals_are_taken, range(4))
        assert signal.pthread_sigmask(signal.SIG_BLOCK, []) == before
    assert taken == [(signal.SIG_IGN, signal.SIG_DFL, set())] * 4


def test_a_program_that_is_not_there_is_an_os_error():
    with pytest.raises(FileNotFoundError), running(["/no/such/program"], Limits(1)):
        pass


def fake_browser(tmp_path, monkeypatch, body):
    path = tmp_path / "browser"
    path.write_text(f"#!/bin/sh\n{body}\n")
    path.chmod(0o755)
    monkeypatch.setattr(pdf, "find_browser", lambda: str(path))


@pytest.mark.parametrize(
    ("body", "told"),
    [
        ("exit 0", "no file came"),
        ("echo 'no display' >&2; exit 4", "no display"),
        ("kill -SEGV $$", "signal 11"),
        ("sleep 100", "longer than 0.5 s"),
    ],
)
def test_a_browser_that_fails_is_told_and_leaves_nothing(tmp_path, monkeypatch, body, told):
    fake_browser(tmp_path, monkeypatch, body)
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr("tempfile.tempdir", None)
    if "longer" in told:
        monkeypatch.setattr(pdf, "LIMITS", Limits(0.5))
    with pytest.raises(OutputError, match=told):
        pdf.pdf_of("<p>sheet</p>")
    assert [path.name for path in tmp_path.iterdir()] == ["browser"]


def test_a_browser_that_can_not_be_started_is_told(tmp_path, monkeypatch):
    monkeypatch.setattr(pdf, "find_browser", lambda: str(tmp_path / "gone"))
    with pytest.raises(OutputError, match="can't be started"):
        pdf.pdf_of("<p>sheet</p>")


def test_no_shell_anywhere():
    package = Path(child.__file__).parent.parent
    for path in package.rglob("*.py"):
        text = path.read_text()
        assert "shell=" not in text, path
        assert "os.system" not in text, path
        # child.py is the one place where processes start.
        assert ("import subprocess" in text) == (path.stem == "child"), path
