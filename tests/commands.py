"""The command line, run inside the tests' own process."""

import sys

from pulsefind.cli import app as cli


def run(monkeypatch, capsys, *words):
    """Exit code, stdout, stderr of a command line."""
    monkeypatch.setattr(sys, "argv", ["pulsefind", *map(str, words)])
    try:
        cli.main()
        code: int | str = 0
    except SystemExit as end:
        code = end.code or 0
    printed = capsys.readouterr()
    return code, printed.out, printed.err
