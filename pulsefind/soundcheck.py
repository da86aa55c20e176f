"""Does everything work on this machine? Everything pulsefind needs is tried, and a failure says what to do."""

from __future__ import annotations

import contextlib
import importlib.metadata
import io
import platform
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from pulsefind import __version__
from pulsefind.analysis import analyse
from pulsefind.core import cache
from pulsefind.core.child import Limits, running
from pulsefind.core.errors import PulsefindError
from pulsefind.core.leftovers import alone_in, temporary_file, temporary_folder
from pulsefind.core.records import Settings
from pulsefind.demo import BPM, RATE_HZ, make_song
from pulsefind.listen.audio import from_samples, load
from pulsefind.page.pdf import find_browser
from pulsefind.practice.encode import KINDS

PACKAGES = ("numpy", "scipy", "soundfile", "soxr", "mido", "jinja2")
ROOM_BYTES = 2**30
"""Free room that is asked for (judged): practice audio of an hour needs 1.3 GB (44.1 kHz, stereo, floats), a song a
tenth of that.
"""

_FIRST_S, _LENGTH_S = 20.0, 10.0  # judged: a part of the demo song with both guides
_TEMPO_SHARE = 0.03  # judged: well within the song's own breathing
_TONE = (0.3 * np.sin(2 * np.pi * 440 * np.arange(RATE_HZ) / RATE_HZ)).astype(np.float32)
"""A second of A4 at a third of full scale (judged)."""


@dataclass(frozen=True, slots=True)
class Check:
    """One thing that was tried: whether it works, what was found, and what to do if it doesn't.

    Without something optional, one kind of file can't be had and the rest works.
    """

    name: str
    works: bool
    needed: bool
    found: str
    advice: str = ""


def soundcheck(folder: Path) -> tuple[Check, ...]:
    """Try everything; results would be written to `folder`."""
    tried: tuple[tuple[str, bool, Callable[[], str], str], ...] = (
        ("versions", True, _versions, "install pulsefind again: pip install --force-reinstall pulsefind"),
        *(
            (f"{kind[1:]} files", True, lambda kind=kind: _file_kind(kind), "install soundfile again, at least 0.13")
            for kind in KINDS
        ),
        ("m4a files", False, _ffmpeg, "install ffmpeg; until then convert such files to wav or flac"),
        ("pdf", False, _browser, "install Chromium; until then write the sheet as .html and print it from a browser"),
        ("writing here", True, lambda: _writes(folder), "go to a folder of your own, or free some room"),
        ("temporary files", True, _temporary, "free some room, or name another folder in TMPDIR"),
        ("cache", False, _cache, "name a folder of your own in PULSEFIND_CACHE; without it every run takes longer"),
        ("own network", True, lambda: _hears("own"), "install pulsefind again: its weights are damaged"),
        (
            "second opinion",
            False,
            lambda: _hears("stock"),
            "leave out --network both and stock; the own network does without",
        ),
    )
    return tuple(_tried(*one) for one in tried)


def _tried(name: str, needed: bool, attempt: Callable[[], str], advice: str) -> Check:
    try:
        return Check(name, True, needed, attempt())
    except _FailedError as error:
        return Check(name, False, needed, str(error), advice)
    except Exception as error:  # noqa: BLE001 - whatever is broken is reported
        # Finding out what goes wrong is the whole point.
        told = " ".join(str(error).split())[:200]
        return Check(
            name,
            False,
            needed,
            told if isinstance(error, PulsefindError) else f"{type(error).__name__}: {told}",
            advice,
        )


class _FailedError(Exception):
    """Something works, but not as it should."""


def _versions() -> str:
    found = ", ".join(f"{name} {importlib.metadata.version(name)}" for name in PACKAGES)
    return f"pulsefind {__version__}, Python {platform.python_version()}, {soundfile.__libsndfile_version__}, {found}"


def _file_kind(kind: str) -> str:
    """Write a second of a tone and read it back."""
    container, coding = KINDS[kind]
    data = io.BytesIO()
    soundfile.write(data, _TONE, RATE_HZ, coding, format=container)
    data.seek(0)
    samples, _ = soundfile.read(data)
    return _tone_found(samples)


def _tone_found(samples: np.ndarray) -> str:
    spectrum = np.abs(np.fft.rfft(samples))
    hz = float(np.argmax(spectrum)) * RATE_HZ / len(samples)
    if abs(hz - 440.0) > 3.0:
        raise _FailedError(f"a tone of 440 Hz came back as {hz:.0f} Hz")
    return "written and read"


def _ffmpeg() -> str:
    program = shutil.which("ffmpeg")
    if program is None:
        raise _FailedError("ffmpeg is not installed")
    with temporary_folder(Path(tempfile.gettempdir())) as place:
        source, target = place / "tone.wav", place / "tone.m4a"
        soundfile.write(source, _TONE, RATE_HZ)
        command = [program, "-nostdin", "-v", "error", "-i", f"file:{source}", "-c:a", "aac", f"file:{target}"]
        with running(command, Limits(time_s=60)) as child:
            reason = child.finish()
        if reason:
            raise _FailedError(f"ffmpeg: {reason}")
        _tone_found(load(target).samples)
    return f"read by {program}"


def _browser() -> str:
    browser = find_browser()
    if browser is None:
        raise _FailedError("no browser of the Chromium family is there")
    return f"printed by {browser}"


def _writes(folder: Path) -> str:
    with temporary_file(folder) as file:
        file.write_bytes(b"sound check")
    return f"{folder.absolute()}, {shutil.disk_usage(folder).free / 1e9:.1f} GB free"


def _temporary() -> str:
    folder = Path(tempfile.gettempdir())
    free = shutil.disk_usage(folder).free
    if free < ROOM_BYTES:
        raise _FailedError(f"{folder} has {free / 1e9:.2f} GB free; an hour of music needs {ROOM_BYTES / 1e9:.1f} GB")
    return f"{folder}, {free / 1e9:.1f} GB free"


def _cache() -> str:
    """Write an entry and read it back."""
    place, key, entry = cache.folder(), "soundcheck", None
    with contextlib.suppress(OSError):
        place.mkdir(mode=0o700, parents=True, exist_ok=True)
        # Of two checks at once neither takes the other's entry away; that of a killed one goes with the next.
        with alone_in(place):
            cache.write(key, (np.ones((2, 2)),))
            entry = cache.read(key)
            cache.remove(key)
    if entry is None:
        raise _FailedError(f"{place} can't be used")
    return f"{place}, {cache.size_bytes() / 1e6:.1f} MB of {cache.LIMIT_BYTES / 1e6:.0f} MB"


def _ten_seconds() -> np.ndarray:
    song, _ = make_song()
    return song[int(_FIRST_S * RATE_HZ) : int((_FIRST_S + _LENGTH_S) * RATE_HZ)]


def _hears(network: str) -> str:
    """Analyse ten seconds whose tempo is known."""
    analysis = analyse(from_samples(_ten_seconds(), RATE_HZ), Settings(network=network, use_cache=False))
    if abs(analysis.tempo.bpm / BPM - 1) > _TEMPO_SHARE:
        raise _FailedError(f"ten seconds at {BPM:.0f} bpm were taken for {analysis.tempo.bpm:.1f} bpm")
    return f"ten seconds at {BPM:.0f} bpm: {analysis.tempo.bpm:.1f} bpm, {len(analysis.beats.time_s)} beats"
