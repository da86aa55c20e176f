"""The take review as JSON: everything that a page or another program needs to draw it."""

from __future__ import annotations

import dataclasses
import json
from typing import Any

import numpy as np

from pulsefind.take.records import Review

SCHEMA = 2
"""Raised when the meaning or the name of a field changes."""


def review_to_json(review: Review) -> str:
    """Write a review as JSON text; numbers to 6 decimals. The same review always gives the same bytes."""
    document = {"schema": SCHEMA, "program": "pulsefind take", **_plain(review)}
    return json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False)


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: _plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return [_plain(item) for item in value.tolist()]
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if isinstance(value, float):
        return round(value, 6)
    return value
