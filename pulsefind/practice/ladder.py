"""A ladder of practice files, from full help to none, with a cue sheet.

The order is that of teachers who take the click away step by step (common practice, no source): hear the pulse; keep it
on the 1 alone; learn the guide as what it is; find it in the track; be checked now and then; carry the time.
"""

from __future__ import annotations

import contextlib
import shutil
import tempfile
import textwrap
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from pulsefind.core.errors import OutputError
from pulsefind.core.files import umask, write_file
from pulsefind.core.records import Analysis, Guide
from pulsefind.core.words import WIDTH, stretches_text, time_text
from pulsefind.practice.clicks import Clicks, Gap, merge, with_gaps
from pulsefind.practice.mix import Rendered, Score, measure, write
from pulsefind.practice.render import Part, Plan, Practice, chosen_guide, clicks_for, scored
from pulsefind.report.planned import falls

CUE_SHEET = "cues.txt"
CAUTION = "Caution: start with the volume low and turn it up; a click in headphones harms hearing before it seems loud."

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Rung:
    """One practice file: name, what to do and what to listen for, its clicks, and whether track and count-in sound."""

    name: str
    do: str
    listen: str
    clicks: Clicks
    with_track: bool
    counted: bool = True


def rungs(analysis: Analysis, plan: Plan, part: Part | None) -> tuple[Rung, ...]:
    """The files of the ladder; without a guide, those that need one are left out.

    plan names the guide. In the third file the beats join the guide after plan.reveal_bars bars, and leave again after
    as many.
    """
    every = clicks_for(analysis, replace(plan, places="beats", accent=None), part)
    ones = clicks_for(analysis, replace(plan, places="1", accent=None), part)
    checks = clicks_for(analysis, replace(plan, places="1/8", accent=None), part)
    found = [
        Rung(
            "every beat",
            "Play along with track and click. Count aloud.",
            "The higher click is the 1. Feel where the track's own sounds fall around the clicks.",
            every,
            True,
        ),
        Rung(
            "only the 1",
            "Play along; only the 1 is clicked. Count the other beats aloud.",
            "Land on each click, neither chasing nor waiting for it.",
            ones,
            True,
        ),
    ]
    if analysis.guides:
        found += _guide_rungs(analysis, plan, part, every)
    found.append(
        Rung(
            "check every 8th bar",
            "Play along. One click on the 1 of every 8th bar checks you.",
            "If the click surprises you, note the bar, and go back one file for it.",
            checks,
            True,
        )
    )
    silent = every.keep(np.zeros(len(every.time_s), np.bool_))
    found.append(
        Rung(
            "no help",
            "Play along. After the count-in there is no click.",
            _alone_text(analysis),
            silent,
            True,
        )
    )
    return tuple(found)


def _guide_rungs(analysis: Analysis, plan: Plan, part: Part | None, every: Clicks) -> list[Rung]:
    guide = chosen_guide(analysis, plan.guide)
    places = clicks_for(analysis, replace(plan, places="guide", accent=False), part)
    first_bar, n = int(every.bar[0]), plan.reveal_bars
    unrevealed = with_gaps(every, analysis.bars, first_bar, Gap(n, n))
    revealed = every.keep(~np.isin(every.bar, unrevealed.bar))
    places_words = falls(guide, analysis)
    return [
        Rung(
            "the guide alone, then revealed",
            f"Listen without the track. For {n} bars only the guide's places are clicked ({places_words}), all "
            f"alike, then for {n} bars the beats join in, the 1 higher. Find the 1 before they do.",
            "Hear these clicks as what they are, off the beat where they are off it, and not as the beat.",
            merge(places, revealed),
            False,
            counted=False,
        ),
        Rung(
            "the guide with the track",
            f"Play along; clicks fall on {places_words}, the guide's places.",
            _guide_text(guide, analysis),
            places,
            True,
        ),
    ]


def _guide_text(guide: Guide, analysis: Analysis) -> str:
    where = stretches_text(guide.coverage, analysis)
    return f"In {where} the guide is behind the click: {guide.name}. Turn the click down until you hear it without."


def _alone_text(analysis: Analysis) -> str:
    if not analysis.alone:
        return "The guide is there all the way."
    spans = ", ".join(f"{time_text(stretch.start_s)}-{time_text(stretch.end_s)}" for stretch in analysis.alone[:6])
    more = " and more" if len(analysis.alone) > 6 else ""
    return f"You carry the time alone, in the track's own time, at {spans}{more}."


def write_ladder(
    practice: Practice, folder: Path, ending: str, force: bool, progress: Progress
) -> tuple[Rendered, ...]:
    """Write the ladder and its cue sheet into a folder, all of it or nothing; files that are there besides stay.

    Raises
    ------
    OutputError
        if the folder exists and force is not given, its parent does not exist, or a file can't be written.
    """
    check_folder(folder, force)
    all_rungs = rungs(practice.analysis, practice.plan, practice.part)
    with _work_folder(folder) as work:
        done = _write_rungs(practice, all_rungs, work, ending, progress)
        write_file(work / CUE_SHEET, cue_sheet(practice, all_rungs, done).encode(), force=False)
        _move(work, folder)
    return tuple(replace(one, path=folder / one.path.name) for one in done)


def _write_rungs(
    practice: Practice, all_rungs: tuple[Rung, ...], work: Path, ending: str, progress: Progress
) -> list[Rendered]:
    """Write every file, all turned down alike, so that track and click keep their level from file to file."""
    spool = practice.spool
    levels = [replace(practice.levels, with_track=rung.with_track) for rung in all_rungs]
    scores = [_score(practice, rung) for rung in all_rungs]
    progress("measuring")
    measured = [measure(spool, score, level) for score, level in zip(scores, levels, strict=True)]
    down_db = max(one.down_db for one in measured)
    done = []
    for k, rung in enumerate(all_rungs):
        progress(f"rendering {k + 1} of {len(all_rungs)}")
        path = work / f"{k + 1} {rung.name}{ending}"
        done.append(write(spool, scores[k], levels[k], measured[k], down_db, path, force=False))
    return done


def _score(practice: Practice, rung: Rung) -> Score:
    plan = practice.plan if rung.counted else replace(practice.plan, count_in_bars=0)
    return scored(replace(practice, plan=plan), rung.clicks)


def cue_sheet(practice: Practice, all_rungs: tuple[Rung, ...], done: list[Rendered]) -> str:
    """The cue sheet: for each file its length and loudness, what to do and what to listen for."""
    analysis, speed = practice.analysis, practice.spool.speed
    pace = "" if speed == 1.0 else f", played at {speed:g} of its tempo"
    title = f"Practice files for {analysis.track.name}: {analysis.tempo.bpm:.1f} bpm{pace}"
    lines = [*textwrap.wrap(title, WIDTH), *textwrap.wrap(CAUTION, WIDTH), ""]
    for rung, one in zip(all_rungs, done, strict=True):
        length = time_text(one.duration_s).split(".")[0]
        lines.append(f"{one.path.name}   {length}   {one.loudness_lufs:.1f} LUFS")
        for word, text in (("Do", rung.do), ("Listen", rung.listen)):
            lines += textwrap.wrap(f"{word + ':':<8} {text}", WIDTH, initial_indent="  ", subsequent_indent=" " * 11)
        lines.append("")
    return "\n".join(lines)


def check_folder(folder: Path, force: bool) -> None:
    """Refuse, before any work is done, a folder that can't or may not be written to."""
    if not folder.parent.is_dir():
        raise OutputError(f"{folder}: the folder it should stand in does not exist; make that first")
    if folder.exists() and not folder.is_dir():
        raise OutputError(f"{folder}: is a file; a ladder needs a folder")
    if folder.exists() and not force:
        raise OutputError(f"{folder}: exists already; name another folder, or replace its files with --force")


@contextlib.contextmanager
def _work_folder(folder: Path) -> Iterator[Path]:
    """A folder beside the one that is wanted, gone when the block is left."""
    try:
        work = Path(tempfile.mkdtemp(dir=folder.parent, prefix=".pulsefind-"))
    except OSError as error:
        raise OutputError(f"{folder}: can't be made ({error.strerror}); choose another place") from None
    try:
        yield work
    except OutputError as error:
        # Name the place that was asked for, not the one that stands in for it.
        raise OutputError(str(error).replace(str(work), str(folder))) from None
    finally:
        shutil.rmtree(work, ignore_errors=True)


def _move(work: Path, folder: Path) -> None:
    """Give the work its name: at one stroke where the folder is new, else file by file, the cue sheet last."""
    try:
        if not folder.exists():
            work.chmod(0o777 & ~umask())
            work.rename(folder)
            return
        for path in sorted(work.iterdir(), key=lambda path: path.name == CUE_SHEET):
            path.replace(folder / path.name)
    except OSError as error:
        raise OutputError(f"{folder}: can't be written ({error.strerror}); choose another place") from None
