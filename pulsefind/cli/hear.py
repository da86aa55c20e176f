"""The command `hear`."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from pulsefind.cli.opening import SongArgument, opened_with_sound
from pulsefind.cli.options import ForceOption, HintsOnTrack, SavedOption, progress
from pulsefind.cli.telling import Telling, levels_json, levels_text, show, warn
from pulsefind.core.errors import HintError
from pulsefind.core.words import clock

HeardGuideOption = Annotated[
    str | None, typer.Option("--guide", help="Which guide, by the name in the report; else the one that leads first.")
]
HearOutOption = Annotated[
    Path | None, typer.Option("--out", help="File to write: .wav, .flac, .ogg or .mp3; the loop goes beside it.")
]


def hear(
    song: SongArgument,
    hints: HintsOnTrack,
    told: Telling,
    guide: HeardGuideOption = None,
    out: HearOutOption = None,
    force: ForceOption = False,
    saved: SavedOption = None,
) -> None:
    """Bring a guide forward, to learn its sound: lifted out of the track, and its pattern alone as a loop.

    Caution: start with the volume low and turn it up; loud sound in headphones harms hearing before it seems loud.
    """
    from pulsefind.guides.called import called, guide_index, likeness
    from pulsefind.practice.isolate import write_heard
    from pulsefind.practice.spool import spooled
    from pulsefind.report.planned import falls, leading

    track, analysis, out = opened_with_sound(
        song, saved, hints, lambda track: _checked(out or _usual_name(track, guide), force)
    )
    if not analysis.guides:
        raise HintError("no guide was found in this track: nothing recurs often enough to be brought forward")
    index = guide_index(analysis.guides, guide) if guide else leading(analysis) or 0
    chosen, name = analysis.guides[index], called(analysis.guides)[index]
    with progress("bringing the guide forward"), spooled(track, None, None, 1.0) as spool:
        written = write_heard(spool, analysis, chosen, out, force)
    if told.json_output:
        print(levels_json(written))
        return
    show(f"The {name}: {likeness(chosen)}, on {falls(chosen, analysis)}")
    for one, what in zip(written, ("brought forward", "its pattern alone, round and round"), strict=True):
        show(f"{one.path} ({clock(one.duration_s)}): {what}")
        if told.verbose:
            show(f"  {levels_text(one)}")
    warn(analysis)


def _usual_name(track: Path, guide: str | None) -> Path:
    # What is typed as a guide's name must not lead to another folder.
    return Path(f"{track.stem} {(guide or 'guide').replace(os.sep, ' ')}.wav")


def _checked(out: Path, force: bool) -> Path:
    """The file to write, refused if it or the loop beside it can't be."""
    from pulsefind.core.files import check_free
    from pulsefind.practice.encode import check_kind
    from pulsefind.practice.isolate import loop_path

    check_kind(out)
    for path in (out, loop_path(out)):
        check_free(path, force)
    return out
