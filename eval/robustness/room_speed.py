"""How soon the room's first page is there, beside `find`, and how fast it answers: `python -m eval room-speed`."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from eval.robustness.rooms import RunningRoom
from eval.robustness.thirty import three_hours
from pulsefind.demo import write_song

MOST_LATER_S = 1.0  # the first page may take as much longer than find
ANSWER_LIMIT_MS = 100.0  # what feels immediate (Miller 1968, from memory)
LONG_H = 0.5  # judged: long enough for 500 answers while it is heard
READY_S = 3.0  # judged: the workers have loaded, as they have when a person has found a song to drop


def room_speed(times: int) -> list[str]:
    """Both measurements, with nothing in any cache; a line each, with WRONG in front of what misses its limit."""
    with tempfile.TemporaryDirectory(prefix="pulsefind-") as made:
        folder = Path(made)
        song, _ = write_song(folder / "demo", False)
        pages, finds = [], []
        # In turns, so that whatever else the machine does falls on both.
        for k in range(times):
            pages.append(_first_page_s(song, folder / f"room {k}", folder / f"cache {k}"))
            finds.append(_find_s([song], folder / f"found {k}.json", folder / f"cache find {k}"))
        later_s = float(np.median(pages) - np.median(finds))
        first = f"first page {_all(pages)} s after the drop; find {_all(finds)} s: {later_s:+.2f} s"
        answers = _answers_ms(song, folder)
        median, most, worst = np.percentile(answers, [50, 95, 100])
        spread = f"{median:.1f} ms (median), {most:.1f} (95 %), {worst:.1f} (worst)"
        text = f"{len(answers)} answers while two analyses ran: {spread}"
        return [_line(later_s <= MOST_LATER_S, first), _line(worst <= ANSWER_LIMIT_MS, text)]


def _first_page_s(song: Path, folder: Path, cache: Path) -> float:
    room = RunningRoom(folder, cache)
    try:
        time.sleep(READY_S)
        begun = time.monotonic()
        room.drop(song)
        while True:
            songs = room.news()["songs"]
            if songs and songs[0]["state"] == "ready":
                status, _, page = room.ask("GET", f"songs/{songs[0]['id']}/")
                assert status == 200
                assert page.rstrip().endswith(b"</html>")
                return time.monotonic() - begun
            time.sleep(0.02)
    finally:
        room.end()


def _find_s(songs: list[Path], out: Path, cache: Path) -> float:
    begun = time.monotonic()
    _find(songs, out, cache).wait()
    return time.monotonic() - begun


def _find(songs: list[Path], out: Path, cache: Path) -> subprocess.Popen[bytes]:
    words = [sys.executable, "-m", "pulsefind", "find", *map(str, songs), "--out", str(out)]
    environment = {**os.environ, "PULSEFIND_CACHE": str(cache)}
    return subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=environment)


def _answers_ms(song: Path, folder: Path) -> list[float]:
    """Answers to a window's questions while the room hears one long song and a command another."""
    long = [three_hours(folder / f"long {k}.flac", LONG_H, k) for k in range(2)]
    room = RunningRoom(folder / "busy", folder / "cache busy")
    try:
        room.drop(song)
        room.all_ready(1)
        room.drop(long[0])
        command = _find([long[1]], folder / "long.json", folder / "cache long")
        try:
            return _asked_ms(room, command)
        finally:
            command.kill()
            command.wait()
    finally:
        room.end()


def _asked_ms(room: RunningRoom, command: subprocess.Popen[bytes]) -> list[float]:
    (heard,) = [song["id"] for song in room.news()["songs"] if song["state"] == "ready"]
    asked = ("news?window=a&since=0", "", f"songs/{heard}/", f"songs/{heard}/told")
    took_ms: list[float] = []
    room.until(lambda news: any(song["doing"] == "listening to it" for song in news["songs"]))
    while command.poll() is None and len(took_ms) < 500:
        begun = time.monotonic()
        status = room.ask("GET", asked[len(took_ms) % len(asked)])[0]
        took_ms.append(1000 * (time.monotonic() - begun))
        assert status == 200
        if len(took_ms) % 20 == 0 and not any(song["state"] == "hearing" for song in room.news()["songs"]):
            break
        time.sleep(0.02)
    return took_ms


def _all(times_s: list[float]) -> str:
    return ", ".join(f"{one:.2f}" for one in times_s)


def _line(is_right: bool, text: str) -> str:
    return text if is_right else f"WRONG {text}"
