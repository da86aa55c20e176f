"""Names from outside: file names made safe, songs known by opaque ids, file types told by their first bytes."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Iterable
from pathlib import Path

from pulsefind.core.given import SOUNDS
from pulsefind.room.refusing import RefusedError

MIDI = (".mid", ".midi")
LONGEST_BYTES = 120
"""Limit for a name without its ending: file systems take 255 bytes, and .song.toml and the like are added (judged)."""

_ID = re.compile(r"[0-9a-f]{16}")
_RESERVED = re.compile(r"(?i)(con|prn|aux|nul|com\d|lpt\d)(\..*)?")
"""Device names on Windows."""

_SIGNS = (b"RIFF", b"RF64", b"RIFX", b"fLaC", b"OggS", b"ID3", b"FORM", b"MThd", b"\x30\x26\xb2\x75", b"caff")
"""First bytes of recordings and MIDI: wav, flac, ogg, mp3 with tags, aiff, MIDI, wma (each format's own standard)."""

HEAD_BYTES = 4096  # judged: every format shows in its first few bytes


def id_of(name: str) -> str:
    """The id by which a browser knows a file: 16 hexadecimal digits that reveal nothing."""
    return hashlib.sha256(name.encode("utf-8", "surrogateescape")).hexdigest()[:16]


def checked_id(text: str) -> str:
    """Check an id from outside.

    Raises
    ------
    RefusedError
        if it is none.
    """
    if not _ID.fullmatch(text):
        raise RefusedError(404, "there is no such song")
    return text


def safe_name(told: str, endings: Iterable[str] = SOUNDS) -> str:
    r"""Turn a name from outside into a plain file name: no folders, all printable, no device, an ending that we read.

    Raises
    ------
    RefusedError
        if the ending is any other.

    >>> safe_name("../../etc/Low Tide.FLAC")
    'Low Tide.flac'
    """
    last = re.split(r"[/\\]", unicodedata.normalize("NFC", told))[-1]
    plain = "".join(letter if letter.isprintable() and letter not in '<>:"|?*' else " " for letter in last)
    plain = " ".join(plain.split())
    head, dot, tail = plain.rpartition(".")
    ending = f"{dot}{tail.lower()}"
    if ending not in endings:
        raise RefusedError(415, f"{plain[:60] or 'this'}: is no recording; drop wav, flac, ogg, mp3, m4a or aiff")
    stem = head.strip(" .") or "song"
    if _RESERVED.fullmatch(stem):
        stem = f"song {stem}"
    stem = stem.encode("utf-8", "replace")[:LONGEST_BYTES].decode("utf-8", "ignore").strip(" .")
    return f"{stem}{ending}"


def free_name(name: str, taken: Iterable[str]) -> str:
    """The name, with a number added if it is taken; endings and case don't count."""
    stems = {Path(other).stem.casefold() for other in taken}
    path = Path(name)
    number, stem = 1, path.stem
    while stem.casefold() in stems:
        number += 1
        stem = f"{path.stem} {number}"
    return f"{stem}{path.suffix}"


def sounds(head: bytes) -> bool:
    """Do a file's first bytes look like a recording's? Those of text (HTML, SVG) and zeros don't."""
    if head.startswith(_SIGNS) or head[4:8] == b"ftyp":
        return True
    # MPEG audio without tags: eleven set bits begin a frame (ISO/IEC 11172-3); no text in UTF-8 holds such a byte.
    return re.search(rb"\xff[\xe0-\xff]", head) is not None
