"""What pulsefind's decoder is given about a track, listened to once and kept in pulsefind's cache."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from eval.records import Answer, FloatArray, Track
from eval.scoring.metrics import track_scores
from pulsefind.core.records import Activations, Harmony, Pulse
from pulsefind.listen.activations import activations, phase_log_odds
from pulsefind.listen.audio import load, with_lead
from pulsefind.listen.harmony import harmony_of
from pulsefind.listen.network import BASS_BANDS, PULSE, at_100_hz, network_outputs

FIGURES = {"beat_f_70": "beat F", "cmlt": "CMLt", "downbeat_f_70": "downbeat F"}


@dataclass(frozen=True, slots=True)
class Evidence:
    """The evidence for one track: the network's outputs, the beat phase by the whole and by the bass alone, the
    harmony.

    Times and frames count from start_s of the recording.
    """

    track: Track
    heard: Activations
    half_by_whole: FloatArray
    half_by_bass: FloatArray
    harmony: Harmony
    start_s: float


def evidence(track: Track) -> Evidence:
    """Listen to a track, as the pipeline does.

    Raises
    ------
    AudioError
        if it can't be read.
    """
    part, start_s = with_lead(load(track.audio))
    heard = activations(part, "own", use_cache=True)
    outputs = network_outputs(part, PULSE, use_cache=True, bands=BASS_BANDS)
    bass = phase_log_odds(at_100_hz(outputs, part.duration_s))
    return Evidence(track, heard, phase_log_odds(heard.values), bass, harmony_of(part, use_cache=True), start_s)


def answer_of(pulse: Pulse, start_s: float) -> Answer:
    """The decoder's beats and counts, in seconds of the recording; beats are not placed on the hits yet."""
    return Answer(np.array(pulse.time_s) + start_s, np.array(pulse.count))


def figures(pulse: Pulse, heard: Evidence) -> dict[str, float | None]:
    """The scores named in FIGURES; None where the annotation has no bars."""
    scores = track_scores(heard.track.reference, answer_of(pulse, heard.start_s))
    return {name: scores[name] for name in FIGURES}
