"""Many songs at once: one line per song as it is found, what needs an ear at the end, and the set as a file."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from pulsefind.cli.options import Hints, analysed, is_saved, settings_from
from pulsefind.core.errors import HintError, OutputError, PulsefindError
from pulsefind.core.given import SOUNDS, is_folder, note_given, recordings_in
from pulsefind.core.words import WIDTH, name_text

if TYPE_CHECKING:
    from pulsefind.core.records import Analysis

_NAME_WIDTH = 34  # characters: what 80 columns leave beside the findings (arithmetic)


@dataclass(frozen=True, slots=True)
class _Done:
    """A finished song: its name, its analysis, or why there is none."""

    song: Path
    analysis: Analysis | None
    trouble: str = ""


def songs_of(given: list[Path]) -> list[Path]:
    """All songs meant: files as named, a folder's recordings by name, a set's songs.

    Raises
    ------
    PulsefindError
        if a folder holds no recording, or a set can't be read.
    """
    from pulsefind.song.setlist import is_set, read_set

    songs: list[Path] = []
    for one in given:
        if is_folder(one):
            inside = recordings_in(one)
            if not inside:
                raise HintError(f"{one}: holds no recording ({', '.join(SOUNDS[:6])} ...); name another folder")
            songs += inside
        else:
            songs += read_set(one) if is_set(one) else [one]
    for song in songs:
        note_given(song)
    return songs


def find_many(songs: list[Path], hints: Hints, out: Path | None, force: bool) -> int:
    """Find songs one after the other; returns how many couldn't be read.

    With an output folder, each analysis is written there as SONG.json as soon as it is made; one from an earlier run,
    of the same recording with the same corrections, is used as it is. The set's order goes there too.
    """
    if hints.about_beats or hints.part:
        raise HintError("corrections are for one song; write them into its song's file, SONG.song.toml")
    if out is not None:
        check_folder(out, songs)
    done = []
    for number, song in enumerate(songs, 1):
        one = _looked_at(song, hints, out, force)
        done.append(one)
        print(_line(number, len(songs), one), flush=True)
    print(_summary(done))
    if out is not None:
        _write_set(out, [one for one in done if one.analysis is not None])
    return sum(one.analysis is None for one in done)


def check_folder(out: Path, songs: list[Path]) -> None:
    """Make the folder for what comes of each song, unless two songs would have one file in it.

    Raises
    ------
    OutputError
        if so, or if it can't be made.
    """
    if out.exists() and not out.is_dir():
        raise OutputError(f"{out}: is a file; several songs are written to a folder")
    names = [song.stem.casefold() for song in songs]
    twice = next((song for song in songs if names.count(song.stem.casefold()) > 1), None)
    if twice is not None:
        raise OutputError(f"{twice.stem}: two songs are called so, and would be one file in {out}; rename one")
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{out}: can't be made ({error.strerror}); choose another place") from None


def _looked_at(song: Path, hints: Hints, out: Path | None, force: bool) -> _Done:
    from pulsefind.core.files import write_file
    from pulsefind.saved import load_analysis, to_json

    try:
        if is_saved(song):
            return _Done(song, load_analysis(song))
        saved = None if out is None else out / f"{song.stem}.json"
        kept = None if saved is None or force else _kept(saved, song, hints)
        if kept is not None:
            return _Done(song, kept)
        if saved is not None and os.path.lexists(saved) and not force:
            return _Done(song, None, f"{saved.name} is there, of other sound or corrections; --force makes it anew")
        analysis = analysed(song, settings_from(hints), hints)
        if saved is not None:
            write_file(saved, to_json(analysis).encode(), force)
    except PulsefindError as error:
        return _Done(song, None, " ".join(str(error).split()))
    return _Done(song, analysis)


def _kept(saved: Path, song: Path, hints: Hints) -> Analysis | None:
    """An analysis of an earlier run, if it is of the same recording with the same corrections."""
    from pulsefind.cli.song_file import song_of
    from pulsefind.core.corrections import NOTHING_TOLD
    from pulsefind.core.errors import FormatError
    from pulsefind.listen.audio import load
    from pulsefind.saved import load_analysis

    if not os.path.lexists(saved):
        return None
    try:
        analysis = load_analysis(saved)
    except FormatError:
        return None
    file = song_of(song, hints)
    told = NOTHING_TOLD if file is None else file.corrections
    same = analysis.settings.corrections == told and analysis.settings.network == hints.network
    return analysis if same and analysis.track.sha256 == load(song).sha256 else None


def _line(number: int, of: int, done: _Done) -> str:
    from pulsefind.report.feel import feel_of

    name = _clipped(done.song.name, _NAME_WIDTH).ljust(_NAME_WIDTH)
    head = f"{number:{len(str(of))}d} of {of}  {name}  "
    if done.analysis is None:
        return head + _clipped(f"not read: {done.trouble}", max(20, WIDTH - len(head)))
    if not len(done.analysis.beats.time_s):
        return head + "no beat found"
    feel = feel_of(done.analysis)
    return head + f"{feel.felt_bpm:4.0f} bpm  {feel.meter:5} {_needs(done.analysis)}"


def _needs(analysis: Analysis) -> str:
    from pulsefind.report.doubts import doubts_of

    doubts = doubts_of(analysis)
    if not len(analysis.beats.time_s):
        return "listen whether there is a beat"
    return "sure" if not doubts else f"check {doubts[0].about}"


def _summary(done: list[_Done]) -> str:
    """What needs an ear, song by song, and what couldn't be read."""
    from pulsefind.report.doubts import doubts_of

    read = [one for one in done if one.analysis is not None]
    unsure = [one for one in read if one.analysis and _needs(one.analysis) != "sure"]
    lines = ["", f"{len(unsure)} of {len(done)}: check these bars" if unsure else f"{len(read)} of {len(done)}: sure"]
    for one in unsure:
        assert one.analysis is not None
        doubts = doubts_of(one.analysis)
        what = (
            f"{'all bars' if doubts[0].whole else doubts[0].bars}, {doubts[0].about}" if doubts else "is there a beat?"
        )
        lines.append(f"  {_clipped(one.song.stem, _NAME_WIDTH)}: {what}")
    broken = [one for one in done if one.analysis is None]
    if broken:
        lines.append(f"{len(broken)} of {len(done)}: not read")
        lines += [f"  {_clipped(one.song.name, _NAME_WIDTH)}: {one.trouble}" for one in broken]
    return "\n".join(lines)


def _write_set(out: Path, done: list[_Done]) -> None:
    """Write the set's order next to the analyses; a file that is there already is the person's, and stays."""
    from pulsefind.core.files import write_file
    from pulsefind.song.setlist import NAME, set_text

    path = out / NAME
    if not done:
        return
    if path.exists():
        print(f"{path}: stays as it is")
        return
    names = [str(one.song.absolute()) if is_saved(one.song) else f"{one.song.stem}.json" for one in done]
    odd = next((name for name in names if name != name_text(name)), None)
    if odd is not None:
        print(f"{path}: not written; {odd} has a name that is no text, rename its song")
        return
    write_file(path, set_text(names).encode(), False)
    print(f"{path}: the songs in their order, for sheet and page")


def _clipped(text: str, width: int) -> str:
    shown = "".join(letter if letter.isprintable() else "?" for letter in text)
    return shown if len(shown) <= width else shown[: width - 3] + "..."
