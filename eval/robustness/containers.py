"""Recordings built chunk by chunk, page by page, frame by frame, nearly right, for eval's campaign.

Each maker also says how many seconds there are to be heard where that is known: whoever answers with less must say so.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass

import numpy as np

from eval.robustness.shapes import TEXTS, chunk, odds, pick


@dataclass(frozen=True, slots=True)
class Made:
    """A file, and what it holds or claims to hold, in seconds; None where it is odd enough that nobody could say."""

    data: bytes
    whole_s: float | None = None


def wav(rng: np.random.Generator, samples: np.ndarray) -> Made:
    """A RIFF file: any width and number of channels, chunks in any order, sizes that hold or not, cut or joined."""
    channels = int(rng.choice([1, 1, 2, 2, 3, 8, 0]))
    rate = int(rng.choice([8000, 22050, 44100, 44100, 44100, 48000, 192000, 1]))
    bits, code = pick(rng, _CODINGS)
    n, width = max(1, channels), max(1, bits // 8)
    frames = np.repeat(samples[:, None], n, axis=1) * float(rng.choice([1.0] * 9 + [0.0, 1e-9, 1e6]))
    body = _coded(frames, code, width, rng)
    form = struct.pack("<HHIIHH", code, channels, rate, rate * n * width, n * width if odds(rng, 0.95) else 0, bits)
    if code == 0xFFFE:
        form += struct.pack("<HHI", 22, bits, 3) + b"\1\0\0\0\0\0\x10\0\x80\0\0\xaa\0\x38\x9b\x71"
    chunks = [chunk(b"fmt ", form, rng, "<"), chunk(b"data", body, rng, "<")]
    for _ in range(int(rng.integers(0, 3))):
        text = _text(rng)
        name, inside = pick(
            rng, ((b"LIST", b"INFOINAM" + struct.pack("<I", len(text)) + text), (b"bext", bytes(602)), (b"junk", b"x"))
        )
        chunks.insert(int(rng.integers(len(chunks) + 1)), chunk(name, inside + b"\0" * (len(inside) % 2), rng, "<"))
    return Made(_cut(chunk(b"RIFF", b"WAVE" + b"".join(chunks), rng, "<"), rng))


_CODINGS = ((8, 1), (16, 1), (16, 1), (24, 1), (32, 1), (32, 3), (64, 3), (16, 0xFFFE), (4, 2), (12, 1))


def _coded(frames: np.ndarray, code: int, width: int, rng: np.random.Generator) -> bytes:
    if code == 3:
        data = frames.astype(f"<f{width}")
        if odds(rng, 0.2):
            data[int(rng.integers(len(data)))] = pick(rng, (np.nan, np.inf, 1e30))
        return data.tobytes()
    whole = (np.clip(frames, -1, 1) * (2.0 ** (8 * width - 1) - 1)).astype("<i4")
    if width == 1:
        return bytes((whole + 128).astype("u1").tobytes())
    return bytes(whole.view("u1").reshape(*whole.shape, 4)[..., :width].tobytes())


def _text(rng: np.random.Generator) -> bytes:
    return str(pick(rng, TEXTS)).encode("utf-8", "replace")


def _cut(data: bytes, rng: np.random.Generator) -> bytes:
    """Usually as it is; else cut, joined with itself, or with something behind it."""
    roll = rng.random()
    if roll < 0.15:
        return data[: int(rng.integers(len(data) + 1))]
    if roll < 0.25:
        return data + data
    return data + rng.bytes(int(rng.choice([1, 1000]))) if roll < 0.3 else data


def plain_wav(data: bytes, whole_s: float, rng: np.random.Generator) -> Made:
    """An ordinary recording, cut in its sound: what its head claims is known."""
    return Made(data[: int(rng.integers(100, len(data) + 1))] if odds(rng, 0.8) else data, whole_s)


def flac(seed: bytes, whole_s: float, rng: np.random.Generator) -> Made:
    """A FLAC stream with blocks of its head added, renamed, doubled; its length claimed otherwise; cut or joined."""
    blocks, at, last = [], 4, False
    while not last:
        last, size = bool(seed[at] & 0x80), int.from_bytes(seed[at + 1 : at + 4], "big")
        blocks.append((seed[at] & 0x7F, seed[at + 4 : at + 4 + size]))
        at += 4 + size
    known: float | None = whole_s
    if odds(rng, 0.4):
        first = bytearray(blocks[0][1])
        packed = int.from_bytes(first[10:18], "big") >> 36 << 36
        claimed = int(pick(rng, (0, 1, 44100, 10**6, 2**36 - 1)))
        first[10:18] = (packed | claimed).to_bytes(8, "big")
        blocks[0] = blocks[0][0], bytes(first)
        known = None if claimed < 10**6 else whole_s
    for _ in range(int(rng.integers(0, 4))):
        text = b"TITLE=" + _text(rng)
        comment = struct.pack("<I", 0) + struct.pack("<II", 1, len(text)) + text
        block = pick(rng, ((4, comment), (1, bytes(300)), (6, rng.bytes(50)), (126, b"x")))
        blocks.insert(int(rng.integers(1, len(blocks) + 1)), block)
    head = b"".join(
        bytes([kind | (0x80 if k == len(blocks) - 1 else 0)]) + len(body).to_bytes(3, "big") + body
        for k, (kind, body) in enumerate(blocks)
    )
    return Made(_cut(b"fLaC" + head + seed[at:], rng), known)


def ogg(seed: bytes, whole_s: float, rng: np.random.Generator) -> Made:
    """Ogg pages dropped, doubled, swapped, renumbered, their flags changed; each with a checksum that holds."""
    pages, at = [], 0
    while seed[at : at + 4] == b"OggS":
        segments = seed[at + 26]
        end = at + 27 + segments + sum(seed[at + 27 : at + 27 + segments])
        pages.append(bytearray(seed[at:end]))
        at = end
    changes = int(rng.integers(0, 3))
    for _ in range(changes):
        _changed_page(pages, rng)
    data = b"".join(_summed(page) for page in pages)
    if changes == 0 and odds(rng, 0.5):
        # A chain of two: the second with a serial number of its own, as RFC 3533 asks.
        for page in pages:
            page[14:18] = b"next"
        return Made(data + b"".join(_summed(page) for page in pages), 2 * whole_s)
    return Made(_cut(data, rng))


def _changed_page(pages: list[bytearray], rng: np.random.Generator) -> None:
    k, what = int(rng.integers(len(pages))), int(rng.integers(6))
    if what == 0 and len(pages) > 1:
        del pages[k]
    elif what == 1:
        pages.insert(k, bytearray(pages[k]))
    elif what == 2:
        pages[k], pages[0] = pages[0], pages[k]
    elif what == 3:
        pages[k][5] = int(rng.choice([0, 1, 2, 4, 6]))
    elif what == 4:
        pages[k][6:14] = struct.pack("<q", int(pick(rng, (0, -1, 1, 2**40, 2**62))))
    else:
        pages[k][14:18] = rng.bytes(4)


def _summed(page: bytearray) -> bytes:
    """A page with its checksum (RFC 3533: the polynomial of zlib's, but unreflected and without its frame)."""
    page[22:26] = bytes(4)
    turned = bytes(page).translate(_TURNED)
    # zlib turns its register over before and after; starting it at all ones undoes the first.
    crc = zlib.crc32(turned, 0xFFFFFFFF) ^ 0xFFFFFFFF
    page[22:26] = struct.pack("<I", int(f"{crc:032b}"[::-1], 2))
    return bytes(page)


_TURNED = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))


def mp3(seed: bytes, whole_s: float, rng: np.random.Generator) -> Made:
    """MPEG frames (ISO/IEC 11172-3) dropped, doubled, junk between; tags whose sizes hold or not; cut or joined."""
    frames = _mpeg_frames(seed)
    changes = int(rng.integers(0, 3))
    for _ in range(changes):
        k, what = int(rng.integers(len(frames))), int(rng.integers(4))
        if what == 0 and len(frames) > 1:
            del frames[k]
        elif what == 1:
            frames[k:k] = frames[k : k + int(rng.choice([1, 20]))]
        elif what == 2:
            frames.insert(k, rng.bytes(int(rng.choice([1, 100, 3000]))))
        else:
            frames[k] = frames[k][:4] + rng.bytes(len(frames[k]) - 4)
    data = b"".join(frames)
    if odds(rng, 0.4):
        text = b"\3" + _text(rng)
        tag = b"TIT2" + struct.pack(">IH", len(text), 0) + text
        size = len(tag) if odds(rng, 0.8) else int(rng.choice([0, 10**6, 2**28 - 1]))
        data = b"ID3\4\0\0" + bytes(size >> shift & 0x7F for shift in (21, 14, 7, 0)) + tag + data
    if odds(rng, 0.2):
        data += b"TAG" + _text(rng)[:30].ljust(125, b"\0")
    if changes == 0 and odds(rng, 0.3):
        return Made(data + b"".join(_mpeg_frames(seed)), 2 * whole_s)
    return Made(_cut(data, rng))


_KBIT = (0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320, 0)
"""Bit rates of layer III, MPEG 1: published (ISO/IEC 11172-3)."""

_KBIT_2 = (0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160, 0)
"""The same of MPEG 2: published (ISO/IEC 13818-3)."""


def _mpeg_frames(data: bytes) -> list[bytes]:
    frames, at = [], 0
    while at + 4 <= len(data) and data[at] == 0xFF and data[at + 1] & 0xE0 == 0xE0:
        first = data[at + 1] >> 3 & 3 == 3
        rate = (44100, 48000, 32000, 44100)[data[at + 2] >> 2 & 3] // (1 if first else 2)
        kbit = (_KBIT if first else _KBIT_2)[data[at + 2] >> 4]
        size = (144 if first else 72) * 1000 * kbit // rate + (data[at + 2] >> 1 & 1)
        frames.append(data[at : at + max(4, size)])
        at += max(4, size)
    return frames or [data]


def m4a(seed: bytes, rng: np.random.Generator) -> Made:
    """Boxes (ISO/IEC 14496-12) dropped, doubled, swapped, renamed, of sizes that hold or not, at any depth."""
    boxes = _boxes(seed)
    for _ in range(int(rng.integers(0, 3))):
        _changed_boxes(boxes, rng)
    return Made(_cut(b"".join(_boxed(name, body, rng) for name, body in boxes), rng))


_HOLDERS = (b"moov", b"trak", b"mdia", b"minf", b"stbl", b"udta")


def _boxes(data: bytes) -> list[tuple[bytes, bytes]]:
    found, at = [], 0
    while at + 8 <= len(data):
        size = max(8, int.from_bytes(data[at : at + 4], "big"))
        found.append((data[at + 4 : at + 8], data[at + 8 : at + size]))
        at += size
    return found


def _boxed(name: bytes, body: bytes, rng: np.random.Generator) -> bytes:
    size = 8 + len(body) if odds(rng, 0.97) else int(rng.choice([0, 1, 7, 2**31, 2**32 - 1]))
    return struct.pack(">I", size) + name + body


def _changed_boxes(boxes: list[tuple[bytes, bytes]], rng: np.random.Generator) -> None:
    if not boxes:
        return
    k, what = int(rng.integers(len(boxes))), int(rng.integers(6))
    name, body = boxes[k]
    if name in _HOLDERS and odds(rng, 0.8):
        inside = _boxes(body)
        _changed_boxes(inside, rng)
        boxes[k] = name, b"".join(struct.pack(">I", 8 + len(b)) + n + b for n, b in inside)
    elif what == 0:
        del boxes[k]
    elif what == 1:
        boxes.insert(k, boxes[k])
    elif what == 2:
        boxes[k], boxes[0] = boxes[0], boxes[k]
    elif what == 3:
        boxes[k] = pick(rng, (b"free", b"uuid", b"\0\0\0\0", b"moov")), body
    elif len(body) >= 8:
        at = 4 * int(rng.integers(min(len(body) // 4, 16)))
        word = struct.pack(">I", int(pick(rng, (0, 1, 2**31, 2**32 - 1, 10**6))))
        boxes[k] = name, body[:at] + word + body[at + 4 :]
