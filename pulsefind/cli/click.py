"""The command `click`."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pulsefind.cli.opening import SongArgument, opened_with_sound
from pulsefind.cli.options import ForceOption, HintsOnTrack, SavedOption, progress, show_progress
from pulsefind.cli.telling import Telling, levels_json, levels_text, show, warn
from pulsefind.core.corrections import bars_of
from pulsefind.core.errors import HintError
from pulsefind.core.hints import parse_range
from pulsefind.core.words import clock

if TYPE_CHECKING:
    from pulsefind.core.records import Analysis
    from pulsefind.practice.mix import Rendered
    from pulsefind.practice.render import Part, Practice


@dataclass(frozen=True)
class Places:
    """Which places are clicked, in which bars."""

    on: Annotated[
        str | None,
        typer.Option(
            "--on",
            help="Where to click: beats, 1, '1 every 4' (bars), '2 4', backbeat, '&' (every &), '1e 2& then 3', guide; "
            "else the beats, or the --guide.",
        ),
    ] = None
    guide: Annotated[
        str | None,
        typer.Option("--guide", help="Click on this guide, by name, not on the one that leads; in a --ladder too."),
    ] = None
    accent: Annotated[
        bool | None, typer.Option("--accent/--no-accent", help="The 1 higher; without either, all but guides.")
    ] = None
    swing: Annotated[
        float | None,
        typer.Option("--swing", help="Long : short of swung places, 1 is straight; else the track's own."),
    ] = None
    count_in: Annotated[int, typer.Option("--count-in", help="Bars counted in before the first beat, 0 for none.")] = 1
    clickless: Annotated[
        str | None, typer.Option("--clickless", help="Bars with clicks and bars without, like 4:4.")
    ] = None
    seed: Annotated[
        int | None, typer.Option("--seed", help="Clickless bars come by surprise; the same seed, the same bars.")
    ] = None
    thin: Annotated[
        int | None,
        typer.Option("--thin", help="Thin out every so many bars: all, the 1, every 2nd 1, every 4th, none."),
    ] = None


@dataclass(frozen=True)
class Balance:
    """The click beside the track."""

    no_track: Annotated[bool, typer.Option("--no-track", help="Clicks without the track.")] = False
    click_right: Annotated[bool, typer.Option("--click-right", help="Click on the right, track on the left.")] = False
    click_db: Annotated[float, typer.Option("--click-db", help="Click over the track's loudness, -40 to 6 dB.")] = 0.0
    track_db: Annotated[float, typer.Option("--track-db", help="Turn the track down, -60 to 0 dB.")] = 0.0


@dataclass(frozen=True)
class Played:
    """Which part of the track is played, how often and how fast."""

    bars: Annotated[
        str | None, typer.Option("--bars", help="Only these bars, like 9-16, or a section named in the song's file.")
    ] = None
    play: Annotated[str | None, typer.Option("--range", help="Only this part of the track, like 0:30-1:02.")] = None
    times: Annotated[int, typer.Option("--times", help="Play the bars or the range so many times, without a seam.")] = 1
    speed: Annotated[float, typer.Option("--speed", help="Slower or faster at the same pitch, like 0.75.")] = 1.0


@dataclass(frozen=True)
class Ladder:
    """A folder of files instead of one."""

    ladder: Annotated[
        bool,
        typer.Option("--ladder", help="Write a folder of practice files, from full help to none, with a cue sheet."),
    ] = False
    reveal: Annotated[int, typer.Option("--reveal", help="In a ladder: bars until the beats are revealed.")] = 8
    kind: Annotated[str, typer.Option("--kind", help="In a ladder: kind of the files, wav, flac, ogg or mp3.")] = "wav"


ClickOutOption = Annotated[
    Path | None, typer.Option("--out", help="File to write: .wav, .flac, .ogg or .mp3; for a ladder, the folder.")
]


def click(
    song: SongArgument,
    places: Places,
    balance: Balance,
    played: Played,
    ladder: Ladder,
    hints: HintsOnTrack,
    told: Telling,
    out: ClickOutOption = None,
    force: ForceOption = False,
    saved: SavedOption = None,
) -> None:
    """Render practice audio: clicks on the beats that were found, with the track or alone.

    Caution: start with the volume low and turn it up; a click in headphones harms hearing before it seems loud.
    """
    from pulsefind.practice.clicks import parse_gap, swung
    from pulsefind.practice.ladder import write_ladder
    from pulsefind.practice.mix import Levels
    from pulsefind.practice.render import Plan, Practice, check_beats, clicks_for, write_practice
    from pulsefind.practice.spool import spooled
    from pulsefind.practice.stretch import check_speed

    if places.seed is not None and places.clickless is None:
        raise HintError("--seed shuffles the bars of --clickless; give that too, like --clickless 4:4")
    on = ("guide" if places.guide and not ladder.ladder else "beats") if places.on is None else places.on
    if ladder.ladder and (on != "beats" or places.clickless or places.thin is not None or balance.no_track):
        raise HintError("--ladder chooses its own clicks; leave out --on, --clickless, --thin and --no-track")
    if places.guide and not ladder.ladder and on.strip().lower() != "guide":
        raise HintError(f"--guide {places.guide} clicks where that sound falls, --on '{on}' on counts; leave out one")
    plan = Plan(
        places=on,
        guide=places.guide,
        accent=places.accent,
        gap=parse_gap(places.clickless, places.seed) if places.clickless else None,
        thin=places.thin,
        count_in_bars=places.count_in,
        reveal_bars=ladder.reveal,
    )
    levels = Levels(balance.click_db, balance.track_db, not balance.no_track, balance.click_right)
    check_speed(played.speed)
    track, analysis, out = opened_with_sound(song, saved, hints, lambda _: _check_output(song, out, ladder, force))
    check_beats(analysis)
    if places.swing is not None:
        analysis = swung(analysis, places.swing)
    part = _part(analysis, played)
    clicks_for(analysis, plan, part)  # Refuses, before the track is decoded, what can't be clicked.
    start_s, end_s = (part.start_s, part.end_s) if part else (None, None)
    with progress("reading"), spooled(track, start_s, end_s, played.speed) as spool:
        practice = Practice(analysis, spool, plan, part, levels)
        show_progress("rendering")
        if ladder.ladder:
            done = write_ladder(practice, out, f".{ladder.kind}", force, show_progress)
        else:
            done = (write_practice(practice, out, force),)
    _tell(done, practice, out if ladder.ladder else None, told)


def _check_output(song: Path, out: Path | None, ladder: Ladder, force: bool) -> Path:
    """Where the result goes, refused before any work if it can't be written."""
    from pulsefind.core.files import check_free
    from pulsefind.practice.encode import check_kind
    from pulsefind.practice.ladder import check_folder

    if ladder.ladder:
        check_kind(Path(f"{song.stem}.{ladder.kind}"))
        out = out or Path(f"{song.stem} ladder")
        check_folder(out, force)
        return out
    out = out or Path(f"{song.stem} click.wav")
    check_kind(out)
    check_free(out, force)
    return out


def _part(analysis: Analysis, played: Played) -> Part | None:
    from pulsefind.practice.clicks import parse_bars
    from pulsefind.practice.render import Part, bars_part, check_part

    if played.bars and played.play:
        raise HintError("--bars and --range: give one of them")
    part = None
    if played.bars:
        sections = analysis.settings.corrections.sections
        part = bars_part(analysis.bars, *parse_bars(bars_of(played.bars, sections), analysis.bars), played.times)
    elif played.play or played.times != 1:
        start_s, end_s = parse_range(played.play) if played.play else (None, None)
        end_s = analysis.track.duration_s if end_s is None else min(end_s, analysis.track.duration_s)
        part = Part(start_s or 0.0, end_s, played.times)
    check_part(part, analysis.track.duration_s, played.speed)
    return part


def _tell(done: tuple[Rendered, ...], practice: Practice, ladder: Path | None, told: Telling) -> None:
    """Say what was made, in a musician's words; levels where they are asked for."""
    from pulsefind.practice.ladder import CUE_SHEET
    from pulsefind.practice.said import played, said

    if told.json_output:
        print(levels_json(done))
        return
    if ladder is None:
        show(f"{done[0].path} ({clock(done[0].duration_s)}): {said(practice)}")
    else:
        what = played(practice.analysis, practice.part)
        show(f"{ladder}: {len(done)} files, from full help to none, {what}; read {ladder / CUE_SHEET} first")
    for one in done:
        if ladder is not None:
            show(f"  {one.path.name}   {clock(one.duration_s)}")
        if told.verbose:
            show(f"  {levels_text(one)}")
    warn(practice.analysis)
