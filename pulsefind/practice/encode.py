"""Writing sound as wav, flac, ogg or mp3 through libsndfile: block by block, whole or not at all.

Of these only mp3 adds silence in front (1105 samples: the encoder's 576 and the decoder's 529). libsndfile notes how
much in the file, and decoders that read the note (libsndfile, ffmpeg and most players) remove it again: measured, 0
samples remain. A player that ignores it is 25 ms late at 44.1 kHz, track and click alike.
"""

from __future__ import annotations

import mmap
import struct
import zlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from pulsefind.core.errors import OutputError
from pulsefind.core.files import sound_name

Samples = NDArray[np.float32]

KINDS = {
    ".wav": ("WAV", "PCM_24"),
    ".flac": ("FLAC", "PCM_24"),
    ".ogg": ("OGG", "VORBIS"),
    ".mp3": ("MP3", "MPEG_LAYER_III"),
}
LOSSY = (".ogg", ".mp3")

_TURNED = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))
"""Every byte with its bits the other way round (arithmetic)."""

_WAV_LIMIT_BYTES = 2**32 - 2**16  # published: wav has sizes of 32 bits; less room for the header


def check_kind(path: Path) -> str:
    """The ending that says how to write a file.

    Raises
    ------
    OutputError
        if that format can't be written.
    """
    kind = path.suffix.lower()
    if kind not in KINDS:
        raise OutputError(f"{path}: its ending says no format that can be written; use {', '.join(KINDS)}")
    return kind


def encode(path: Path, kind: str, blocks: Iterator[Samples], n: int, channels: int, rate_hz: int, shown: Path) -> None:
    """Write n frames, given as blocks (m, channels) float32 within -1..1, to path; errors name `shown`.

    Raises
    ------
    OutputError
        if it can't be written.
    """
    if kind == ".wav" and n * channels * 3 > _WAV_LIMIT_BYTES:
        raise OutputError(f"{shown}: too long for wav, which ends at 4 GB; choose flac")
    container, coding = KINDS[kind]
    try:
        with soundfile.SoundFile(sound_name(path), "w", rate_hz, channels, coding, format=container) as file:
            for block in blocks:
                file.write(block)
        if kind == ".ogg":
            _number_pages(path)
        _check_whole(path, kind, n)
    except (soundfile.LibsndfileError, AssertionError) as error:
        # soundfile asserts that every frame was written; on a full disk some aren't.
        reason = " ".join(str(error).split()).rstrip(".") or "the sound broke off"
        raise OutputError(
            f"{shown}: can't be written ({reason}); the disk may be full: free some room, or choose another place"
        ) from None


def _number_pages(path: Path) -> None:
    """Give an Ogg stream the number 1 in place of a random one, so that the same sound makes the same bytes.

    A page holds the stream's number at 14 and its own checksum at 22 (RFC 3533): a CRC of 32 bits with the polynomial
    of zlib's, but the other way round in each byte, starting at 0.
    """
    if not path.stat().st_size:
        return  # On a full disk; it is told where the length is read back.
    with path.open("r+b") as file, mmap.mmap(file.fileno(), 0) as data:
        at = 0
        while data[at : at + 4] == b"OggS" and at + 27 <= len(data):
            segments = data[at + 26]
            end = at + 27 + segments + sum(data[at + 27 : at + 27 + segments])
            data[at + 14 : at + 18] = struct.pack("<I", 1)
            data[at + 22 : at + 26] = bytes(4)
            turned = zlib.crc32(data[at:end].translate(_TURNED), 0xFFFFFFFF) ^ 0xFFFFFFFF
            data[at + 22 : at + 26] = struct.pack("<I", int(f"{turned:032b}"[::-1], 2))
            at = end


def _check_whole(path: Path, kind: str, n: int) -> None:
    """Read the length back, since libsndfile doesn't report what fails while a file is being closed."""
    written = soundfile.info(sound_name(path)).frames
    if written < n or (written > n and kind not in LOSSY):
        raise AssertionError(f"only {written} of {n} frames arrived")
