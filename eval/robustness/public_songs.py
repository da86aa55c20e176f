"""Real songs through the room, from the drop to the shut door, and the same by command: `python -m eval room-songs`.

The songs lie outside the project and stay there; without them nothing is measured.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from playwright.sync_api import Page, sync_playwright

from eval.robustness import walked
from eval.robustness.rooms import RunningRoom
from eval.sets.loaders import load_set
from pulsefind.core.records import Analysis, FloatArray
from pulsefind.saved import load_analysis

RECORDED_S = 20.0  # a take: judged, two bars of count-in and eight strokes at 60 bpm
PACKED = (".json", ".song.toml", " page.html", " sheet.html", " click.mp3", ".wav", ".review.json")


def through_the_room(recordings: Sequence[Path]) -> list[str]:
    """All songs through one room, one after the other; a line for each, with WRONG in front of what is."""
    lines = []
    with tempfile.TemporaryDirectory(prefix="pulsefind-") as made, sync_playwright() as driver:
        room = RunningRoom(Path(made) / "room", Path(made) / "cache")
        try:
            for k, recording in enumerate(recordings):
                bpm = _bpm(recording)
                with walked.fed_browser(driver, bpm, Path(made) / f"microphone {k}.wav") as browser:
                    page = browser.new_context(accept_downloads=True).new_page()
                    page.goto(room.address)
                    lines.append(_walk(page, room, recording, Path(made)))
                    if k == len(recordings) - 1:
                        page.goto(room.address)
                        page.click("#close")
                        code = room.process.wait(timeout=20)
                        lines.append(f"{'' if code == 0 else 'WRONG '}shut down from its window, exit code {code}")
                        lines += [_by_command(room, song, Path(made)) for song in sorted(room.folder.glob("*.json"))]
                    page.context.close()
        finally:
            room.end()
    return lines


def named(root: Path, names: Sequence[str]) -> list[Path]:
    """The recordings SET/ID of a folder of annotated sets."""
    found = []
    for name in names:
        of_set, _, wanted = name.partition("/")
        found.append(next(track.audio for track in load_set(of_set, root) if track.name == wanted))
    return found


def _bpm(recording: Path) -> float:
    """The tempo of a recording's annotated beats."""
    beats = recording.parent.parent / "beats" / f"{recording.stem}.beats"
    return 60 / float(np.median(np.diff(np.loadtxt(beats, usecols=0))))


def _walk(page: Page, room: RunningRoom, recording: Path, folder: Path) -> str:
    # The same recording with and without its drums may lie in two sets.
    name = f"{recording.parent.parent.name} {recording.name}"
    walked.drop(page, [(name, recording.read_bytes())])
    song = next(one["id"] for one in room.until(lambda news: _has(news, name))["songs"] if one["file"] == name)
    row = f'[data-song="{song}"]'
    walked.arrives(page, f"document.querySelector('{row}')")
    words = walked.watch(page, row)
    before = walked.made(room, song, "sheet"), walked.made(room, song, "click")
    saved = room.folder / f"{Path(name).stem}.json"
    counted = load_analysis(saved)
    page.click(f"{row} a.go")
    walked.arrives(page, "document.querySelector('.fact')")
    length_s = walked.play(page)
    walked.move_the_1(page)
    after = walked.made(room, song, "sheet"), walked.made(room, song, "click")
    told = load_analysis(saved)
    said = walked.record(page, RECORDED_S)
    inside = walked.packed(room, song)
    # Kept for the comparison with the commands.
    for kind, data in zip(("sheet.html", "click.wav"), after, strict=True):
        (folder / f"{saved.stem} {kind}").write_bytes(data)
    checks = {
        "watched": bool(words),
        "whole": abs(length_s - counted.track.duration_s) < 0.1,
        "1 moved": not np.array_equal(_ones(counted)[:4], _ones(told)[:4]),
        "sheet changed": after[0] != before[0],
        "click changed": after[1] != before[1],
        "archive": all(any(one.endswith(ending) for one in inside) for ending in PACKED),
    }
    wrong = [what for what, holds in checks.items() if not holds]
    return f"{'WRONG ' if wrong else ''}{name}: {', '.join(wrong) or 'all steps'}; the review says: {said}"


def _has(news: dict[str, list[dict[str, object]]], name: str) -> bool:
    return any(song["file"] == name for song in news["songs"])


def _ones(analysis: Analysis) -> FloatArray:
    ones: FloatArray = analysis.beats.time_s[analysis.bars.count == 1]
    return ones


def _by_command(room: RunningRoom, saved: Path, folder: Path) -> str:
    """The same by the commands, with a cache that has heard nothing: which files are the same, byte by byte."""
    track = next(path for path in room.folder.iterdir() if path.stem == saved.stem and path.suffix in (".flac", ".ogg"))
    found, sheet, click = (folder / f"again {kind}" for kind in ("found.json", "sheet.html", "click.wav"))
    for words in (
        ("find", track, "--out", found, "--force"),
        ("sheet", saved, "--out", sheet, "--force"),
        ("click", saved, "--on", "1", "--out", click, "--force"),
    ):
        command = [sys.executable, "-m", "pulsefind", *map(str, words)]
        environment = {**os.environ, "PULSEFIND_CACHE": str(folder / f"fresh {saved.stem}")}
        subprocess.run(command, check=True, capture_output=True, env=environment)
    pairs = {"analysis": (found, saved), "sheet": (sheet, folder / f"{saved.stem} sheet.html")}
    pairs["click"] = (click, folder / f"{saved.stem} click.wav")
    other = [what for what, (one, two) in pairs.items() if one.read_bytes() != two.read_bytes()]
    if other:
        return f"WRONG {saved.stem}: by command other bytes of {', '.join(other)}"
    return f"{saved.stem}: analysis, sheet and click by command are the same bytes"
