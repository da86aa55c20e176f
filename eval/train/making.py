"""Processes that make songs or takes while a network learns from them."""

from __future__ import annotations

import contextlib
import multiprocessing
import queue
from collections.abc import Callable, Iterator
from typing import Any

_SEEDS_A_RUN = 10_000_000
"""More than any run makes (judged), so that runs of different seeds share none."""


@contextlib.contextmanager
def makers(make: Callable[[int, Any, Any], None], n: int, seed: int) -> Iterator[Any]:
    """The queue into which n processes put what they make; begin before the accelerator is used.

    make is called with the first seed of a process, whose next are n apart, with the queue and with the stop sign.
    """
    context = multiprocessing.get_context("fork")
    made, stop = context.Queue(maxsize=4 * n), context.Event()
    first = seed * _SEEDS_A_RUN
    processes = [context.Process(target=make, args=(first + i, made, stop), daemon=True) for i in range(n)]
    for process in processes:
        process.start()
    try:
        yield made
    finally:
        stop.set()
        for process in processes:
            process.terminate()


def drain(made: Any, pool: Any, most: int) -> None:
    """Put what is ready into the pool."""
    for _ in range(most):
        try:
            one = made.get_nowait()
        except queue.Empty:
            return
        pool.add(one)
