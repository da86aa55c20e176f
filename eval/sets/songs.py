"""Four full songs from the Debian package fretsonfire-songs-muldjord, turned into a set in the plain layout.

The package manager fetches the package on request, never a run. The beats come from the tempo map of each
song's notes.mid: constant tempo, bar 1 at the first tick, not checked by hand. The two parts of each
recording (guitar and the rest) are mixed.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from pathlib import Path

import mido
import numpy as np
import soundfile
from numpy.typing import NDArray

from eval.sets.synthetic import write_audio
from eval.store import write_text
from pulsefind.core.errors import FormatError

PACKAGE = "fretsonfire-songs-muldjord"
SET_NAME = "muldjord"
DEFAULT_TEMPO_US = 500_000
DEFAULT_METER = 4


class NotHereError(FormatError):
    """The package can't be had on this machine: the message says why."""


def fetch(folder: Path) -> Path:
    """Download the package with apt and unpack it below the folder; return where its songs are.

    Raises NotHereError where apt or the package is absent.
    """
    if shutil.which("apt-get") is None or shutil.which("dpkg-deb") is None:
        raise NotHereError(f"{PACKAGE}: apt is absent; this set needs Debian or a relative of it")
    try:
        subprocess.run(["apt-get", "download", PACKAGE], cwd=folder, check=True, capture_output=True, text=True)
    except subprocess.CalledProcessError as error:
        reason = (error.stderr.strip().splitlines() or ["no reason given"])[-1]
        raise NotHereError(f"{PACKAGE}: apt can't download it ({reason}); run apt-get update first") from error
    packages = sorted(folder.glob(f"{PACKAGE}_*.deb"))
    if not packages:
        raise NotHereError(f"{PACKAGE}: apt said yes but left no package in {folder}")
    subprocess.run(["dpkg-deb", "-x", str(packages[-1]), str(folder)], check=True, capture_output=True)
    return folder


def beats_of(midi: Path, seconds: float) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return the beats of a MIDI file's tempo map and their counts, from its first tick to the given length.

    Raises FormatError when the file isn't a MIDI file or counts its ticks in frames.
    """
    try:
        file = mido.MidiFile(midi)
    except (OSError, EOFError, ValueError, KeyError) as error:
        raise FormatError(f"{midi}: isn't a readable MIDI file ({error})") from error
    if file.ticks_per_beat <= 0:
        raise FormatError(f"{midi}: counts its ticks in film frames, not in beats; it can't give a beat grid")
    tempi: list[tuple[int, int]] = [(0, DEFAULT_TEMPO_US)]
    meters: list[tuple[int, int, int]] = [(0, DEFAULT_METER, 4)]
    for track in file.tracks:
        tick = 0
        for message in track:
            tick += message.time
            if message.type == "set_tempo":
                tempi.append((tick, message.tempo))
            elif message.type == "time_signature":
                meters.append((tick, message.numerator, message.denominator))
    return _walk(sorted(tempi, key=lambda t: t[0]), sorted(meters, key=lambda m: m[0]), file.ticks_per_beat, seconds)


def _walk(
    tempi: list[tuple[int, int]], meters: list[tuple[int, int, int]], ticks_per_quarter: int, seconds: float
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Step through the beats of the meters, timing each by the tempi before it."""
    tempo_ticks = np.array([tick for tick, _ in tempi], dtype=np.float64)
    tempo_s = np.array([us for _, us in tempi]) / 1e6 / ticks_per_quarter
    starts_s = np.r_[0, np.cumsum(np.diff(tempo_ticks) * tempo_s[:-1])]
    times: list[float] = []
    counts: list[int] = []
    tick, count = 0.0, 1
    while True:
        segment = int(np.searchsorted(tempo_ticks, tick, side="right")) - 1
        time_s = float(starts_s[segment] + (tick - tempo_ticks[segment]) * tempo_s[segment])
        if time_s >= seconds:
            return np.array(times), np.array(counts, dtype=np.int64)
        _, beats, unit = [m for m in meters if m[0] <= tick][-1]
        times.append(time_s)
        counts.append(count)
        count = count % beats + 1
        tick += ticks_per_quarter * 4 / unit


def convert(unpacked: Path, folder: Path) -> list[str]:
    """Write every song below the unpacked package as one track of the set, and return their ids."""
    names = []
    for midi in sorted(unpacked.rglob("muldjord/*/notes.mid")):
        name = f"muldjord_{midi.parent.name}"
        samples, rate_hz = _mix(midi.parent)
        beat_s, count = beats_of(midi, len(samples) / rate_hz)
        write_audio(folder / "audio" / f"{name}.flac", samples, rate_hz)
        rows = "".join(f"{t:.4f}\t{c}\n" for t, c in zip(beat_s, count, strict=True))
        write_text(folder / "beats" / f"{name}.beats", rows)
        names.append(name)
    if not names:
        raise FormatError(f"{unpacked}: holds no song of {PACKAGE}")
    return names


def _mix(song: Path) -> tuple[NDArray[np.float64], int]:
    """Return the sum of a song's two parts, brought below full scale."""
    parts = []
    rate_hz = 0
    for name in ("song.ogg", "guitar.ogg"):
        samples, rate_hz = soundfile.read(song / name, always_2d=True, dtype="float64")
        parts.append(samples)
    length = max(map(len, parts))
    mix = sum(np.pad(part, ((0, length - len(part)), (0, 0))) for part in parts)
    return np.asarray(mix / max(1.0, np.abs(mix).max())), rate_hz


def fetch_set(root: Path) -> list[str]:
    """Fetch, unpack and convert the songs into a set below the root; return their ids."""
    with tempfile.TemporaryDirectory() as scratch:
        return convert(fetch(Path(scratch)), root / SET_NAME)
