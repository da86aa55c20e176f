"""Confidence in the 1 and in the beat phase, over the whole track and section by section.

The bars of a track repeat each other: if each counted in full, every answer would be "100 % sure". So a track, and each
section by itself, counts as much as one independent bar.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from scipy.special import expit, softmax

from pulsefind.core.arrays import most_common
from pulsefind.core.records import FloatArray, IntArray, SectionConfidence

PHASE_EVIDENCE_BARS = 1.0
"""How many bars' worth of independent evidence about the place of the 1 a track holds (judged)."""

SECTION_BARS = 16
"""Parts of songs mostly have 8 or 16 bars (common practice, no source)."""


def phase_shares(log_odds: FloatArray, count: IntArray, meter: int) -> FloatArray:
    """(meter,) probability that the 1 lies 0, 1, 2 ... beats after where it is counted, from log odds of beats."""
    n_bars = max(1.0, len(log_odds) / meter)
    score = np.array([log_odds[(count - 1 - shift) % meter == 0].sum() / n_bars for shift in range(meter)])
    shares: FloatArray = softmax(min(PHASE_EVIDENCE_BARS, n_bars) * score)
    return shares


def beat_phase_share(log_odds: float) -> float:
    """The probability of a beat phase that is marked more strongly than the other by so much, in log odds."""
    return float(expit(log_odds))


def by_section(
    log_odds: FloatArray, phase_log_odds: FloatArray, count: IntArray, beats_per_bar: IntArray
) -> tuple[SectionConfidence, ...]:
    """Confidence in each section of 16 bars by itself; a remainder of less than half a section joins the last.

    log_odds: (n_beats,) that each is a downbeat; phase_log_odds: (n_beats,) by how much each is marked more strongly
    than the middle after it; count and beats_per_bar as found. No beats give no sections.
    """
    if not len(count):
        return ()
    bar = np.cumsum(count == 1) - (1 if count[0] == 1 else 0)
    n_bars = int(bar[-1]) + 1
    n_sections = max(1, (n_bars + SECTION_BARS // 2) // SECTION_BARS)
    edges = [*range(0, n_sections * SECTION_BARS, SECTION_BARS), n_bars]
    found = []
    for first, end in pairwise(edges):
        inside = (bar >= first) & (bar < end)
        meter = most_common(beats_per_bar[inside])
        phase = beat_phase_share(float(phase_log_odds[inside].mean()))
        one = float(phase_shares(log_odds[inside], count[inside], meter)[0])
        found.append(SectionConfidence(first, end - 1, one * phase, phase))
    return tuple(found)
