"""Recordings nobody annotated, as songs to learn from: what the whole of one settles, its excerpts are taught.

`python -m eval train gather FOLDER ... --out OUT`. Sixteen seconds often leave open what a song tells clearly in two
minutes, so a network can learn from its own best answers (self-training with a confident teacher; Xie et al. 2020).
Only songs whose octave, beat phase, meter and 1 pulsefind is sure of are taken. What is struck in them stays unknown.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import replace
from hashlib import sha256
from pathlib import Path

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from eval.train.ingredients import RATE_HZ
from eval.train.rendering import STEMS
from eval.train.songs import LENGTH_S, Song
from pulsefind.beats.decode import decode
from pulsefind.core.records import Audio, Pulse, Settings
from pulsefind.listen.activations import OWN, activations
from pulsefind.listen.audio import with_lead
from pulsefind.listen.harmony import harmony_of

SHORTEST_S, LONGEST_S = 45.0, 150.0
"""Shorter ones are jingles; of longer ones so much, after the first seconds, tells enough (judged)."""

SURE = 0.85
"""Of octave, beat phase, meter and the 1 together (judged)."""

EXCERPTS, FEWEST_BEATS = 3, 12  # judged: of one song; of an excerpt
_AUDIBLE = 1e-3  # of full scale, judged
_HEARD_RATE_HZ = 44_100
# What libsndfile reads; core.given.SOUNDS has what needs ffmpeg, too.
_ENDINGS = {".ogg", ".oga", ".opus", ".flac", ".mp3", ".wav"}


def stretch_of(path: Path) -> tuple[NDArray[np.float32], int] | None:
    """At most LONGEST_S of a recording, mono, with its rate; None where it is too short or silent."""
    info = soundfile.info(path)
    if info.duration < SHORTEST_S:
        return None
    length = min(info.duration, LONGEST_S)
    first = min(15.0, (info.duration - length) / 2)
    samples, rate_hz = soundfile.read(
        path, round(length * info.samplerate), round(first * info.samplerate), dtype="float32", always_2d=True
    )
    mono = samples.mean(axis=1)
    peak = float(np.abs(mono).max(initial=0.0))
    return (mono * (0.9 / peak), rate_hz) if peak > _AUDIBLE else None


def counted(samples: NDArray[np.float32], rate_hz: int) -> Pulse:
    """How pulsefind's own networks count a recording, times from its first sample."""
    audio = Audio(np.asarray(soxr.resample(samples, rate_hz, _HEARD_RATE_HZ)), _HEARD_RATE_HZ, None, 1, rate_hz, "")
    led, start_s = with_lead(audio)
    pulse = decode(activations(led, OWN, use_cache=False), harmony_of(led), Settings(network=OWN, use_cache=False))
    return replace(pulse, time_s=pulse.time_s + start_s)


def is_sure(pulse: Pulse) -> bool:
    """Whether the count is settled enough to be taught."""
    return len(pulse.time_s) > 0 and pulse.probability_one >= SURE


def gather(folders: Sequence[Path], out: Path) -> Iterator[str]:
    """Write excerpts (ogg) and their beats (beats.json) of all recordings that are sure; a line for each."""
    out.mkdir(parents=True, exist_ok=True)
    beats: dict[str, list[list[float]]] = {}
    for path in sorted(p for folder in folders for p in folder.rglob("*") if p.suffix.lower() in _ENDINGS):
        sound = stretch_of(path)
        if sound is None:
            continue
        pulse = counted(*sound)
        if is_sure(pulse):
            beats |= written(*sound, pulse, out / sha256(str(path).encode()).hexdigest()[:12])
        yield f"{path.name}: {'taken' if is_sure(pulse) else 'left out'}"
    (out / "beats.json").write_text(json.dumps(beats))


def written(samples: NDArray[np.float32], rate_hz: int, pulse: Pulse, stem: Path) -> dict[str, list[list[float]]]:
    """Write excerpts that lie evenly over the recording; (time_s, count) of the beats of each by file name."""
    latest_s = len(samples) / rate_hz - LENGTH_S
    found = {}
    for number, first_s in enumerate(np.linspace(0, max(0.0, latest_s), EXCERPTS if latest_s > LENGTH_S / 2 else 1)):
        part = samples[round(first_s * rate_hz) : round((first_s + LENGTH_S) * rate_hz)]
        name = f"{stem.name}-{number}.ogg"
        soundfile.write(stem.with_name(name), soxr.resample(part, rate_hz, RATE_HZ), RATE_HZ, subtype="VORBIS")
        inside = (pulse.time_s >= first_s) & (pulse.time_s < first_s + LENGTH_S)
        found[name] = np.c_[pulse.time_s[inside] - first_s, pulse.count[inside]].round(3).tolist()
    return found


def taught(folder: Path) -> Iterator[Song]:
    """The excerpts that `gather` wrote, as songs of one stem whose hits nobody knows."""
    for name, beats in sorted(json.loads((folder / "beats.json").read_text()).items()):
        if len(beats) < FEWEST_BEATS:
            continue
        samples, _ = soundfile.read(folder / name, dtype="float32")
        stems = np.zeros((len(STEMS), round(LENGTH_S * RATE_HZ)), np.int16)
        samples = samples[: stems.shape[1]]
        stems[STEMS.index("comp"), : len(samples)] = np.clip(samples, -0.99, 0.99) * 32767
        yield Song(stems, np.array(beats), np.zeros((0, 2)), len(samples) / RATE_HZ, "recording", hits_known=False)
