"""Thirty files given to the room at once, one broken, one of three hours: `python -m eval room`.

The browser is closed while they are heard, and opened again. All the while the room's promises are written down: what
it says is left of a song, beside what then was left. Everything is made here; nothing is fetched.
"""

from __future__ import annotations

import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile
from playwright.sync_api import Page, sync_playwright

from eval.robustness.rooms import News, RunningRoom, short_song
from pulsefind.page.pdf import find_browser
from pulsefind.saved import load_analysis

RATE_HZ = 22050  # judged: half of most recordings, so that three hours take 260 MB
SHORT = 28
AWAY_S = 20.0  # the browser is closed for so long
_FLAGS = ("--no-sandbox", "--disable-gpu", "--no-first-run")


@dataclass
class Watched:
    """What the room said of each song, by file: (when, state, seconds left or None), and how fast it answered."""

    said: dict[str, list[tuple[float, str, float | None]]] = field(default_factory=dict)
    answer_s: list[float] = field(default_factory=list)

    def look(self, room: RunningRoom) -> News:
        """Ask for the news, and write them down."""
        begun = time.monotonic()
        news = room.news()
        self.answer_s.append(time.monotonic() - begun)
        for song in news["songs"]:
            self.said.setdefault(song["file"], []).append((begun, song["state"], song["left_s"]))
        return news

    def promises(self, file: str) -> list[tuple[float, float]]:
        """Seconds left as told, and as it turned out, while a song was heard."""
        said = self.said[file]
        done_s = next(at for at, state, _ in said if state in ("ready", "trouble"))
        return [(left, done_s - at) for at, state, left in said if state == "hearing" and left is not None]

    def silent(self, file: str) -> tuple[int, int]:
        """How often nothing was promised while a song was heard, of how many looks."""
        heard = [left for _, state, left in self.said[file] if state == "hearing"]
        return sum(left is None for left in heard), len(heard)


def three_hours(path: Path, hours: float, seed: int = 5) -> Path:
    """A kit in four whose tempo wanders between 80 and 120 bpm, written bar by bar: no more than a bar is in memory."""
    rng = np.random.default_rng(seed)
    with soundfile.SoundFile(path, "w", RATE_HZ, 1, subtype="PCM_16") as file:
        written, bar = 0, 0
        while written < hours * 3600 * RATE_HZ:
            beat = round(60 / (100 + 20 * np.sin(bar / 200)) * RATE_HZ)
            file.write(_bar(beat, rng))
            written, bar = written + 4 * beat, bar + 1
    return path


def _bar(beat: int, rng: np.random.Generator) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    samples = 0.002 * rng.normal(size=4 * beat)
    t = np.arange(4000) / RATE_HZ
    hat = np.exp(-np.arange(800) / 150)
    for k in range(4):
        first, between = k * beat, k * beat + beat // 2
        tone = np.sin(2 * np.pi * (60 if k % 2 == 0 else 900) * t) * np.exp(-25 * t)
        samples[first : first + len(t)] += (0.5 if k == 0 else 0.3) * tone
        samples[between : between + len(hat)] += 0.1 * rng.normal(size=len(hat)) * hat
    return samples


def thirty_files(folder: Path, hours: float) -> list[Path]:
    """28 songs of 8 to 35 s, a broken one, and a long one, which comes third."""
    short = [short_song(folder / f"song {k:02d}.wav", 90.0 + 3 * k, 8.0 + k, k) for k in range(SHORT)]
    broken = folder / "broken.flac"
    broken.write_bytes(b"fLaC" + bytes(range(256)) * 40)
    long = three_hours(folder / "song 02 long.flac", hours)
    return sorted([*short, broken, long])


def evening(hours: float, folder: Path | None = None) -> list[str]:
    """Give thirty files to a room and watch until all are heard; lines to print, wrong ones with WRONG in front."""
    with tempfile.TemporaryDirectory(prefix="pulsefind-", dir=folder) as made, sync_playwright() as driver:
        there = Path(made) / "files"
        there.mkdir()
        files = thirty_files(there, hours)
        room = RunningRoom(Path(made) / "room", Path(made) / "cache")
        watched, begun = Watched(), time.monotonic()
        try:
            browser = driver.chromium.launch(executable_path=find_browser(), args=[*_FLAGS])
            page = browser.new_page()
            page.goto(room.address)
            page.set_input_files("#songs-input", [str(path) for path in files])
            _until(room, watched, lambda news: len(news["songs"]) == len(files), 300)
            in_s = time.monotonic() - begun
            _until(room, watched, lambda news: any(song["state"] == "hearing" for song in news["songs"]), 60)
            browser.close()
            _for(room, watched, AWAY_S)
            browser = driver.chromium.launch(executable_path=find_browser(), args=[*_FLAGS])
            page = browser.new_page()
            page.goto(room.address)
            shown = page.locator(".song").count()
            news = _until(room, watched, _all_heard, 3600)
            heard_s = time.monotonic() - begun
            page.wait_for_timeout(2000)
            lines = [f"all {len(files)} in after {in_s:.0f} s, all heard after {heard_s:.0f} s"]
            lines += _checked(news, room, watched, files, shown) + _page_lines(page, room, news)
            browser.close()
        finally:
            room.end()
        return lines


def _all_heard(news: News) -> bool:
    return all(song["state"] in ("ready", "trouble") for song in news["songs"])


def _until(room: RunningRoom, watched: Watched, true_of: object, timeout_s: float) -> News:
    assert callable(true_of)
    deadline = time.monotonic() + timeout_s
    while not true_of(news := watched.look(room)):
        if time.monotonic() > deadline or room.process.poll() is not None:
            raise RuntimeError(f"not after {timeout_s:.0f} s: {[song['state'] for song in news['songs']]}")
        time.sleep(0.5)
    return news


def _for(room: RunningRoom, watched: Watched, seconds: float) -> None:
    until_s = time.monotonic() + seconds
    while time.monotonic() < until_s:
        watched.look(room)
        time.sleep(0.5)


def _checked(news: News, room: RunningRoom, watched: Watched, files: list[Path], shown: int) -> list[str]:
    """What came out, song by song, and what was promised."""
    states = {song["file"]: song["state"] for song in news["songs"]}
    trouble = [name for name, state in states.items() if state == "trouble"]
    same = sum((room.folder / path.name).read_bytes() == path.read_bytes() for path in files)
    long = load_analysis(room.folder / "song 02 long.json")
    left_out_s = long.track.duration_s - float(long.beats.time_s[-1])
    lines = [
        _line(shown == len(files), f"the browser opened again shows {shown} of {len(files)} in its first paint"),
        _line(trouble == ["broken.flac"], f"in trouble: {', '.join(trouble)}"),
        _line(same == len(files), f"{same} of {len(files)} recordings are as they were given"),
        _line(
            abs(left_out_s) < 10,
            f"the long one: {long.track.duration_s / 3600:.2f} h, beats to its last {left_out_s:.1f} s",
        ),
        _answers(watched.answer_s),
    ]
    every = [(told, was) for file in states if file not in trouble for told, was in watched.promises(file)]
    for name, promises in (("the long one", watched.promises("song 02 long.flac")), ("all songs", every)):
        lines.append(f"{name}: {_kept(promises)}")
    silent, looks = watched.silent("song 02 long.flac")
    return [*lines, f"the long one: nothing promised at {silent} of {looks} looks, only what is being done"]


def _kept(promises: list[tuple[float, float]]) -> str:
    """How true what was left turned out to be."""
    if not promises:
        return "nothing promised"
    # What is told is rounded to 5 s or a minute; within that, or a third, it was kept.
    kept = sum(abs(told - was) <= max(5.0, was / 3) for told, was in promises)
    worst = max(promises, key=lambda one: abs(one[0] - one[1]))
    line = f"{kept} of {len(promises)} told times kept within 5 s or a third"
    return f"{line}; worst {worst[0]:.0f} s told, {worst[1]:.0f} s were left"


def _answers(took_s: list[float]) -> str:
    median_ms, worst_ms = 1000 * float(np.median(took_s)), 1000 * max(took_s)
    return f"{len(took_s)} answers: median {median_ms:.1f} ms, worst {worst_ms:.0f} ms"


def _page_lines(page: Page, room: RunningRoom, news: News) -> list[str]:
    """The page of the long song: handed out, and its road drawn."""
    song = next(song for song in news["songs"] if song["file"] == "song 02 long.flac")
    begun = time.monotonic()
    page.goto(f"{room.address}songs/{song['id']}/")
    bars = page.evaluate("window.pulsefindPage.app.reading.bars.length")
    took_s = time.monotonic() - begun
    return [_line(bars > 0, f"its page: {bars} bars, there after {took_s:.1f} s")]


def _line(is_right: bool, text: str) -> str:
    return text if is_right else f"WRONG {text}"
