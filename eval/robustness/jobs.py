"""The commands that are broken off, and the small folder in which each finds what it reads."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from eval import ROOT
from pulsefind.demo import RATE_HZ, make_song
from pulsefind.saved import load_analysis

SONG_S, SHORT_S = 16.0, 11.0
"""Short, so that many runs fit: guides are found and a take can be reviewed; and a second song."""


@dataclass(frozen=True, slots=True)
class Job:
    """A command to break off, by a name of its own; if `forced`, it may replace results that are there already."""

    name: str
    arguments: tuple[str, ...]
    forced: bool = True


def _job(name: str, words: str, forced: bool = True, program: str = "pulsefind") -> Job:
    return Job(name, (program, *words.split()), forced)


JOBS = (
    _job("find", "find song.wav --out out.json"),
    _job("keep", "find song.wav --one-at 3.700 --keep --out out.json"),
    _job("saved", "find song.json --bpm 80:120 --out out.json"),
    _job("many", "find gig --out found"),
    _job("sections", "sections song.wav", forced=False),
    _job("click", "click song.wav --out out.flac"),
    _job("click saved", "click song.wav --analysis song.json --on guide --speed 0.75 --out out.mp3"),
    _job("ladder", "click song.json --ladder --out out"),
    _job("hear", "hear song.json --out out.wav"),
    _job("export", "export song.json --to midi,jams,beats,csv --out out"),
    _job("page", "page song.wav --out out.html"),
    _job("sheet", "sheet song.json --out out.html"),
    _job("print", "sheet song.json --out out.pdf"),
    _job("take", "take song.json take.wav --history takes.jsonl --out review.json"),
    _job("history", "take song.json take.wav --history takes.jsonl", forced=False),
    _job("merge", "merge mine.song.toml theirs.song.toml --out both.song.toml"),
    _job("demo", "demo"),
    _job("soundcheck", "soundcheck", forced=False),
    _job("eval", "run synthetic --root sets --systems pulsefind --out scores", forced=False, program="eval"),
)

MINE = 'title = "Paper Harbour"\nthe_1 = 3.700\nnotes = ["sticks from bar 3"]\n'
THEIRS = 'meter = "4/4"\nsections = ["verse 1-4"]\n'


def prepare(place: Path, jobs: tuple[Job, ...] = JOBS) -> None:
    """Put what the jobs read into a folder."""
    samples, _ = make_song()
    (place / "gig").mkdir()
    for name, seconds in (("song.wav", SONG_S), ("gig/one.wav", SONG_S), ("gig/two.wav", SHORT_S)):
        soundfile.write(place / name, samples[: int(seconds * RATE_HZ)], RATE_HZ, "PCM_16")
    (place / "mine.song.toml").write_text(MINE)
    (place / "theirs.song.toml").write_text(THEIRS)
    _run(place, "pulsefind", "find", "song.wav", "--no-cache", "--out", "song.json")
    soundfile.write(place / "take.wav", _take(load_analysis(place / "song.json").beats.time_s), RATE_HZ, "PCM_16")
    _run(place, "pulsefind", "take", "song.json", "take.wav", "--no-cache", "--history", "takes.jsonl")
    if any(job.name == "eval" for job in jobs):
        _run(place, "eval", "synthesise", "--root", "sets", "--seconds", "6")


def _take(beat_s: np.ndarray) -> np.ndarray:
    """A loose player: a short noise on every beat, as long as the song."""
    rng = np.random.default_rng(3)
    sound = 1e-4 * rng.standard_normal(int(SONG_S * RATE_HZ))
    stroke = 0.5 * rng.standard_normal(2000) * np.exp(-np.arange(2000) / 400)
    for time_s in beat_s + rng.normal(0.0, 0.012, len(beat_s)):
        start = int(time_s * RATE_HZ)
        if 0 <= start < len(sound) - len(stroke):
            sound[start : start + len(stroke)] += stroke
    return np.clip(sound, -1.0, 1.0)


def environment(place: Path) -> dict[str, str]:
    """The environment of a job in its folder: a cache, and a place for temporary files, of its own."""
    path = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])
    told = {"PULSEFIND_CACHE": str(place / "cache"), "TMPDIR": str(place / "tmp"), "PYTHONPATH": path}
    return {**os.environ, **told}


def _run(place: Path, *arguments: str) -> None:
    (place / "tmp").mkdir(exist_ok=True)
    command = [sys.executable, "-m", *arguments]
    done = subprocess.run(command, cwd=place, env=environment(place), capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(f"{' '.join(arguments)} failed: {done.stderr}")
    shutil.rmtree(place / "cache", ignore_errors=True)
