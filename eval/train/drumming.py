"""A drummer's part over a form: grooves, soft strokes, fills, crashes, other percussion. Times are in beats."""

from __future__ import annotations

import numpy as np

from eval.train.form import FloatArray, Form

KEY_OF = {
    "kick": 36,
    "snare": 38,
    "rim": 37,
    "clap": 39,
    "brush": 82,
    "closed": 42,
    "pedal": 44,
    "open": 46,
    "ride": 51,
    "crash": 49,
    "tom": 45,
    "tamb": 54,
    "bell": 56,
    "block": 76,
    "conga": 63,
    "shaker": 70,
}
"""General MIDI keys of the drums that styles name."""

_LEVEL = {"X": 1.1, "x": 0.9, "o": 0.45}
"""Of an accent, a hit and a soft stroke, to the velocity: judged by ear."""


def drums_of(form: Form, solo: bool) -> FloatArray:
    """A drummer's part: a groove a section, small changes, soft strokes, fills, crashes, other percussion."""
    rng, style = form.rng, form.style
    grooves = list(form.grooves)
    if rng.random() < 0.5:
        grooves[1] = {**grooves[0], "hat": grooves[1]["hat"]}
    fill_every = int(rng.choice([2, 4, 4, 8, 8, 99]))
    crash = rng.random() < 0.8
    loose = rng.uniform(0.02, 0.12) if solo else rng.uniform(0, 0.04)
    extras = [e for e in style.extras if rng.random() < (0.35 if len(style.extras) < 3 else 0.6)]
    no_kit = bool(extras) and rng.random() < 0.08
    hits: list[tuple[float, int, float]] = []
    was_fill = False
    for bar in range(form.bars):
        first, slots = float(form.bar_start[bar]), form.slots(bar)
        for name, rhythm in extras:
            _strike(hits, form, first, bar, slots, rhythm, name, 0.02, 80)
        if no_kit:
            continue
        which = form.section[bar] if not solo else int(rng.integers(3)) if rng.random() < 0.2 else form.section[bar]
        groove = grooves[which]
        fill = (bar + 1) % fill_every == 0 and rng.random() < 0.65 and slots >= 4
        end = slots - int(rng.integers(1, max(2, slots // (2 * style.slots) + 1))) * style.slots if fill else slots
        if was_fill and crash and rng.random() < 0.75:
            hits.append((first, int(rng.choice([49, 57])), 112.0))
        for name in ("kick", "snare", "hat"):
            _strike(hits, form, first, bar, end, groove[name], groove[f"{name}_sound"], loose, 100)
        if fill:
            _fill(hits, form, first, end, slots)
        was_fill = fill
    return np.array(sorted(hits), float).reshape(-1, 3)


def _strike(
    hits: list[tuple[float, int, float]],
    form: Form,
    first: float,
    bar: int,
    slots: int,
    rhythm: str,
    name: str,
    loose: float,
    velocity: float,
) -> None:
    """Play a rhythm's bar up to a number of slots, with strokes left out and added here and there."""
    rng, size = form.rng, form.style.beats * form.style.slots
    offset = (bar * size) % len(rhythm)
    key = KEY_OF[name]
    for slot in range(slots):
        mark = rhythm[offset + slot % size]
        level = _LEVEL.get(mark, 0.0)
        if level and slot and rng.random() < loose:
            continue
        if not level and rng.random() < loose * 0.5:
            level = 0.35
        if level:
            struck = key if name != "tom" else int(rng.choice([41, 43, 45]))
            hits.append(
                (
                    first + slot / form.style.slots,
                    struck,
                    float(np.clip(velocity * level * rng.normal(1, 0.07), 8, 127)),
                )
            )


def _fill(hits: list[tuple[float, int, float]], form: Form, first: float, start: int, slots: int) -> None:
    """Snare and toms to the end of the bar."""
    rng = form.rng
    keys = [[38], [50, 48, 45, 43], [48, 43], [38, 45], [38, 50, 47, 43]][rng.integers(5)]
    step = 2 if form.style.slots == 4 and rng.random() < 0.4 else 1
    for slot in range(start, slots, step):
        if rng.random() < 0.85:
            key = keys[min(len(keys) - 1, (slot - start) * len(keys) // max(1, slots - start))]
            hits.append((first + slot / form.style.slots, key, float(rng.uniform(70, 120))))
            if rng.random() < 0.15:
                hits.append((first + slot / form.style.slots, 36, 95.0))


# ---------------------------------------------------------------- pitched parts
