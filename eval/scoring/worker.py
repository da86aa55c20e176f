"""The process in which one system answers one track: `python -m eval.scoring.worker`, started by eval.scoring.systems.

Reads one line of JSON from standard input (module, audio, given), writes one line of JSON to
standard output. Ends at once when standard input closes, which is what happens when the run is killed.
"""

from __future__ import annotations

import importlib
import json
import os
import resource
import sys
import threading
import traceback
from pathlib import Path
from typing import Any

import numpy as np

from eval.records import Answer
from eval.scoring.serial import answer_to_json, reference_from_json
from pulsefind.core.errors import PulsefindError


def _end_with_parent() -> None:
    """Leave when the parent has gone: its end of our standard input closes."""
    # Not through sys.stdin, whose lock would be held when the interpreter ends.
    while os.read(0, 1024):
        pass
    os._exit(1)


def _peak_mib() -> float:
    """Return the peak resident memory of this process plus that of its largest child, in MiB.

    The kernel's figure for children is used as it is; for this process the figure since the program started
    is read where the system gives it, because ru_maxrss also counts what the parent held when it forked.
    """
    unit = 1 if sys.platform == "darwin" else 1024
    children = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss * unit
    own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit
    status = Path("/proc/self/status")
    if status.exists():
        rows = dict(line.split(":", 1) for line in status.read_text().splitlines() if ":" in line)
        own = int(rows["VmHWM"].split()[0]) * 1024
    return (own + children) / 2**20


def _answer(job: dict[str, Any]) -> Answer:
    """Let the system answer; whatever it raises becomes the error of its answer."""
    try:
        module = importlib.import_module(job["module"])
        given = None if job["given"] is None else reference_from_json(job["given"])
        answer: Answer = module.answer(Path(job["audio"]), given)
    except PulsefindError as error:
        return Answer(np.zeros(0), None, error=str(error))
    except Exception:  # noqa: BLE001 - a system's fault is its answer
        return Answer(np.zeros(0), None, error=traceback.format_exc(limit=-3))
    return answer


def main() -> None:
    """Answer the one job that comes in."""
    results = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)
    job = json.loads(sys.stdin.readline())
    threading.Thread(target=_end_with_parent, daemon=True).start()
    answer = _answer(job)
    results.write(json.dumps({"answer": answer_to_json(answer), "peak_mib": _peak_mib()}) + "\n")
    results.close()


if __name__ == "__main__":
    main()
