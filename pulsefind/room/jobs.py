"""The jobs that workers do for the room. Every result comes from the command of that name, as if typed."""

from __future__ import annotations

import shutil
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pulsefind.core.corrections import NOTHING_TOLD
from pulsefind.core.errors import OutputError
from pulsefind.core.files import new_file, write_file
from pulsefind.core.given import SOUNDS
from pulsefind.core.records import Analysis
from pulsefind.demo import write_song
from pulsefind.listen.audio import load
from pulsefind.page.page import page_html, read_recording, write_flac
from pulsefind.page.take_view import read_take_review
from pulsefind.report.doubts import Doubt, doubts_of, missing_sound
from pulsefind.report.feel import feel_of, feel_text
from pulsefind.report.planned import bar_edges
from pulsefind.room.told import mark_of, text_of
from pulsefind.saved import load_analysis
from pulsefind.song.reading import corrections_of

SOUND = "sound.flac"


@dataclass(frozen=True)
class Hands:
    """What a job works with: run executes a command and returns its output; stage reports how far the job is."""

    run: Callable[[list[str]], str]
    stage: Callable[[str], None]


def hear(hands: Hands, track: str, saved: str, made: str, key: str) -> dict[str, Any]:
    """Analyse a song, draw its page, and return what the list shows."""
    mark = mark_of(text_of(Path(track)))
    hands.run(["find", track, "--out", saved, "--force"])
    draw(hands, track, saved, made, f"{key}.html", mark)
    return {**shown(load_analysis(Path(saved))), "is_old": False}


def look(_: Hands, track: str, saved: str) -> dict[str, Any]:
    """What the list shows of a song, from its analysis, and whether the song's file has changed since."""
    analysis, told = load_analysis(Path(saved)), text_of(Path(track))
    now = NOTHING_TOLD if told is None else corrections_of(told, Path(track).name)
    return {**shown(analysis), "is_old": now != analysis.settings.corrections}


def draw(
    hands: Hands, track: str, saved: str, made: str, name: str, mark: str = "", review: str = "", history: str = ""
) -> dict[str, Any]:
    """Draw the page as the room shows it, with its recording beside it, in the folder of what can be remade.

    mark is that of the song's file that the analysis obeyed; if empty, that of the file as it is now.
    """
    mark = mark or mark_of(text_of(Path(track)))
    hands.stage("drawing its page")
    folder = Path(made)
    folder.mkdir(parents=True, exist_ok=True)
    analysis, audio = load_analysis(Path(saved)), load(track)
    if audio.sha256 != analysis.track.sha256:
        raise OutputError(f"{Path(track).name}: is another recording by now; it has to be heard again")
    recording = read_recording(Path(track), audio)
    take = None
    if review:
        take = read_take_review(Path(review), analysis, Path(history) if history else None)
    if not (folder / SOUND).exists() or (folder / SOUND).stat().st_mtime < Path(track).stat().st_mtime:
        with new_file(folder / SOUND, True) as temporary, temporary.open("wb") as file:
            write_flac(file, recording.frames)
    html = page_html(analysis, audio, recording, track, f"{Path(track).stem} page.html", take=take, room_mark=mark)
    write_file(folder / name, html.encode(), True)
    for old in folder.glob("*.html"):
        if old.name != name:
            # From an earlier analysis or another take; redrawn on request.
            old.unlink(missing_ok=True)
    return {}


def demo(hands: Hands, folder: str) -> dict[str, Any]:
    """Make the demo song."""
    hands.stage("making the demo song")
    write_song(Path(folder), False)
    return {}


def command(hands: Hands, words: list[str]) -> dict[str, Any]:
    """Run any command and return its output."""
    return {"said": hands.run(words)}


def pack(
    hands: Hands,
    steps: list[list[str]],
    files: list[list[str]],
    out: str,
    spare: Sequence[str] = (),
    folder: str = "",
    called: str = "",
) -> dict[str, Any]:
    """Pack an archive. files: pairs of a path and its name in the archive; steps: commands that make some of them.

    All files of folder go in too, under the name called. Missing files are skipped; spare files and the folder are
    deleted at the end. All names are plain, so nothing can be unpacked outside its own folder.
    """
    try:
        for words in steps:
            hands.stage(f"making the {words[0]}")
            hands.run(words)
        hands.stage("packing")
        inside = [[str(path), f"{called}/{path.name}"] for path in Path(folder).iterdir()] if folder else []
        with new_file(Path(out), True) as temporary, zipfile.ZipFile(temporary, "w") as archive:
            for path, name in (*files, *inside):
                if Path(path).is_file():
                    dense = Path(path).suffix.lower() in SOUNDS
                    archive.write(path, name, zipfile.ZIP_STORED if dense else zipfile.ZIP_DEFLATED)
    finally:
        for path in spare:
            Path(path).unlink(missing_ok=True)
        if folder:
            shutil.rmtree(folder, ignore_errors=True)
    return {}


JOBS: dict[str, Callable[..., dict[str, Any]]] = {
    "hear": hear,
    "look": look,
    "draw": draw,
    "demo": demo,
    "command": command,
    "pack": pack,
}


def shown(analysis: Analysis) -> dict[str, Any]:
    """What the list shows of a song, worded as in the report; times in seconds."""
    known = analysis.settings.corrections
    found = {
        "title": known.title or Path(analysis.track.name).stem,
        "length_s": round(analysis.track.duration_s, 1),
        "sha256": analysis.track.sha256,
        "remarks": list(missing_sound(analysis)),
        "told": bool(analysis.settings.corrections.ones or known.passages or known.taps_s or known.nudge_ms),
    }
    if not len(analysis.beats.time_s):
        return {**found, "bpm": 0.0, "feel": "no steady beat found", "meter": "", "doubts": []}
    feel = feel_of(analysis)
    doubts = [_doubt(analysis, doubt) for doubt in doubts_of(analysis)]
    return {**found, "bpm": feel.felt_bpm, "meter": feel.meter, "feel": feel_text(feel), "doubts": doubts}


def _doubt(analysis: Analysis, doubt: Doubt) -> dict[str, Any]:
    at_s = float(bar_edges(analysis)[doubt.first_bar])
    return {"what": doubt.headline, "listen": doubt.listen, "at_s": round(at_s, 2), "whole": doubt.whole}
