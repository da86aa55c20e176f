"""The commands `click` and `export`."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pulsefind.cli import app as cli
from pulsefind.core.errors import FormatError, HintError
from pulsefind.core.hints import parse_range

if TYPE_CHECKING:
    from pulsefind.core.records import Analysis, Settings
    from pulsefind.practice.mix import Levels, Rendered
    from pulsefind.practice.render import Part, Plan

_WIDTH = 80

OnOption = Annotated[
    str,
    typer.Option(
        "--on",
        help="Places to click: beats, 1, 1/2 (every second 1), '2 4', '&' (every &), '1e 2& 3', guide; | parts bars.",
    ),
]
GuideOption = Annotated[int, typer.Option("--guide", help="Which guide, for --on guide and --ladder.")]
AccentOption = Annotated[
    bool | None, typer.Option("--accent/--no-accent", help="The 1 higher; without either, all but guides.")
]
SwingOption = Annotated[
    float | None,
    typer.Option("--swing", help="Long : short of swung places, 1 is straight; else the track's own."),
]
CountInOption = Annotated[int, typer.Option("--count-in", help="Bars counted in before the first beat, 0 for none.")]
GapOption = Annotated[str | None, typer.Option("--gap", help="Bars with and without clicks, like 4:4.")]
SeedOption = Annotated[
    int | None, typer.Option("--seed", help="Put each gap anywhere in its round; the same seed, the same gaps.")
]
ThinOption = Annotated[
    int | None, typer.Option("--thin", help="Thin out every so many bars: all, the 1, every 2nd 1, every 4th, none.")
]
AloneOption = Annotated[bool, typer.Option("--alone", help="Clicks without the track.")]
SplitOption = Annotated[bool, typer.Option("--split", help="Track left, click right.")]
ClickDbOption = Annotated[float, typer.Option("--click-db", help="Click over the track's loudness, -40 to 6 dB.")]
TrackDbOption = Annotated[float, typer.Option("--track-db", help="Turn the track down, -60 to 0 dB.")]
BarsOption = Annotated[str | None, typer.Option("--bars", help="Only these bars, like 9-16.")]
PlayOption = Annotated[str | None, typer.Option("--range", help="Only this part of the track, like 0:30-1:02.")]
TimesOption = Annotated[int, typer.Option("--times", help="Play the bars or the range so many times, without a seam.")]
SpeedOption = Annotated[float, typer.Option("--speed", help="Slower or faster at the same pitch, like 0.75.")]
LadderOption = Annotated[
    bool, typer.Option("--ladder", help="Write a folder of practice files, from full help to none, with a cue sheet.")
]
RevealOption = Annotated[int, typer.Option("--reveal", help="In a ladder: bars until the beats are revealed.")]
ClickOutOption = Annotated[
    Path | None, typer.Option("--out", help="File to write: .wav, .flac, .ogg or .mp3; for a ladder, the folder.")
]
KindOption = Annotated[str, typer.Option("--kind", help="In a ladder: kind of the files, wav, flac, ogg or mp3.")]
SavedOption = Annotated[
    Path | None, typer.Option("--analysis", help="Use this analysis of the track, saved by `find --out`.")
]
ToOption = Annotated[str, typer.Option("--to", help="Formats, with commas: midi, jams, beats, csv.")]
ExportOutOption = Annotated[
    Path | None, typer.Option("--out", help="Name of the files without ending; else the track's, in this folder.")
]
AnalysisArgument = Annotated[
    Path, typer.Argument(help="A recording, or an analysis saved by `find --out`.", show_default=False)
]


def click(
    track: cli.TrackArgument,
    on: OnOption = "beats",
    guide: GuideOption = 1,
    accent: AccentOption = None,
    swing: SwingOption = None,
    count_in: CountInOption = 1,
    gap: GapOption = None,
    seed: SeedOption = None,
    thin: ThinOption = None,
    alone: AloneOption = False,
    split: SplitOption = False,
    click_db: ClickDbOption = 0.0,
    track_db: TrackDbOption = 0.0,
    bars: BarsOption = None,
    play: PlayOption = None,
    times: TimesOption = 1,
    speed: SpeedOption = 1.0,
    ladder: LadderOption = False,
    reveal: RevealOption = 8,
    kind: KindOption = "wav",
    out: ClickOutOption = None,
    force: cli.ForceOption = False,
    saved: SavedOption = None,
    beats_from: cli.FromOption = None,
    meter: cli.MeterOption = None,
    bpm: cli.BpmOption = None,
    one_at: cli.OneAtOption = None,
    taps: cli.TapsOption = None,
    network: cli.NetworkOption = "both",
    no_cache: cli.NoCacheOption = False,
) -> None:
    """Render practice audio: clicks on the beats that were found, with the track or alone.

    Caution: start with the volume low and turn it up; a click in headphones harms hearing before it seems loud.
    """
    from pulsefind.practice.clicks import parse_gap, swung
    from pulsefind.practice.mix import Levels
    from pulsefind.practice.render import Plan, check_beats
    from pulsefind.practice.stretch import check_speed

    if seed is not None and gap is None:
        raise HintError("--seed places the gaps of --gap; give that too, like --gap 4:4")
    if ladder and (on != "beats" or gap or thin is not None or alone):
        raise HintError("--ladder chooses places and gaps of its own; leave out --on, --gap, --thin and --alone")
    check_hints(saved, beats_from, meter, bpm, one_at, taps)
    out = _check_output(track, out, ladder, kind, force)
    plan = Plan(
        places=on,
        guide=guide,
        accent=accent,
        gap=parse_gap(gap, seed) if gap else None,
        thin=thin,
        count_in_bars=count_in,
        reveal_bars=reveal,
    )
    levels = Levels(click_db, track_db, not alone, split)
    check_speed(speed)
    settings = cli.settings_from(meter, bpm, one_at, taps, None, not no_cache, network)
    analysis = saved_or_found(saved, track, settings, beats_from)
    check_beats(analysis)
    if swing is not None:
        analysis = swung(analysis, swing)
    part = _part(analysis, bars, play, times)
    _render(track, analysis, plan, part, levels, speed, out, f".{kind}" if ladder else None, force)


def _check_output(track: Path, out: Path | None, ladder: bool, kind: str, force: bool) -> Path:
    """Where the result goes; refused before any work if it can't."""
    from pulsefind.core.files import check_free
    from pulsefind.practice.encode import check_kind
    from pulsefind.practice.ladder import check_folder

    if ladder:
        check_kind(Path(f"{track.stem}.{kind}"))
        out = out or Path(f"{track.stem} ladder")
        check_folder(out, force)
        return out
    out = out or Path(f"{track.stem} click.wav")
    check_kind(out)
    check_free(out, force, track)
    return out


def check_hints(
    saved: Path | None,
    beats_from: Path | None,
    meter: str | None,
    bpm: str | None,
    one_at: str | None,
    taps: Path | None,
) -> None:
    """Refuse hints beside a saved analysis, which they could not change."""
    if saved and (beats_from or meter or bpm or one_at or taps):
        raise HintError("--analysis brings its own beats; leave out --from, --meter, --bpm, --one-at and --taps, or it")


def saved_or_found(saved: Path | None, track: Path, settings: Settings, beats_from: Path | None) -> Analysis:
    """The saved analysis, if it is one of this track; without one the track is analysed."""
    from pulsefind.analysis import load_analysis

    if saved is None:
        return cli._analyse(track, settings, beats_from)
    analysis = load_analysis(saved)
    if analysis.track.name != track.name:
        raise FormatError(f"{saved}: is an analysis of {analysis.track.name}, not of {track.name}")
    return analysis


def _part(analysis: Analysis, bars: str | None, play: str | None, times: int) -> Part | None:
    from pulsefind.practice.clicks import parse_bars
    from pulsefind.practice.render import Part, bars_part, check_part

    if bars and play:
        raise HintError("--bars and --range: give one of them")
    part = None
    if bars:
        part = bars_part(analysis.bars, *parse_bars(bars, analysis.bars), times)
    elif play or times != 1:
        start_s, end_s = parse_range(play) if play else (None, None)
        end_s = analysis.track.duration_s if end_s is None else min(end_s, analysis.track.duration_s)
        part = Part(start_s or 0.0, end_s, times)
    check_part(part, analysis.track.duration_s)
    return part


def _render(
    track: Path,
    analysis: Analysis,
    plan: Plan,
    part: Part | None,
    levels: Levels,
    speed: float,
    out: Path,
    ladder_ending: str | None,
    force: bool,
) -> None:
    from pulsefind.practice.ladder import CUE_SHEET, write_ladder
    from pulsefind.practice.render import Practice, clicks_for, write_practice
    from pulsefind.practice.spool import spooled

    clicks_for(analysis, plan, part)  # Refuses what can't be clicked before the track is decoded.
    start_s, end_s = (part.start_s, part.end_s) if part else (None, None)
    try:
        cli._show_progress("reading")
        with spooled(track, start_s, end_s, speed) as spool:
            practice = Practice(analysis, spool, plan, part, levels)
            cli._show_progress("rendering")
            if ladder_ending:
                done = write_ladder(practice, out, ladder_ending, force, cli._show_progress)
            else:
                done = (write_practice(practice, out, force),)
    finally:
        cli._clear_progress()
    for one in done:
        print(_told(one))
    if ladder_ending:
        print(f"{out / CUE_SHEET}: what to do with each, and what to listen for")
    print(caution(analysis))


def _told(one: Rendered) -> str:
    from pulsefind.report import time_text

    down = f", turned down {one.turned_down_db:.1f} dB to stay clear of clipping" if one.turned_down_db > 0 else ""
    text = (
        f"{one.path}: {time_text(one.duration_s)}, {one.n_clicks} clicks, {one.loudness_lufs:.1f} LUFS, "
        f"true peak {one.true_peak_dbtp:.1f} dBTP{down}"
    )
    return textwrap.fill(text, _WIDTH, subsequent_indent="  ", break_on_hyphens=False)


def caution(analysis: Analysis) -> str:
    """What the analysis is unsure of, and the caution on hearing, wrapped for the terminal."""
    from pulsefind.practice.ladder import CAUTION

    unsure = [f"Note: {warning}." for warning in analysis.warnings]
    return "\n".join(textwrap.fill(text, _WIDTH) for text in [*unsure, CAUTION])


def export(
    source: AnalysisArgument,
    to: ToOption,
    out: ExportOutOption = None,
    force: cli.ForceOption = False,
    beats_from: cli.FromOption = None,
    meter: cli.MeterOption = None,
    bpm: cli.BpmOption = None,
    one_at: cli.OneAtOption = None,
    taps: cli.TapsOption = None,
    part: cli.RangeOption = None,
    network: cli.NetworkOption = "both",
    no_cache: cli.NoCacheOption = False,
) -> None:
    """Write beats, bars and guides in open formats: MIDI, JAMS, plain text, CSV."""
    from pulsefind.core.files import check_free, write_file
    from pulsefind.export.formats import ENDINGS, check_formats
    from pulsefind.export.formats import export as export_as

    kinds = check_formats(to)
    base = out or Path(source.stem)
    for kind in kinds:
        for ending in ENDINGS[kind]:
            check_free(_named(base, ending), force, source)
    if source.suffix.lower() == ".json":
        if beats_from or meter or bpm or one_at or taps or part:
            raise HintError(f"{source}: is analysed already; name the recording to use --from or a hint")
        from pulsefind.analysis import load_analysis

        analysis = load_analysis(source)
    else:
        settings = cli.settings_from(meter, bpm, one_at, taps, part, not no_cache, network)
        analysis = cli._analyse(source, settings, beats_from)
    files = {_named(base, end): data for kind in kinds for end, data in export_as(analysis, kind).items()}
    for path, data in files.items():
        write_file(path, data, force)
        print(path)


def _named(base: Path, ending: str) -> Path:
    """The base with an ending, which may be there already."""
    return base if base.name.lower().endswith(ending) else base.with_name(base.name + ending)
