"""Reading recordings: any format that libsndfile or ffmpeg decodes, mixed to mono at one rate."""

from __future__ import annotations

import contextlib
import hashlib
import shutil
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import replace
from itertools import chain
from pathlib import Path

import numpy as np
import soxr
from numpy.typing import NDArray

from pulsefind.core.errors import AudioError
from pulsefind.core.limits import LONGEST_S
from pulsefind.core.mapped import gathered, pieces
from pulsefind.core.records import Audio
from pulsefind.core.words import ENDS_EARLY, clock
from pulsefind.listen.claims import Claim, claim_of
from pulsefind.listen.decoding import BLOCK, BrokenOffError, Decoded, Samples, check_rate, decoded, from_ffmpeg

RATE_HZ = 44100
"""The rate that every stage works at (judged: that of most recordings)."""


LOUDEST = 2.0**31
"""Samples beyond this are damage (judged: some programs write 32-bit integers as floats)."""

_ENERGY_PIECE = 2**26  # judged: 25 minutes; the energy of anything shorter is a single sum
_SHORT_S = 0.1  # judged: more than any decoder pads
LEAD_S = 0.5  # judged: silence kept before the first sound, for filters to settle in
_SILENCE_SHARE = 1e-4  # judged: of the loudest sample, -80 dB; below is the noise of converters and dither

_ANTIPHASE_RATIO = 0.1
"""A mono mix this much quieter than its loudest channel has lost the music to cancellation (judged)."""


def load(path: str | Path) -> Audio:
    """Read a recording.

    libsndfile decodes what it can (wav, flac, ogg, mp3, aiff ...), ffmpeg the rest (m4a/aac ...). Channels are
    averaged, or, if that would cancel most of the sound (channels in opposite phase), the loudest one is used. The
    result is at 44.1 kHz.

    Parameters
    ----------
    path
        The recording's file, of at most 4 hours.

    Returns
    -------
    Audio
        Its mono mix; an empty recording has no samples.

    Raises
    ------
    AudioError
        if there is no such file, it can't be read or decoded, or it holds samples that are not numbers.

    Examples
    --------
    >>> load("song.flac").duration_s  # doctest: +SKIP
    198.4
    """
    path = Path(path)
    try:
        audio = _to_audio(lambda: decoded(path), path)
    except BrokenOffError:
        # ffmpeg gets through damage at which libsndfile stops.
        audio = _to_audio(lambda: from_ffmpeg(path), path)
    return replace(audio, warnings=_missing(audio, claim_of(path)))


def _missing(audio: Audio, claim: Claim) -> tuple[str, ...]:
    """A line about sound that the file claims, or should have, but that couldn't be decoded."""
    if claim.length_s is not None and claim.length_s - audio.duration_s > _SHORT_S:
        lengths = f"{clock(audio.duration_s)} of its {clock(claim.length_s)} can be read"
        return (f"{ENDS_EARLY}: {lengths}; copy the file again from where it came from",)
    if claim.ends_early:
        after = f"its file breaks off after {clock(audio.duration_s)}"
        return (f"{ENDS_EARLY}: {after}; copy it again from where it came from",)
    if claim.goes_on and not shutil.which("ffmpeg"):
        return (f"{ENDS_EARLY}: another part follows after {clock(audio.duration_s)}; install ffmpeg to read it",)
    if claim.unread:
        follows = f"another file was joined to it after {clock(audio.duration_s)}"
        return (f"{ENDS_EARLY}: {follows}, which can't be read; save both anew as one recording",)
    return ()


def decode(path: Path) -> tuple[NDArray[np.float32], int]:
    """Decode a recording with all its channels: (n, channels) frames at its own rate, and that rate in Hz.

    Raises
    ------
    AudioError
        if there is no such file, or it can't be read or decoded.
    """
    try:
        return _whole(decoded(path))
    except BrokenOffError:
        return _whole(from_ffmpeg(path))


def _whole(source: AbstractContextManager[Decoded]) -> tuple[Samples, int]:
    with source as (blocks, rate_hz):
        frames = list(blocks)
        return (np.concatenate(frames) if frames else np.zeros((0, 1), np.float32)), rate_hz


def from_samples(samples: NDArray[np.floating], rate_hz: int) -> Audio:
    """Make a recording from an array.

    Parameters
    ----------
    samples
        (n,) mono or (n, channels), floating point, full scale at 1.0.
    rate_hz
        Their rate, 1 kHz to 1.536 MHz.

    Returns
    -------
    Audio
        The mono mix at 44.1 kHz; of no samples an empty one.

    Raises
    ------
    AudioError
        if the array has another shape, a rate out of range, or samples that are not numbers.

    Examples
    --------
    >>> import numpy as np
    >>> from_samples(np.zeros((48000, 2)), 48000).duration_s
    1.0
    """
    frames = np.asarray(samples, dtype=np.float32)
    if frames.ndim == 1:
        frames = frames[:, None]
    if frames.ndim != 2 or not frames.shape[1]:
        raise AudioError(f"samples must be (n,) or (n, channels), not of shape {frames.shape}")
    check_rate(rate_hz, "the samples")
    return _to_audio(lambda: contextlib.nullcontext((iter([frames]), rate_hz)), None)


def crop(audio: Audio, start_s: float | None, end_s: float | None) -> tuple[Audio, float]:
    """Cut out start_s..end_s. Returns the part and the time at which it starts, in seconds."""
    first = 0 if start_s is None else round(start_s * audio.rate_hz)
    last = len(audio.samples) if end_s is None else min(len(audio.samples), round(end_s * audio.rate_hz))
    if first >= last:
        raise AudioError(
            f"the range {first / audio.rate_hz:.2f}-{(end_s or audio.duration_s):.2f} s holds no sound: "
            f"the recording is {audio.duration_s:.2f} s long; give a range inside it"
        )
    if first == 0 and last == len(audio.samples):
        return audio, 0.0
    samples = audio.samples[first:last]
    return replace(audio, samples=samples, sha256=_digest(samples)), first / audio.rate_hz


def with_lead(audio: Audio) -> tuple[Audio, float]:
    """The recording with LEAD_S of silence before the first sound, so that silence in front can't change the answer.

    Anything 80 dB below the loudest sample is silence. Returns the recording and the time at which it then starts, in
    seconds: negative where silence was added. A silent recording stays as it is.
    """
    samples = audio.samples
    if not len(samples):
        return audio, 0.0
    threshold = _SILENCE_SHARE * max(max(float(piece.max()), -float(piece.min())) for piece in pieces(samples, BLOCK))
    for first in range(0, len(samples), BLOCK):
        sounding = np.flatnonzero(np.abs(samples[first : first + BLOCK]) > threshold)
        if len(sounding):
            lead = first + int(sounding[0]) - round(LEAD_S * audio.rate_hz)
            return crop(audio, lead / audio.rate_hz, None) if lead > 0 else _after_silence(audio, -lead)
    return audio, 0.0


def _after_silence(audio: Audio, n: int) -> tuple[Audio, float]:
    """The recording with n samples of silence in front, and the time at which that starts."""
    if not n:
        return audio, 0.0
    silence = np.zeros(n, np.float32)
    samples = gathered(chain([silence], pieces(audio.samples, BLOCK)), str(audio.path or "the samples"))
    digest = hashlib.sha256(f"{n} before {audio.sha256}".encode()).hexdigest()
    return replace(audio, samples=samples, sha256=digest), -n / audio.rate_hz


def rms(samples: Samples) -> float:
    """Root mean square, without copying the signal; 0 if it is empty."""
    energy = sum(float(np.dot(piece, piece)) for piece in pieces(samples, _ENERGY_PIECE))
    return float(np.sqrt(energy / max(len(samples), 1)))


def resampled(audio: Audio, rate_hz: int) -> Iterator[Samples]:
    """The recording at another rate, ten seconds at a time; an empty one yields nothing."""
    step = 10 * audio.rate_hz
    if audio.rate_hz == rate_hz:
        yield from pieces(audio.samples, step)
        return
    last = -(-len(audio.samples) // step) - 1
    stream = soxr.ResampleStream(audio.rate_hz, rate_hz, 1, dtype="float32")
    for k, piece in enumerate(pieces(audio.samples, step)):
        yield stream.resample_chunk(piece, last=k == last)


def _to_audio(source: Callable[[], AbstractContextManager[Decoded]], path: Path | None) -> Audio:
    """Mix and resample block by block; if the average of the channels won't do, the source is read a second time."""
    where = "the samples" if path is None else str(path)
    with source() as (blocks, rate_hz):
        mix = _Mix(where, rate_hz)
        mono = _kept(_at_rate((mix.average(block) for block in blocks), rate_hz), where)
    if mix.cancels:
        with source() as (blocks, _):
            mono = _kept(_at_rate((block[:, mix.loudest] for block in blocks), rate_hz), where)
    return Audio(mono, RATE_HZ, path, mix.channels, rate_hz, _digest(mono))


class _Mix:
    """Averages the channels, and compares the result with each of them; refuses samples that are not numbers."""

    def __init__(self, where: str, rate_hz: int) -> None:
        self._where, self._rate_hz = where, rate_hz
        self._frames = 0
        self._mixed = 0.0
        self._each = np.zeros(1)

    def average(self, block: Samples) -> Samples:
        """The average (n,) of a block (n, channels)."""
        self._check(block)
        mono: Samples = block[:, 0] if block.shape[1] == 1 else block.mean(axis=1, dtype=np.float32)
        if not self._frames:
            self._each = np.zeros(block.shape[1])
        self._frames += len(block)
        self._each += np.square(block, dtype=np.float64).sum(axis=0)
        self._mixed += float(np.square(mono, dtype=np.float64).sum())
        return mono

    def _check(self, block: Samples) -> None:
        bad = ~np.isfinite(block).all(axis=1)
        if bad.any():
            first_s = (self._frames + int(np.argmax(bad))) / self._rate_hz
            raise AudioError(
                f"{self._where}: holds samples that are not numbers (first at {first_s:.3f} s); "
                "the file is damaged, export it again"
            )
        if len(block) and float(np.abs(block).max()) > LOUDEST:
            raise AudioError(f"{self._where}: samples far beyond full scale; the file is damaged, export it again")

    @property
    def channels(self) -> int:
        """How many channels were seen."""
        return len(self._each)

    @property
    def loudest(self) -> int:
        """The channel with most power."""
        return int(np.argmax(self._each))

    @property
    def cancels(self) -> bool:
        """Has the average lost most of the sound?"""
        return self._mixed < _ANTIPHASE_RATIO**2 * float(self._each.max())


def _at_rate(blocks: Iterator[Samples], rate_hz: int) -> Iterator[Samples]:
    """Mono blocks resampled to RATE_HZ."""
    if rate_hz == RATE_HZ:
        yield from blocks
        return
    machine = soxr.ResampleStream(rate_hz, RATE_HZ, 1, dtype="float32")
    for block in blocks:
        yield machine.resample_chunk(np.ascontiguousarray(block))
    yield machine.resample_chunk(np.zeros(0, np.float32), last=True)


def _kept(blocks: Iterator[Samples], where: str) -> Samples:
    """All mono blocks in one array, in memory or, beyond 6 minutes, in a temporary file."""
    return gathered(_not_endless(blocks, where), where)


def _not_endless(blocks: Iterator[Samples], where: str) -> Iterator[Samples]:
    n = 0
    for block in blocks:
        n += len(block)
        if n > RATE_HZ * LONGEST_S:
            raise AudioError(f"{where}: longer than {LONGEST_S // 3600} hours; cut it into parts first")
        yield block


def _digest(samples: Samples) -> str:
    digest = hashlib.sha256()
    for piece in pieces(samples, BLOCK):
        digest.update(np.ascontiguousarray(piece).data)
    return digest.hexdigest()
