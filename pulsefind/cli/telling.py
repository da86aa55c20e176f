"""How commands that make sound say what they made: in words, with levels on request, and the caution."""

from __future__ import annotations

import json
import textwrap
import time
from dataclasses import dataclass
from math import isfinite
from typing import TYPE_CHECKING, Annotated

import typer

from pulsefind.core.words import WIDTH, wrapped

if TYPE_CHECKING:
    from pulsefind.core.records import Analysis
    from pulsefind.practice.mix import Rendered

SESSION_S = 12 * 3600
"""The caution is shown once in this time, that is once a day of practice (judged). Every cue sheet has it."""

_SAID = "cautioned"


@dataclass(frozen=True)
class Telling:
    """How much is said."""

    verbose: Annotated[
        bool, typer.Option("--verbose", "-v", help="Tell loudness and true peak as well, by EBU R 128.")
    ] = False
    json_output: Annotated[bool, typer.Option("--json", help="Tell files, lengths and levels as JSON.")] = False


def show(text: str) -> None:
    """Print a line, wrapped for the terminal."""
    indent = text[: len(text) - len(text.lstrip())]
    print("\n".join(wrapped(text.lstrip(), indent, f"{indent}  ")))


def levels_text(one: Rendered) -> str:
    """The levels of a file for those who master: '104 clicks, -17.0 LUFS, true peak -4.1 dBTP'."""
    down = f", turned down {one.turned_down_db:.1f} dB to stay clear of clipping" if one.turned_down_db > 0 else ""
    loud = f"{one.loudness_lufs:.1f} LUFS" if isfinite(one.loudness_lufs) else "too short or soft for a loudness"
    return f"{one.n_clicks} clicks, {loud}, true peak {one.true_peak_dbtp:.1f} dBTP{down}"


def levels_json(done: tuple[Rendered, ...]) -> str:
    """What was written, for programs."""
    files = [
        {
            "path": str(one.path),
            "duration_s": round(one.duration_s, 6),
            "clicks": one.n_clicks,
            # Nothing that is quieter than the gate of R 128, or shorter than its blocks, has a loudness.
            "loudness_lufs": round(one.loudness_lufs, 2) if isfinite(one.loudness_lufs) else None,
            "true_peak_dbtp": round(one.true_peak_dbtp, 2),
            "turned_down_db": round(one.turned_down_db, 2),
        }
        for one in done
    ]
    return json.dumps({"schema": 1, "files": files}, ensure_ascii=False, allow_nan=False, indent=1)


def warn(analysis: Analysis) -> None:
    """Say if what the clicks rest on is in doubt, and the caution about hearing if it wasn't said today."""
    from pulsefind.practice.ladder import CAUTION

    doubts(analysis)
    if _first_today():
        print(textwrap.fill(CAUTION, WIDTH))


def doubts(analysis: Analysis) -> None:
    """Say what the analysis is unsure of, and what settles it."""
    from pulsefind.report.doubts import doubts_of, other_warnings

    for doubt in doubts_of(analysis):
        show(f"Doubt: {doubt.sentence}")
    for warning in other_warnings(analysis):
        show(f"Note: {warning}")


def _first_today() -> bool:
    """Is it a session's time since the caution was last said? If that can't be remembered, it is said."""
    from pulsefind.core.cache import remembered

    return not remembered(_SAID, SESSION_S, time.time())
