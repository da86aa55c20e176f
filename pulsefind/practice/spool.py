"""The track as practice audio plays it: decoded block by block, stretched, and kept in a temporary file.

On disk, an hour of music needs no more memory than a minute, and several practice files share one decoding. The
temporary file has no name and vanishes with the program.
"""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import numpy as np
import pyebur128
import soxr
from numpy.typing import NDArray

from pulsefind.core.errors import AudioError, OutputError
from pulsefind.core.records import FloatArray
from pulsefind.listen.decoding import BrokenOffError, Decoded, decoded, from_ffmpeg
from pulsefind.practice.stretch import stretched

MARGIN_S = 0.5
"""Sound kept on either side of the part asked for (judged): loops crossfade with it."""

_BYTES = 4  # of a float32 sample (arithmetic)
_FALLBACK_HZ = 44100  # judged: for recordings at any other rate
_RATES_KEPT = (32000, 44100, 48000)  # published: rates that wav, flac, ogg and mp3 all have

Samples = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Spool:
    """Decoded sound on disk: n frames of `channels` float32 at rate_hz.

    Frame 0 lies at origin_s of the track; speed says how fast the track runs through it. loudness_lufs is the
    integrated loudness of all of it (EBU R 128), minus infinity when it is silent.
    """

    file: IO[bytes]
    n: int
    channels: int
    rate_hz: int
    origin_s: float
    speed: float
    loudness_lufs: float

    def position(self, track_s: FloatArray) -> FloatArray:
        """The frames (n,), not always whole, at which times (n,) of the track are heard."""
        frames: FloatArray = (track_s - self.origin_s) / self.speed * self.rate_hz
        return frames

    def read(self, first: int, n: int) -> Samples:
        """(n, channels) frames from first on; silence beyond the ends."""
        out = np.zeros((n, self.channels), np.float32)
        low, high = max(0, first), min(self.n, first + n)
        if low < high:
            self.file.seek(low * self.channels * _BYTES)
            data = self.file.read((high - low) * self.channels * _BYTES)
            out[low - first : high - first] = np.frombuffer(data, np.float32).reshape(-1, self.channels)
        return out


@contextlib.contextmanager
def spooled(path: Path, start_s: float | None, end_s: float | None, speed: float) -> Iterator[Spool]:
    """Decode a recording, or the part start_s..end_s of it, at a speed. The spool lives as long as the block.

    Mono and stereo stay, more channels become mono. Rates other than 32, 44.1 and 48 kHz, which every output format can
    carry, become 44.1 kHz.

    Raises
    ------
    AudioError
        if the recording can't be read.
    OutputError
        if there is no room for the temporary file.
    """
    with tempfile.TemporaryFile(prefix="pulsefind-") as file:
        try:
            spool = _filled(file, decoded(path), path, start_s, end_s, speed)
        except BrokenOffError:
            # ffmpeg gets through damage at which libsndfile stops, as when the recording was analysed.
            file.seek(0)
            file.truncate()
            spool = _filled(file, from_ffmpeg(path), path, start_s, end_s, speed)
        yield spool


def _filled(
    file: IO[bytes],
    source: AbstractContextManager[Decoded],
    path: Path,
    start_s: float | None,
    end_s: float | None,
    speed: float,
) -> Spool:
    """Decode into a temporary file."""
    with source as (blocks, rate_hz):
        first = max(0, round(((start_s or 0.0) - MARGIN_S) * rate_hz))
        last = None if end_s is None else round((end_s + MARGIN_S) * rate_hz)
        sound = _few_channels(_checked(_cut(blocks, first, last), path))
        target_hz = rate_hz if rate_hz in _RATES_KEPT else _FALLBACK_HZ
        if target_hz != rate_hz:
            sound = _resampled(sound, rate_hz, target_hz)
        if speed != 1.0:
            sound = stretched(sound, target_hz, speed)
        n, channels, loudness = _fill(file, sound, target_hz)
        return Spool(file, n, channels, target_hz, first / rate_hz, speed, loudness)


@contextlib.contextmanager
def processed(source: Spool, blocks: Iterator[Samples]) -> Iterator[Spool]:
    """Blocks made from a spool's sound, at its rate, as a spool of their own. It lives as long as the block.

    Raises
    ------
    OutputError
        if there is no room for the temporary file.
    """
    with tempfile.TemporaryFile(prefix="pulsefind-") as file:
        n, channels, loudness = _fill(file, blocks, source.rate_hz)
        yield Spool(file, n, channels, source.rate_hz, source.origin_s, source.speed, loudness)


def _few_channels(blocks: Iterator[Samples]) -> Iterator[Samples]:
    for block in blocks:
        yield block if block.shape[1] <= 2 else block.mean(axis=1, keepdims=True)


def _cut(blocks: Iterator[Samples], first: int, last: int | None) -> Iterator[Samples]:
    at = 0
    for block in blocks:
        part = block[max(0, first - at) : None if last is None else max(0, last - at)]
        at += len(block)
        if len(part):
            yield part
        if last is not None and at >= last:
            return


def _checked(blocks: Iterator[Samples], path: Path) -> Iterator[Samples]:
    """Refuse damaged sound where it is found."""
    for block in blocks:
        if not np.isfinite(block).all():
            raise AudioError(f"{path}: holds samples that are not numbers; the file is damaged, export it again")
        yield block


def _resampled(blocks: Iterator[Samples], from_hz: int, to_hz: int) -> Iterator[Samples]:
    machine: soxr.ResampleStream | None = None
    channels = 1
    for block in blocks:
        if machine is None:
            channels = block.shape[1]
            machine = soxr.ResampleStream(from_hz, to_hz, channels, dtype="float32")
        yield machine.resample_chunk(block).reshape(-1, channels)
    if machine is not None:
        yield machine.resample_chunk(np.zeros((0, channels), np.float32), last=True).reshape(-1, channels)


def _fill(file: IO[bytes], blocks: Iterator[Samples], rate_hz: int) -> tuple[int, int, float]:
    """Write the sound and measure its loudness: frames, channels, LUFS."""
    n, channels, meter = 0, 1, None
    for block in blocks:
        if meter is None:
            channels = block.shape[1]
            meter = pyebur128.R128State(channels, rate_hz, pyebur128.MeasurementMode.MODE_I)
        sound = np.ascontiguousarray(block, np.float32)
        if len(sound):
            meter.add_frames(sound.reshape(-1), len(sound))
        try:
            file.write(sound.tobytes())
            file.flush()
        except OSError as error:
            raise OutputError(
                f"no room for temporary sound in {tempfile.gettempdir()} ({error.strerror}); "
                "free some, or name another folder in TMPDIR"
            ) from None
        n += len(sound)
    return n, channels, -np.inf if meter is None else float(pyebur128.get_loudness_global(meter))
