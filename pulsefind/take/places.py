"""Every place of a track's grid as a point in time, to lay hits on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pulsefind.core.counts import label, slot_positions
from pulsefind.core.records import Analysis, FloatArray, GridSection, IntArray


@dataclass(frozen=True, slots=True)
class Slots:
    """Places in order of time: nominal_s, bar (index), beat (index), within (0..1 of the beat), position_beats and
    spacing_s (to the nearer neighbour), (n_slots,) each, and their labels.
    """

    nominal_s: FloatArray
    bar: IntArray
    beat: IntArray
    within: FloatArray
    position_beats: FloatArray
    spacing_s: FloatArray
    place: tuple[str, ...]


def alone_bars(analysis: Analysis) -> IntArray:
    """Indices of the bars in which nothing can be followed; none where the track has no guide at all."""
    if not analysis.guides or not analysis.alone:
        return np.zeros(0, np.int64)
    return np.concatenate([np.arange(s.first_bar, s.last_bar + 1) for s in analysis.alone])


def guided_beats(analysis: Analysis) -> NDArray[np.bool_]:
    """(n_beats,) is there something to follow."""
    guided: NDArray[np.bool_] = ~np.isin(analysis.bars.bar_of_beat, alone_bars(analysis))
    return guided


def lay_slots(analysis: Analysis, section_of_bar: list[GridSection]) -> Slots:
    """Spread the places of each bar's grid section over its beats. No beats give no slots."""
    edges = analysis.edges_s
    bars = analysis.bars.bar_of_beat
    rows: list[tuple[float, int, int, float, float, str]] = []
    for beat, bar in enumerate(bars):
        section = section_of_bar[int(bar)]
        length = edges[beat + 1] - edges[beat]
        count = int(analysis.bars.count[beat])
        for slot, within in enumerate(slot_positions(section)):
            rows.append(
                (
                    float(edges[beat] + within * length),
                    int(bar),
                    beat,
                    float(within),
                    count - 1 + float(within),
                    label(count, slot, section.slots_per_beat),
                )
            )
    if not rows:
        nothing = np.zeros(0)
        none = np.zeros(0, np.int64)
        return Slots(nothing, none, none, nothing, nothing, nothing, ())
    time_s, bar_index, beat_index, within_beat, position, place = zip(*rows, strict=True)
    nominal_s = np.array(time_s)
    gap = np.diff(nominal_s)
    spacing = np.minimum(np.r_[gap[:1], gap], np.r_[gap, gap[-1:]]) if len(gap) else np.ones(1)
    return Slots(
        nominal_s,
        np.array(bar_index),
        np.array(beat_index),
        np.array(within_beat),
        np.array(position),
        spacing,
        tuple(place),
    )


def every_slot(analysis: Analysis) -> Slots:
    """The places that a player may fill, finer than what the track itself uses."""
    return lay_slots(analysis, [_fine(analysis.grid.at(bar)) for bar in range(len(analysis.bars.beats))])


def _fine(section: GridSection) -> GridSection:
    """The grid that a player may fill: sixteenths where the track has two slots or fewer, halves of its triplets."""
    if section.swing_ratio != 1.0:
        return section
    slots = {1: 4, 2: 4, 3: 6}.get(section.slots_per_beat, section.slots_per_beat)
    return GridSection(section.first_bar, section.last_bar, slots, 1.0)


def grid_runs(used: tuple[GridSection, ...]) -> tuple[GridSection, ...]:
    """The grids that the hits were laid on, bar by bar, merged into runs of bars (indices)."""
    found: list[GridSection] = []
    for bar, section in enumerate(used):
        same = found and (found[-1].slots_per_beat, found[-1].swing_ratio) == (
            section.slots_per_beat,
            section.swing_ratio,
        )
        first = found.pop().first_bar if same else bar
        found.append(GridSection(first, bar, section.slots_per_beat, section.swing_ratio))
    return tuple(found)
