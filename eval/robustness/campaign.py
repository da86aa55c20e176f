"""Commands one after the other on files built from their grammar, as an ordinary user, on a small disk.

`python -m eval campaign --count 20000 --seed 1 --processes 2` plays sequences of five commands, a case each. A sequence
begins in a folder with a song and what belongs to it (scenes.py), most of it built piece by piece (shapes.py,
containers.py); each command, in a forked copy of its own, meets what the ones before left, and is judged (judging.py).
Some are killed, some run two at once; some find the disk full, no home, nowhere to print, or no letters but ASCII.
Started as root, commands run as nobody (who must be let to read this Python) and on a disk in memory of 64 MiB. Run as
a program, this file is a worker: the folders of the seeds, to play in, and for what is said, and the seed are its
arguments.
"""

from __future__ import annotations

import codecs
import contextlib
import dataclasses
import functools
import gc
import importlib
import io
import json
import os
import pkgutil
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import soundfile

import pulsefind
from eval.robustness.apart import answers, ended, serve, started, with_seeds
from eval.robustness.cases import call, code_of, reaching
from eval.robustness.judging import Run, contents, wrong
from eval.robustness.scenes import Scene, Stock, command, furnish, mishap
from eval.robustness.seeds import make_seeds
from eval.robustness.shapes import odds, pick

COMMANDS = 5
"""In a sequence."""

LIMIT_S = 60.0
"""Of one command, by the clock."""

MEMORY_BYTES = 2**30
DISK = "64m"
_NOBODY = 65534
"""The number of the user who owns nothing, and of the group: common practice of Unix systems."""

_FULL_BYTES = (2_000, 60_000, 1_000_000)
_ENCODINGS = ("utf-8", "utf-8", "utf-8", "utf-8", "ascii", "iso8859-1")


@dataclasses.dataclass(frozen=True, slots=True)
class Fault:
    """What went wrong: which sequence, the commands up to then, the class, and what was said."""

    sequence: int
    commands: list[str]
    kind: str
    details: str


@dataclasses.dataclass(slots=True)
class Told:
    """What sequences came to: how many commands ended how, what was reached, what went wrong, what it cost at most."""

    ended: Counter[str] = dataclasses.field(default_factory=Counter)
    reached: Counter[str] = dataclasses.field(default_factory=Counter)
    faults: list[Fault] = dataclasses.field(default_factory=list)
    longest_s: float = 0.0
    largest_mib: float = 0.0

    def add(self, other: Told) -> None:
        """Take in what another sequence came to."""
        self.ended += other.ended
        self.reached += other.reached
        self.faults += other.faults
        self.longest_s = max(self.longest_s, other.longest_s)
        self.largest_mib = max(self.largest_mib, other.largest_mib)


def run(
    seed: int, count: int, first: int = 0, processes: int = 1, within: Path | None = None, until_s: float = 1e9
) -> Told:
    """Play sequences from `first` on until about `count` commands were given, or `until_s` seconds have gone by."""
    total, began = Told(), time.monotonic()
    sequences = range(first, first - (-count // COMMANDS))
    with tempfile.TemporaryDirectory(prefix="campaign-", dir=within) as folder, _disks(Path(folder)) as disks:
        seeds = Path(folder) / "seeds"
        seeds.mkdir()
        make_seeds(seeds)
        given = [str(seeds), str(disks), str(_open_to_all(Path(folder) / "told")), str(seed)]
        lines = answers("eval.robustness.campaign", given, sequences, processes)
        with contextlib.closing(lines), contextlib.suppress(KeyboardInterrupt):
            for number, line in lines:
                told = _read(line) if line else Told(faults=[Fault(number, [], "died: the worker", "")])
                for fault in told.faults:
                    print(f"sequence {number}: {fault.kind}: {' | '.join(fault.commands)}", file=sys.stderr, flush=True)
                total.add(told)
                if number % 100 == 99:
                    print(f"{total.ended.total()} commands, {len(total.faults)} faults", file=sys.stderr, flush=True)
                if time.monotonic() - began > until_s:
                    break
    return total


def _open_to_all(folder: Path) -> Path:
    """A folder for what is printed and said: beside the small disk, as that may be full."""
    folder.mkdir()
    folder.chmod(0o1777)
    return folder


def _read(line: bytes) -> Told:
    told = json.loads(line)
    faults = [Fault(**one) for one in told.pop("faults")]
    return Told(Counter(told.pop("ended")), Counter(told.pop("reached")), faults, **told)


@contextlib.contextmanager
def _disks(folder: Path) -> Iterator[Path]:
    """A folder for the small disks of the workers, which are let go of at the end."""
    disks = folder / "disks"
    disks.mkdir()
    folder.chmod(0o755)
    try:
        yield disks
    finally:
        for disk in disks.iterdir():
            if os.path.ismount(disk):
                subprocess.run(["umount", "--lazy", str(disk)], check=False, capture_output=True)


def _small_disk(disks: Path) -> Path:
    """A disk of our own in memory where we may make one, as another worker would find ours full; else a folder."""
    disk = Path(tempfile.mkdtemp(dir=disks))
    disk.chmod(0o755)
    if os.geteuid() == 0:
        words = ["mount", "-t", "tmpfs", "-o", f"size={DISK},mode=755", "campaign", str(disk)]
        subprocess.run(words, check=False, capture_output=True)
    return disk


def _stock(folder: Path) -> Stock:
    """The seeds, and three seconds of sound in each kind of container."""
    samples, rate_hz = soundfile.read(folder / "short.wav", dtype="float64", always_2d=True)
    for name, container, coding in (
        ("flac", "FLAC", "PCM_16"),
        ("ogg", "OGG", "VORBIS"),
        ("mp3", "MP3", "MPEG_LAYER_III"),
    ):
        soundfile.write(folder / f"short.{name}", samples, rate_hz, coding, format=container)
    if shutil.which("ffmpeg") is not None:
        words = ["ffmpeg", "-v", "error", "-y", "-i", "short.wav", "-c:a", "aac", "short.m4a"]
        subprocess.run(words, cwd=folder, check=False, capture_output=True)
    return Stock(with_seeds(folder), samples[: rate_hz // 2, 0], len(samples) / rate_hz)


def _work(seeds: Path, disks: Path, told: Path, seed: int) -> None:
    disk = _small_disk(disks)
    with tempfile.TemporaryDirectory() as own:
        folder = Path(own) / "seeds"
        shutil.copytree(seeds, folder)
        stock = _stock(folder)
        serve(lambda number: _apart(stock, disk, told, seed, number), lambda: stock.cache.update(_load_all(folder)))


def _load_all(folder: Path) -> dict[str, bytes]:
    """Use each command once, and load the rest: an ordinary user may not be let to where this Python lies.

    Returns what is in the cache then, by name.
    """
    for module in pkgutil.walk_packages(pulsefind.__path__, "pulsefind."):
        if not module.name.endswith(("__main__", "madmom_name")):
            importlib.import_module(module.name)
    with tempfile.TemporaryDirectory(prefix="campaign-") as out:
        song, sound = str(folder / "song.json"), str(folder / "song.wav")
        call(["find", str(folder / "short.wav")])
        call(["find", str(folder / "short.m4a"), "--no-cache", "--json"])
        call(["click", sound, "--analysis", song, "--bars", "2-2", "--speed", "0.75", "--out", f"{out}/o.mp3"])
        call(["hear", sound, "--analysis", song, "--out", f"{out}/h.wav"])
        call(["take", song, str(folder / "take.mid"), "--out", f"{out}/t.json", "--history", f"{out}/h.jsonl"])
        call(["take", song, sound, "--starts-at", "0", "--json"])
        call(["sheet", song, "--out", f"{out}/s.html"])
        call(["page", song, "--out", f"{out}/p.html"])
        call(["export", song, "--to", "midi,jams,beats,csv", "--out", f"{out}/e"])
        call(["find", sound, "--from", f"{out}/e.jams"])
        call(["sections", sound])
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_DFL)
    for encoding in _ENCODINGS:
        codecs.lookup(encoding)
    # What is loaded is garbage to nobody: copies needn't look through it, and so share its memory.
    gc.collect()
    gc.freeze()
    return with_seeds(Path(os.environ["PULSEFIND_CACHE"]))


def _apart(stock: Stock, disk: Path, told: Path, seed: int, number: int) -> bytes:
    """Play a sequence in a copy of this process that is an ordinary user's, and clear away after it."""
    folder = Path(tempfile.mkdtemp(prefix="sequence-", dir=disk))
    told_in = told / folder.name
    try:
        end = ended(started(lambda: _played(stock, folder, told_in, seed, number)), (COMMANDS + 1) * LIMIT_S)
    finally:
        _cleared(folder)
        shutil.rmtree(told_in, ignore_errors=True)
    if end.told:
        return end.told.rstrip()
    return _as_json(Told(faults=[Fault(number, [], f"died: a sequence, exit code {end.code}", "")]))


def _cleared(folder: Path) -> None:
    for path, _, _ in os.walk(folder):
        for inside in Path(path).iterdir():
            if inside.is_dir() and not inside.is_symlink():
                inside.chmod(0o755)
    shutil.rmtree(folder, ignore_errors=True)


def _as_json(told: Told) -> bytes:
    # A Counter is no dict to dataclasses.asdict: it would count the pairs.
    fields = {field.name: getattr(told, field.name) for field in dataclasses.fields(told)}
    return json.dumps(fields | {"faults": [dataclasses.asdict(fault) for fault in told.faults]}).encode()


def _played(stock: Stock, folder: Path, told: Path, seed: int, number: int) -> bytes:
    _become_ordinary(folder)
    for made in (folder / "place", folder / "tmp", told):
        made.mkdir()
    rng = np.random.default_rng([seed, number])
    os.chdir(folder / "place")
    os.environ.update({"PULSEFIND_CACHE": str(folder / "cache"), "TMPDIR": str(folder / "tmp"), "HOME": str(folder)})
    tempfile.tempdir = None
    if odds(rng, 0.8):
        _warm(folder / "cache", stock.cache, rng)
    try:
        return _as_json(play(Scene(stock, folder / "place", rng), told, number))
    except Exception:  # noqa: BLE001 - whatever ends the game is told; it is none of pulsefind's faults
        return _as_json(Told(faults=[Fault(number, [], "the campaign itself", traceback.format_exc())]))


def _warm(folder: Path, cache: dict[str, bytes], rng: np.random.Generator) -> None:
    """A cache as earlier runs leave it; now and then an entry is damaged, or cut."""
    folder.mkdir(mode=0o700)
    for name, data in cache.items():
        at = int(rng.integers(len(data) + 1))
        damage = pick(rng, (data[:at], data[:at] + b"x" + data[at + 1 :], b"")) if odds(rng, 0.03) else data
        (folder / name).write_bytes(damage)


def _become_ordinary(folder: Path) -> None:
    """Give up root, if we are it; the folder goes along."""
    if nobody_can_play():
        os.chown(folder, _NOBODY, _NOBODY)
        _be_nobody()


def _be_nobody() -> None:
    os.setgroups([])
    os.setgid(_NOBODY)
    os.setuid(_NOBODY)


@functools.cache
def nobody_can_play() -> bool:
    """May we become nobody, and may nobody read this Python? Not if it lies in root's own home."""
    if os.geteuid() != 0:
        return False

    def look() -> bytes:
        _be_nobody()
        return b"yes" if os.access(os.__file__, os.R_OK) and os.access(pulsefind.__file__, os.R_OK) else b"no"

    return ended(started(look), LIMIT_S).told == b"yes\n"


def play(scene: Scene, said_in: Path, number: int) -> Told:
    """Play a sequence in the empty folder of a scene, beside which lies `tmp`; what is said goes to another folder."""
    told, done = Told(), list[str]()
    furnish(scene)
    rng = scene.rng
    if odds(rng, 0.1):
        _fill(scene.place.parent, int(pick(rng, _FULL_BYTES)))
    for _ in range(COMMANDS):
        if odds(rng, 0.12):
            mishap(scene)
        if odds(rng, 0.04):
            killed = command(scene)
            done.append(f"(killed) {' '.join(killed)}")
            ended(started(functools.partial(_given, said_in, killed, "killed")), float(rng.uniform(0.0, 0.4)))
        words, before = command(scene), contents(scene.place)
        done.append(" ".join(words))
        twice = odds(rng, 0.04)
        for run, details in _runs(scene, said_in, words, twice):
            kind = wrong(run, scene.place, before, scene.whole_s, alone=not twice) or _left_in(
                scene.place.parent / "tmp"
            )
            _count(told, run)
            if kind:
                told.faults.append(Fault(number, done.copy(), kind, details))
    return told


def _fill(folder: Path, left_bytes: int) -> None:
    """Leave so much room on a small disk; nothing is done to a large one."""
    status = os.statvfs(folder)
    free = status.f_bavail * status.f_frsize
    if free < 2**27:
        (folder / "filler").write_bytes(bytes(max(0, free - left_bytes)))


def _runs(scene: Scene, said_in: Path, words: list[str], twice: bool) -> list[tuple[Run, str]]:
    """A command in a copy of this process; or two of the same at once."""
    mode = str(pick(scene.rng, ("file",) * 36 + ("out full", "both full", "closed", "homeless")))
    encoding = str(pick(scene.rng, _ENCODINGS))
    copies = [
        started(functools.partial(_given, said_in, words, name, mode, encoding))
        for name in ("one", "other")[: 1 + twice]
    ]
    runs = []
    for copy, name in zip(copies, ("one", "other"), strict=False):
        end = ended(copy, LIMIT_S)
        out, said = (_read_told(said_in / f"{name}.{part}") for part in ("out", "said"))
        code: int | str = "hang" if end.late else f"died: {end.code}"
        code, reached = json.loads(end.told) if end.told else (code, [])
        printed = None if "full" in mode else out
        heard = None if mode in ("both full", "closed") else said
        one = Run(words, code, printed, heard, end.processor_s, end.peak_mib, tuple(reached))
        runs.append((one, f"{mode} {encoding}\n{code}\n{said.decode(errors='replace')[-2000:]}"))
    return runs


def _read_told(path: Path) -> bytes:
    return path.read_bytes() if path.exists() else b""


def _given(said_in: Path, words: list[str], name: str, mode: str = "file", encoding: str = "utf-8") -> bytes:
    """Give a command in this process, and return its exit code (or traceback) and what it reached, as JSON.

    Its standard streams are files, so that what libraries print past Python's is seen too.
    """
    resource.setrlimit(resource.RLIMIT_DATA, (MEMORY_BYTES, MEMORY_BYTES))
    for number, part in ((1, "out"), (2, "said")):
        path = "/dev/full" if mode in (f"{part} full", "both full") else str(said_in / f"{name}.{part}")
        file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(file, number)
        os.close(file)
    if mode == "closed":
        os.close(2)
    if mode == "homeless":
        for variable in ("HOME", "PULSEFIND_CACHE", "XDG_CACHE_HOME"):
            os.environ.pop(variable, None)
    sys.stdout = io.TextIOWrapper(io.FileIO(1, "w", closefd=False), encoding=encoding)
    closed = io.FileIO(os.devnull, "w") if mode == "closed" else io.FileIO(2, "w", closefd=False)
    sys.stderr = io.TextIOWrapper(closed, encoding=encoding, errors="backslashreplace", line_buffering=True)
    with reaching() as reached:
        code = code_of(words)
    with contextlib.suppress(ValueError):
        sys.stdout.flush()
    return json.dumps([code, sorted(reached)]).encode()


def _left_in(folder: Path) -> str:
    return "left over: a temporary file" if any(folder.iterdir()) else ""


def _count(told: Told, run: Run) -> None:
    how = {0: "answered", 2: "refused"}.get(run.code, "fault") if isinstance(run.code, int) else "fault"
    told.ended[f"{run.words[0] if run.words[0] in _VERBS else 'find'} {how}"] += 1
    told.longest_s = max(told.longest_s, run.processor_s)
    told.largest_mib = max(told.largest_mib, run.peak_mib)
    told.reached.update(run.reached)


_VERBS = ("find", "click", "hear", "export", "page", "sheet", "take", "merge", "sections")


def summary(told: Told) -> str:
    """How the commands ended, what they cost at most, and every class of fault with its count and one sequence."""
    text = [f"{told.ended.total()} commands, as {'nobody' if nobody_can_play() else 'yourself'}"]
    for verb in _VERBS:
        ends = ", ".join(f"{told.ended[f'{verb} {how}']} {how}" for how in ("answered", "refused", "fault"))
        text.append(f"  {verb}: {ends}")
    text += [f"  {n} {what}" for what, n in sorted(told.reached.items())]
    text.append(f"at most {told.longest_s:.1f} s of processor time and {told.largest_mib:.0f} MiB")
    kinds = Counter(fault.kind for fault in told.faults)
    text.append(f"{len(told.faults)} faults of {len(kinds)} classes")
    for kind, n in kinds.most_common():
        example = min((fault for fault in told.faults if fault.kind == kind), key=lambda fault: len(fault.commands))
        text.append(f"{n:6d}  {kind}  (sequence {example.sequence})")
        text += [f"          {line}" for line in (*example.commands, *example.details.strip().splitlines()[-12:])]
    return "\n".join(text)


if __name__ == "__main__":
    _work(Path(sys.argv[1]), Path(sys.argv[2]), Path(sys.argv[3]), int(sys.argv[4]))
