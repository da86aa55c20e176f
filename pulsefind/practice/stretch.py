"""Slower and faster without changing pitch, in bounded memory.

Signalsmith Stretch (through python-stretch) does the work. It takes a whole sound at once, so a long track is processed
in overlapping pieces; each lies at its exact place, and neighbours are joined where they agree best.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import python_stretch
from numpy.typing import NDArray

from pulsefind.core import fades
from pulsefind.core.errors import HintError
from pulsefind.core.records import FloatArray

SLOWEST, FASTEST = 0.25, 2.0  # judged by ear: beyond, hits smear

BLOCK_S = 0.1
"""Length of the spectral window (judged by ear): long enough for a bass, short enough to keep hits in place."""

HOPS_PER_BLOCK = 8  # judged by ear
PIECE_S = 20.0  # judged: bounds the memory
MARGIN_S = 0.5
"""Sound on either side of a piece that is stretched along with it (judged)."""

FADE_S = 0.03  # judged by ear: between two pieces
_SEED = 1  # judged, any will do: of the stretcher's phases, so that the same sound gives the same bytes
_SEARCH_STEP_S = 0.005  # judged: between places that are tried for a join

Samples = NDArray[np.float32]


def check_speed(speed: float) -> float:
    """Refuse a speed that can't be rendered.

    Raises
    ------
    HintError
        if it is not within SLOWEST..FASTEST.
    """
    if not SLOWEST <= speed <= FASTEST:
        raise HintError(f"--speed {speed:g}: from {SLOWEST:g} (slower) to {FASTEST:g} (faster) can be rendered")
    return speed


def stretched(blocks: Iterator[Samples], rate_hz: int, speed: float) -> Iterator[Samples]:
    """Play blocks (n, channels) at another speed: what was at sample i comes out at sample i / speed.

    The same input gives the same output. No blocks give none.
    """
    piece, margin = round(PIECE_S * rate_hz), round(MARGIN_S * rate_hz)
    held: Samples | None = None
    held_start = 0
    for first, sound in _pieces(blocks, piece, margin):
        start = round(first / speed)
        new = _stretch(sound, rate_hz, speed)
        if held is None:
            held, held_start = new, start
            continue
        joined, rest = _join(held, new, start - held_start, rate_hz)
        yield joined
        held, held_start = rest, held_start + len(joined)
    if held is not None:
        yield held


def _pieces(blocks: Iterator[Samples], piece: int, margin: int) -> Iterator[tuple[int, Samples]]:
    """Cut a stream into pieces of piece + 2 margin samples, each with the sample at which it starts."""
    buffer: Samples | None = None
    first = 0
    for block in blocks:
        buffer = block if buffer is None else np.concatenate([buffer, block])
        while len(buffer) >= piece + 2 * margin:
            yield first, buffer[: piece + 2 * margin]
            buffer = buffer[piece:]
            first += piece
    if buffer is not None and (len(buffer) > 2 * margin or first == 0):
        yield first, buffer


def _stretch(sound: Samples, rate_hz: int, speed: float) -> Samples:
    machine = python_stretch.Signalsmith.Stretch(_SEED)
    block = round(BLOCK_S * rate_hz)
    machine.configure(sound.shape[1], block, block // HOPS_PER_BLOCK)
    machine.timeFactor = speed
    # A sound shorter than the window would come out too short, so it is padded, then cut to length.
    padded = np.concatenate([sound, np.zeros((block, sound.shape[1]), np.float32)])
    out = np.asarray(machine.process(np.ascontiguousarray(padded.T)), np.float32)
    return out.T[: round(len(sound) / speed)]


def _join(old: Samples, new: Samples, at: int, rate_hz: int) -> tuple[Samples, Samples]:
    """Fade from old to new, which starts at sample `at` of old; returns what is final and what isn't yet.

    The fade lies where the two agree best within their overlap.
    """
    overlap = len(old) - at
    fade = min(round(FADE_S * rate_hz), overlap)
    tail, head = old[at:], new[:overlap]
    place, agreed = _best_place(tail.mean(axis=1), head.mean(axis=1), fade, round(_SEARCH_STEP_S * rate_hz))
    out, into = fades.gains(np.linspace(0, 1, fade), agreed)
    mixed = tail[place : place + fade] * out[:, None] + head[place : place + fade] * into[:, None]
    done = np.concatenate([old[: at + place], mixed.astype(np.float32)])
    return done, new[place + fade :]


def _best_place(tail: Samples, head: Samples, fade: int, step: int) -> tuple[int, float]:
    """Where the two are most alike over the length of a fade: the start, and the correlation there."""
    starts = np.arange(len(tail) // 4, max(len(tail) // 4 + 1, 3 * len(tail) // 4 - fade), step)
    cross, own, other = (_sums(a * b, starts, fade) for a, b in ((tail, head), (tail, tail), (head, head)))
    agreed = cross / np.sqrt(np.maximum(own * other, 1e-20))
    best = int(np.argmax(agreed))
    return int(starts[best]), float(agreed[best])


def _sums(values: Samples, starts: NDArray[np.int64], length: int) -> FloatArray:
    total = np.r_[0.0, np.cumsum(values, dtype=np.float64)]
    sums: FloatArray = total[starts + length] - total[starts]
    return sums
