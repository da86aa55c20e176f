"""The command `hear`."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import Annotated

import typer

from pulsefind.cli.options import (
    ForceOption,
    HintsOnTrack,
    SavedOption,
    TrackArgument,
    caution,
    check_saved,
    clear_progress,
    saved_or_found,
    settings_from,
    show_progress,
)
from pulsefind.core.errors import HintError
from pulsefind.core.words import WIDTH, time_text

HeardGuideOption = Annotated[int, typer.Option("--guide", help="Which guide, 1 for the one to follow.")]
HearOutOption = Annotated[
    Path | None, typer.Option("--out", help="File to write: .wav, .flac, .ogg or .mp3; the loop goes beside it.")
]


def hear(
    track: TrackArgument,
    hints: HintsOnTrack,
    guide: HeardGuideOption = 1,
    out: HearOutOption = None,
    force: ForceOption = False,
    saved: SavedOption = None,
) -> None:
    """Bring a guide forward, to learn its sound: lifted out of the track, and its pattern alone as a loop.

    Caution: start with the volume low and turn it up; loud sound in headphones harms hearing before it seems loud.
    """
    from pulsefind.core.files import check_free
    from pulsefind.practice.encode import check_kind
    from pulsefind.practice.isolate import loop_path, write_heard
    from pulsefind.practice.render import chosen_guide
    from pulsefind.practice.spool import spooled
    from pulsefind.report.planned import falls

    check_saved(saved, hints)
    out = out or Path(f"{track.stem} guide {guide}.wav")
    check_kind(out)
    for path in (out, loop_path(out)):
        check_free(path, force, track)
    analysis = saved_or_found(saved, track, settings_from(hints), hints.beats_from)
    if not analysis.guides:
        raise HintError("no guide was found in this track: nothing recurs often enough to be brought forward")
    chosen = chosen_guide(analysis, guide)
    try:
        show_progress("bringing the guide forward")
        with spooled(track, None, None, 1.0) as spool:
            written = write_heard(spool, analysis, chosen, out, force)
    finally:
        clear_progress()
    print(textwrap.fill(f"Guide {guide}: {chosen.name}; it falls on {falls(chosen, analysis)}", WIDTH))
    for one, what in zip(written, ("brought forward", "its pattern alone"), strict=True):
        text = f"{one.path}: {what}, {time_text(one.duration_s)}, true peak {one.true_peak_dbtp:.1f} dBTP"
        print(textwrap.fill(text, WIDTH, subsequent_indent="  ", break_on_hyphens=False))
    print(caution(analysis))
