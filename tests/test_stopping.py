"""Told to stop at any moment, a program says one line and ends with the exit code of the signal."""

import signal
import subprocess
import sys

import pytest

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals of Unix")

WHEN_IMPORTED = """
import os, runpy, sys

class Watch:
    def find_spec(name, path, target=None):
        if name == {module!r}:
            os.kill(os.getpid(), {number})

sys.meta_path.insert(0, Watch)
sys.argv = [{program!r}, "--help"]
runpy.run_module({program!r}, run_name="__main__")
"""

DROPPED = """
import signal, time, weakref
from pulsefind.core.stopping import stop_in_order

class Thing: pass

stop_in_order("it", lambda: print("first"))
thing = Thing()
# What a callback of Python's own raises is dropped.
watch = weakref.ref(thing, lambda _: signal.raise_signal(signal.SIGTERM))
try:
    del thing
    time.sleep(20)
    print("went on")
finally:
    print("in order")
"""


def run(code):
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=60)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.parametrize(
    ("program", "module"),
    [("pulsefind", "numpy"), ("pulsefind", "typer"), ("pulsefind", "pulsefind.core.hints"), ("eval", "scipy.stats")],
)
def test_a_program_that_still_loads_stops_with_one_line(program, module, number):
    done = run(WHEN_IMPORTED.format(program=program, module=module, number=int(number)))
    assert (done.returncode, done.stdout, done.stderr) == (128 + number, "", f"{program}: stopped\n")


def test_a_stop_that_python_drops_is_tried_again():
    done = run(DROPPED)
    assert (done.returncode, done.stdout, done.stderr) == (128 + signal.SIGTERM, "first\nin order\n", "it: stopped\n")


def test_told_twice_it_still_ends_in_order():
    code = (
        "import signal\nfrom pulsefind.core.stopping import stop_in_order\nstop_in_order('it')\n"
        "try:\n    signal.raise_signal(signal.SIGINT)\n"
        "finally:\n    signal.raise_signal(signal.SIGINT)\n    print('in order')\n"
    )
    done = run(code)
    assert (done.returncode, done.stdout, done.stderr) == (130, "in order\n", "it: stopped\n")
