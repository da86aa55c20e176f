"""What a player reads first: how it went in two lines, at most three things to practise, and where the tables are."""

from __future__ import annotations

import numpy as np

from pulsefind.core.words import ENDS_EARLY, INDENT, TAKE_ENDS_EARLY, field
from pulsefind.take.records import NOTHING_SPECIAL, Gains, Review
from pulsefind.take.report import doubt_lines, joined, lean, start_lines, tables, title, unplaced_report

MOST_TO_PRACTISE = 3
"""Nobody practises more than three things at once (common practice, no source)."""

GONE_SHARE = 0.25
"""An error counts as fixed once only a quarter of it is left (judged)."""

_TIGHT, _LOOSE = 1.5, 3.0
"""Spreads in units of what a listener just notices: up to the first it sounds together, beyond the second it doesn't
(judged).
"""


def verdict(review: Review, details: bool = False, progress: str = "") -> str:
    """Say how the take went: words first, then the progress since earlier takes (lines, or nothing), then with details
    all tables. Ends with a newline.
    """
    if review.verdict != "reviewed":
        return unplaced_report(review)
    lines = [title(review), "", *doubt_lines(review), *start_lines(review), *_how_it_went(review), *_practise(review)]
    text = joined(lines)
    if progress:
        text += f"\n{progress}"
    if details:
        return f"{text}\n{tables(review)}"
    return text + "\n" + joined([*_missing(review), *field("Tables", "every figure, place by place: --details")])


def fixed_within(gains: Gains) -> str:
    """How soon an error is fixed, in a player's words, from the share of it that each note corrects.

    "within a beat", "within two beats", "within a bar" or "over more than a bar".
    """
    left = 1.0 - float(np.clip(gains.phase_gain, 0.01, 0.99))
    beats = gains.interval_beats * np.log(GONE_SHARE) / np.log(left)
    for most, words in ((1.5, "within a beat"), (2.5, "within two beats"), (4.5, "within a bar")):
        if beats <= most:
            return words
    return "over more than a bar"


def _how_it_went(review: Review) -> list[str]:
    spread, just = review.timing.whole.spread_ms, review.timing.noticeable_ms
    together = "tight" if spread <= _TIGHT * just else "loose" if spread > _LOOSE * just else "steady"
    known = review.alignment.offset_known
    where = f"{lean(review.timing.whole.offset_ms, just, known)}; " if known else ""
    lines = field("Take", f"{where}{together}: strokes spread by {spread:.0f} ms ({just:.0f} ms is just noticed)")
    # A gain that can't be told from zero says nothing about slips: there may have been none to fix.
    if review.movement.gains is not None and review.movement.gains.phase_gain > 2 * review.movement.gains.phase_error:
        lines += field("", f"you fix slips {fixed_within(review.movement.gains)}")
    elif not known:
        lines += field("", "whether you are early or late overall can't be told: --starts-at tells it")
    return [*lines, ""]


def _missing(review: Review) -> list[str]:
    """That a part of the track or of the take is missing, which stands among the notes to the tables otherwise."""
    missing = [note for note in review.advice.notes if note.startswith((ENDS_EARLY, TAKE_ENDS_EARLY))]
    return [line for note in missing for line in field("Note", note)] + [""] * bool(missing)


def _practise(review: Review) -> list[str]:
    """At most three things to practise, each with its bars and a command."""
    rows = [(f"{found.what}: {found.why}", found.command) for found in review.advice.findings[:MOST_TO_PRACTISE]]
    practice = review.advice.practice
    if practice is not None and len(rows) < MOST_TO_PRACTISE and not (rows and practice.what == NOTHING_SPECIAL):
        rows.append((f"{practice.what}: {practice.why}", practice.command))
    lines: list[str] = []
    for index, (text, command) in enumerate(rows):
        lines += field("Practise" if index == 0 else "", f"{index + 1}. {text}")
        lines.append(f"{'':{INDENT}}   {command}")
    return lines
