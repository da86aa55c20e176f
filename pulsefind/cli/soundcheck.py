"""The command `soundcheck`."""

from __future__ import annotations

import dataclasses
import json
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pulsefind.core.words import WIDTH

if TYPE_CHECKING:
    from pulsefind.soundcheck import Check

_INDENT = 25  # judged: the column in which findings begin

CheckJsonOption = Annotated[bool, typer.Option("--json", help="Print the checks as JSON.")]


def soundcheck(json_output: CheckJsonOption = False) -> None:
    """Try everything on this machine: versions, file formats, room, networks. Exit code 1 if something is broken."""
    from pulsefind import soundcheck as checking

    checks = checking.soundcheck(Path())
    if json_output:
        print(json.dumps({"schema": 1, "checks": [dataclasses.asdict(check) for check in checks]}, indent=1))
    else:
        print("\n".join(_lines(checks)))
    if any(not check.works and check.needed for check in checks):
        raise typer.Exit(1)


def _lines(checks: tuple[Check, ...]) -> list[str]:
    lines = []
    for check in checks:
        word = "works" if check.works else ("BROKEN" if check.needed else "missing")
        head = f"{check.name:<16} {word:<7} "
        lines += textwrap.wrap(check.found, WIDTH, initial_indent=head, subsequent_indent=" " * _INDENT)
        if check.advice:
            advice = f"What to do: {check.advice}."
            lines += textwrap.wrap(advice, WIDTH, initial_indent=" " * _INDENT, subsequent_indent=" " * _INDENT)
    broken = [check.name for check in checks if not check.works and check.needed]
    lines.append(f"Broken: {', '.join(broken)}" if broken else "Ready to play.")
    return lines
