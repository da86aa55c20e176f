"""Drums and notes, as pulsefind's own kit network hears them, kind by kind."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter1d
from scipy.special import logit

from pulsefind.core import nearest
from pulsefind.listen import network
from pulsefind.listen.features import Float32Array, Spectrogram
from pulsefind.listen.measuring import MIN_HITS, Group, band_weight


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of hit.

    output of the network; least: the likelihood from which it counts as a hit; low_hz, high_hz: the band in which it is
    measured; drum or instrument: what it is called.
    """

    output: str
    least: float
    low_hz: float
    high_hz: float
    drum: str = ""
    instrument: str = ""


KINDS = (
    Kind("kick", 0.5, 30.0, 160.0, drum="bass drum"),
    Kind("snare", 0.25, 150.0, 8000.0, drum="snare"),
    Kind("hat", 0.4, 5000.0, 16000.0, drum="hi-hat"),
    Kind("cymbal", 0.35, 3000.0, 16000.0, drum="cymbal"),
    Kind("tom", 0.4, 60.0, 500.0, drum="tom"),
    Kind("percussion", 0.4, 300.0, 10000.0, drum="percussion"),
    Kind("bass", 0.35, 40.0, 400.0, instrument="bass"),
    Kind("pluck", 0.35, 150.0, 5000.0, instrument="guitar or keys"),
)
"""Likelihoods are those with the highest F on songs made with new seeds (fitted: KIT_CARD.md); bands are common
practice, no source.
"""

LEAST_LOG_ODDS = -3.0
"""Hits down to this many log odds below the threshold are kept as doubtful (judged): the folded bars may decide."""

EXPLAINED, EXPLAINED_S = 0.75, 0.03
"""An untaught sound is really one of the drums if this share of its hits is this close to the drum's, and its band is
within the drum's (judged).
"""


def taught_groups(heard: Float32Array, spectrum: Spectrogram) -> list[Group]:
    """Hits and notes in the network's outputs (n_frames, n_outputs): one group for each kind heard often enough."""
    outputs = network.packaged_weights(network.KIT).outputs
    groups = [_group(kind, heard[:, outputs.index(kind.output)], spectrum) for kind in KINDS]
    return [group for group in groups if group is not None]


def _group(kind: Kind, likely: Float32Array, spectrum: Spectrogram) -> Group | None:
    log_odds = logit(np.clip(likely, 1e-4, 1 - 1e-4).astype(np.float64)) - logit(kind.least)
    frame = np.flatnonzero((likely == maximum_filter1d(likely, 5)) & (log_odds > LEAST_LOG_ODDS))
    sure = log_odds[frame] >= 0
    if sure.sum() < MIN_HITS:
        return None
    attack = np.round(frame / network.FRAME_RATE_HZ * spectrum.frame_rate_hz).astype(np.int64)
    attack = np.minimum(attack, len(spectrum.magnitude) - 1)
    inside = (spectrum.centre_hz >= kind.low_hz) & (spectrum.centre_hz <= kind.high_hz)
    weight = band_weight(spectrum, attack[sure], inside.astype(np.float64))
    full = float(np.percentile(likely[frame][sure], 90))
    strength = np.minimum(likely[frame] / full, 2.0).astype(np.float64)
    return Group(attack, strength, weight, kind.drum, log_odds[frame], kind.instrument)


def explained(group: Group, taught: list[Group], spectrum: Spectrogram) -> bool:
    """Is the group just one of the drums again? Notes don't explain a group, since many coincide with other sounds."""
    reach = EXPLAINED_S * spectrum.frame_rate_hz
    centre = int(np.searchsorted(np.cumsum(group.weight), 0.5))
    for known in taught:
        if not known.drum or known.weight[centre] <= 0:
            continue
        if float(np.mean(nearest.distance(known.sure(), group.attack) <= reach)) >= EXPLAINED:
            return True
    return False
