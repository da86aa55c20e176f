"""A room as a person starts it, the command in a process of its own, and songs that are quick to hear."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
import soundfile

News = dict[str, Any]


class RunningRoom:
    """`pulsefind room` in a folder."""

    def __init__(self, folder: Path, cache: Path | None = None) -> None:
        """Start it and read its address; cache: where it keeps what it heard, else the usual place."""
        self.folder = folder
        environment = {**os.environ, **({} if cache is None else {"PULSEFIND_CACHE": str(cache)})}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "pulsefind", "room", "--folder", str(folder), "--no-browser"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=environment,
        )
        assert self.process.stdout is not None
        assert self.process.stderr is not None
        self.stdout, self.stderr = self.process.stdout, self.process.stderr
        line = self.stdout.readline()
        found = re.search(r"http://127\.0\.0\.1:(\d+)/([\w-]+)/", line)
        if not found:
            said = line + self.process.communicate()[1]
            raise AssertionError(said)
        self.address, self.port, self.token = found[0], int(found[1]), found[2]
        self.origin = f"http://127.0.0.1:{self.port}"

    def ask(
        self,
        method: str,
        path: str,
        body: bytes | str | None = None,
        headers: Mapping[str, str] | None = None,
        whole_path: str | None = None,
    ) -> tuple[int, dict[str, str], bytes]:
        """Status, headers and body of an answer; `path` counts from the token on."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        own = {"Origin": self.origin} if method != "GET" else {}
        with contextlib.closing(connection):
            connection.request(method, whole_path or f"/{self.token}/{path}", body, {**own, **(headers or {})})
            answer = connection.getresponse()
            return answer.status, dict(answer.getheaders()), answer.read()

    def news(self) -> News:
        """All that a window is shown."""
        news: News = json.loads(self.ask("GET", "news?window=test")[2])
        return news

    def post(self, path: str, **words: Any) -> tuple[int, str]:
        """Status and text of what a window does."""
        status, _, body = self.ask("POST", path, json.dumps(words))
        return status, body.decode()

    def drop(self, path: Path, name: str | None = None) -> tuple[int, str]:
        """Send a recording in, under its own name or another."""
        return self.drop_bytes(path.read_bytes(), name or path.name)

    def drop_bytes(self, data: bytes, name: str) -> tuple[int, str]:
        """Send something in as a recording."""
        status, _, body = self.ask("PUT", f"songs?name={quote(name)}", data)
        return status, body.decode()

    def until(self, true_of: Callable[[News], bool], timeout_s: float = 60.0) -> News:
        """The first news of which something is true."""
        deadline = time.monotonic() + timeout_s
        while not true_of(news := self.news()):
            assert time.monotonic() < deadline, news
            assert self.process.poll() is None, self.stderr.read()
            time.sleep(0.05)
        return news

    def all_ready(self, n: int, timeout_s: float = 60.0) -> News:
        """The first news that has n songs, all of them heard."""
        return self.until(lambda news: [song["state"] for song in news["songs"]] == ["ready"] * n, timeout_s)

    def workers(self) -> list[int]:
        """Process ids of the workers."""
        found = []
        for path in Path("/proc").glob("[0-9]*/stat"):
            with contextlib.suppress(OSError):
                parent = int(path.read_text().rpartition(")")[2].split()[1])
                if parent == self.process.pid:
                    found.append(int(path.parent.name))
        return found

    def end(self) -> None:
        """Stop it as Ctrl-C does."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
        try:
            self.process.wait(timeout=20)
        finally:
            self.process.kill()
            self.stdout.close()
            self.stderr.close()


def is_running(process_id: int) -> bool:
    """Is there a process of that id, and not only its remains?"""
    try:
        return Path(f"/proc/{process_id}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def short_song(path: Path, bpm: float = 120.0, length_s: float = 6.0, seed: int = 0) -> Path:
    """A few bars of a ticking sound on every beat, the 1 lower and louder, over a quiet chord: quick to hear."""
    rng = np.random.default_rng(seed)
    rate_hz = 22050
    t = np.arange(int(length_s * rate_hz)) / rate_hz
    samples = 0.02 * np.sin(2 * np.pi * 220 * t) + 0.001 * rng.normal(size=len(t))
    for k, at_s in enumerate(np.arange(0.3, length_s - 0.2, 60.0 / bpm)):
        first = round(at_s * rate_hz)
        n = min(2000, len(t) - first)
        tone = np.sin(2 * np.pi * (400 if k % 4 == 0 else 1500) * t[:n]) * np.exp(-np.arange(n) / 300)
        samples[first : first + n] += (0.6 if k % 4 == 0 else 0.35) * tone
    soundfile.write(path, samples, rate_hz, subtype="PCM_16")
    return path
