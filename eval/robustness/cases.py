"""The cases of eval.robustness.fuzz: damaged files and odd hints, given to the command line, and how each ended.

A case is good if it ends with exit code 0, or with exit code 2 and one line. Anything else is a fault: a traceback,
longer messages, something half-written or left behind. Seed and number alone determine a case.
"""

from __future__ import annotations

import contextlib
import copy
import dataclasses
import functools
import importlib
import io
import json
import math
import sys
import tempfile
import traceback
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

from eval.robustness.seeds import AUDIO
from pulsefind.cli import app as cli
from pulsefind.core.errors import PulsefindError
from pulsefind.listen.audio import load

ANSWERED, REFUSED, FAULT = "answered", "refused", "fault"

_EXTREMES = (
    b"\0",
    b"\xff",
    b"\x7f",
    b"\x80",
    b"\0\0\0\0",
    b"\xff\xff\xff\xff",
    b"\x7f\xff\xff\xff",
    b"\xff\xff\xff\x7f",
)
_WORDS = (
    *(
        "NaN",
        "Infinity",
        "-Infinity",
        "null",
        "true",
        "[]",
        "{}",
        '""',
        '"x"',
        "0",
        "-1",
        "1e308",
        "1e999",
        "-0.0",
        "1",
    ),
    *("99999999999999999999", "0.5", "2147483648", "9223372036854775808", "[[[[", "\\ud800", "\u0661", "\0", "\u2028"),
)
_VALUES: tuple[Any, ...] = (
    *(None, True, False, 0, -1, 1, 0.5, 1e308, 10**25, 2**31, 2**63, math.nan, math.inf, "", "x", "1"),
    *("\ud800", "<b>", "a" * 5000, [], {}, [[]], [None], [1, "x"], {"a": 1}),
)
_HINT_PARTS = (
    *("4/4", "7/8", "12/8", "1/4", "0/0", "99/4", "80:100", "92", "1:02", "1:02:03", "12.34", "0:01-0:05", "1-", "-3"),
    *(
        "beats",
        "guide",
        "1 every 2",
        "2 4",
        "1e 2& 3",
        "&",
        "|",
        "a",
        "4:4",
        "0:0",
        "midi,jams",
        "csv",
        "-",
        "",
        " ",
        ":",
        "/",
    ),
    *("1e5", "inf", "nan", "-1", "999999999999", "\u0664/\u0664", "\u00b2", "\0", "\n", "\U0001f941", "%s", "../x"),
)


@dataclasses.dataclass(frozen=True, slots=True)
class Outcome:
    """How a case ended: what was tried, the verdict, for a fault its class and details, the exit code or how else it
    ended, what it cost, and which of REACHES it got to.

    A class of fault starts with its kind: `traceback`, `hang`, `memory`, `died`, `left over`, `messages`, `exit code`.
    """

    number: int
    what: str
    verdict: str
    fault: str = ""
    details: str = ""
    ended: str = ""
    took_s: float = 0.0
    peak_mib: float = 0.0
    reached: tuple[str, ...] = ()


REACHES = {
    "reads a history": ("pulsefind.take.history", "_entry"),
    "lays a take on its track": ("pulsefind.take.review", "match"),
    "brings a guide forward": ("pulsefind.practice.isolate", "write_heard"),
    "makes a page": ("pulsefind.page.page", "page_html"),
    "makes a sheet": ("pulsefind.page.sheet", "sheet_html"),
    "renders clicks": ("pulsefind.practice.render", "write_practice"),
}
"""Behind the readers: what cases must get to, or they try nothing there. Functions, looked up where they are called."""


def damaged(data: bytes, rng: np.random.Generator, other: bytes) -> bytes:
    """One to eight random damages; `other` is a file to splice with."""
    out = bytearray(data)
    for _ in range(int(rng.choice([1, 1, 1, 2, 3, 8]))):
        _damage(out, rng, other)
    return bytes(out)


def _damage(out: bytearray, rng: np.random.Generator, other: bytes) -> None:
    # Headers matter most, so half of all damage falls into the first 128 bytes.
    reach = len(out) if rng.random() < 0.5 else min(128, len(out))
    at = int(rng.integers(reach)) if reach else 0
    n = int(rng.choice([1, 2, 4, 16, 256]))
    kind = int(rng.integers(7))
    if kind == 0 and reach:
        out[at] ^= 1 << int(rng.integers(8))
    elif kind == 1:
        word = _EXTREMES[int(rng.integers(len(_EXTREMES)))]
        out[at : at + len(word)] = word
    elif kind == 2:
        del out[at : at + n]
    elif kind == 3:
        out[at:at] = out[at : at + n]
    elif kind == 4:
        del out[at:]
    elif kind == 5:
        out[at : at + n] = rng.bytes(n)
    else:
        start = int(rng.integers(len(other))) if other else 0
        out[at : at + n] = other[start : start + n]


def damaged_text(data: bytes, rng: np.random.Generator, other: bytes) -> bytes:
    """Damage a text: usually by replacing a number or a word, else like any file."""
    if rng.random() < 0.3:
        return damaged(data, rng, other)
    text = data.decode("utf-8")
    for _ in range(int(rng.choice([1, 1, 2, 5]))):
        spans = _tokens(text)
        first, last = spans[int(rng.integers(len(spans)))] if spans else (0, 0)
        word = _WORDS[int(rng.integers(len(_WORDS)))] if rng.random() < 0.8 else ""
        text = text[:first] + word + text[last:]
    return text.encode("utf-8", "surrogatepass")


def damaged_tree(data: bytes, rng: np.random.Generator, other: bytes) -> bytes:
    """Damage a JSON text: usually one of its values, so that it is still JSON; else like any text."""
    if rng.random() < 0.25:
        return damaged_text(data, rng, other)
    document = json.loads(data)
    for _ in range(int(rng.choice([1, 1, 2, 4]))):
        _damage_tree(document, rng)
    return json.dumps(document).encode()


def _damage_tree(node: Any, rng: np.random.Generator) -> None:
    """Go down to some value, and replace, remove, repeat or nudge it."""
    keys = list(node) if isinstance(node, dict) else list(range(len(node)))
    if not keys:
        return
    key = keys[int(rng.integers(len(keys)))]
    value = node[key]
    if isinstance(value, (dict, list)) and value and rng.random() < 0.85:
        _damage_tree(value, rng)
    elif isinstance(value, (int, float)) and rng.random() < 0.4:
        node[key] = value * float(rng.choice([-1.0, 0.0, 0.5, 2.0, 1e6])) + int(rng.integers(-2, 3))
    elif rng.random() < 0.2:
        del node[key]
    elif isinstance(node, list) and rng.random() < 0.3:
        node.insert(key, copy.deepcopy(value))
    else:
        # A copy: a later damage, or case, must not reach the value itself.
        node[key] = copy.deepcopy(_VALUES[int(rng.integers(len(_VALUES)))])


def damaged_notes(data: bytes, rng: np.random.Generator, other: bytes) -> bytes:
    """Damage a MIDI file: usually by other values of a few bytes below 128 in its track, so that all of it is read on
    (times, drums, how loud); else like any file.
    """
    if rng.random() < 0.3:
        return damaged(data, rng, other)
    out = bytearray(data)
    places = [at for at in range(data.find(b"MTrk") + 8, len(data) - 4) if data[at] < 0x80]
    for _ in range(int(rng.choice([1, 2, 8]))):
        out[places[int(rng.integers(len(places)))]] = int(rng.integers(0x80))
    return bytes(out)


def _tokens(text: str) -> list[tuple[int, int]]:
    """Spans of the words and numbers of a text."""
    spans, start = [], -1
    for at, letter in enumerate(text + " "):
        inside = letter.isalnum() or letter in '-+._"'
        if inside and start < 0:
            start = at
        if not inside and start >= 0:
            spans.append((start, at))
            start = -1
    return spans


def _hint(rng: np.random.Generator) -> str:
    parts = [_HINT_PARTS[int(rng.integers(len(_HINT_PARTS)))] for _ in range(int(rng.choice([1, 1, 2, 3])))]
    return str(rng.choice(["", "", ":", "-", " "])).join(parts).replace("\0", "")


@dataclasses.dataclass(frozen=True, slots=True)
class Bench:
    """Whole files to work with: contents of the seeds by name, and a folder in which they lie as `good`."""

    seeds: dict[str, bytes]
    folder: Path

    def good(self, name: str) -> str:
        """The path of an undamaged seed."""
        return str(self.folder / name)


def _audio_case(bench: Bench, rng: np.random.Generator, place: Path) -> list[str]:
    names = [name for name in bench.seeds if name in AUDIO]
    path = _put(bench, rng, place, names, damaged)
    roll = rng.random()
    if roll < 0.7:
        return ["click", str(path), "--analysis", _analysis_for(bench, path, place), "--out", str(place / "out.wav")]
    if roll < 0.8:
        return ["take", bench.good("song.json"), str(path), *_start(rng)]
    if roll < 0.9:
        return ["page", str(path), "--out", str(place / "out.html")]
    return ["find", str(path), "--out", str(place / "out.json")]


def _analysis_for(bench: Bench, track: Path, place: Path) -> str:
    """A saved analysis that belongs to a track, by name and by its sound, where that can be read at all."""
    document = json.loads(bench.seeds["short.json"])
    document["track"]["name"] = track.name
    with contextlib.suppress(PulsefindError):
        document["track"]["sha256"] = load(track).sha256
    path = place / "given.json"
    path.write_text(json.dumps(document), encoding="utf-8")
    return str(path)


def _beats_case(bench: Bench, rng: np.random.Generator, place: Path) -> list[str]:
    kind = str(rng.choice(["mid", "jams", "txt", "csv"]))
    damage = {"mid": damaged, "jams": damaged_tree}.get(kind, damaged_text)
    path = _put(bench, rng, place, [f"beats.{kind}"], damage)
    command = ["find", bench.good("short.wav"), "--from", str(path), "--out", str(place / "out.json")]
    return command + (["--meter", "3/4"] if rng.random() < 0.2 else [])


def _taps_case(bench: Bench, rng: np.random.Generator, place: Path) -> list[str]:
    """Taps with counts or without; as CSV and as MIDI too, which the same reader reads."""
    name = str(rng.choice(["taps.txt", "taps.txt", "counted.txt", "counted.txt", "beats.csv", "beats.mid"]))
    path = _put(bench, rng, place, [name], damaged if name.endswith(".mid") else damaged_text)
    command = ["find", bench.good("short.wav"), "--taps", str(path)]
    command += ["--out", str(place / "out.json")]
    return command + (["--meter", "3/4"] if rng.random() < 0.1 else [])


def _saved_case(bench: Bench, rng: np.random.Generator, place: Path) -> list[str]:
    path = str(_put(bench, rng, place, ["song.json"], damaged_tree))
    roll = rng.random()
    if roll < 0.25:
        return ["export", path, "--to", "midi,jams,beats,csv", "--out", str(place / "out")]
    if roll < 0.45:
        return ["sheet", path, bench.good("song.json"), "--out", str(place / "out.html")]
    if roll < 0.6:
        return ["take", path, bench.good("take.mid"), *_start(rng), "--out", str(place / "out.json")]
    if roll < 0.75:
        return ["hear", bench.good("song.wav"), "--analysis", path, "--out", str(place / "out.wav")]
    if roll < 0.85:
        # A page takes the recording that lies beside its analysis.
        (place / "song.wav").symlink_to(bench.good("song.wav"))
        return ["page", path, "--audio", "beside", "--out", str(place / "out.html")]
    command = ["click", bench.good("song.wav"), "--analysis", path, "--out", str(place / "out.wav"), "--bars", "2-2"]
    return [*command, "--on", "guide"] if rng.random() < 0.5 else command


def _take_case(bench: Bench, rng: np.random.Generator, place: Path) -> list[str]:
    if rng.random() < 0.7:
        path = _put(bench, rng, place, ["take.mid"], damaged_notes)
        return ["take", bench.good("song.json"), str(path), *_start(rng), "--out", str(place / "out.json")]
    path = _put(bench, rng, place, ["history.jsonl"], damaged_tree)
    return ["take", bench.good("song.json"), bench.good("take.mid"), *_start(rng), "--history", str(path)]


def _start(rng: np.random.Generator) -> list[str]:
    """When a take starts: one so short and even could lie anywhere, and is laid on its track only where told."""
    return ["--starts-at=0"] if rng.random() < 0.8 else []


def _hint_case(bench: Bench, rng: np.random.Generator, place: Path) -> list[str]:
    find = ("--meter", "--bpm", "--one-at", "--range")
    places = ("--on", "--clickless", "--guide", "--thin", "--swing", "--count-in")
    click = (*places, "--bars", "--range", "--speed", "--times")
    roll = rng.random()
    if roll < 0.3:
        return ["find", bench.good("short.wav"), f"{rng.choice(find)}={_hint(rng)}"]
    if roll < 0.4:
        return ["export", bench.good("song.json"), f"--to={_hint(rng)}", "--out", str(place / "out")]
    if roll < 0.5:
        return ["take", bench.good("song.json"), bench.good("take.mid"), f"--starts-at={_hint(rng)}"]
    options = {str(rng.choice(click)): _hint(rng) for _ in range(int(rng.integers(1, 3)))}
    command = ["click", bench.good("song.wav"), "--analysis", bench.good("song.json"), "--out", str(place / "out.wav")]
    return command + [f"{name}={text}" for name, text in options.items()]


CASES: tuple[tuple[float, Callable[[Bench, np.random.Generator, Path], list[str]]], ...] = (
    (0.3, _audio_case),
    (0.2, _beats_case),
    (0.1, _taps_case),
    (0.2, _saved_case),
    (0.1, _take_case),
    (0.1, _hint_case),
)


def _put(
    bench: Bench,
    rng: np.random.Generator,
    place: Path,
    names: list[str],
    damage: Callable[[bytes, np.random.Generator, bytes], bytes],
) -> Path:
    """Write a damaged seed into the place of the case."""
    name = names[int(rng.integers(len(names)))]
    other = bench.seeds[names[int(rng.integers(len(names)))]]
    path = place / f"in-{name}"
    path.write_bytes(damage(bench.seeds[name], rng, other))
    return path


def command_of(bench: Bench, seed: int, number: int, place: Path) -> list[str]:
    """The command line of a case; what it reads is written into `place`."""
    rng = np.random.default_rng([seed, number])
    make = CASES[int(rng.choice(len(CASES), p=[share for share, _ in CASES]))][1]
    return make(bench, rng, place)


def run_case(bench: Bench, seed: int, number: int, folder: Path) -> Outcome:
    """Run one case in this process, in an empty folder, with temporary files below it too."""
    place, scratch = folder / "case", folder / "tmp"
    place.mkdir()
    scratch.mkdir()
    arguments = command_of(bench, seed, number, place)
    before = {path.name for path in place.iterdir()}
    what = " ".join([arguments[0], *(Path(a).name for a in arguments[1:] if not a.startswith("-"))])
    with _temporary_files_in(scratch), reaching() as reached:
        code, out, said = call(arguments)
    left = sorted(path.name for path in place.iterdir() if path.name not in before)
    fault, details = _fault(code, out, said, left, sorted(path.name for path in scratch.iterdir()))
    verdict = FAULT if fault else (REFUSED if code == 2 else ANSWERED)
    ended = f"exit code {code}" if isinstance(code, int) else "traceback"
    return Outcome(number, what, verdict, fault, details or said, ended, reached=tuple(sorted(reached)))


@contextlib.contextmanager
def reaching() -> Iterator[set[str]]:
    """Which of REACHES were called within the block."""
    reached: set[str] = set()

    def noting(what: str, function: Callable[..., Any]) -> Callable[..., Any]:
        @functools.wraps(function)
        def noted(*given: Any, **named: Any) -> Any:
            reached.add(what)
            return function(*given, **named)

        return noted

    with contextlib.ExitStack() as put_back:
        for what, (module, name) in REACHES.items():
            place = importlib.import_module(module)
            before = getattr(place, name)
            put_back.callback(setattr, place, name, before)
            setattr(place, name, noting(what, before))
        yield reached


@contextlib.contextmanager
def _temporary_files_in(folder: Path) -> Iterator[None]:
    before, tempfile.tempdir = tempfile.tempdir, str(folder)
    try:
        yield
    finally:
        tempfile.tempdir = before


def call(arguments: list[str]) -> tuple[int | str, str, str]:
    """Run the command line in this process: its exit code (or its traceback), stdout and stderr."""
    out, said = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(said):
        code = code_of(arguments)
    return code, out.getvalue(), said.getvalue()


def code_of(arguments: list[str]) -> int | str:
    """Run the command line in this process, on its standard streams: its exit code, or its traceback."""
    argv, sys.argv = sys.argv, ["pulsefind", *arguments]
    code: int | str = 0
    try:
        cli.main()
    except SystemExit as left:
        code = left.code if isinstance(left.code, int) else 0
    except BaseException:  # noqa: BLE001 - whatever ends a case is its outcome
        code = traceback.format_exc()
    finally:
        sys.argv = argv
    return code


def _fault(code: int | str, out: str, said: str, left: list[str], temporary: list[str]) -> tuple[str, str]:
    """The class of fault of a case that ended so, and details; empty texts for none."""
    if isinstance(code, str):
        return class_of(code), code
    if temporary or any(name.startswith(".") or name.endswith(".part") for name in left):
        return "left over: a temporary file", ", ".join(left + temporary)
    if code == 0:
        return ("messages: beside an answer", said) if said else ("", "")
    if code != 2:
        return f"exit code {code}", said
    lines = said.strip().splitlines()
    usage = bool(lines) and lines[0].startswith("Usage: ")
    if not usage and (len(lines) != 1 or not lines[0].startswith("pulsefind: ")):
        return "messages: not one line", said
    if out or left:
        return "left over: output of a refused run", f"{out[:200]} {left}"
    return "", ""


def class_of(trace: str) -> str:
    """The class of a traceback: its error and the innermost line of ours."""
    lines = trace.strip().splitlines()
    ours = [line.strip() for line in lines if "/pulsefind/" in line and line.strip().startswith("File ")]
    where = ours[-1].split("/pulsefind/")[-1].replace('"', "") if ours else "elsewhere"
    error = next((line for line in reversed(lines) if line and not line.startswith(" ")), "")
    kind = "memory" if error.startswith(("MemoryError", "numpy._core._exceptions._ArrayMemoryError")) else "traceback"
    return f"{kind}: {error.split(':')[0]} in {where.replace(', line', ':').replace(', in', '')}"
