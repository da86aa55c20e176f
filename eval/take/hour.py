"""An hour of take: memory and time of each stage and of the whole command, each in a process of its own."""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import soundfile

from eval.take.aligning import made_music
from eval.take.kit_sound import RATE_HZ, render
from eval.take.simulation import Player, make_track, simulate_take
from eval.take.tables import table

MINUTES = 60
COMMAND = "the command"
LEAK_DB = -20.0
SONG_BARS, BPM = 96, 110.0
STARTS_AT_S = -2.5
"""Each song is played again and again, at another level each time; the take begins this long before the track."""


def hour(minutes: int) -> str:
    """Peak memory of each stage for a track and a take of this many minutes; 0: an hour."""
    minutes = minutes or MINUTES
    with TemporaryDirectory() as folder:
        track, take = Path(folder) / "track.wav", Path(folder) / "take.wav"
        # Written in a process of its own as well: a new process counts what its parent held as its own.
        _child("written", track, take, str(60 * minutes))
        rows = [_measured(stage, track, take) for stage in ("loaded", "leak", "strokes", "heard", COMMAND)]
    return table(f"{minutes} minutes of take", ("stage", "MB at most", "s", "found"), rows)


def _write(track: Path, take: Path, length_s: int) -> None:
    """Music, and the take with that music in it, in files."""
    rng = np.random.default_rng(0)
    song = make_track(BPM, SONG_BARS, seed=0)
    music = made_music(song, rng)
    drums = render(simulate_take(song, Player(), rng).hits, rng)
    n = max(len(music), len(drums))
    music, drums = (np.pad(x, (0, n - len(x))) for x in (music, drums))
    leak = 10 ** (LEAK_DB / 20)
    with soundfile.SoundFile(track, "w", RATE_HZ, 1) as one, soundfile.SoundFile(take, "w", RATE_HZ, 1) as two:
        two.write(1e-4 * rng.normal(size=round(-STARTS_AT_S * RATE_HZ)))
        for _ in range(round(length_s * RATE_HZ / n)):
            # No two rounds are alike, or the track would repeat itself to the sample.
            round_music = music * rng.uniform(0.6, 1.0) + 0.01 * rng.normal(size=n)
            one.write(np.clip(0.5 * round_music, -1, 1))
            two.write(np.clip(0.4 * drums * rng.uniform(0.6, 1.0) + leak * round_music, -1, 1))


def _measured(stage: str, track: Path, take: Path) -> tuple[object, ...]:
    megabytes, seconds, found = _child(stage, track, take).split("\t")
    return stage, float(megabytes), float(seconds), found.strip()


def _child(*arguments: str | Path) -> str:
    command = [sys.executable, "-m", "eval.take.hour", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout


def _stage(stage: str, track: str, take: str, length_s: str = "0") -> str:
    """What a stage finds; its recordings are read first, as in a review."""
    from pulsefind.listen.audio import load
    from pulsefind.take.heard import hear
    from pulsefind.take.leak import find_leak
    from pulsefind.take.strokes import strokes_heard

    if stage == "written":
        _write(Path(track), Path(take), int(length_s))
        return "both"
    if stage == COMMAND:
        command = [sys.executable, "-m", "pulsefind", "take", track, take, "--no-cache", "--json"]
        review = json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)
        return f"{len(review['played']['time_s'])} strokes on places"
    recording = load(take)
    if stage == "loaded":
        return f"{load(track).duration_s:.0f} and {recording.duration_s:.0f} s"
    if stage == "leak":
        leak = find_leak(load(track), recording)
        return "none" if leak is None else f"{leak.starts_at_s:.4f} s, {leak.clock_ppm:+.1f} ppm"
    if stage == "heard":
        return f"{len(hear(load(track)).low)} frames"
    return f"{len(strokes_heard(recording).time_s)} strokes"


if __name__ == "__main__":
    began = time.perf_counter()
    result = _stage(*sys.argv[1:])
    peak = max(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)) / 1024
    print(f"{peak:.0f}\t{time.perf_counter() - began:.1f}\t{result}")
