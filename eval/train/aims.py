"""What a network is trained for, and what of the recipe follows from that."""

from __future__ import annotations

from dataclasses import dataclass

DILATIONS = (1, 2, 4, 8, 16, 32, 64, 128, 256, 8, 32, 128)


@dataclass(frozen=True, slots=True)
class Aim:
    """dilations: of the layers over time.

    beats_weight, hits_weight: how much the two kinds of outputs count; share_solo, share_human, share_percussion: of
    songs with drums alone, of songs with drums whose drums a human plays, and of those that get other hats and
    hand-held percussion; drums_db: usual level of the drums in the mix and its spread; limited: whether excerpts may
    lack their highs or lows.
    """

    dilations: tuple[int, ...]
    beats_weight: float
    hits_weight: float
    share_solo: float
    share_human: float
    share_percussion: float
    drums_db: tuple[float, float]
    limited: bool


AIMS = {
    "pulse": Aim(DILATIONS, 1.0, 0.3, 0.18, 0.3, 0.0, (1.5, 4.5), True),
    # Which drum it was is heard within a few bars; quiet drums and drums alone are what such a network must hear.
    "kit": Aim(DILATIONS[:7], 0.15, 1.0, 0.25, 0.45, 0.5, (0.0, 6.0), False),
}
