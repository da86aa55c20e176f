"""A room as a person starts it, for the tests of it: the command in a process of its own, spoken to over its socket."""

import contextlib
import http.client
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from urllib.parse import quote

import numpy as np
import pytest
import soundfile

needs_signals = pytest.mark.skipif(sys.platform == "win32", reason="signals of Unix")


class RunningRoom:
    """`pulsefind room` in a folder."""

    def __init__(self, folder, cache=None):
        self.folder = Path(folder)
        environment = {**os.environ, **({} if cache is None else {"PULSEFIND_CACHE": str(cache)})}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "pulsefind", "room", "--folder", str(folder), "--no-browser"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=environment,
        )
        line = self.process.stdout.readline()
        found = re.search(r"http://127\.0\.0\.1:(\d+)/([\w-]+)/", line)
        if not found:
            said = line + self.process.communicate()[1]
            raise AssertionError(said)
        self.address, self.port, self.token = found[0], int(found[1]), found[2]
        self.origin = f"http://127.0.0.1:{self.port}"

    def ask(self, method, path, body=None, headers=None, whole_path=None):
        """Status, headers and body of an answer; `path` counts from the token on."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        own = {"Origin": self.origin} if method != "GET" else {}
        with contextlib.closing(connection):
            connection.request(method, whole_path or f"/{self.token}/{path}", body, {**own, **(headers or {})})
            answer = connection.getresponse()
            return answer.status, dict(answer.getheaders()), answer.read()

    def news(self):
        return json.loads(self.ask("GET", "news?window=test")[2])

    def post(self, path, **words):
        status, _, body = self.ask("POST", path, json.dumps(words))
        return status, body.decode()

    def drop(self, path, name=None):
        return self.drop_bytes(Path(path).read_bytes(), name or Path(path).name)

    def drop_bytes(self, data, name):
        status, _, body = self.ask("PUT", f"songs?name={quote(name)}", data)
        return status, body.decode()

    def until(self, true_of, timeout_s=60.0):
        deadline = time.monotonic() + timeout_s
        while not true_of(news := self.news()):
            assert time.monotonic() < deadline, news
            assert self.process.poll() is None, self.process.stderr.read()
            time.sleep(0.1)
        return news

    def all_ready(self, n, timeout_s=60.0):
        return self.until(lambda news: [song["state"] for song in news["songs"]] == ["ready"] * n, timeout_s)

    def workers(self):
        """Process ids of the workers."""
        found = []
        for path in Path("/proc").glob("[0-9]*/stat"):
            with contextlib.suppress(OSError):
                parent = int(path.read_text().rpartition(")")[2].split()[1])
                if parent == self.process.pid:
                    found.append(int(path.parent.name))
        return found

    def end(self):
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
        try:
            self.process.wait(timeout=20)
        finally:
            self.process.kill()
            self.process.stdout.close()
            self.process.stderr.close()


@pytest.fixture
def open_room(tmp_path, request):
    """Open rooms; at the end they are closed."""
    rooms = []

    def opened(folder=None, cache=None):
        rooms.append(RunningRoom(folder or tmp_path / "songs", cache))
        return rooms[-1]

    yield opened
    for room in rooms:
        room.end()


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    """One room for all tests of a file."""
    opened = RunningRoom(tmp_path_factory.mktemp("room") / "songs")
    yield opened
    opened.end()


def is_running(process_id):
    try:
        return Path(f"/proc/{process_id}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def short_song(path, bpm=120.0, length_s=6.0, seed=0):
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


def copied(room, name):
    """The folder of a room, as it is now."""
    return shutil.copytree(room.folder, room.folder.parent / name)
