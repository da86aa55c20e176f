"""Records as JSON: one way to write them, so that the same record always gives the same bytes."""

from __future__ import annotations

import dataclasses
import json
from typing import Any

import numpy as np

DECIMALS = 6
"""Decimals that numbers are rounded to, so times to the microsecond (judged: far finer than what is measured, and a
third shorter).
"""


def plain(value: Any) -> Any:
    """Records, arrays and their contents as objects, lists, rounded numbers and text."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {key: plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return [plain(item) for item in value.tolist()]
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if isinstance(value, (float, np.floating)):
        return round(float(value), DECIMALS)
    if isinstance(value, (np.integer, np.bool_)):
        return value.item()
    return value


def json_text(document: Any) -> str:
    """What `plain` returned, as JSON text; NaN and infinity, which JSON lacks, raise ValueError."""
    return json.dumps(plain(document), ensure_ascii=False, indent=1, allow_nan=False)
