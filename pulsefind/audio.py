"""Reading recordings: any format that libsndfile or ffmpeg decodes, mixed to mono at one rate."""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import struct
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from pulsefind.errors import AudioError
from pulsefind.records import Audio

RATE_HZ = 44100
"""The rate that every stage works at."""

DECODE_LIMIT_S = 600
"""A decoder that has not finished by then is stopped."""

_ANTIPHASE_RATIO = 0.1
"""A mono mix this much quieter than its loudest channel has lost the music to cancellation."""


def load(path: str | Path) -> Audio:
    """Read a recording.

    libsndfile decodes what it knows (wav, flac, ogg, mp3, aiff ...), ffmpeg the rest (m4a/aac ...). Channels are
    averaged, or, where that cancels most of the sound (channels in opposite phase), the loudest one is
    taken. The result is at 44.1 kHz.

    Raises
    ------
    AudioError
        if there is no such file, it can't be read or decoded, or it holds samples that are not numbers.
    """
    path = Path(path)
    frames, rate_hz = decode(path)
    return _to_audio(frames, rate_hz, path)


def decode(path: Path) -> tuple[NDArray[np.float32], int]:
    """Decode a recording with all its channels: (n, channels) frames at its own rate, and that rate in Hz.

    Raises
    ------
    AudioError
        if there is no such file, or it can't be read or decoded.
    """
    check_readable(path)
    try:
        frames, rate_hz = soundfile.read(path, dtype="float32", always_2d=True)
    except (soundfile.LibsndfileError, RuntimeError, ValueError, OSError):
        return _decode_with_ffmpeg(path)
    return frames, rate_hz


def from_samples(samples: NDArray[np.floating], rate_hz: int) -> Audio:
    """Make a recording from an array: (n,) mono or (n, channels), floating point, full scale at 1.0."""
    frames = np.asarray(samples, dtype=np.float32)
    if frames.ndim == 1:
        frames = frames[:, None]
    if frames.ndim != 2:
        raise AudioError(f"samples must be (n,) or (n, channels), not of shape {frames.shape}")
    return _to_audio(frames, rate_hz, None)


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
    part = Audio(samples, audio.rate_hz, audio.path, audio.channels, audio.source_rate_hz, _digest(samples))
    return part, first / audio.rate_hz


def check_readable(path: Path) -> None:
    """Refuse, with the reason, a path that is no readable file with something in it."""
    try:
        if path.is_dir():
            raise AudioError(f"{path}: is a folder; name one recording in it")
        size = path.stat().st_size
    except FileNotFoundError:
        raise AudioError(f"{path}: no such file; check the name") from None
    except OSError as error:
        raise AudioError(f"{path}: can't be opened ({error.strerror}); check the name and its rights") from None
    if not path.is_file():
        raise AudioError(f"{path}: is no ordinary file; name a recording")
    if not os.access(path, os.R_OK):
        raise AudioError(f"{path}: no permission to read it; change its rights or copy it")
    if size == 0:
        raise AudioError(f"{path}: the file is empty; copy it again from where it came from")


def _to_audio(frames: NDArray[np.float32], rate_hz: int, path: Path | None) -> Audio:
    where = "the samples" if path is None else str(path)
    if rate_hz < 1000:
        raise AudioError(f"{where}: a sample rate of {rate_hz} Hz can't carry music; check the file")
    bad = ~np.isfinite(frames).all(axis=1)
    if bad.any():
        first_s = int(np.argmax(bad)) / rate_hz
        raise AudioError(
            f"{where}: {int(bad.sum())} samples are not numbers (first at {first_s:.3f} s); "
            "the file is damaged, export it again"
        )
    mono = _mix_down(frames)
    if rate_hz != RATE_HZ and len(mono):
        mono = soxr.resample(mono, rate_hz, RATE_HZ).astype(np.float32)
    return Audio(mono, RATE_HZ, path, frames.shape[1], rate_hz, _digest(mono))


def _mix_down(frames: NDArray[np.float32]) -> NDArray[np.float32]:
    """Average the channels, unless they cancel each other."""
    if frames.shape[1] == 1 or not len(frames):
        return np.ascontiguousarray(frames[:, 0]) if frames.shape[1] else np.zeros(0, np.float32)
    mono: NDArray[np.float32] = frames.mean(axis=1, dtype=np.float32)
    power = [float(np.mean(np.square(frames[:, c], dtype=np.float64))) for c in range(frames.shape[1])]
    loudest = int(np.argmax(power))
    if np.mean(np.square(mono, dtype=np.float64)) < _ANTIPHASE_RATIO**2 * power[loudest]:
        return np.ascontiguousarray(frames[:, loudest])
    return mono


def _digest(samples: NDArray[np.float32]) -> str:
    return hashlib.sha256(np.ascontiguousarray(samples).tobytes()).hexdigest()


def ffmpeg_command(path: Path) -> list[str]:
    """The command that decodes a recording to AU with big-endian floats on its standard output.

    Raises
    ------
    AudioError
        if ffmpeg is not installed.
    """
    program = shutil.which("ffmpeg")
    if program is None:
        raise AudioError(f"{path}: not a format that libsndfile reads; install ffmpeg, or convert it to wav or flac")
    command = [program, "-nostdin", "-v", "error", "-protocol_whitelist", "file,pipe"]
    # The file: prefix keeps a name that looks like an option or another protocol a plain file name.
    return [*command, "-i", f"file:{path}", "-map", "0:a:0", "-c:a", "pcm_f32be", "-f", "au", "pipe:1"]


def _decode_with_ffmpeg(path: Path) -> tuple[NDArray[np.float32], int]:
    """Decode through a pipe, in the AU format: its header is fixed and tells rate and channels."""
    command = ffmpeg_command(path)
    try:
        with killed_after(subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE)) as process:
            data, messages = process.communicate()
    except OSError as error:
        raise AudioError(f"{path}: ffmpeg could not be started ({error.strerror})") from None
    if len(data) < 24 or data[:4] != b".snd":
        reason = messages.decode("utf-8", "replace").strip().splitlines()
        told = f" (ffmpeg: {reason[-1][:120]})" if reason else ""
        raise AudioError(f"{path}: holds no sound that can be decoded{told}; check that it is a recording")
    offset, _, encoding, rate_hz, channels = struct.unpack(">5I", data[4:24])
    if encoding != 6 or not 1 <= channels <= 1024:
        raise AudioError(f"{path}: ffmpeg answered in an unexpected form; convert the file to wav or flac")
    body = data[offset : offset + (len(data) - offset) // (4 * channels) * 4 * channels]
    return np.frombuffer(body, ">f4").astype(np.float32).reshape(-1, channels), rate_hz


@contextlib.contextmanager
def killed_after(process: subprocess.Popen[bytes]) -> Iterator[subprocess.Popen[bytes]]:
    """End the process when the block is left, whatever happens, or when its time is up."""
    timer = threading.Timer(DECODE_LIMIT_S, process.kill)
    timer.start()
    try:
        yield process
    finally:
        timer.cancel()
        process.kill()
        process.wait()
