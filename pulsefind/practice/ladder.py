"""A ladder of practice files, from full help to none, with a cue sheet.

The order is that of teachers who take the click away step by step (common practice, no source): hear the pulse; keep it
with the 1 alone; learn the guide for what it is; find it in the track; be checked now and then; carry the time.
"""

from __future__ import annotations

import contextlib
import textwrap
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from pulsefind.core.errors import OutputError
from pulsefind.core.files import check_free, umask, write_file
from pulsefind.core.given import holds_given
from pulsefind.core.leftovers import alone_in, sweep, temporary_folder
from pulsefind.core.records import Analysis
from pulsefind.core.words import WIDTH, clock, field, stretches_text
from pulsefind.guides.called import called, guide_index, likeness
from pulsefind.guides.misreadings import fixes
from pulsefind.practice.clicks import Clicks, Gap, merge, with_gaps
from pulsefind.practice.mix import Rendered, Score, measure, write
from pulsefind.practice.render import Part, Plan, Practice, bars_played, clicks_for, scored
from pulsefind.practice.said import ordinal
from pulsefind.report.doubts import doubts_of
from pulsefind.report.feel import count_in_text, feel_of, feel_text, tempo_text
from pulsefind.report.guiding import tells
from pulsefind.report.planned import ALONE, falls, plan_lines, plan_rows

CUE_SHEET = "cues.txt"
CAUTION = "Caution: start with the volume low and turn it up; a click in headphones harms hearing before it seems loud."

_CHECKS = (8, 4, 2)
"""Bars from check to check (judged): the longest that fits twice into the song."""

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Rung:
    """One practice file: name, what to do, what to listen for, its clicks, and whether track and count-in sound."""

    name: str
    do: str
    listen: str
    clicks: Clicks
    with_track: bool
    counted: bool = True


def rungs(analysis: Analysis, plan: Plan, part: Part | None) -> tuple[Rung, ...]:
    """The files of the ladder; without a guide, those that need one are left out.

    plan may name the guide; otherwise it is one that settles where the 1 is, if there is one. In the third file the
    beats join the guide after plan.reveal_bars bars and leave again after as many, or sooner in a short song.
    """
    every = clicks_for(analysis, replace(plan, places="beats", accent=None), part)
    ones = clicks_for(analysis, replace(plan, places="1", accent=None), part)
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
    return (*found, *_last_rungs(analysis, plan, part, every))


def _last_rungs(analysis: Analysis, plan: Plan, part: Part | None, every: Clicks) -> Iterator[Rung]:
    bars = next((bars for bars in _CHECKS if 2 * bars <= bars_played(analysis, part)), _CHECKS[-1])
    yield Rung(
        f"check every {ordinal(bars)} bar",
        f"Play along. One click on the 1 of every {ordinal(bars)} bar checks you.",
        "If the click surprises you, note the bar, and go back one file for it.",
        clicks_for(analysis, replace(plan, places=f"1 every {bars}", accent=None), part),
        True,
    )
    silent = every.keep(np.zeros(len(every.time_s), np.bool_))
    do = "Play along. After the count-in there is no click."
    yield Rung("no help", do, _alone_text(analysis), silent, True)


def _guide_rungs(analysis: Analysis, plan: Plan, part: Part | None, every: Clicks) -> list[Rung]:
    index = _answering(analysis, plan)
    guide, name = analysis.guides[index], called(analysis.guides)[index]
    asked = replace(plan, places="guide", guide=str(index + 1), accent=False)
    places = clicks_for(analysis, asked, part)
    first_bar = int(every.bar[0])
    n = max(1, min(plan.reveal_bars, bars_played(analysis, part) // 2))
    unrevealed = with_gaps(every, analysis.bars, first_bar, Gap(n, n))
    revealed = every.keep(~np.isin(every.bar, unrevealed.bar))
    where = falls(guide, analysis)
    bars = f"{n} {'bar' if n == 1 else 'bars'}"
    do = (
        f"Listen without the track. For {bars} only the {name}'s places are clicked ({where}), all alike, then for "
        f"{bars} the beats join in, the 1 higher."
    )
    if fixes(guide, analysis.bars, analysis.tempo) == "the 1":
        riddle = " Find the 1 before they do."
        listen = "Hear these clicks as what they are, off the beat where they are off it, and not as the beat."
    else:
        riddle = " Count along from the first bar: by these clicks alone nobody can tell the 1."
        listen = f"Keep your count when the beats leave. By itself the {name} tells you {tells(guide, analysis)}."
    return [
        Rung(f"the {name} alone, then revealed", do + riddle, listen, merge(places, revealed), False, counted=False),
        Rung(
            f"the {name} with the track",
            f"Play along; clicks fall on {where}, where the {name} falls, in the bars in which it sounds.",
            f"In {stretches_text(guide.coverage, analysis)} it is behind the click: {likeness(guide)}. Turn the click "
            "down until you hear it without.",
            places,
            True,
        ),
    ]


def _answering(analysis: Analysis, plan: Plan) -> int:
    """The guide asked for; else one that settles the 1, preferably of the plan; else the one that leads."""
    if plan.guide is not None:
        return guide_index(analysis.guides, plan.guide)
    tell = [k for k, guide in enumerate(analysis.guides) if fixes(guide, analysis.bars, analysis.tempo) == "the 1"]
    in_plan = [k for k in analysis.plan if k is not None]
    best = [k for k in in_plan if k in tell] or tell or in_plan
    return best[0] if best else 0


def _alone_text(analysis: Analysis) -> str:
    spans = [f"{clock(line.start_s)}-{clock(line.end_s)}" for line in plan_lines(analysis) if line.kind == ALONE]
    if not spans:
        return "There is something to follow all the way."
    more = " and more" if len(spans) > 6 else ""
    return f"You carry the time alone, in the track's own time, at {', '.join(spans[:6])}{more}."


def write_ladder(
    practice: Practice, folder: Path, ending: str, force: bool, progress: Progress
) -> tuple[Rendered, ...]:
    """Write the ladder and its cue sheet into a folder, all or nothing; other files in it stay.

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
        _move(work, folder, force)
    return tuple(replace(one, path=folder / one.path.name) for one in done)


def _write_rungs(
    practice: Practice, all_rungs: tuple[Rung, ...], work: Path, ending: str, progress: Progress
) -> list[Rendered]:
    """Write every file, all turned down equally, so that levels stay the same from file to file."""
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
    """The cue sheet: tempo, plan and doubts of the song; for each file its length, what to do, what to listen for."""
    lines = [*_head(practice), *textwrap.wrap(CAUTION, WIDTH), ""]
    for rung, one in zip(all_rungs, done, strict=True):
        lines.append(f"{one.path.name}   {clock(one.duration_s)}")
        for word, text in (("Do", rung.do), ("Listen", rung.listen)):
            lines += textwrap.wrap(f"{word + ':':<8} {text}", WIDTH, initial_indent="  ", subsequent_indent=" " * 11)
        lines.append("")
    return "\n".join(lines)


def _head(practice: Practice) -> list[str]:
    analysis, speed = practice.analysis, practice.spool.speed
    feel = feel_of(analysis)
    pace = "" if speed == 1.0 else f", played at {feel.felt_bpm * speed:.0f}"
    lines = [*textwrap.wrap(f"Practice files for {analysis.track.name}", WIDTH), ""]
    lines += [*field("Tempo", tempo_text(feel) + pace), *field("Feel", feel_text(feel))]
    lines += field("Count-in", count_in_text(analysis))
    doubts = doubts_of(analysis)
    lines += plan_rows(analysis, "Follow", tuple((d.first_bar, d.last_bar) for d in doubts if not d.whole))
    for doubt in doubts:
        lines += field("Doubt", doubt.sentence)
    return [*lines, ""]


def check_folder(folder: Path, force: bool) -> None:
    """Refuse, before any work, a folder that can't or mustn't be written to, or that holds an input."""
    try:
        if folder.parent.stat() and folder.exists() and not folder.is_dir():
            raise OutputError(f"{folder}: is a file; a ladder needs a folder")
    except FileNotFoundError:
        raise OutputError(f"{folder}: the folder it should stand in does not exist; make that first") from None
    except OSError as error:
        raise OutputError(f"{folder}: can't be made ({error.strerror}); choose another place") from None
    if holds_given(folder):
        raise OutputError(f"{folder}: holds what is read; give the ladder a folder of its own")
    if folder.exists() and not force:
        sweep(folder.parent)
        raise OutputError(f"{folder}: exists already; name another folder, or replace its files with --force")


@contextlib.contextmanager
def _work_folder(folder: Path) -> Iterator[Path]:
    """A temporary folder next to the wanted one, removed at the end of the block."""
    with contextlib.ExitStack() as opened:
        try:
            work = opened.enter_context(temporary_folder(folder.parent))
        except OSError as error:
            raise OutputError(f"{folder}: can't be made ({error.strerror}); choose another place") from None
        try:
            yield work
        except OutputError as error:
            # Name the folder that was asked for, not the temporary one.
            raise OutputError(str(error).replace(str(work), str(folder))) from None


def _move(work: Path, folder: Path, force: bool) -> None:
    """Move the work into place: in one step if the folder is new, else file by file, the cue sheet last.

    Of two ladders at once into one folder the second is refused, or with --force laid over the first whole.
    """
    try:
        if not folder.exists():
            work.chmod(0o777 & ~umask())
            # One that another run made in this moment is not empty, and stays.
            with contextlib.suppress(OSError):
                work.rename(folder)
                return
        check_folder(folder, force)
        with alone_in(folder):
            for path in work.iterdir():
                check_free(folder / path.name, force=True)
            for path in sorted(work.iterdir(), key=lambda path: path.name == CUE_SHEET):
                path.replace(folder / path.name)
    except OSError as error:
        raise OutputError(f"{folder}: can't be written ({error.strerror}); choose another place") from None
