"""The take review as JSON: everything that a page or another program needs to draw it."""

from __future__ import annotations

from pulsefind.core.as_json import json_text, plain
from pulsefind.take.records import Review

SCHEMA = 2
"""Raised when the meaning or the name of a field changes."""


def review_to_json(review: Review) -> str:
    """Write a review as JSON text; numbers to 6 decimals. The same review always gives the same bytes."""
    document = {"schema": SCHEMA, "program": "pulsefind take", **plain(review)}
    return json_text(document)
