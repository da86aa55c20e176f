"""What a file says about itself, on containers put together by hand from their published layouts.

RIFF (Microsoft and IBM 1991), AIFF (Apple 1989), MP4 boxes (ISO 14496-12), Ogg pages (RFC 3533), the first block of
FLAC (RFC 9639), ID3v2 (id3.org), APE tags and the Xing frame (no standards); from memory where no number is given.
Files as libsndfile and ffmpeg write them: test_halves.py.
"""

import shutil
import struct
import subprocess

import numpy as np
import pytest
import soundfile

from pulsefind.listen.audio import load
from pulsefind.listen.claims import Claim, claim_of

SLACK, UNKNOWN = 4096, 0x7FFFF000
WHOLE, EARLY = Claim(), Claim(ends_early=True)


@pytest.fixture
def claim(tmp_path):
    def of(data):
        (tmp_path / "a").write_bytes(data)
        return claim_of(tmp_path / "a")

    return of


def chunks(order, *named):
    """A file of chunks: name, stated size, bytes that are there; an odd one is padded."""
    kind, form = (b"RIFF", b"WAVE") if order == "<" else (b"FORM", b"AIFF")
    body = b"".join(
        name + struct.pack(f"{order}I", size) + data + b"\0" * (len(data) % 2) for name, size, data in named
    )
    return kind + struct.pack(f"{order}I", 4 + len(body)) + form + body


@pytest.mark.parametrize(("order", "sound"), [("<", b"data"), (">", b"SSND")])
def test_the_chunk_of_sound_says_whether_the_end_is_missing(order, sound, claim):
    there = bytes(1000)
    for size, expected in ((1000, WHOLE), (1000 + SLACK, WHOLE), (1001 + SLACK, EARLY), (2**30, EARLY)):
        assert claim(chunks(order, (sound, size, there))) == expected, size
        # Behind others, one of them of an odd size.
        others = (b"fmt ", 16, bytes(16)), (b"note", 3, b"abc")
        assert claim(chunks(order, *others, (sound, size, there))) == expected, size
    # Programs that write to a pipe don't know their size.
    for size, expected in ((UNKNOWN - 1, EARLY), (UNKNOWN, WHOLE), (2**32 - 1, WHOLE)):
        assert claim(chunks(order, (sound, size, there))) == expected, size
    # Chunks of another form (pictures, notes) may have such a name too.
    cut = chunks(order, (sound, 2**30, there))
    assert claim(cut[:8] + b"ILBM" + cut[12:]) == WHOLE
    # Cut before the sound, nothing is known of it.
    assert claim(chunks(order, (b"fmt ", 16, bytes(16)))) == WHOLE
    assert claim(chunks(order, (b"fmt ", 16, bytes(16)))[:24]) == WHOLE
    assert claim(chunks(order, (b"fmt ", 2**31, bytes(16)))) == WHOLE


def test_what_follows_where_a_file_says_that_it_ends(claim):
    first = chunks("<", (b"data", 5, bytes(5)))
    assert claim(first + first) == Claim(unread=True)
    assert claim(first + chunks(">", (b"SSND", 4, bytes(4)))) == WHOLE
    assert claim(first + b"RIFF\4\0\0\0AVI ") == WHOLE and claim(first + b"XXXX\4\0\0\0WAVE") == WHOLE
    assert claim(first[:4] + struct.pack("<I", len(first) - 9) + first[8:-1] + b"\0" + first) == Claim(unread=True)


def box(size, name, there, long=None):
    """A box of a stated size, which may stand in 64 bits behind its name."""
    return struct.pack(">I", size) + name + (b"" if long is None else struct.pack(">Q", long)) + bytes(there)


@pytest.mark.parametrize(
    ("sound", "expected"),
    [
        (box(108, b"mdat", 100), WHOLE),
        (box(109, b"mdat", 100), EARLY),
        (box(1, b"mdat", 100, long=116), WHOLE),
        (box(1, b"mdat", 100, long=117), EARLY),
        (box(1, b"mdat", 100, long=2**40), EARLY),
        # To the end of the file; and what is no box at all.
        *((box(size, b"mdat", 100), WHOLE) for size in (0, 2, 7)),
        (box(8, b"free", 0) + box(109, b"mdat", 100), EARLY),
    ],
)
def test_boxes_that_reach_beyond_the_end(sound, expected, claim):
    assert claim(box(24, b"ftyp", 16) + sound) == expected


FIRST, LAST = 2, 4


def page(kind, *segments):
    """A page of Ogg: its flags, and the sizes of its segments."""
    return b"OggS\0" + bytes([kind]) + bytes(20) + bytes([len(segments), *segments]) + bytes(sum(segments))


@pytest.mark.parametrize(
    ("pages", "expected"),
    [
        ([page(FIRST, 30), page(0, 255, 10), page(LAST, 20)], WHOLE),
        ([page(FIRST | LAST, 30)], WHOLE),
        ([page(FIRST, 30), page(0, 255, 10)], EARLY),
        ([page(FIRST, 30), page(LAST, 20)[:-1]], EARLY),
        ([page(FIRST, 30), page(LAST)], WHOLE),
        ([page(FIRST, 30), page(LAST, 20), page(FIRST, 30), page(LAST, 20)], Claim(goes_on=True)),
        ([page(FIRST, 30), page(LAST, 20), page(FIRST, 30)], Claim(ends_early=True, goes_on=True)),
        # Several streams at once: none has ended where the second begins.
        ([page(FIRST, 30), page(FIRST, 30), page(LAST, 20)], WHOLE),
        # A page after the last that begins nothing.
        ([page(FIRST, 30), page(LAST, 20), page(0, 20)], EARLY),
        ([page(FIRST, 30), page(LAST, 20), b"whatever"], WHOLE),
    ],
)
def test_pages_mark_the_first_and_the_last_of_a_stream(pages, expected, claim):
    assert claim(b"".join(pages)) == expected


def flac(rate_hz, n):
    """The name of a FLAC stream and its first block: 10 bytes of sizes, then rate, channels, depth and length."""
    packed = rate_hz << 44 | 1 << 41 | 15 << 36 | n
    return b"fLaC\0\0\0\x22" + bytes(10) + packed.to_bytes(8, "big") + bytes(16)


def test_flac_states_its_length_where_it_knows_it(claim):
    assert claim(flac(44100, 441_000)).length_s == 10.0 and claim(flac(44100, 1)).length_s == 1 / 44100
    assert claim(flac(96_000, 2**36 - 96_000)).length_s == (2**36 - 96_000) / 96_000
    assert claim(flac(44100, 0)).length_s is None and claim(flac(0, 441_000)).length_s is None
    assert claim(flac(44100, 441_000) + b"fLaC") == Claim(length_s=10.0)
    assert claim(flac(44100, 441_000) + bytes(9) + flac(44100, 1)) == Claim(goes_on=True, length_s=10.0)


def id3(n):
    """A tag of n bytes behind its head of ten; the size has seven bits a byte."""
    return b"ID3\3\0\0" + bytes(n >> 7 * k & 0x7F for k in (3, 2, 1, 0)) + bytes(n)


@pytest.mark.parametrize("sizes", [(5,), (127,), (128,), (20_000,), (3_000_000,), (300, 40)])
def test_tags_in_front_are_left_out(sizes, claim):
    tags = b"".join(map(id3, sizes))
    assert claim(tags + flac(44100, 441_000)).length_s == 10.0
    assert claim(tags + flac(44100, 44100) + flac(44100, 44100)).goes_on
    assert claim(tags + page(FIRST, 30)) == EARLY
    assert claim(tags + xing(10_000, 10_000)) == WHOLE and claim(tags + xing(20_000, 10_000)) == EARLY
    # A tag that is cut itself.
    assert claim(id3(300)[:200]) == claim(id3(300)[:9]) == WHOLE


def xing(named, there, flags=3, word=b"Xing", side=32):
    """An mp3 whose first frame, behind its side information, states its bytes (of which so many are there)."""
    head = b"\xff\xfb\x90\x64" + bytes(side) + word + struct.pack(">I", flags)
    head += struct.pack(">I", 400) * (flags & 1) + struct.pack(">I", named) * (flags >> 1 & 1)
    return head.ljust(there, b"\x55")


@pytest.mark.parametrize(("word", "side", "flags"), [(b"Xing", 32, 3), (b"Info", 17, 2), (b"Info", 9, 15)])
def test_the_first_frame_of_an_mp3_states_its_bytes(word, side, flags, claim):
    for there, expected in (
        (100_000, WHOLE),
        (100_000 - SLACK, WHOLE),
        (100_000 - SLACK - 1, EARLY),
        # A hundredth, and a 16th of 64 KiB.
        (101_000 + 4096, WHOLE),
        (101_000 + 4097, Claim(goes_on=True)),
    ):
        assert claim(xing(100_000, there, flags, word, side)) == expected, there
    # Behind what is no frame; where it states only the number of frames; and where there is none.
    assert claim(b"\0" * 500 + xing(100_000, 50_000, flags, word, side)) == EARLY
    assert claim(xing(100_000, 50_000, flags & ~2, word, side)) == WHOLE
    assert claim(xing(100_000, 50_000, flags, b"None", side)) == WHOLE
    assert claim(b"\0" * 2**16 + xing(100_000, 50_000, flags, word, side)) == WHOLE
    assert claim(xing(100_000, 50_000, flags, word, side)[: 4 + side + 8]) in (WHOLE, EARLY)


def ape(n, with_head=True):
    """An APE tag with n bytes of items: its foot states them and itself; a head before them is not counted."""
    foot = b"APETAGEX" + struct.pack("<III", 2000, n + 32, 1) + struct.pack("<I", 0x80000000 * with_head) + bytes(8)
    return (b"APETAGEX" + bytes(24) if with_head else b"") + bytes(n) + foot


@pytest.mark.parametrize(
    "tags",
    [
        b"TAG" + bytes(125),
        ape(50_000),
        ape(50_000, with_head=False),
        ape(50_000) + b"TAG" + bytes(125),
        ape(50_000, with_head=False) + b"TAG" + bytes(125),
    ],
)
def test_tags_at_the_end_of_an_mp3_are_no_sound(tags, claim):
    """A picture of the band as large as half of the sound."""
    most, least = 101_000 + 4096, 100_000 - SLACK
    assert claim(xing(100_000, most) + tags) == WHOLE and claim(xing(100_000, most + 1) + tags).goes_on
    assert claim(xing(100_000, least) + tags) == WHOLE and claim(xing(100_000, least - 1) + tags) == EARLY


def test_an_unknown_or_unreadable_file_claims_nothing(claim, tmp_path):
    for data in (b"", b"R", b"RIFF", b"RIFF\0\0\0\0WAVE", b"OggS", b"fLaC", b"\0\0\0\x18ftyp", b"\xff\xfb", bytes(100)):
        assert claim(data) in (WHOLE, EARLY), data
    assert claim_of(tmp_path) == claim_of(tmp_path / "gone") == WHOLE


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="ffmpeg is not installed")
@pytest.mark.parametrize(("kind", "words"), [("wav", ()), ("ipod", ("-c:a", "aac", "-movflags", "+frag_keyframe"))])
def test_what_ffmpeg_writes_to_a_pipe_is_whole(kind, words, tmp_path):
    soundfile.write(tmp_path / "a.wav", np.random.default_rng(0).normal(0, 0.1, 4 * 44100), 44100)
    command = ["ffmpeg", "-v", "error", "-i", tmp_path / "a.wav", *words, "-f", kind, "pipe:1"]
    (tmp_path / "b").write_bytes(subprocess.run(command, capture_output=True, check=True).stdout)
    audio = load(tmp_path / "b")
    assert audio.warnings == () and audio.duration_s == pytest.approx(4.0, abs=0.1)


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="ffmpeg is not installed")
def test_a_cut_m4a_says_so(tmp_path):
    soundfile.write(tmp_path / "a.wav", np.random.default_rng(0).normal(0, 0.1, 4 * 44100), 44100)
    command = ["ffmpeg", "-v", "error", "-i", tmp_path / "a.wav", "-c:a", "aac", "-movflags", "+faststart"]
    subprocess.run([*command, tmp_path / "a.m4a"], check=True)
    assert load(tmp_path / "a.m4a").warnings == ()
    data = (tmp_path / "a.m4a").read_bytes()
    (tmp_path / "a.m4a").write_bytes(data[: len(data) * 2 // 3])
    assert len(load(tmp_path / "a.m4a").warnings) == 1
