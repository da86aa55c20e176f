"""Names from outside: of files made harmless, of songs as ids that lead nowhere, of kinds by their first bytes."""

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
"""Of a name without its ending: file systems take 255 bytes, and endings such as .song.toml come on top (judged)."""

_ID = re.compile(r"[0-9a-f]{16}")
_RESERVED = re.compile(r"(?i)(con|prn|aux|nul|com\d|lpt\d)(\..*)?")
"""Names that are devices on Windows."""

_SIGNS = (b"RIFF", b"RF64", b"RIFX", b"fLaC", b"OggS", b"ID3", b"FORM", b"MThd", b"\x30\x26\xb2\x75", b"caff")
"""How recordings and MIDI files begin: wav, flac, ogg, mp3 with tags, aiff, MIDI, wma (each format's own standard)."""

HEAD_BYTES = 4096  # judged: every format tells itself in the first few


def id_of(name: str) -> str:
    """What a browser calls a file: 16 hexadecimal digits that say nothing of the name."""
    return hashlib.sha256(name.encode("utf-8", "surrogateescape")).hexdigest()[:16]


def checked_id(text: str) -> str:
    """An id as it came from outside.

    Raises
    ------
    RefusedError
        if it is none.
    """
    if not _ID.fullmatch(text):
        raise RefusedError(404, "there is no such song")
    return text


def safe_name(told: str, endings: Iterable[str] = SOUNDS) -> str:
    r"""A plain file name from what somebody calls a file: no folder, nothing unprintable, no device, an ending we read.

    Raises
    ------
    RefusedError
        if the ending is none of those.

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
    """The name, or with a number behind it where another has the same before its ending, in capitals or not."""
    stems = {Path(other).stem.casefold() for other in taken}
    path = Path(name)
    number, stem = 1, path.stem
    while stem.casefold() in stems:
        number += 1
        stem = f"{path.stem} {number}"
    return f"{stem}{path.suffix}"


def sounds(head: bytes) -> bool:
    """Do a file's first bytes look like a recording's? Text, HTML and SVG among it, and zeros don't."""
    if head.startswith(_SIGNS) or head[4:8] == b"ftyp":
        return True
    # MPEG audio without tags: eleven set bits begin a frame (ISO/IEC 11172-3); no text in UTF-8 holds such a byte.
    return re.search(rb"\xff[\xe0-\xff]", head) is not None
