"""What eval's campaign asks of every command: how it ended, what it said, what it wrote, and what it left alone."""

from __future__ import annotations

import hashlib
import json
import os
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

import mido
import numpy as np
import soundfile

from eval.robustness.cases import class_of
from pulsefind.core.errors import PulsefindError
from pulsefind.saved import load_analysis

HEAVY_MIB, SLOW_S = 600.0, 20.0
"""More memory, and more time of the processor, than any command needs for twelve seconds of sound (judged: some 250
MiB, most of it code, and half a second)."""

_HISTORY = ".jsonl"
"""Histories may grow: what was in them is needed, not a digest."""

LEFT = (".pulsefind-", "pulsefind-")
_GIVEN = ("--analysis", "--taps", "--from", "--take", "--song-file")
_TOLERANCE_S = 0.15
"""A recording may be read that much shorter than its file says: padding of coders, a frame or two (judged)."""


@dataclass(frozen=True, slots=True)
class Run:
    """A command that has ended: words, exit code or traceback, what it printed and said (None: nowhere), costs."""

    words: list[str]
    code: int | str
    out: bytes | None
    said: bytes | None
    processor_s: float = 0.0
    peak_mib: float = 0.0
    reached: tuple[str, ...] = ()


def contents(place: Path) -> dict[str, str]:
    """Every file and folder below one by its path, with what is in it: of a link where it leads, of a pipe its kind."""
    found: dict[str, str] = {}
    for folder, folders, files in os.walk(place):
        for name in (*folders, *files):
            path = Path(folder, name)
            found[os.path.relpath(path, place)] = _content(path)
    return found


def _content(path: Path) -> str:
    try:
        if path.is_symlink():
            return f"link to {path.readlink()}"
        if path.is_file():
            if path.suffix == _HISTORY:
                return path.read_bytes().hex()
            return hashlib.sha256(path.read_bytes()).hexdigest()
        return "folder" if path.is_dir() else "pipe"
    except OSError:
        status = path.lstat()
        return f"closed {status.st_size} {status.st_mtime_ns} {status.st_ino}"


def wrong(run: Run, place: Path, before: dict[str, str], whole_s: dict[str, float], alone: bool = True) -> str:
    """The class of what is wrong with a run in a folder that held `before`; nothing where all is well.

    whole_s: seconds of sound in the recordings of which that is known. Not alone: another command wrote meanwhile.
    """
    now = contents(place)
    return (
        _ended_badly(run)
        or _said_badly(run)
        or _left_over(now, before)
        or (_changed_wrongly(run, place, now, before) if alone else "")
        or _not_whole(run, place, [name for name in now if before.get(name) != now[name]])
        or _passed_for_whole(run, whole_s)
    )


def _ended_badly(run: Run) -> str:
    if isinstance(run.code, str):
        return class_of(run.code) if "Traceback" in run.code else run.code
    if run.code not in (0, 2):
        return f"exit code: {run.code}"
    if run.peak_mib > HEAVY_MIB:
        return f"memory: more than {HEAVY_MIB:.0f} MiB"
    return f"slow: more than {SLOW_S:.0f} s of processor time" if run.processor_s > SLOW_S else ""


def _said_badly(run: Run) -> str:
    said, out = (None if data is None else data.decode("utf-8", "replace") for data in (run.said, run.out))
    told = (said or "") + (out or "")
    if any((ord(letter) < 32 and letter not in "\n\t") or letter in _OBEYED for letter in told):
        return "messages: an order to the terminal"
    if said is not None:
        lines = said.splitlines()
        usage = run.code == 2 and said.startswith("Usage: ")
        if not usage and any(not line.startswith("pulsefind: ") for line in lines):
            return "messages: not one line each"
        if run.code == 2 and not lines and not (out and _several(run.words)):
            return "messages: refused without a word"
    if run.code == 0 and "--json" in run.words and out is not None and not _is_json(out):
        return "messages: what was printed as JSON is none"
    # A review is shown before it is added to a history, so that it isn't lost where that can't be done.
    printed = run.code == 2 and out and "--history" not in run.words and not _several(run.words)
    return "messages: printed although refused" if printed else ""


_OBEYED = {*map(chr, range(0x7F, 0xA0)), "\u202e", "\u202d", "\u2066", "\u2067", "\u2068"}


def _several(words: list[str]) -> bool:
    """Is it of several songs? Those that could be read are told, and written, even where one couldn't."""
    songs = _positional(words[1:])
    if words[0] == "find":
        return len(songs) > 1 or songs[:1] == ["."] or any(song.endswith(".toml") for song in songs)
    return words[0] == "page" and "set.toml" in words


def _positional(words: list[str]) -> list[str]:
    """Words that are no options; the value of an option follows it."""
    found, skip = [], False
    for word in words:
        if skip:
            skip = False
        elif word.startswith("--"):
            skip = "=" not in word and word not in _FLAGS
        else:
            found.append(word)
    return found


_FLAGS = ("--json", "--force", "--keep", "--no-song-file", "--details", "--how-late", "--ladder")


def _left_over(now: dict[str, str], before: dict[str, str]) -> str:
    left = [name for name in now if _for_a_moment(name) and name not in before]
    return f"left over: {Path(left[0]).name[:11]}" if left else ""


def _for_a_moment(name: str) -> bool:
    """Has a file, or the folder that a run writes several to, a name that only lasts until the run ends?"""
    path = Path(name)
    return path.name.startswith(LEFT) or path.parts[0].startswith(LEFT[0])


def _changed_wrongly(run: Run, place: Path, now: dict[str, str], before: dict[str, str]) -> str:
    """Only what a command was told to write is new, only with --force other than before, and never what it reads."""
    verb = run.words[0]
    other = [name for name in before if now.get(name) != before[name] and not _for_a_moment(name)]
    new = [name for name in now if name not in before]
    # Where nothing can be printed, what was written before is whole, and stays.
    if run.code == 2 and (other or new) and not _several(run.words) and run.out is not None:
        return f"left over: {verb} refused, and {'changed' if other else 'wrote'} {_kind((other or new)[0])}"
    given, added = _given(run.words, place), _added(run.words)
    outs = _outs(run.words, given)
    for name in other:
        forced = "--force" in run.words and any(_below(name, out) for out in outs)
        if name in given and name not in added:
            return f"input changed: by {verb}, {_kind(name)}"
        if not forced and name not in added:
            return f"changed: by {verb}, {_kind(name)}"
        if name.endswith(_HISTORY) and not forced and not _grown_by_one(before[name], now.get(name, "")):
            return "changed: a history, by more than a line at its end"
    strange = next((name for name in new if name not in added and not any(_below(name, out) for out in outs)), None)
    return f"changed: {verb} wrote {_kind(strange)} unasked" if strange is not None else ""


def _grown_by_one(before: str, now: str) -> bool:
    """Is a history what it was and one line more? The line break that it lacked at its end may come in between."""
    old, new = (bytes.fromhex(one) if before[:6] != "closed" else b"" for one in (before, now))
    return new.startswith(old) and sum(1 for line in new[len(old) :].split(b"\n") if line.strip()) == 1


def _kind(name: str) -> str:
    return Path(name).suffix or name


def _given(words: list[str], place: Path) -> set[str]:
    """Names of what a command reads: its files, and the recordings and members that they name."""
    given = {os.path.normpath(word) for word in _positional(words[1:])}
    given |= {os.path.normpath(words[k + 1]) for k, word in enumerate(words[:-1]) if word in _GIVEN}
    for name in sorted(given):
        if name.endswith(".json") and (place / name).is_file():
            try:
                given.add(Path(str(json.loads((place / name).read_bytes())["track"]["name"])).name)
            except (OSError, ValueError, KeyError, TypeError, RecursionError):
                continue
    # A link that was given reads what it leads to.
    return given | {os.path.relpath(os.path.realpath(place / name), place) for name in given if "\0" not in name}


def _outs(words: list[str], given: set[str]) -> list[str]:
    """How the names of what a command may write begin: where it wasn't told, like what it reads."""
    out = _value(words, "--out")
    if out is not None:
        stem = os.path.normpath(out)
        return [stem, str(Path(stem).with_suffix("")) if Path(stem).suffix else stem]
    return [Path(name).stem for name in given if Path(name).stem] + (["set"] if words[0] in ("sheet", "page") else [])


def _below(name: str, out: str) -> bool:
    """Is it an output, something that begins like one, or a folder made on the way there?"""
    return out == "." or name.startswith(out) or out.startswith(f"{name}/")


def _added(words: list[str]) -> set[str]:
    """What a command may add to: a history, the song's file with --keep."""
    history = _value(words, "--history") if words[0] == "take" else None
    added = {os.path.normpath(history)} if history else set()
    if "--keep" in words:
        stem = Path(_positional(words[1:])[0]).stem
        added |= {f"{stem}.song.toml", _value(words, "--song-file") or "song.song.toml", "song.song.toml"}
    return added


def _value(words: list[str], option: str) -> str | None:
    return words[words.index(option) + 1] if option in words[:-1] else None


def _not_whole(run: Run, place: Path, written: list[str]) -> str:
    """Can what was written be read back, by other readers than ours where there are some?"""
    if run.code != 0 and run.out is not None:
        return ""
    for name in written:
        path = place / name
        if path.is_file() and not path.is_symlink():
            try:
                _read_back(path, run.words[0])
            except (OSError, ValueError, EOFError, RuntimeError, PulsefindError) as error:
                return f"not whole: {path.suffix or path.name} by {run.words[0]} ({str(error)[:60]})"
    return ""


def _read_back(path: Path, verb: str) -> None:
    if path.suffix == ".json":
        _strict(path.read_text(encoding="utf-8"))
        if verb == "find":
            load_analysis(path)
    elif path.suffix == ".jams":
        _strict(path.read_text(encoding="utf-8"))
    elif path.suffix in (".wav", ".flac", ".ogg", ".mp3"):
        samples = soundfile.read(os.fsencode(path), always_2d=True)[0]
        if not len(samples) or not np.isfinite(samples).all() or np.abs(samples).max() > 1.0:
            raise ValueError("no sound, or beyond full level")
    elif path.suffix == ".html":
        if not path.read_text(encoding="utf-8").rstrip().endswith("</html>"):
            raise ValueError("breaks off")
    elif path.suffix == ".mid":
        mido.MidiFile(path)
    elif path.suffix == ".toml":
        tomllib.loads(path.read_text(encoding="utf-8"))
    elif path.suffix == ".jsonl":
        for line in path.read_text(encoding="utf-8").split("\n"):
            if line.strip():
                _strict(line)
    elif path.stat().st_size == 0:
        raise ValueError("empty")


def _strict(text: str) -> None:
    """Read JSON as RFC 8259 has it, without NaN."""
    json.loads(text, parse_constant=_refuse)


def _refuse(word: str) -> NoReturn:
    raise ValueError(f"{word} is no JSON")


def _is_json(text: str) -> bool:
    try:
        _strict(text)
    except ValueError:
        return False
    return True


def _passed_for_whole(run: Run, whole_s: dict[str, float]) -> str:
    """Was less heard than the recording holds or claims to hold, without a word about it?"""
    song = os.path.normpath(run.words[1]) if len(run.words) > 1 else ""
    if run.words[0] != "find" or run.code != 0 or "--json" not in run.words or run.out is None or song not in whole_s:
        return ""
    document = json.loads(run.out)
    short = document["track"]["duration_s"] < whole_s[song] - _TOLERANCE_S
    return f"passed for the whole: {Path(song).suffix}" if short and not document["warnings"] else ""
