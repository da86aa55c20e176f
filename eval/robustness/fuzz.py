"""Damaged files and odd hints by the thousand: every reader must answer or refuse in one line.

`python -m eval fuzz --count 20000 --seed 1 --processes 8` makes small real files, damages them, and gives each to the
command line as a person would (cases.py says what is good). Each case runs in a process of its own, with 60 s and
2 GB; at the end every kind of fault is counted, and what led to one is kept. --only NUMBER repeats a case. Run as a
program, this file is a worker: the folder of the files and the seed are its arguments.
"""

from __future__ import annotations

import dataclasses
import json
import resource
import shlex
import shutil
import signal
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from eval.robustness.apart import answers, ended, serve, started, with_seeds
from eval.robustness.cases import FAULT, REACHES, Bench, Outcome, call, command_of, run_case
from eval.robustness.seeds import make_seeds

LIMIT_S = 60.0
MEMORY_BYTES = 2 * 2**30
KINDS = ("traceback", "hang", "memory", "died", "left over", "messages", "exit code")
"""Kinds of fault, as the classes begin."""


def run(seed: int, count: int, first: int = 0, processes: int = 1, keep: Path | None = None) -> list[Outcome]:
    """Run cases first..first + count - 1, in order; if told to stop, return those that have ended.

    What led to a fault is kept in the folder `keep`: damaged files, the command, and what it said.
    """
    outcomes: list[Outcome] = []
    with tempfile.TemporaryDirectory(prefix="fuzz-seeds-") as folder:
        make_seeds(Path(folder))
        try:
            for outcome in _outcomes(Path(folder), seed, range(first, first + count), processes):
                outcomes.append(outcome)
                if outcome.fault and keep is not None:
                    _keep(keep, Path(folder), seed, outcome)
                if len(outcomes) % 500 == 0:
                    print(f"{len(outcomes)} of {count}", file=sys.stderr, flush=True)
        except KeyboardInterrupt:
            print(f"stopped after {len(outcomes)} of {count}", file=sys.stderr)
    return sorted(outcomes, key=lambda outcome: outcome.number)


def _outcomes(folder: Path, seed: int, numbers: range, processes: int) -> Iterator[Outcome]:
    for number, line in answers("eval.robustness.fuzz", [str(folder), str(seed)], numbers, processes):
        yield _outcome(line) if line else Outcome(number, "?", FAULT, "died: the worker", ended="died")


def _work(folder: Path, seed: int) -> None:
    """Run the cases whose numbers come on standard input, each in a copy of this process that has loaded all."""
    resource.setrlimit(resource.RLIMIT_DATA, (MEMORY_BYTES, MEMORY_BYTES))
    bench = Bench(with_seeds(folder), folder)
    serve(lambda number: _as_json(apart(bench, seed, number)), lambda: _load_all(bench))


def _load_all(bench: Bench) -> None:
    """Use once what most cases use, so that forked copies have it loaded."""
    with tempfile.TemporaryDirectory(prefix="fuzz-") as folder:
        call(["find", bench.good("short.wav"), "--no-cache"])
        given = ["--analysis", bench.good("song.json"), "--bars", "2-2"]
        call(["click", bench.good("song.wav"), *given, "--out", f"{folder}/out.wav"])
        call(["take", bench.good("song.json"), bench.good("take.mid")])
        call(["sheet", bench.good("song.json"), "--out", f"{folder}/out.html"])
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_DFL)


def apart(bench: Bench, seed: int, number: int) -> Outcome:
    """Run a case in a forked copy: it may hang or die, and whatever it leaves is removed."""
    with tempfile.TemporaryDirectory(prefix="fuzz-") as folder:
        copy = started(lambda: _as_json(run_case(bench, seed, number, Path(folder))))
        end = ended(copy, LIMIT_S)
    if end.told:
        outcome = _outcome(end.told)
    elif end.late:
        outcome = Outcome(number, "?", FAULT, "hang", f"no end after {LIMIT_S:.0f} s", "hang")
    else:
        outcome = Outcome(number, "?", FAULT, f"died: exit code {end.code}", "", "died")
    return dataclasses.replace(outcome, took_s=end.took_s, peak_mib=end.peak_mib)


def _outcome(line: bytes) -> Outcome:
    told = json.loads(line)
    return Outcome(**{**told, "reached": tuple(told["reached"])})


def _as_json(outcome: Outcome) -> bytes:
    return json.dumps(dataclasses.asdict(outcome)).encode()


def _keep(keep: Path, folder: Path, seed: int, outcome: Outcome) -> None:
    """Make what a case reads once more, in a folder that stays, with the command that reads it."""
    good = keep / "good"
    if not good.exists():
        shutil.copytree(folder, good)
    place = keep / f"seed {seed} case {outcome.number}"
    shutil.rmtree(place, ignore_errors=True)
    place.mkdir(parents=True)
    bench = Bench(with_seeds(good), good)
    command = shlex.join(["pulsefind", *command_of(bench, seed, outcome.number, place)])
    told = f"{command}\n\n{outcome.fault}\n{outcome.details}\n"
    (place / "case.txt").write_text(told, encoding="utf-8", errors="backslashreplace")


def summary(outcomes: list[Outcome]) -> str:
    """How the cases ended, what they took, every kind of fault, and every class with its count and one case."""
    text = [f"{len(outcomes)} cases: {_counted(one.verdict for one in outcomes)}"]
    text.append(f"ended by: {_counted(one.ended for one in outcomes)}")
    if outcomes:
        slow, large = max(outcomes, key=lambda one: one.took_s), max(outcomes, key=lambda one: one.peak_mib)
        text.append(f"longest {slow.took_s:.1f} s (case {slow.number}: {slow.what})")
        text.append(f"largest {large.peak_mib:.0f} MiB (case {large.number}: {large.what})")
    got = Counter(what for one in outcomes for what in one.reached)
    text.append("reached: " + ", ".join(f"{got[what]} {what}" for what in REACHES))
    kinds = Counter(kind for one in outcomes for kind in KINDS if one.fault.startswith(kind))
    text.append("faults: " + ", ".join(f"{kinds[kind]} {kind}" for kind in KINDS))
    for fault, n in Counter(one.fault for one in outcomes if one.fault).most_common():
        example = next(one for one in outcomes if one.fault == fault)
        text.append(f"{n:6d}  {fault}  (case {example.number}: {example.what})")
    return "\n".join(text)


def _counted(names: Iterator[str]) -> str:
    return ", ".join(f"{n} {name}" for name, n in sorted(Counter(names).items()))


if __name__ == "__main__":
    _work(Path(sys.argv[1]), int(sys.argv[2]))
