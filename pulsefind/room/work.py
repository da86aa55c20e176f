"""Jobs in worker processes: the queue, the progress of each job, and its result.

Each worker is a process with a thread of ours to talk to it in lines of JSON: a task goes in; stages, remarks and
finally a result come back. Cancelling a job kills its process, and a crash costs one job; a new process takes over.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import Any

from pulsefind.core.child import Child, Limits, running
from pulsefind.core.errors import PulsefindError

FIRST, SECOND, LATER = 0, 1, 2
"""Priorities: what somebody is waiting for, what is quick, new songs (an order: arithmetic)."""

_CORES_A_HEARING = 2
"""An analysis uses two threads, so with fewer than four cores a second one would only slow the first (judged)."""

_MOST_HEARINGS = 2  # judged: analysing hours of music takes a GB each


class CancelledWorkError(PulsefindError):
    """The job was cancelled."""


@dataclass(eq=False)
class Job:
    """A job: the task to send, its priority, and its song's id. stage, began_s and stages_s tell how far it is:
    the stage now, when the job began, and how many seconds after that each stage began.
    """

    task: dict[str, Any]
    soon: int
    song: str = ""
    stage: str = ""
    began_s: float | None = None
    stages_s: dict[str, float] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)
    result: Future[dict[str, Any]] = field(default_factory=Future)
    called_off: bool = False
    worker: Child | None = None


class Work:
    """The queue and its workers; changed is called, from any thread, whenever a job makes progress."""

    def __init__(self, command: Sequence[str], hearings: int | None = None) -> None:
        cores = os.cpu_count() or 1
        self.hearings = hearings or max(1, min(_MOST_HEARINGS, cores // _CORES_A_HEARING))
        self.changed: Callable[[], None] = lambda: None
        self._command = command
        self._waiting: list[Job] = []
        self._doing: list[Job] = []
        self._ended = False
        self._lock = threading.Condition()
        # One more worker than analyse new songs, so that whatever somebody is waiting for never queues behind them.
        self._threads = [threading.Thread(target=self._serve, daemon=True) for _ in range(self.hearings + 1)]

    def start(self) -> None:
        """Start the workers; they load what they need in the background."""
        for thread in self._threads:
            thread.start()

    def add(self, job: Job) -> Job:
        """Queue a job, unless it was cancelled before it came here."""
        with self._lock:
            if not job.called_off:
                self._waiting.append(job)
                self._lock.notify_all()
        if job.called_off:
            self._settle(job, CancelledWorkError("called off"))
        self.changed()
        return job

    async def done(self, job: Job) -> dict[str, Any]:
        """Queue a job and wait for its result.

        Raises
        ------
        PulsefindError
            with the command's own line, or because the job was cancelled.
        """
        return await asyncio.wrap_future(self.add(job).result)

    def call_off(self, job: Job) -> None:
        """Cancel a job, whether it is waiting or running."""
        with self._lock:
            job.called_off = True
            waits = job in self._waiting
            if waits:
                self._waiting.remove(job)
            elif job.worker is not None:
                job.worker.kill()
        if waits:
            self._settle(job, CancelledWorkError("called off"))

    def order(self, songs: Sequence[str]) -> None:
        """Sort the waiting songs into this order."""
        place = {song: k for k, song in enumerate(songs)}
        with self._lock:
            self._waiting.sort(key=lambda job: place.get(job.song, len(place)))

    @property
    def busy(self) -> bool:
        """Is any job running or waiting?"""
        with self._lock:
            return bool(self._waiting or self._doing)

    def end(self) -> None:
        """Stop all workers and wait until they are gone; waiting jobs are cancelled."""
        with self._lock:
            self._ended = True
            left, self._waiting = self._waiting, []
            for job in self._doing:
                job.called_off = True
                if job.worker is not None:
                    job.worker.kill()
            self._lock.notify_all()
        for job in left:
            self._settle(job, CancelledWorkError("called off"))
        for thread in self._threads:
            if thread.is_alive():
                thread.join()

    # ---- in the worker threads

    def _serve(self) -> None:
        while not self._ended:
            try:
                with running(self._command, Limits(time_s=None), talk=True) as child:
                    self._talk(child)
            except OSError as error:
                # No process can be started, so fail the next job with the reason.
                job = self._next()
                if job is not None:
                    self._settle(job, PulsefindError(f"no work can be started ({error.strerror}); restart the machine"))

    def _talk(self, child: Child) -> None:
        """Do one job after another until the process dies or the room closes."""
        while (job := self._next(child)) is not None:
            outcome = self._one(child, job)
            with self._lock:
                self._doing.remove(job)
                job.worker = None
                self._lock.notify_all()
            self._settle(job, self._why(child, job) if outcome is None else outcome)
            if outcome is None:
                return

    def _next(self, child: Child | None = None) -> Job | None:
        """Wait for the next job that may run; None when the room closes."""
        with self._lock:
            while not self._ended:
                job = self._allowed()
                if job is not None:
                    self._waiting.remove(job)
                    self._doing.append(job)
                    job.worker = child
                    job.began_s = time.monotonic()
                    return job
                self._lock.wait()
        return None

    def _allowed(self) -> Job | None:
        heard = sum(job.soon == LATER for job in self._doing)
        may = (job for job in self._waiting if job.soon < LATER or heard < self.hearings)
        return min(may, key=lambda job: job.soon, default=None)

    def _one(self, child: Child, job: Job) -> dict[str, Any] | PulsefindError | None:
        """Run one job: its result, its error, or None if the process died."""
        assert child.stdin is not None
        with contextlib.suppress(OSError, ValueError):
            child.stdin.write(json.dumps(job.task).encode() + b"\n")
            child.stdin.flush()
            for line in child.stdout:
                said = json.loads(line)
                if "result" in said:
                    result: dict[str, Any] = said["result"]
                    return result
                if "refused" in said:
                    return PulsefindError(said["refused"])
                if "stage" in said:
                    job.stage = said["stage"]
                    # In a new dictionary: another thread may be reading this one.
                    job.stages_s = {**job.stages_s, job.stage: time.monotonic() - (job.began_s or 0.0)}
                else:
                    job.remarks.append(said["remark"])
                self.changed()
        return None

    def _why(self, child: Child, job: Job) -> PulsefindError:
        if job.called_off or self._ended:
            return CancelledWorkError("called off")
        child.kill()
        reason = child.finish() or "it ended"
        return PulsefindError(f"the work broke off ({reason}); try again")

    def _settle(self, job: Job, outcome: dict[str, Any] | PulsefindError) -> None:
        with contextlib.suppress(asyncio.InvalidStateError):
            if isinstance(outcome, PulsefindError):
                job.result.set_exception(outcome)
            else:
                job.result.set_result(outcome)
        self.changed()
