"""The whole pipeline in one call."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import numpy as np
from threadpoolctl import threadpool_limits

from pulsefind.beats.bars import lay_bars, tempo_of
from pulsefind.beats.decode import decode, search
from pulsefind.beats.grid import find_grid, swing_warnings
from pulsefind.beats.passages import with_passages
from pulsefind.beats.placing import place_beats
from pulsefind.beats.second_opinion import second_opinion
from pulsefind.beats.told import exact_times, off_the_sound, pinned, unmoved, with_taps_in_place
from pulsefind.core.beside import Beside
from pulsefind.core.corrections import counted_from
from pulsefind.core.errors import FormatError, HintError
from pulsefind.core.mapped import pieces
from pulsefind.core.obeyed import nudged, obeyed
from pulsefind.core.records import (
    Analysis,
    Audio,
    Beats,
    Confidence,
    Guide,
    Hits,
    Pulse,
    Settings,
    Track,
)
from pulsefind.core.settings import NETWORKS
from pulsefind.core.shared import Once, shared
from pulsefind.core.words import ONE_UNSURE, TEMPO_UNSURE, name_text
from pulsefind.guides.finding import alone_stretches, find_guides
from pulsefind.guides.misreadings import find_misreadings
from pulsefind.guides.plan import plan_for
from pulsefind.listen import audio as recordings
from pulsefind.listen.activations import ACTIVATIONS_HZ, OWN, STOCK, activations, own_activations, own_beats
from pulsefind.listen.decoding import BLOCK
from pulsefind.listen.features import Spectrogram, spectrogram_of
from pulsefind.listen.folded import find_folded
from pulsefind.listen.harmony import harmony_of
from pulsefind.listen.hits import find_hits
from pulsefind.listen.network import BASS_BANDS, KIT, PULSE, network_outputs, spectra_of

_UNSURE = 0.6
"""A less likely answer is wrong often enough to be checked by ear before playing to it (judged)."""

Progress = Callable[[str], None]


def _silent(_: str) -> None:
    """Report nothing."""


def analyse(
    path_or_audio: str | Path | Audio,
    settings: Settings | None = None,
    progress: Progress = _silent,
    beats_from: Pulse | None = None,
) -> Analysis:
    """Analyse one recording.

    Times in the result are seconds from the first sample of the recording, also when settings name a part of it.

    Parameters
    ----------
    path_or_audio
        A file, or what `load` or `from_samples` returned.
    settings
        What is known beforehand; nothing if left out.
    progress
        Called with the name of each stage as it starts.
    beats_from
        Takes the place of the decoder: its beats, in seconds of the whole recording, are kept as they are, and grid,
        hits and guides are found on them.

    Returns
    -------
    Analysis
        A recording without a steady beat gives one with empty beats and a warning.

    Raises
    ------
    AudioError
        if the recording can't be read, or the part asked for is empty.
    FormatError
        if beats_from reaches beyond the recording.
    HintError
        if the 1 or the taps that settings name lie outside the part, or there is no such network.

    Examples
    --------
    >>> import numpy as np
    >>> from pulsefind import from_samples
    >>> silence = analyse(from_samples(np.zeros(44100), 44100), Settings(network="own"))
    >>> len(silence.beats.time_s), silence.warnings
    (0, ('the recording is silent',))
    """
    # Several threads would round sums in a different order; with one, the same sound gives the same bytes.
    with threadpool_limits(1):
        return _analysed(path_or_audio, settings or Settings(), progress, beats_from)


def _analysed(
    path_or_audio: str | Path | Audio, asked: Settings, progress: Progress, beats_from: Pulse | None
) -> Analysis:
    progress("reading")
    part, start_s, track, settings = _read(path_or_audio, asked)
    spectrum = Once(lambda: spectrogram_of(part))
    if beats_from is None:
        pulse, beats, hits = _heard(part, spectrum, settings, start_s, progress)
        pulse, beats = _shifted(pulse, start_s, track), _shifted(beats, start_s, track)
    else:
        progress("finding hits")
        pulse, beats = _given(beats_from, track)
        hits = find_hits(part, settings.use_cache, spectrum=spectrum)
    hits = _shifted(hits, start_s, track)
    bars = lay_bars(pulse, beats)
    grid = find_grid(beats, bars, hits, settings.in_threes)
    progress("looking for guides")
    with Beside(lambda: find_folded(part, start_s, beats, bars, grid, spectrum())) as folding:
        guides = find_guides(hits, beats, bars, grid, lambda: _shifted(folding.result(), start_s, track))
    tempo = tempo_of(beats, bars)
    analysis = Analysis(
        track=track,
        beats=beats,
        bars=bars,
        grid=grid,
        tempo=tempo,
        guides=guides,
        alone=alone_stretches(guides, bars),
        plan=plan_for(guides, bars),
        misreadings=find_misreadings(guides, bars, tempo),
        confidence=Confidence(
            pulse.probability_one,
            pulse.probability_octave,
            pulse.probability_meter,
            pulse.probability_phase,
            pulse.sections,
        ),
        alternatives=pulse.alternatives,
        settings=asked,
        warnings=pulse.warnings + _warnings(part, pulse, guides) + swing_warnings(grid, 60000 / max(tempo.bpm, 1.0)),
    )
    return nudged(analysis, settings.nudge_ms or 0.0)


def _read(path_or_audio: str | Path | Audio, asked: Settings) -> tuple[Audio, float, Track, Settings]:
    """The part asked for with silence in front, when it starts in the recording, facts about both, and the settings.

    Nothing else of the recording stays in memory.
    """
    whole = path_or_audio if isinstance(path_or_audio, Audio) else recordings.load(path_or_audio)
    settings = obeyed(asked, whole.duration_s)
    part, start_s = recordings.crop(whole, settings.start_s, settings.end_s) if len(whole.samples) else (whole, 0.0)
    track = _track(whole, start_s, start_s + part.duration_s)
    _check_hints(settings, track.start_s, track.end_s)
    led, lead_s = recordings.with_lead(part)
    return led, start_s + lead_s, track, settings


def _heard(
    part: Audio, spectrum: Once[Spectrogram], settings: Settings, start_s: float, progress: Progress
) -> tuple[Pulse, Beats, Hits]:
    """Beats and hits of a part that starts at start_s of the recording, in seconds of the part."""
    hints = _from_there(settings, start_s)
    progress("listening")
    # The stock networks' worker processes must start before there is a second thread.
    stock = None if settings.network == OWN else activations(part, STOCK, settings.use_cache)
    for_beats, for_bass, for_hits = shared(spectra_of(part), 3)
    kit = Once(lambda: network_outputs(part, KIT, settings.use_cache, for_hits))
    with (
        Beside(lambda: find_hits(part, settings.use_cache, kit, spectrum)) as hitting,
        Beside(lambda: harmony_of(part, settings.use_cache)) as harmonising,
        Beside(spectrum),
        Beside(lambda: network_outputs(part, PULSE, settings.use_cache, for_bass, BASS_BANDS)) as in_the_bass,
    ):
        if stock is not None and settings.network == STOCK:
            frames, searched = stock, search(stock.values, stock.frame_rate_hz, hints)
        else:
            whole = network_outputs(part, PULSE, settings.use_cache, for_beats)
            # The search takes longest, and needs nothing that the other threads are at.
            values = own_beats(part, whole)
            searched = search(values, ACTIVATIONS_HZ, hints)
            frames = own_activations(values, part.duration_s, whole, in_the_bass.result(), kit())
        progress("counting")
        harmony = harmonising.result()
        heard = decode(frames, harmony, hints, searched=searched)
        pulse = with_passages(with_taps_in_place(heard, hints), frames, harmony, hints)
        progress("finding hits")
        hits = hitting.result()
    beats = place_beats(pulse, hits.certain(), frames)
    if pulse is not heard:
        beats = unmoved(beats, pulse, place_beats(heard, hits.certain(), frames), heard)
    beats, said = pinned(beats, exact_times(hints)), off_the_sound(beats, hints, start_s)
    if stock is not None and settings.network != STOCK:
        said += (second_opinion(lay_bars(pulse, beats), heard, decode(stock, harmony, hints)),)
    pulse = dataclasses.replace(pulse, warnings=pulse.warnings + said)
    return pulse, beats, hits


def _from_there(settings: Settings, start_s: float) -> Settings:
    """The settings with their times counted from start_s."""
    return dataclasses.replace(
        settings,
        one_at_s=None if settings.one_at_s is None else settings.one_at_s - start_s,
        taps_s=tuple(time_s - start_s for time_s in settings.taps_s),
        corrections=counted_from(settings.corrections, start_s),
    )


def _check_hints(settings: Settings, start_s: float, end_s: float) -> None:
    if settings.network not in NETWORKS:
        raise HintError(f"--network {settings.network}: choose {', '.join(NETWORKS[:-1])} or {NETWORKS[-1]}")
    one_at_s, taps_s = settings.one_at_s, settings.taps_s
    if taps_s and not start_s <= taps_s[0] <= taps_s[-1] <= end_s:
        raise HintError(
            f"--taps: from {taps_s[0]:.2f} to {taps_s[-1]:.2f} s, but {start_s:.2f}-{end_s:.2f} s are analysed; "
            "tap along to that part"
        )
    if one_at_s is not None and not start_s <= one_at_s <= end_s:
        raise HintError(
            f"--one-at {one_at_s:g}: lies outside what is analysed, {start_s:.2f}-{end_s:.2f} s; name a 1 in there"
        )


def _given(pulse: Pulse, track: Track) -> tuple[Pulse, Beats]:
    """Beats that are known: those within the part, with full confidence."""
    if len(pulse.time_s) and pulse.time_s[-1] > track.duration_s:
        raise FormatError(
            f"the beats reach {pulse.time_s[-1]:.2f} s, the recording only {track.duration_s:.2f} s; "
            "check that they belong together"
        )
    inside = (pulse.time_s >= track.start_s) & (pulse.time_s <= track.end_s)
    pulse = dataclasses.replace(
        pulse,
        time_s=pulse.time_s[inside],
        count=pulse.count[inside],
        beats_per_bar=pulse.beats_per_bar[inside],
    )
    n = len(pulse.time_s)
    return pulse, Beats(pulse.time_s, np.ones(n), np.zeros(n, np.bool_))


_Timed = TypeVar("_Timed", Pulse, Beats, Hits)


def _shifted(record: _Timed, start_s: float, track: Track) -> _Timed:
    """Move all times from what was heard, which starts at start_s, to the recording; none lies before its part."""
    return dataclasses.replace(record, time_s=np.maximum(record.time_s + start_s, track.start_s))


def _track(audio: Audio, start_s: float, end_s: float) -> Track:
    name = name_text(audio.path.name) if audio.path else "recording"
    return Track(name, audio.duration_s, start_s, end_s, audio.channels, audio.source_rate_hz, audio.sha256)


def _warnings(audio: Audio, pulse: Pulse, guides: tuple[Guide, ...]) -> tuple[str, ...]:
    if not any(piece.any() for piece in pieces(audio.samples, BLOCK)):
        return ("the recording is silent", *audio.warnings)
    if not len(pulse.time_s):
        return ("no steady beat found", *audio.warnings)
    found = [*audio.warnings]
    if not guides:
        found.append("no recurring sound was found that could be followed")
    if pulse.probability_one < _UNSURE:
        found.append(ONE_UNSURE)
    if pulse.probability_octave < _UNSURE:
        found.append(TEMPO_UNSURE)
    return tuple(found)
