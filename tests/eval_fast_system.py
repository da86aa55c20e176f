"""A system for tests of the runner: quick, deterministic, and slow enough to be killed half-way.

Run as a program it is eval's command line with this system added under the name "fast".
"""

import os
import time
from pathlib import Path

import numpy as np
import soundfile

from eval.records import Answer, Reference
from eval.scoring.systems import SYSTEMS, System

NAME = "fast"
FAST = System(NAME, "eval_fast_system", ("tests/eval_fast_system.py",), ())


def answer(path: Path, given: Reference | None) -> Answer:
    """Beats every half second from the first loud sample on; waits as long as EVAL_FAST_WAIT_S says."""
    time.sleep(float(os.environ.get("EVAL_FAST_WAIT_S", "0")))
    samples, rate_hz = soundfile.read(path)
    first_s = float(np.argmax(np.abs(samples) > 0.1)) / rate_hz
    beat_s = np.arange(first_s, len(samples) / rate_hz, 0.5)
    return Answer(beat_s, np.arange(len(beat_s)) % 4 + 1)


if __name__ == "__main__":
    from eval.cli import main

    SYSTEMS[NAME] = FAST
    main()
