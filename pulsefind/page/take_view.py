"""What the page shows of a take, read from the review that `pulsefind take` saved and from the player's history."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

from pulsefind.core.errors import FormatError
from pulsefind.core.given import read_given
from pulsefind.core.records import Analysis
from pulsefind.take.history import TakeEntry, read_history
from pulsefind.take.to_json import SCHEMA

LARGEST_BYTES = 64 * 2**20  # judged: a review of four hours has less than half of it

_SUMMARY = ("offset_ms", "spread_ms", "n")
_SECTION = ("name", "first_bar", "last_bar", "start_s", "end_s")
_PLACE = ("place", "kind", "bars", "histogram")
_DRIFT = (
    "first_bar",
    "last_bar",
    "ms_per_bar",
    "error_ms",
    "player_bpm",
    "track_bpm",
    "end_offset_ms",
    "back_after_bars",
)
_CORRECTION = ("cause", "first_bar", "last_bar", "size_ms", "bars", "spread_share", "stretch")
_NOTE = ("place", "nominal_ms", "played_ms", "even_ms")
_PRACTICE = ("what", "why", "command")
_ENTRY = ("reviewed_at", "recording", "spread_ms", "worst_alone_ms")


def read_take_review(path: Path, analysis: Analysis, history: Path | None = None) -> dict[str, Any]:
    """Read a saved review in the form the page's script wants: the fields' own names, (n,) lists for the hits.

    history: the player's file of takes; those of other tracks are left out.

    Raises
    ------
    FormatError
        if a file can't be read, holds no review, one without a chosen start, or one of another track.
    """
    review = _document(path)
    if review.get("track_sha256") != analysis.track.sha256:
        raise FormatError(
            f"{path}: a review of another track ({review.get('track')}); make one of this track with pulsefind take"
        )
    if review.get("verdict") != "reviewed":
        raise FormatError(
            f"{path}: this review could not place the take on the track; run pulsefind take again with --starts-at"
        )
    takes = read_history(history) if history is not None else ()
    options = [["--take", str(path)], *([["--history", str(history)]] if history is not None else [])]
    try:
        shown = {**_shown(review), "history": _entries(takes, analysis.track.sha256), "options": options}
        # Python reads and writes NaN and Infinity, which no browser takes: the whole page would stay empty.
        json.dumps(shown, allow_nan=False)
    except ValueError:
        raise FormatError(f"{path}: a number of the review is none; make it again with pulsefind take --out") from None
    except (KeyError, TypeError, AttributeError) as error:
        raise FormatError(f"{path}: the review lacks {error}; make it again with pulsefind take --out") from None
    return shown


def _document(path: Path) -> dict[str, Any]:
    data = read_given(path, LARGEST_BYTES, "a review of a take")
    try:
        review = json.loads(data.decode())
    except (ValueError, RecursionError) as error:
        raise FormatError(f"{path}: can't be read as a review ({error}); make it with pulsefind take --out") from None
    if not isinstance(review, dict) or review.get("program") != "pulsefind take":
        raise FormatError(f"{path}: not a review of a take; make one with pulsefind take --out")
    if review.get("schema") != SCHEMA:
        raise FormatError(f"{path}: a review of schema {review.get('schema')}, not {SCHEMA}; make it again")
    return review


def _shown(review: dict[str, Any]) -> dict[str, Any]:
    played = review["played"]
    return {
        "recording": review["recording"],
        "offset_known": review["alignment"]["offset_known"],
        "noticeable_ms": review["noticeable_ms"],
        "whole": _only(review["whole"], _SUMMARY),
        "missed": [missed["time_s"] for missed in review["missed"]],
        "extra": sum(stray["reason"] == "extra" for stray in review["strays"]),
        "hits": {"nominal_s": played["nominal_s"], "offset_ms": [round(ms, 1) for ms in played["offset_ms"]]},
        "sections": [
            {**_only(section, _SECTION), **_only(section["offsets"], _SUMMARY)} for section in review["sections"]
        ],
        "places": [{**_only(place, _PLACE), **_only(place["offsets"], _SUMMARY)} for place in review["places"]],
        "histogram_edges_ms": review["histogram_edges_ms"],
        "drifts": [_only(drift, _DRIFT) for drift in review["drifts"]],
        "corrections": [
            {**_only(found, _CORRECTION), "notes": [_only(note, _NOTE) for note in found["notes"]]}
            for found in review["corrections"]
        ],
        "practice": _only(review["practice"], _PRACTICE) if review["practice"] else None,
        "notes": review["notes"],
    }


def _only(fields: dict[str, Any], names: tuple[str, ...]) -> dict[str, Any]:
    return {name: fields[name] for name in names}


def _entries(takes: tuple[TakeEntry, ...], track_sha256: str) -> list[dict[str, Any]]:
    return [_only(asdict(entry), _ENTRY) for entry in takes if entry.track_sha256 == track_sha256]
