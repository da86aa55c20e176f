"""Songs for the page and the sheet, made from records: the truth is known and no network has to run."""

from dataclasses import replace

import numpy as np
from making import RATE_HZ, at_places, beats_of, hits_at, pulse

from pulsefind.beats.bars import lay_bars, tempo_of
from pulsefind.core.records import (
    Analysis,
    Audio,
    Confidence,
    Grid,
    GridSection,
    Pulse,
    Settings,
    Sound,
    Track,
)
from pulsefind.guides.finding import alone_stretches, find_guides
from pulsefind.guides.misreadings import find_misreadings
from pulsefind.guides.plan import plan_for
from pulsefind.listen.audio import from_samples

BREAK = range(8, 12)
"""Bars (from 0) in which nothing is struck."""

FIRST_S = 0.8


def breathing_pulse(n_bars, bpm=100.0, meter=4, pickup=1, breath=0.02) -> Pulse:
    """Beats whose tempo goes up and down by `breath`, with a pickup of some beats."""
    n = pickup + n_bars * meter
    length = 60.0 / (bpm * (1 + breath * np.sin(np.arange(n) / 9.0)))
    times = FIRST_S + np.r_[0.0, np.cumsum(length)[:-1]]
    return pulse(n, meter=meter, first_count=meter - pickup + 1 if pickup else 1, time_s=times)


def song(n_bars=16, name="Paper Lanterns.wav", sure=0.95, pickup=1, bpm=100.0, break_bars=BREAK) -> Analysis:
    """A song with a tick on 2& and 4& and a knock on 1e and 3a, and a break."""
    beat = breathing_pulse(n_bars, bpm=bpm, pickup=pickup)
    played = [bar for bar in range(n_bars) if bar not in break_bars]
    ticks, knocks = at_places(beat, [1.5, 3.5], played), at_places(beat, [0.25, 2.75], played)
    # The knock is played less tightly, so that the tick is the guide to follow first.
    knocks = knocks + 0.012 * np.sin(np.arange(len(knocks)))
    sounds = (Sound(8000.0, 50.0, 0.8), Sound(1200.0, 60.0, 0.2))
    return analysis_of(beat, hits_at(ticks, knocks, sounds=sounds), name, sure)


def analysis_of(beat: Pulse, hits, name, sure) -> Analysis:
    beats = beats_of(beat)
    # Where nothing is struck within a beat, the beat is carried.
    near_s = np.abs(beats.time_s[:, None] - np.r_[hits.time_s, -np.inf]).min(axis=1)
    beats = replace(beats, carried=near_s > 60 / tempo_of(beats, lay_bars(beat, beats)).bpm)
    bars = lay_bars(beat, beats)
    grid = Grid((GridSection(0, len(bars.beats) - 1, 4, 1.0),))
    guides = find_guides(hits, beats, bars, grid)
    tempo = tempo_of(beats, bars)
    end_s = bars.end_s + 1.0
    return Analysis(
        track=Track(name, end_s, 0.0, end_s, 1, RATE_HZ, "0" * 64),
        beats=beats,
        bars=bars,
        grid=grid,
        tempo=tempo,
        guides=guides,
        alone=alone_stretches(guides, bars),
        plan=plan_for(guides, bars),
        misreadings=find_misreadings(guides, bars, tempo),
        confidence=Confidence(sure, 0.9, 0.97),
        alternatives=(),
        settings=Settings(),
    )


def sound_of(analysis: Analysis) -> Audio:
    """The guides' hits as short tones over a soft chord: something to play, with sharp attacks."""
    n = int(analysis.track.duration_s * RATE_HZ)
    t = np.arange(n) / RATE_HZ
    samples = 0.05 * sum(np.sin(2 * np.pi * hz * t) for hz in (220.0, 277.2, 329.6))
    for guide in analysis.guides:
        length = int(0.05 * RATE_HZ)
        tone = np.sin(2 * np.pi * guide.sound.centre_hz * t[:length]) * np.exp(-t[:length] / 0.012)
        for at in guide.hits.time_s:
            first = round(at * RATE_HZ)
            samples[first : first + length] += 0.3 * tone[: n - first]
    return from_samples(samples.astype(np.float32), RATE_HZ)
