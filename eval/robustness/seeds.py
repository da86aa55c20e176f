"""The small intact files to be damaged: one of each kind that pulsefind reads."""

from __future__ import annotations

import shutil
import subprocess
from datetime import UTC, datetime
from pathlib import Path

import mido
import numpy as np
import soundfile

from pulsefind.analysis import analyse
from pulsefind.core.records import Analysis, Settings
from pulsefind.demo import RATE_HZ, make_song
from pulsefind.export.formats import export
from pulsefind.saved import to_json
from pulsefind.take.history import append_take, entry_of
from pulsefind.take.midi import read_midi_take
from pulsefind.take.review import review_take

_WRITTEN = (
    *(("a.wav", "PCM_16"), ("b.wav", "FLOAT"), ("c.wav", "PCM_24"), ("d.wav", "MS_ADPCM"), ("a.flac", "PCM_16")),
    *(("a.ogg", "VORBIS"), ("a.mp3", "MPEG_LAYER_III"), ("a.aiff", "PCM_16"), ("a.au", "PCM_16"), ("a.caf", "PCM_16")),
    *(("a.w64", "PCM_16"), ("b.ogg", "OPUS")),
)
_CODED = (
    *(("a.m4a", ("aac",)), ("b.m4a", ("alac",)), ("a.opus", ("libopus",)), ("a.wma", ("wmav2",)), ("a.ac3", ("ac3",))),
    *(("a.webm", ("libvorbis",)), ("a.mka", ("flac",)), ("a.mp4", ("aac",)), ("a.aac", ("aac",)), ("a.tta", ("tta",))),
)
AUDIO = tuple(name for name, _ in (*_WRITTEN, *_CODED))
"""Names of the short recordings, one of each kind."""

_SHORT_S, _SONG_S = 0.5, 12.0


def make_seeds(folder: Path) -> None:
    """Write the seeds, except in formats that this machine can't write."""
    song, _ = make_song()
    part = song[20 * RATE_HZ : int((20 + _SONG_S) * RATE_HZ)]
    short = part[: int(_SHORT_S * RATE_HZ)]
    soundfile.write(folder / "song.wav", part, RATE_HZ, "PCM_16")
    soundfile.write(folder / "short.wav", part[: 3 * RATE_HZ], RATE_HZ, "PCM_16")
    _write_audio(folder, short)
    settings = Settings(use_cache=False)
    _write_analyses(folder, settings)
    _write_take(folder)


def _write_audio(folder: Path, short: np.ndarray) -> None:
    for name, coding in _WRITTEN:
        rate_hz = 48000 if coding == "OPUS" else RATE_HZ
        container = {".ogg": "OGG", ".mp3": "MP3", ".w64": "W64", ".caf": "CAF"}.get(Path(name).suffix)
        soundfile.write(folder / name, short, rate_hz, coding, format=container)
    if shutil.which("ffmpeg") is None:
        return
    for name, coder in _CODED:
        command = ["ffmpeg", "-v", "error", "-y", "-i", "short.wav", "-t", str(_SHORT_S), "-c:a", *coder, name]
        done = subprocess.run(command, cwd=folder, check=False, capture_output=True)
        if done.returncode:
            (folder / name).unlink(missing_ok=True)


def _write_analyses(folder: Path, settings: Settings) -> None:
    short: Analysis | None = None
    for name in ("short", "song"):
        analysis = analyse(folder / f"{name}.wav", settings)
        (folder / f"{name}.json").write_text(to_json(analysis), encoding="utf-8")
        short = short or analysis
    assert short is not None
    for kind in ("midi", "jams", "beats", "csv"):
        ending, data = next(iter(export(short, kind).items()))
        name = {"midi": "beats.mid", "jams": "beats.jams", "beats": "beats.txt", "csv": "beats.csv"}[kind]
        assert ending.endswith(Path(name).suffix)
        (folder / name).write_bytes(data)
    _write_taps(folder, short)


def _write_taps(folder: Path, analysis: Analysis) -> None:
    """What a player tapped along: late and loose, without counts and with."""
    times_s = np.arange(6) * 60 / analysis.tempo.bpm + 0.1 + np.random.default_rng(2).normal(0.0, 0.01, 6)
    (folder / "taps.txt").write_text("".join(f"{time_s:.3f}\n" for time_s in times_s))
    counted = "".join(f"{time_s:.3f} {k % 4 + 1}\n" for k, time_s in enumerate(times_s))
    (folder / "counted.txt").write_text("# tapped\n" + counted)


def _write_take(folder: Path) -> None:
    """Drum notes on every beat of the song, a little loose, and a history of reviews."""
    analysis = analyse(folder / "song.wav", Settings(use_cache=False))
    rng = np.random.default_rng(1)
    times_s = analysis.beats.time_s + rng.normal(0.0, 0.01, len(analysis.beats.time_s))
    ticks = np.round(np.maximum(times_s, 0.0) * 960).astype(int)
    track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=500000)])
    now = 0
    for tick in ticks:
        track.append(mido.Message("note_on", channel=9, note=38, velocity=90, time=int(tick) - now))
        now = int(tick)
    file = mido.MidiFile(type=1, ticks_per_beat=480)
    file.tracks.append(track)
    file.save(folder / "take.mid")
    take = read_midi_take(folder / "take.mid")
    review = review_take(
        analysis, take, folder / "take.mid", folder / "song.wav", None, None, starts_at_s=0.0, latency_ms=None
    )
    append_take(folder / "history.jsonl", entry_of(review, datetime(2020, 1, 1, tzinfo=UTC)))
