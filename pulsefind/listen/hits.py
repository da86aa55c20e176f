"""Hits and notes: when, to a millisecond, and which of the recurring sounds each of them is.

pulsefind's own kit network hears the drum kit, the bass and what is plucked, kind by kind (drums). Anything else that
recurs (an unknown shaker, a muted string, a hand on a guitar) is found without training (recurring). Each hit is then
timed and measured (measuring).
"""

from __future__ import annotations

import numpy as np

from pulsefind.core.cache import Arrays, code_version, kept
from pulsefind.core.records import Audio, Hits, Sound
from pulsefind.listen import network
from pulsefind.listen.drums import explained, taught_groups
from pulsefind.listen.features import Float32Array, spectrogram
from pulsefind.listen.measuring import TIMBRE_HZ, hits_of
from pulsefind.listen.recurring import recurring_groups


def find_hits(audio: Audio, use_cache: bool = False, kit: Float32Array | None = None) -> Hits:
    """Find the percussive hits of a recording and sort them into sounds, or take what an earlier run found.

    kit: (n_frames, 10) the kit network's outputs for the recording, if they are known already. Silence, or fewer than a
    handful of attacks, gives no hits.
    """
    key = f"hits-{code_version(__file__)}-{network.version(network.KIT)}-{audio.sha256}"
    return _from_arrays(kept(key, lambda: _as_arrays(_hits_of(audio, use_cache, kit)), use_cache, _from_arrays))


def _as_arrays(hits: Hits) -> Arrays:
    """Hits as the cache keeps them."""
    measured = np.array([(s.centre_hz, s.decay_ms, s.noisiness) for s in hits.sounds]).reshape(-1, 3)
    kinds = np.array([(s.drum, s.instrument) for s in hits.sounds], np.str_).reshape(-1, 2)
    return hits.time_s, hits.sound, hits.strength, hits.level_db, hits.timbre, hits.log_odds, measured, kinds


def _from_arrays(arrays: Arrays) -> Hits:
    time_s, sound, strength, level_db, timbre, log_odds, measured, kinds = arrays
    rows = zip(measured.tolist(), kinds.tolist(), strict=True)
    sounds = tuple(Sound(*of_sound, *kind) for of_sound, kind in rows)
    return Hits(time_s, sound, strength, level_db, timbre, TIMBRE_HZ, sounds, log_odds)


def _hits_of(audio: Audio, use_cache: bool, heard: Float32Array | None) -> Hits:
    spectrum = spectrogram(audio.samples, audio.rate_hz, str(audio.path or "the samples"))
    if heard is None:
        heard = network.network_outputs(audio, network.KIT, use_cache=use_cache)
    kit = taught_groups(heard, spectrum)
    untaught = [group for group in recurring_groups(spectrum) if not explained(group, kit, spectrum)]
    return hits_of(audio, spectrum, kit + untaught)
