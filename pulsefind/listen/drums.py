"""Hits of the drum kit, as pulsefind's own kit network hears them."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import maximum_filter1d
from scipy.special import logit

from pulsefind.core import nearest
from pulsefind.listen import network
from pulsefind.listen.features import Float32Array, Spectrogram
from pulsefind.listen.measuring import MIN_HITS, Group, band_weight

DRUM_KINDS = (
    ("bass drum", "kick", 0.5, 30.0, 160.0),
    ("snare", "snare", 0.25, 150.0, 8000.0),
    ("hi-hat", "hat", 0.4, 5000.0, 16000.0),
    ("cymbal", "cymbal", 0.35, 3000.0, 16000.0),
    ("tom", "tom", 0.4, 60.0, 500.0),
    ("percussion", "percussion", 0.4, 300.0, 10000.0),
)
"""Name, output of the network, the likelihood from which it counts as a hit (where F is highest on songs made with new
seeds, model card), and the band in which it is measured."""

LEAST_ODDS = -3.0
"""Log odds, over those from which it counts, down to which a hit of the drum kit is kept as doubtful: the bars laid on
each other may tell."""

EXPLAINED, EXPLAINED_S = 0.75, 0.03
"""A sound found without teaching is a drum of the kit already when this share of its hits lies so near to that drum's,
and its band within the drum's."""


def drum_groups(heard: Float32Array, spectrum: Spectrogram) -> list[Group]:
    """Hits of the drum kit, as the network hears them, one group a kind."""
    groups = []
    outputs = network.packaged_weights(network.KIT).outputs
    for drum, output, least, low_hz, high_hz in DRUM_KINDS:
        likely = heard[:, outputs.index(output)]
        odds = logit(np.clip(likely, 1e-4, 1 - 1e-4).astype(np.float64)) - logit(least)
        frame = np.flatnonzero((likely == maximum_filter1d(likely, 5)) & (odds > LEAST_ODDS))
        sure = odds[frame] >= 0
        if sure.sum() < MIN_HITS:
            continue
        attack = np.round(frame / network.FRAME_RATE_HZ * spectrum.frame_rate_hz).astype(np.int64)
        attack = np.minimum(attack, len(spectrum.magnitude) - 1)
        inside = (spectrum.centre_hz >= low_hz) & (spectrum.centre_hz <= high_hz)
        weight = band_weight(spectrum, attack[sure], inside.astype(np.float64))
        full = float(np.percentile(likely[frame][sure], 90))
        strength = np.minimum(likely[frame] / full, 2.0).astype(np.float64)
        groups.append(Group(attack, strength, weight, drum, odds[frame]))
    return groups


def explained(group: Group, drums: list[Group], spectrum: Spectrogram) -> bool:
    """Is the group one of the drums, heard once more?"""
    reach = EXPLAINED_S * spectrum.frame_rate_hz
    centre = int(np.searchsorted(np.cumsum(group.weight), 0.5))
    for drum in drums:
        if drum.weight[centre] <= 0:
            continue
        if float(np.mean(nearest.distance(drum.sure(), group.attack) <= reach)) >= EXPLAINED:
            return True
    return False
