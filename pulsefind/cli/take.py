"""The command `take`: passes what it is told to the review, and prints what the review says."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pulsefind.cli.opening import check_same, opened, recording_of
from pulsefind.cli.options import ForceOption, Hints
from pulsefind.core.errors import HintError
from pulsefind.core.hints import parse_time

if TYPE_CHECKING:
    from pulsefind.core.records import Analysis, Audio
    from pulsefind.take.records import Review

LONGEST_LATENCY_MS = 2000.0  # judged: wireless headphones stay below 0.5 s

TakeTrackArgument = Annotated[
    Path, typer.Argument(help="The track that was played to: a recording, or its saved analysis.", show_default=False)
]
RecordingArgument = Annotated[
    Path, typer.Argument(help="The take: a recording of the playing, or a MIDI file.", show_default=False)
]
StartsAtOption = Annotated[
    str | None,
    typer.Option("--starts-at", help="Time of the track at which the recording starts, like 0, 12.34 or -1.5."),
]
LatencyOption = Annotated[
    float | None, typer.Option("--latency-ms", help="What the recording chain adds, in ms (see --how-late).")
]
HowLateOption = Annotated[
    bool,
    typer.Option(
        "--how-late",
        help="How late is this machine? RECORDING is the track itself, from your speaker into your microphone.",
    ),
]
HistoryOption = Annotated[
    Path | None, typer.Option("--history", help="Add the take to this file of yours, and show progress.")
]
DetailsOption = Annotated[bool, typer.Option("--details", help="All tables as well, place by place.")]
TakeJsonOption = Annotated[bool, typer.Option("--json", help="Print the review as JSON instead of the report.")]
TakeOutOption = Annotated[Path | None, typer.Option("--out", help="Write the review to this file, as JSON.")]


def take(
    track: TakeTrackArgument,
    recording: RecordingArgument,
    hints: Hints,
    starts_at: StartsAtOption = None,
    latency_ms: LatencyOption = None,
    how_late: HowLateOption = False,
    history: HistoryOption = None,
    details: DetailsOption = False,
    json_output: TakeJsonOption = False,
    out: TakeOutOption = None,
    force: ForceOption = False,
) -> None:
    """Review a take: how you moved against the track, and what to practise next."""
    from pulsefind.core.files import check_free
    from pulsefind.take.history import append_take, entry_of, read_history, takes_so_far
    from pulsefind.take.review import review_take
    from pulsefind.take.strokes import read_take

    starts_at_s = _signed_time(starts_at) if starts_at is not None else None
    if latency_ms is not None and not -LONGEST_LATENCY_MS <= latency_ms <= LONGEST_LATENCY_MS:
        raise HintError(f"--latency-ms {latency_ms:g}: a latency lies within {LONGEST_LATENCY_MS:.0f} ms")
    if out is not None:
        check_free(out, force)
    if how_late:
        if out is not None or history is not None or latency_ms is not None or json_output or details:
            raise HintError(
                "--how-late tells of the machine and reviews no take; it goes with --starts-at alone, "
                "not with --out, --history, --latency-ms, --json or --details"
            )
        print(_how_late(track, recording, starts_at_s or 0.0))
        return
    # These are read first: if one of them can't be, the long work on the track is saved.
    earlier = read_history(history) if history is not None else ()
    hits, take_audio = read_take(recording)
    analysis, track_audio = _track(track, hints)
    review = review_take(
        analysis, hits, recording, track, track_audio, take_audio, starts_at_s=starts_at_s, latency_ms=latency_ms
    )
    if history is None or review.verdict != "reviewed":
        _show(review, details, json_output, out, force)
        return
    entry = entry_of(review, datetime.now(UTC))
    _show(review, details, json_output, out, force, takes_so_far((*earlier, entry), entry.track_sha256))
    append_take(history, entry)


def _signed_time(text: str) -> float:
    """A time that may lie before the track's start: '-1.5'."""
    if text.strip().startswith("-"):
        return -parse_time(text.strip()[1:], "--starts-at -")
    return parse_time(text, "--starts-at")


def _track(track: Path, hints: Hints) -> tuple[Analysis, Audio | None]:
    """The analysis of a track and its sound: None with a saved analysis without its recording."""
    from pulsefind.listen.audio import load

    analysis = opened(track, hints)
    try:
        audio = load(recording_of(track))
    except HintError:
        return analysis, None
    check_same(track, analysis, audio)
    return analysis, audio


def _show(review: Review, details: bool, json_output: bool, out: Path | None, force: bool, so_far: str = "") -> None:
    from pulsefind.core.files import write_file
    from pulsefind.take.to_json import review_to_json
    from pulsefind.take.verdict import verdict

    if out is not None:
        write_file(out, review_to_json(review).encode(), force)
    if json_output:
        print(review_to_json(review))
    else:
        print(verdict(review, details, so_far), end="")


def _how_late(track: Path, recording: Path, starts_at_s: float) -> str:
    """How late the chain is, from the track recorded through it."""
    from pulsefind.listen.audio import load
    from pulsefind.take.leak import find_leak
    from pulsefind.take.records import TakeError

    leak = find_leak(load(recording_of(track)), load(recording))
    if leak is None:
        raise TakeError(
            f"{recording}: the track isn't heard in it; play the track through the speaker, near the microphone, "
            "without playing yourself, and record it"
        )
    # Adding nothing makes 0 of -0.
    latency_ms = round(1000 * (starts_at_s - leak.starts_at_s), 1) + 0.0
    off_ppm = round(leak.clock_ppm)
    return (
        f"This machine is {latency_ms:.1f} ms late (its clock is off by {off_ppm:+d} millionths).\n"
        f"Give takes recorded in the same way --latency-ms {latency_ms:.1f}"
    )
