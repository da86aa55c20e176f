"""Track and click on one time line, mixed and measured block by block, then written.

Everything is rendered twice: once to measure true peak and loudness, once to write it at the level that follows.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyebur128
import soundfile
from numpy.typing import NDArray

from pulsefind.core import fades
from pulsefind.core.errors import HintError, OutputError
from pulsefind.core.files import new_file, sound_name
from pulsefind.core.records import FloatArray
from pulsefind.listen.decoding import BLOCK
from pulsefind.practice import click_sound as clicksound
from pulsefind.practice.encode import LOSSY, check_kind, encode
from pulsefind.practice.spool import Spool

PEAK_DBTP = -1.0
"""The highest true peak written (published: EBU R 128; oversampled 4 times, as in ITU-R BS.1770)."""

MARGIN_DB = 6.0
"""How much louder than the track a click may be at most (judged, to protect hearing)."""

QUIETEST_LUFS = -40.0
"""A quieter track counts as this loud when the click's level is set (judged)."""

FADE_UP_S = 1.0  # judged
FADE_UP_DB = 18.0
"""How far the first second rises (judged): nobody should be startled by a level set too high."""

JOIN_S = 0.01
"""Length of the crossfade with which a loop returns to its start (judged by ear)."""

_ENCODER_TRIES = 3  # judged: each writes the file again, a little lower
_PEAK_ROOM_DB = 0.05  # judged: more than two measurements of a true peak differ

Samples = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Levels:
    """How loud: click_db relative to the track's loudness, track_db for the track; and what sounds where."""

    click_db: float = 0.0
    track_db: float = 0.0
    with_track: bool = True
    split: bool = False

    def __post_init__(self) -> None:
        """Keep the click below the margin."""
        if not -40.0 <= self.click_db <= MARGIN_DB:
            raise HintError(f"--click-db {self.click_db:g}: from -40 to {MARGIN_DB:g} dB over the track can be had")
        if not -60.0 <= self.track_db <= 0.0:
            raise HintError(f"--track-db {self.track_db:g}: from -60 to 0 dB can be had")


@dataclass(frozen=True, slots=True)
class Piece:
    """n frames of the track, from frame `start` of the spool, heard from frame `at` of the result.

    joins: the next piece starts over where this one ends, so its lead-up is faded in.
    """

    at: int
    start: int
    n: int
    joins: bool = False


@dataclass(frozen=True, slots=True)
class Score:
    """What sounds when, in frames of the result: n in all, the track's pieces, clicks (fractional), accents."""

    n: int
    pieces: tuple[Piece, ...]
    click_at: FloatArray
    accent: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Measured:
    """A mix before it is turned down: true peak in dBTP and integrated loudness in LUFS."""

    peak_db: float
    lufs: float

    @property
    def down_db(self) -> float:
        """How far it must be turned down to stay below the highest true peak."""
        return max(0.0, self.peak_db - PEAK_DBTP + _PEAK_ROOM_DB)


@dataclass(frozen=True, slots=True)
class Rendered:
    """What was written: path, length, integrated loudness, true peak, and how far everything was turned down."""

    path: Path
    duration_s: float
    loudness_lufs: float
    true_peak_dbtp: float
    turned_down_db: float
    n_clicks: int


def render(spool: Spool, score: Score, levels: Levels, path: Path, force: bool) -> Rendered:
    """Mix and write, turned down as far as the true peak requires.

    Raises
    ------
    OutputError
        if it can't be written, or there is nothing to write.
    """
    measured = measure(spool, score, levels)
    return write(spool, score, levels, measured, measured.down_db, path, force)


def measure(spool: Spool, score: Score, levels: Levels) -> Measured:
    """True peak and loudness of a mix as it is."""
    peak_db, lufs = _measure(mixed(spool, score, levels), _channels(spool, levels), spool.rate_hz)
    return Measured(peak_db, lufs)


def write(
    spool: Spool, score: Score, levels: Levels, measured: Measured, down_db: float, path: Path, force: bool
) -> Rendered:
    """Write a measured mix, turned down by so much.

    A lossy encoder may raise peaks, so what it wrote is measured, and written again at a lower level if need be.

    Raises
    ------
    OutputError
        if it can't be written, or there is nothing to write.
    """
    kind = check_kind(path)
    if score.n < 1:
        raise OutputError(f"{path}: nothing to write: the part asked for is empty")
    channels = _channels(spool, levels)
    with new_file(path, force) as temporary:
        for _ in range(_ENCODER_TRIES):
            blocks = mixed(spool, score, levels, -down_db)
            encode(temporary, kind, blocks, score.n, channels, spool.rate_hz, path)
            written_db = measured.peak_db - down_db
            if kind in LOSSY:
                written_db, _ = _measure(_read(temporary), channels, spool.rate_hz)
            if written_db <= PEAK_DBTP:
                break
            down_db += written_db - PEAK_DBTP + _PEAK_ROOM_DB
    length_s = score.n / spool.rate_hz
    return Rendered(path, length_s, measured.lufs - down_db, written_db, down_db, len(score.click_at))


def _channels(spool: Spool, levels: Levels) -> int:
    if levels.split:
        return 2
    return spool.channels if levels.with_track else 1


def mixed(spool: Spool, score: Score, levels: Levels, gain_db: float = 0.0) -> Iterator[Samples]:
    """The blocks (m, channels) of the mix."""
    loud = [clicksound.amplitude(tone, _click_lufs(spool, levels)) for tone in clicksound.TONE_HZ]
    track_gain = 10 ** (levels.track_db / 20)
    for first in range(0, score.n, BLOCK):
        n = min(BLOCK, score.n - first)
        click = _click_block(score, first, n, loud, spool.rate_hz)
        track = _track_block(spool, score.pieces, first, n) * track_gain if levels.with_track else None
        out = _combine(track, click, levels.split)
        gain = 10 ** (gain_db / 20) * _fade_up(first, n, spool.rate_hz)
        yield (out * gain[:, None]).astype(np.float32)


def _click_lufs(spool: Spool, levels: Levels) -> float:
    """How loud one channel's click must be; in both channels of a stereo mix it counts twice (ITU-R BS.1770)."""
    wanted = max(spool.loudness_lufs, QUIETEST_LUFS) + levels.click_db
    twice = levels.with_track and spool.channels == 2 and not levels.split
    return wanted - (10 * float(np.log10(2)) if twice else 0.0)


def _combine(track: FloatArray | None, click: FloatArray, split: bool) -> FloatArray:
    if split:
        left = click[:, 0] if track is None else track.mean(axis=1)
        return np.stack([left, click[:, 0]], axis=1)
    return click if track is None else track + click


def _click_block(score: Score, first: int, n: int, loud: list[float], rate_hz: int) -> FloatArray:
    out = np.zeros(n)
    low = np.searchsorted(score.click_at, first - clicksound.LENGTH_S * rate_hz)
    high = np.searchsorted(score.click_at, first + n + clicksound.RISE_S * rate_hz)
    for at, accent in zip(score.click_at[low:high], score.accent[low:high], strict=True):
        clicksound.draw(out, float(at) - first, loud[int(accent)], clicksound.TONE_HZ[int(accent)], rate_hz)
    return out[:, None]


def _track_block(spool: Spool, pieces: tuple[Piece, ...], first: int, n: int) -> FloatArray:
    out = np.zeros((n, spool.channels))
    for piece in pieces:
        low, high = max(first, piece.at), min(first + n, piece.at + piece.n)
        if low < high:
            out[low - first : high - first] = _piece_part(spool, piece, low - piece.at, high - piece.at)
    return out


def _piece_part(spool: Spool, piece: Piece, low: int, high: int) -> FloatArray:
    """Frames low..high of a piece; at the end of one that joins, the lead-up to its start fades in."""
    sound = spool.read(piece.start + low, high - low).astype(np.float64)
    fade = min(round(JOIN_S * spool.rate_hz), piece.n)
    if piece.joins and high > piece.n - fade:
        lead_up = spool.read(piece.start + low - piece.n, high - low)
        share = np.clip((np.arange(low, high) - (piece.n - fade) + 1) / (fade + 1), 0, 1)
        out, into = fades.gains(share, _agreement_at_join(spool, piece, fade))
        sound = sound * out[:, None] + lead_up * into[:, None]
    return sound


def _agreement_at_join(spool: Spool, piece: Piece, fade: int) -> float:
    end, lead_up = spool.read(piece.start + piece.n - fade, fade), spool.read(piece.start - fade, fade)
    return fades.agreement(end.astype(np.float64), lead_up.astype(np.float64))


def _fade_up(first: int, n: int, rate_hz: int) -> FloatArray:
    missing = np.clip(1 - (first + np.arange(n)) / (FADE_UP_S * rate_hz), 0, 1)
    gain: FloatArray = 10 ** (-FADE_UP_DB * missing / 20)
    return gain


def _measure(blocks: Iterator[Samples], channels: int, rate_hz: int) -> tuple[float, float]:
    """True peak in dBTP and integrated loudness in LUFS."""
    mode = pyebur128.MeasurementMode.MODE_I | pyebur128.MeasurementMode.MODE_TRUE_PEAK
    meter = pyebur128.R128State(channels, rate_hz, mode)
    for block in blocks:
        meter.add_frames(np.ascontiguousarray(block).reshape(-1), len(block))
    # The meter's filter is 6 samples late, so a peak at the very end needs some silence after it.
    meter.add_frames(np.zeros(64 * channels, np.float32), 64)
    peak = max(pyebur128.get_true_peak(meter, channel) for channel in range(channels))
    return 20 * float(np.log10(max(peak, 1e-10))), float(pyebur128.get_loudness_global(meter))


def _read(path: Path) -> Iterator[Samples]:
    with soundfile.SoundFile(sound_name(path)) as file:
        yield from file.blocks(BLOCK, dtype="float32", always_2d=True)
