"""Parts of a song that sound alike, from its harmony: a suggestion of sections for a person to name.

A self-similarity of four-bar blocks (J. Foote, "Visualizing music and audio using self-similarity", ACM Multimedia
1999): each bar is described by the mean strength of the pitch classes in its quarters, relative to their usual
strength.
"""

from __future__ import annotations

import numpy as np

from pulsefind.core.arrays import FloatArray
from pulsefind.core.corrections import Section
from pulsefind.core.records import Bars, Harmony

BLOCK_BARS = 4
"""Phrases mostly have four or eight bars (common practice, no source)."""

ALIKE = 0.45
"""Blocks with at least this correlation are the same part again (judged: unrelated ones have about 0)."""

_QUARTERS = 4  # judged: parts of a bar whose harmony is compared
_LETTERS = 26  # of the alphabet (arithmetic)


def alike_parts(bars: Bars, harmony: Harmony) -> tuple[Section, ...]:
    """Sections called A, B, ... in order of appearance; a part that comes back has the same letter.

    bars and harmony count their times from the same moment. Fewer than two blocks of full bars give none.
    """
    full = np.flatnonzero(bars.number >= 1)
    n_blocks = len(full) // BLOCK_BARS
    if n_blocks < 2 or not len(harmony.pitch_class):
        return ()
    rows = _bar_rows(bars, harmony)[full[: n_blocks * BLOCK_BARS]]
    spread = rows.std(axis=(0, 1))
    rows = (rows - rows.mean(axis=(0, 1))) / np.where(spread > 0, spread, 1.0)
    blocks = rows.reshape(n_blocks, -1)
    length = np.linalg.norm(blocks, axis=1, keepdims=True)
    blocks = blocks / np.where(length > 0, length, 1.0)
    letters = _letters(blocks @ blocks.T)
    return _joined(letters, bars.number[full].tolist())


def _bar_rows(bars: Bars, harmony: Harmony) -> FloatArray:
    """(n_bars, 4, 24) mean strength of the pitch classes in each quarter of each bar, as a logarithm."""
    total = np.r_[np.zeros((1, harmony.pitch_class.shape[1])), np.cumsum(harmony.pitch_class, axis=0)]
    share = np.arange(_QUARTERS + 1) / _QUARTERS
    edge_s = bars.start_s[:, None] + (bars.ends_s - bars.start_s)[:, None] * share[None, :]
    edge = np.clip(np.round(edge_s * harmony.frame_rate_hz).astype(np.int64), 0, len(total) - 1)
    frames = np.maximum(np.diff(edge, axis=1), 1)
    rows: FloatArray = np.log1p((total[edge[:, 1:]] - total[edge[:, :-1]]) / frames[:, :, None])
    return rows


def _letters(similarity: FloatArray) -> list[int]:
    """(n_blocks,) the letter of each block: that of the most similar earlier blocks, else the next one."""
    of: list[int] = []
    for block in range(len(similarity)):
        known = sorted(set(of))
        fit = [float(np.mean([similarity[block, k] for k in range(block) if of[k] == letter])) for letter in known]
        best = int(np.argmax(fit)) if fit else -1
        new = not fit or (fit[best] < ALIKE and len(known) < _LETTERS)
        of.append(len(known) if new else known[best])
    return of


def _joined(letters: list[int], number: list[int]) -> tuple[Section, ...]:
    found: list[Section] = []
    for block, letter in enumerate(letters):
        name, first, last = chr(ord("A") + letter), number[block * BLOCK_BARS], number[(block + 1) * BLOCK_BARS - 1]
        if found and found[-1].name == name:
            first = found.pop().first_bar
        found.append(Section(name, first, last))
    return tuple(found)
