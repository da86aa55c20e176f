"""How likely a beat and a downbeat are, frame by frame. The only file that imports madmom."""

from __future__ import annotations

import os
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np
from scipy.ndimage import maximum_filter1d
from scipy.special import expit

from pulsefind.core import cache
from pulsefind.core.child import worker_pool
from pulsefind.core.errors import HintError
from pulsefind.core.records import Activations, Audio, FloatArray
from pulsefind.listen.madmom_name import madmom_can_be_imported
from pulsefind.listen.network import pulse_by_whole_and_bass
from pulsefind.listen.sounding import sounding, within_music

NETWORKS = ("own", "both", "stock")
"""pulsefind's own network (free weights), madmom's beside it, or madmom's alone (Böck, Krebs and Widmer 2016; not for
paid work)."""

_STOCK_VERSION = "stock-1"
_FRAME_RATE_HZ = 100.0
_SHORT_S = 20.0
"""Below this, starting helper processes costs more than it saves."""

_WHOLE_S, _PIECE_S, _MARGIN_S = 600, 300, 30
"""Up to _WHOLE_S a recording is heard as a whole by the stock networks, beyond it in pieces with sound on either side:
their memory of what they heard is far shorter."""

_ODDS_REACH = 2
_ODDS_FLOOR = 0.005
_HALF_REACH = 3
_HALF_FLOOR = 1e-4

STOCK_SHARE = 0.8
"""How much the stock networks' word on beats counts where both listen; ours has the rest."""

_BEAT_FLOOR = 1e-5


def activations(audio: Audio, network: str, use_cache: bool) -> Activations:
    """Let one network or both listen, or take what an earlier run on the same sound left in the cache.

    With both, beats are where the stock networks hear them, with some weight for ours (which holds it where theirs
    let go for a few bars), and the mean of both says which of them are downbeats (each knows songs on which the other
    fails). Which half of a beat is the beat is told by our own network wherever it is asked, from the mean of what it
    hears in the whole and in the bass alone. What comes after the last attack has no beats. 100 frames a second; an
    empty recording gives n_frames = 0.

    Raises
    ------
    HintError
        if there is no network of that name.
    """
    if network not in NETWORKS:
        raise HintError(f"--network {network}: there is {', '.join(NETWORKS[:-1])} and {NETWORKS[-1]}")
    if len(audio.samples) == 0:
        return Activations(np.zeros((0, 2)), np.zeros(0), np.zeros(0), _FRAME_RATE_HZ)
    if network == "stock":
        heard = by_phase = [_stock(audio, use_cache)]
    else:
        own, bass = pulse_by_whole_and_bass(audio, use_cache)
        heard, by_phase = [own], [own, bass]
        if network == "both":
            heard.insert(0, _stock(audio, use_cache))
    n_frames = min(len(values) for values in (*heard, *by_phase))
    downbeats = np.mean([downbeat_log_odds(values[:n_frames]) for values in heard], axis=0)
    phases = np.mean([phase_log_odds(values[:n_frames]) for values in by_phase], axis=0)
    heard = [np.asarray(values[:n_frames], np.float64) for values in heard]
    values = heard[0] if len(heard) == 1 else together(heard[0], heard[1])
    return Activations(within_music(values, audio), downbeats, phases, _FRAME_RATE_HZ)


def together(stock: FloatArray, own: FloatArray) -> FloatArray:
    """(n_frames, 2) both networks weighed; nothing before and after what the stock networks hear.

    Ours counts on into the decay of the last chord.
    """
    values = np.zeros_like(stock)
    part = sounding(stock)
    values[part] = weighed(stock[part], own[part], STOCK_SHARE)
    return values


def weighed(first: FloatArray, second: FloatArray, share: float) -> FloatArray:
    """(n_frames, 2) what two networks say together: means of log odds, in which the first counts this share.

    The odds of any beat against none, and of a downbeat against another beat, are averaged apart (a logarithmic opinion
    pool: Genest and Zidek, "Combining probability distributions", Statistical Science 1986).
    """
    beat, one = (
        expit(share * odds(first, _BEAT_FLOOR) + (1 - share) * odds(second, _BEAT_FLOOR))
        for odds in (_beat_odds, _one_odds)
    )
    return np.stack([beat * (1 - one), beat * one], axis=1)


def _beat_odds(values: FloatArray, floor: float) -> FloatArray:
    """(n_frames,) log odds of any beat against none."""
    beat = np.clip(values.sum(axis=1), floor, 1 - floor)
    odds: FloatArray = np.log(beat / (1 - beat))
    return odds


def _one_odds(values: FloatArray, floor: float) -> FloatArray:
    """(n_frames,) log odds of a downbeat against another beat."""
    odds: FloatArray = np.log(values[:, 1] + floor) - np.log(values[:, 0] + floor)
    return odds


def downbeat_log_odds(values: FloatArray) -> FloatArray:
    """(n_frames,) log odds of downbeat against other beat, from the highest activations within 20 ms."""
    near = maximum_filter1d(values, 2 * _ODDS_REACH + 1, axis=0, mode="nearest")
    return _one_odds(near, _ODDS_FLOOR)


def phase_log_odds(values: FloatArray) -> FloatArray:
    """(n_frames,) log odds of any beat, the highest within 30 ms."""
    odds: FloatArray = maximum_filter1d(_beat_odds(values, _HALF_FLOOR), 2 * _HALF_REACH + 1, mode="nearest")
    return odds


def _stock(audio: Audio, use_cache: bool) -> FloatArray:
    """madmom's networks, or what they said before."""
    (values,) = cache.kept(f"{_STOCK_VERSION}-{audio.sha256}", lambda: (_stock_values(audio),), use_cache)
    return values


def _stock_values(audio: Audio) -> FloatArray:
    """Beat and downbeat probabilities of madmom's ensemble of eight bidirectional LSTM networks.

    Method: S. Böck, F. Krebs and G. Widmer, "Joint beat and downbeat tracking with recurrent neural networks",
    ISMIR 2016.
    """
    with madmom_can_be_imported(), warnings.catch_warnings():
        # madmom 0.17 uses names that NumPy and the standard library have announced they will drop.
        warnings.simplefilter("ignore")
        from madmom.audio.signal import Signal
        from madmom.features.downbeats import RNNDownBeatProcessor

        network = RNNDownBeatProcessor(num_threads=1)
        with _sharing(network, audio.duration_s > _SHORT_S):
            pieces = [
                np.asarray(network(Signal(audio.samples[first:last], sample_rate=audio.rate_hz, num_channels=1)))
                for first, last in _pieces(len(audio.samples), audio.rate_hz)
            ]
    values = _joined(pieces)
    return np.clip(values.reshape(-1, 2), 0.0, 1.0)


@contextmanager
def _sharing(network: Any, worthwhile: bool) -> Iterator[None]:
    """Let the networks of the ensemble listen side by side, where there are processors for it.

    madmom's own pool is never closed, and its processes outlive a killed parent.
    """
    processes = min(os.cpu_count() or 1, 8) if worthwhile else 1
    if processes == 1:
        yield
        return
    with worker_pool(processes) as pool:
        for ensemble in network.processors:
            for stage in getattr(ensemble, "processors", ()):
                if hasattr(stage, "map"):
                    stage.map = pool.map
        yield


def _pieces(n: int, rate_hz: int) -> list[tuple[int, int]]:
    """First and last sample of the pieces listened to one by one: long recordings are cut, so memory stays bounded."""
    if n <= _WHOLE_S * rate_hz:
        return [(0, n)]
    step, margin = _PIECE_S * rate_hz, _MARGIN_S * rate_hz
    return [(max(0, first - margin), min(n, first + step + margin)) for first in range(0, n, step)]


def _joined(pieces: list[FloatArray]) -> FloatArray:
    """Put pieces together at the middle of what they share."""
    if len(pieces) == 1:
        return pieces[0]
    step, margin = round(_PIECE_S * _FRAME_RATE_HZ), round(_MARGIN_S * _FRAME_RATE_HZ)
    kept = [pieces[0][:step]]
    kept += [piece[margin : margin + step] for piece in pieces[1:-1]]
    return np.concatenate([*kept, pieces[-1][margin:]])
