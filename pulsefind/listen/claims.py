"""What a recording's file says about itself: its length, whether its end is missing, whether another part follows.

A file truncated by a full disk or a broken copy often decodes without complaint, and a decoder may stop where the first
of two joined files ends. So the container is asked: RIFF and AIFF chunks (Microsoft and IBM 1991, Apple 1989) and MP4
boxes (ISO 14496-12) state their sizes, Ogg pages (RFC 3533) mark the first and last of a stream, a FLAC stream (RFC
9639) starts with its name, and the Xing or Info frame of an mp3 (no standard) states its bytes. The layouts are from
memory, and were checked on files that libsndfile and ffmpeg wrote.
"""

from __future__ import annotations

import mmap
import re
import struct
from dataclasses import dataclass
from pathlib import Path

_UNKNOWN_BYTES = 0x7FFFF000
"""Sizes from here on are written by programs that stream and can't know the end (judged)."""

_SLACK_BYTES = 4096  # judged: some writers include their headers; it is 23 ms of a CD
_OGG_FIRST, _OGG_LAST = 2, 4  # published: flags of a page's header, RFC 3533
_HEAD_BYTES = 2**16  # judged: the first frame of an mp3 starts this soon after its tags
_MP3_JOINED_SHARE = 0.01  # judged: of the bytes that the first frame states; tags at the end don't count


@dataclass(frozen=True, slots=True)
class Claim:
    """What a file says.

    ends_early: its end is missing; goes_on: another part follows the one a decoder may stop at; unread: another file
    follows that no decoder reads; length_s: how long the sound is, None where only decoding tells.
    """

    ends_early: bool = False
    goes_on: bool = False
    unread: bool = False
    length_s: float | None = None


def claim_of(path: Path) -> Claim:
    """Ask a recording's container; an unknown or unreadable one claims nothing.

    Examples
    --------
    >>> claim_of(Path("nothing.wav"))
    Claim(ends_early=False, goes_on=False, unread=False, length_s=None)
    """
    try:
        with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
            return _claim(data)
    except (OSError, ValueError):
        return Claim()


def _claim(data: mmap.mmap) -> Claim:
    start = _after_id3(data)
    head = data[start : start + 12]
    if head[:4] in (b"RIFF", b"RF64") and head[8:] == b"WAVE":
        return Claim(ends_early=_chunk_ends_early(data, b"data", "<"), unread=_another_follows(data, "<"))
    if head[:4] == b"FORM" and head[8:] in (b"AIFF", b"AIFC"):
        return Claim(ends_early=_chunk_ends_early(data, b"SSND", ">"), unread=_another_follows(data, ">"))
    if head[:4] == b"OggS":
        return _ogg(data, start)
    if head[:4] == b"fLaC":
        # Its name and the head of its first block, of 34 bytes.
        return Claim(goes_on=data.find(b"fLaC\0\0\0\x22", start + 4) > 0, length_s=_flac_length_s(data, start))
    if head[4:8] == b"ftyp":
        return Claim(ends_early=_box_ends_early(data))
    return _mp3(data, start)


def _flac_length_s(data: mmap.mmap, start: int) -> float | None:
    """Rate (20 bits) and number of samples (36 bits, 0: unknown) of the first block of a FLAC stream."""
    packed = int.from_bytes(data[start + 18 : start + 26], "big")
    rate_hz, n = packed >> 44, packed & (1 << 36) - 1
    return n / rate_hz if rate_hz and n else None


def _after_id3(data: mmap.mmap, start: int = 0) -> int:
    """Where the tags at the start end (ID3v2: a size of four times seven bits)."""
    while data[start : start + 3] == b"ID3" and len(data) >= start + 10:
        size = 0
        for seven in data[start + 6 : start + 10]:
            size = size << 7 | seven & 0x7F
        start += 10 + size
    return start


def _chunk_ends_early(data: mmap.mmap, name: bytes, order: str) -> bool:
    """Does the chunk that holds the sound name more bytes than there are?"""
    at = 12
    while at + 8 <= len(data):
        (size,) = struct.unpack(f"{order}I", data[at + 4 : at + 8])
        if data[at : at + 4] == name:
            return bool(size < _UNKNOWN_BYTES and at + 8 + size > len(data) + _SLACK_BYTES)
        at += 8 + size + size % 2
    return False


def _another_follows(data: mmap.mmap, order: str) -> bool:
    """Does a file of the same kind start where this one says that it ends?"""
    (size,) = struct.unpack(f"{order}I", data[4:8])
    end = 8 + size + size % 2
    return bool(data[end : end + 4] == data[:4] and data[end + 8 : end + 12] == data[8:12])


def _box_ends_early(data: mmap.mmap) -> bool:
    """Does a box of an MP4 file reach beyond its end?"""
    at = 0
    while at + 16 <= len(data):
        (size,) = struct.unpack(">I", data[at : at + 4])
        if size == 1:
            (size,) = struct.unpack(">Q", data[at + 8 : at + 16])
        if size < 8:
            return False  # 0: to the end of the file, however long that is.
        at += size
    return bool(at > len(data))


def _ogg(data: mmap.mmap, at: int) -> Claim:
    """Walk the pages: a first page after a last one starts another part; without a last one the end is missing."""
    ended, goes_on = False, False
    while data[at : at + 4] == b"OggS" and at + 27 <= len(data):
        kind, segments = data[at + 5], data[at + 26]
        goes_on |= ended and bool(kind & _OGG_FIRST)
        ended = bool(kind & _OGG_LAST)
        at += 27 + segments + sum(data[at + 27 : at + 27 + segments])
    return Claim(ends_early=at > len(data) or not ended, goes_on=goes_on)


def _mp3(data: mmap.mmap, start: int) -> Claim:
    """Compare the bytes that the first frame names with those that follow, tags at the end left out."""
    head = data[start : start + _HEAD_BYTES]
    frame = re.search(rb"\xff[\xe2-\xff]..[\0-\xff]{0,32}?(Xing|Info)(...[\0-\xff])", head, re.DOTALL)
    if frame is None or not frame[2][3] & 2:
        return Claim()
    at = frame.end() + 4 * (frame[2][3] & 1)
    (named,) = struct.unpack(">I", head[at : at + 4].ljust(4, b"\0"))
    there = _before_tags(data) - start - frame.start()
    return Claim(
        ends_early=there < named - _SLACK_BYTES, goes_on=there > named * (1 + _MP3_JOINED_SHARE) + _HEAD_BYTES // 16
    )


def _before_tags(data: mmap.mmap) -> int:
    """Where the tags at the end start: ID3v1 has 128 bytes, an APE tag names its size without its head of 32."""
    end = len(data)
    if data[max(0, end - 128) : end - 125] == b"TAG":
        end -= 128
    if data[max(0, end - 32) : max(0, end - 24)] == b"APETAGEX":
        size, _, flags = struct.unpack("<III", data[end - 20 : end - 8])
        end -= size + (32 if flags & 0x80000000 else 0)
    return end
