"""Decoding recordings: any format that libsndfile or ffmpeg reads, block by block, damage told in one line."""

from __future__ import annotations

import contextlib
import os
import shutil
import struct
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from pulsefind.core.child import Child, Limits, running
from pulsefind.core.errors import AudioError
from pulsefind.core.files import sound_name
from pulsefind.core.given import note_given
from pulsefind.listen.claims import claim_of

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 1000, 1_536_000  # judged: below, no music; above, no converter
MOST_CHANNELS = 1024  # published: libsndfile's own limit

DECODE_LIMITS = Limits(time_s=600, memory_bytes=2**30, file_bytes=0)
"""What ffmpeg may use to decode one recording (judged); it writes to a pipe, never to a file."""

FFMPEG_FORMATS = (
    *("aac", "ac3", "aiff", "amr", "ape", "asf", "au", "avi", "caf", "dsf", "dts", "eac3", "flac", "flv", "iff"),
    *("matroska", "mov", "mp3", "mpc", "mpc8", "mpeg", "mpegts", "ogg", "tak", "tta", "w64", "wav", "webm", "wv"),
)
"""The formats ffmpeg may recognise: containers of sound, none that fetches other files (playlists, image series)."""

BLOCK = 1 << 16
"""Frames handled at a time (judged)."""

Samples = NDArray[np.float32]
Decoded = tuple[Iterator[Samples], int]


class BrokenOffError(AudioError):
    """libsndfile stopped in the middle."""


def check_readable(path: Path) -> None:
    """Refuse, saying why, a path that isn't a readable, non-empty file."""
    note_given(path)
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


@contextlib.contextmanager
def decoded(path: Path) -> Iterator[Decoded]:
    """Blocks (n, channels) of a recording, as stored in the file, and its rate; open within the with statement.

    Raises
    ------
    AudioError
        if there is no such file, or it can't be decoded; also while the blocks are fetched.
    """
    check_readable(path)
    if claim_of(path).goes_on and shutil.which("ffmpeg"):
        # libsndfile stops where the first of several joined parts ends.
        with from_ffmpeg(path) as found:
            yield found
        return
    try:
        file = soundfile.SoundFile(sound_name(path))
    except (soundfile.LibsndfileError, RuntimeError, ValueError, TypeError, OSError):
        with from_ffmpeg(path) as found:
            yield found
        return
    with file:
        check_rate(file.samplerate, str(path))
        yield _blocks_of(file, path), file.samplerate


def check_rate(rate_hz: int, where: str) -> None:
    """Refuse a rate that no recording of music has."""
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        raise AudioError(f"{where}: a sample rate of {rate_hz} Hz can't carry music; check the file")


def _blocks_of(file: soundfile.SoundFile, path: Path) -> Iterator[Samples]:
    """Read until the decoder finds the end, since the length in the header may be wrong."""
    try:
        frames = min(BLOCK, 4 * BLOCK // file.channels)
        while len(block := file.read(frames, dtype="float32", always_2d=True)):
            yield block
    except (soundfile.LibsndfileError, RuntimeError) as error:
        reason = " ".join(str(error).split())
        raise BrokenOffError(f"{path}: can't be decoded to its end ({reason}); copy it again, or convert it") from None


@contextlib.contextmanager
def from_ffmpeg(path: Path) -> Iterator[Decoded]:
    """Decode through a pipe in the AU format, whose fixed header gives rate and channels."""
    command = ffmpeg_command(path)
    try:
        with running(command, DECODE_LIMITS) as child:
            header = child.stdout.read(24)
            if len(header) < 24 or header[:4] != b".snd":
                told = child.finish()
                reason = f" (ffmpeg: {told})" if told else ""
                raise AudioError(f"{path}: holds no sound that can be decoded{reason}; check that it is a recording")
            offset, _, encoding, rate_hz, channels = struct.unpack(">5I", header[4:24])
            if encoding != 6 or not 1 <= channels <= MOST_CHANNELS or not 24 <= offset <= 2**16:
                raise AudioError(f"{path}: ffmpeg answered in an unexpected form; convert the file to wav or flac")
            check_rate(rate_hz, str(path))
            child.stdout.read(offset - 24)
            yield _blocks_from(child, channels, path), rate_hz
    except OSError as error:
        raise AudioError(f"{path}: ffmpeg could not be started ({error.strerror})") from None


def ffmpeg_command(path: Path) -> list[str]:
    """The command that decodes a recording to AU with big-endian floats on its standard output.

    It opens that one file and nothing else: no URL, no list of files given in its name or inside it.

    Raises
    ------
    AudioError
        if ffmpeg is not installed.
    """
    program = shutil.which("ffmpeg")
    if program is None:
        raise AudioError(f"{path}: not a format that libsndfile reads; install ffmpeg, or convert it to wav or flac")
    command = [program, "-nostdin", "-v", "error", "-protocol_whitelist", "file,pipe"]
    command += ["-format_whitelist", ",".join(FFMPEG_FORMATS), "-threads", "1"]
    # The file: prefix keeps a name that looks like an option or another protocol a plain file name.
    return [*command, "-i", f"file:{path}", "-map", "0:a:0", "-c:a", "pcm_f32be", "-f", "au", "pipe:1"]


def _blocks_from(child: Child, channels: int, path: Path) -> Iterator[Samples]:
    """Big-endian floats from a pipe; if the decoder fails, the recording is incomplete."""
    size = min(BLOCK, 4 * BLOCK // channels) * channels * 4
    while data := child.stdout.read(size):
        whole = len(data) // (channels * 4) * channels * 4
        yield np.frombuffer(data[:whole], ">f4").astype(np.float32).reshape(-1, channels)
    if reason := child.finish():
        raise AudioError(f"{path}: can't be decoded to its end (ffmpeg: {reason}); copy it again, or convert it to wav")
