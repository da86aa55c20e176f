"""Where the output can't take what is printed, one line says so, and the exit code is 2."""

import subprocess
import sys
from pathlib import Path

import pytest


@pytest.mark.parametrize("words", [["--help"], ["--version"], ["find", "--help"]])
def test_a_full_output_is_one_line(words):
    """/dev/full (Linux, full(4)) refuses every write as a full disk does."""
    with Path("/dev/full").open("w") as full:
        command = [sys.executable, "-m", "pulsefind", *words]
        result = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert (result.returncode, result.stderr.count("\n")) == (2, 1)
    assert result.stderr.startswith("pulsefind: the output: No space left")
