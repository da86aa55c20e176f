"""Does the answer depend on the file? The same recordings louder, inverted, at other rates, coded, or later.

`python -m eval same SET... --root FOLDER`: each recording is analysed as it is and in each form, and the answers are
compared: beats, where the 1 is, and the first guide. Annotations play no part.
"""

from __future__ import annotations

import subprocess
import tempfile
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from eval.records import Track
from pulsefind.analysis import analyse
from pulsefind.core.records import Analysis
from pulsefind.core.settings import Settings
from pulsefind.listen.audio import decode

Samples = NDArray[np.float32]

NEAR_S = 0.02
MOST = 0.95
"""This share of the beats of each answer must have one of the other nearby."""

SILENCE_S = 3.0

Made = Callable[[Samples, int, Path], float]
"""Writes a form of a recording to a file; returns by how many seconds it is later."""


def _gain(db: float) -> Made:
    return lambda frames, rate_hz, path: _write(frames * np.float32(10 ** (db / 20)), rate_hz, path)


def _turned_over(frames: Samples, rate_hz: int, path: Path) -> float:
    return _write(-frames, rate_hz, path)


def _at_rate(to_hz: int) -> Made:
    def make(frames: Samples, rate_hz: int, path: Path) -> float:
        return _write(soxr.resample(frames, rate_hz, to_hz), to_hz, path)

    return make


def _mp3(frames: Samples, rate_hz: int, path: Path) -> float:
    plain = path.with_suffix(".plain.wav")
    _write(frames, rate_hz, plain)
    command = ["ffmpeg", "-nostdin", "-v", "error", "-y", "-i", str(plain), "-b:a", "128k", "-f", "mp3", str(path)]
    subprocess.run(command, check=True)
    plain.unlink()
    return 0.0


def _after_silence(frames: Samples, rate_hz: int, path: Path) -> float:
    silence = np.zeros((round(SILENCE_S * rate_hz), frames.shape[1]), np.float32)
    _write(np.concatenate([silence, frames]), rate_hz, path)
    return len(silence) / rate_hz


def _write(frames: Samples, rate_hz: int, path: Path) -> float:
    soundfile.write(path, frames, rate_hz, format="WAV", subtype="FLOAT")
    return 0.0


FORMS: dict[str, Made] = {
    "-6 dB": _gain(-6),
    "-12 dB": _gain(-12),
    "-20 dB": _gain(-20),
    "-30 dB": _gain(-30),
    "polarity": _turned_over,
    "48 kHz": _at_rate(48000),
    "22.05 kHz": _at_rate(22050),
    "mp3 at 128 kbit/s": _mp3,
    "3 s of silence in front": _after_silence,
}
EXACT = ("-6 dB", "-12 dB", "-20 dB", "-30 dB", "polarity", "3 s of silence in front")
"""Forms that must change nothing at all."""


@dataclass(frozen=True, slots=True)
class Kept:
    """What one form of one recording kept of its answer."""

    set_name: str
    name: str
    form: str
    beats: bool
    ones: bool
    guide: bool


def sameness(tracks: Iterable[Track], forms: dict[str, Made] = FORMS) -> Iterator[Kept]:
    """Each recording in each form, compared with itself."""
    for track in tracks:
        frames, rate_hz = decode(track.audio)
        plain = analyse(track.audio, Settings(use_cache=False))
        for form, make in forms.items():
            with tempfile.TemporaryDirectory(prefix="pulsefind-") as folder:
                path = Path(folder) / ("form.mp3" if make is _mp3 else "form.wav")
                later_s = make(frames, rate_hz, path)
                other = analyse(path, Settings(use_cache=False))
            yield Kept(track.set_name, track.name, form, *compared(plain, other, later_s))


def compared(plain: Analysis, other: Analysis, later_s: float = 0.0) -> tuple[bool, bool, bool]:
    """Whether another answer, given so much later, has the same beats, the same 1 on them, and the same first guide."""
    a_s, b_s = plain.beats.time_s, other.beats.time_s - later_s
    if not len(a_s) or not len(b_s):
        nothing = len(a_s) == len(b_s)
        return nothing, nothing, nothing and _first_guide(plain) == _first_guide(other)
    away_s = np.abs(a_s[:, None] - b_s[None, :])
    beats = min((away_s.min(axis=1) <= NEAR_S).mean(), (away_s.min(axis=0) <= NEAR_S).mean()) >= MOST
    near = away_s.min(axis=1) <= NEAR_S
    same_count = plain.bars.count[near] == other.bars.count[away_s.argmin(axis=1)[near]]
    ones = bool(len(same_count)) and bool(same_count.mean() >= MOST)
    return bool(beats), ones, _first_guide(plain) == _first_guide(other)


def _first_guide(analysis: Analysis) -> tuple[str, tuple[str, ...]] | None:
    """The kind of the first guide and the places at which it falls."""
    if not analysis.guides:
        return None
    first = analysis.guides[0]
    return first.sound.drum, tuple(place.label for place in first.places)


def same_table(found: Iterable[Kept]) -> str:
    """Markdown: a row for each form, how many of the recordings keep what; and below which ones don't."""
    rows = list(found)
    lines = ["| form | beats within 20 ms | same 1 | same first guide |", "|---|---|---|---|"]
    for form in dict.fromkeys(row.form for row in rows):
        of_form = [row for row in rows if row.form == form]
        counts = (sum(getattr(row, field) for row in of_form) for field in ("beats", "ones", "guide"))
        lines.append("| " + " | ".join([form, *(f"{count} of {len(of_form)}" for count in counts)]) + " |")
    lost = [
        f"{row.set_name}/{row.name}, {row.form}: "
        + ", ".join(w for w in ("beats", "ones", "guide") if not getattr(row, w))
        for row in rows
        if not (row.beats and row.ones and row.guide)
    ]
    return "\n".join([*lines, "", *lost]) + "\n"
