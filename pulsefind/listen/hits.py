"""Hits and notes: when, to a millisecond, and which of the recurring sounds each of them is.

pulsefind's own kit network hears the drum kit, the bass and what is plucked, kind by kind (drums). Anything else that
recurs (an unknown shaker, a muted string, a hand on a guitar) is found without training (recurring). Each hit is then
timed and measured (measuring).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from pulsefind.core.cache import Arrays, code_version, kept
from pulsefind.core.records import Audio, Hits, Sound
from pulsefind.listen import network
from pulsefind.listen.drums import explained, taught_groups
from pulsefind.listen.features import Float32Array, Spectrogram, spectrogram_of
from pulsefind.listen.measuring import TIMBRE_HZ, hits_of
from pulsefind.listen.recurring import recurring_groups


def find_hits(
    audio: Audio,
    use_cache: bool = False,
    kit: Callable[[], Float32Array] | None = None,
    spectrum: Callable[[], Spectrogram] | None = None,
) -> Hits:
    """Find the percussive hits of a recording and sort them into sounds, or take what an earlier run found.

    kit: returns the kit network's outputs (n_frames, 10) for the recording, and spectrum its spectrogram, if others
    need them as well. Silence, or fewer than a handful of attacks, gives no hits.
    """

    def make() -> Arrays:
        listen = kit or (lambda: network.network_outputs(audio, network.KIT, use_cache))
        return _as_arrays(_hits_of(audio, spectrum() if spectrum else spectrogram_of(audio), listen))

    def name() -> str:
        return f"hits-{code_version(__file__)}-{network.version(network.KIT)}-{network.sound_key(audio)}"

    return _from_arrays(kept(name, make, use_cache, _from_arrays))


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


def _hits_of(audio: Audio, spectrum: Spectrogram, listen: Callable[[], Float32Array]) -> Hits:
    # First what the networks aren't needed for: they may be at work in other threads.
    recurring = recurring_groups(spectrum)
    kit = taught_groups(listen(), spectrum)
    return hits_of(audio, spectrum, kit + [group for group in recurring if not explained(group, kit, spectrum)])
