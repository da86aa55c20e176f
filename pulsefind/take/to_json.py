"""The take review as JSON: everything a page or another program needs to draw it."""

from __future__ import annotations

from pulsefind.core.as_json import json_text, plain
from pulsefind.take.records import Review

SCHEMA = 2
"""The format's own number: raised when the meaning or the name of a field changes."""

FIELDS = (
    *("track", "track_sha256", "recording", "source", "level_unit", "verdict", "alignment", "latency_given_ms"),
    *("whole", "kinds", "sections", "places", "histogram_edges_ms", "drifts", "grid", "swing", "corrections", "gains"),
    *("noticeable_ms", "played", "strays", "missed", "practice", "notes", "grid_doubt", "findings"),
)
"""What is saved, side by side and in this order whatever groups the records form: other programs read these names."""

_GROUPS = ("subject", "strokes", "timing", "movement", "advice")


def review_to_json(review: Review) -> str:
    """Write a review as JSON text; numbers to 6 decimals. The same review always gives the same bytes."""
    fields = plain(review)
    for group in _GROUPS:
        fields |= fields.pop(group)
    return json_text({"schema": SCHEMA, "program": "pulsefind take", **{name: fields[name] for name in FIELDS}})
