"""Answers as JSON: what a worker process prints and what the store keeps."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from eval.records import Answer, ClaimedGuide, Cost, Reference

JsonDict = dict[str, Any]


def answer_to_json(answer: Answer) -> JsonDict:
    """Return plain lists and numbers."""
    return {
        "beat_s": answer.beat_s.tolist(),
        "count": None if answer.count is None else answer.count.tolist(),
        "guides": None
        if answer.guides is None
        else [
            {
                "name": g.name,
                "pattern_bars": g.pattern_bars,
                "position": g.position.tolist(),
                "hit_s": g.hit_s.tolist(),
            }
            for g in answer.guides
        ],
        "error": answer.error,
        "sure": None if answer.sure is None else dict(answer.sure),
    }


def answer_from_json(data: Mapping[str, Any]) -> Answer:
    """Return the answer that answer_to_json wrote."""
    guides = data["guides"]
    return Answer(
        beat_s=np.array(data["beat_s"], dtype=np.float64),
        count=None if data["count"] is None else np.array(data["count"], dtype=np.int64),
        guides=None
        if guides is None
        else tuple(
            ClaimedGuide(
                g["name"],
                g["pattern_bars"],
                np.array(g["position"], dtype=np.float64),
                np.array(g["hit_s"], dtype=np.float64),
            )
            for g in guides
        ),
        error=data["error"],
        sure=data["sure"],
    )


def reference_to_json(reference: Reference) -> JsonDict:
    """Return the beats and counts; the drums aren't for the systems to see."""
    return {
        "beat_s": reference.beat_s.tolist(),
        "count": None if reference.count is None else reference.count.tolist(),
    }


def reference_from_json(data: Mapping[str, Any]) -> Reference:
    """Return the reference that reference_to_json wrote."""
    count = data["count"]
    return Reference(np.array(data["beat_s"]), None if count is None else np.array(count, dtype=np.int64))


def cost_to_json(cost: Cost) -> JsonDict:
    """Return the cost by name."""
    return {"wall_s": cost.wall_s, "cpu_s": cost.cpu_s, "peak_mib": cost.peak_mib}


def cost_from_json(data: Mapping[str, float]) -> Cost:
    """Return the cost that cost_to_json wrote."""
    return Cost(**data)
