"""The room under bad luck: thirty files at once, a broken and a long one among them, the power cut at any moment."""

import contextlib
import http.client
import json
import os
import socket
import subprocess
import sys
import threading
import time
import zlib
from pathlib import Path

import numpy as np
import pytest
import soundfile
from roomdriver import RunningRoom, is_running, needs_signals, short_song

from pulsefind.core.errors import FormatError
from pulsefind.saved import load_analysis, to_json

pytest_plugins = ("roomdriver",)

KILLS = int(os.environ.get("ROOM_KILLS", "2"))
"""How often the room is killed here; more, by a person or at night, with this variable."""


@pytest.fixture(scope="module")
def thirty(tmp_path_factory):
    """Thirty files: 28 short songs, a broken one, and one of a minute; `python -m eval room` has one of three hours."""
    folder = tmp_path_factory.mktemp("thirty")
    for k in range(28):
        short_song(folder / f"song {k:02d}.wav", bpm=90 + 3 * k, length_s=3.0, seed=k)
    (folder / "broken.flac").write_bytes(b"fLaC" + bytes(range(256)) * 40)
    short_song(folder / "long.wav", length_s=60.0, seed=99)
    return folder


@pytest.mark.timeout(180)
def test_thirty_files_at_once(open_room, thirty):
    room = open_room()
    answers = {}
    drops = [
        threading.Thread(target=lambda path=path: answers.update({path.name: room.drop(path)[0]}))
        for path in thirty.iterdir()
    ]
    for drop in drops:
        drop.start()
    # Meanwhile the window is answered.
    slowest_s = 0.0
    while any(drop.is_alive() for drop in drops):
        begun = time.monotonic()
        room.news()
        slowest_s = max(slowest_s, time.monotonic() - begun)
        time.sleep(0.05)
    assert set(answers.values()) == {200} and len(answers) == 30
    # The browser is closed and opened again; the room is there, and goes on.
    room.ask("POST", "leave?window=test")
    news = room.news()
    assert len(news["songs"]) == 30
    news = room.until(lambda news: all(song["state"] in ("ready", "trouble") for song in news["songs"]), 150)
    states = {song["file"]: song["state"] for song in news["songs"]}
    assert [name for name, state in states.items() if state == "trouble"] == ["broken.flac"]
    (trouble,) = [song["trouble"] for song in news["songs"] if song["state"] == "trouble"]
    assert trouble.startswith("broken.flac: ") and "\n" not in trouble and str(room.folder) not in trouble
    assert len(news["set"]) == 29
    for path in thirty.iterdir():
        assert (room.folder / path.name).read_bytes() == path.read_bytes()
    assert slowest_s < 1.0


def test_a_drop_that_breaks_off_leaves_nothing(room, tmp_path):
    before = {path.name for path in room.folder.iterdir()}
    data = short_song(tmp_path / "a.wav").read_bytes()
    with contextlib.closing(socket.create_connection(("127.0.0.1", room.port))) as connection:
        head = f"PUT /{room.token}/songs?name=half.wav HTTP/1.1\r\nHost: 127.0.0.1:{room.port}\r\n"
        head += f"Origin: {room.origin}\r\nContent-Length: {len(data)}\r\n\r\n"
        connection.sendall(head.encode() + data[: len(data) // 2])
        deadline = time.monotonic() + 5
        while not list(room.folder.glob(".pulsefind-*")):
            assert time.monotonic() < deadline
            time.sleep(0.02)
    deadline = time.monotonic() + 5
    while left := {path.name for path in room.folder.iterdir()} - before:
        assert time.monotonic() < deadline, left
        time.sleep(0.05)


@needs_signals
@pytest.mark.timeout(60 + 20 * KILLS)
def test_killed_at_any_moment_every_song_is_whole_or_not_there(tmp_path, monkeypatch):
    monkeypatch.setenv("PULSEFIND_CACHE", str(tmp_path / "cache"))
    rng = np.random.default_rng(7)
    songs = [short_song(tmp_path / f"{k}.wav", bpm=100 + 10 * k, seed=k) for k in range(4)]
    folder = tmp_path / "songs"
    for kill in range(KILLS):
        room = RunningRoom(folder)
        workers = []
        try:
            dropping = threading.Thread(target=drop_until_killed, args=(room, songs, folder))
            dropping.start()
            # Four songs are heard within three seconds; with many kills some come when all is quiet.
            time.sleep(rng.uniform(0.2, 3.0 if KILLS < 10 else 6.0))
            workers = room.workers()
        finally:
            room.process.kill()
            room.process.wait()
            dropping.join()
            room.end()
        # The kernel ends them with the room; one that was killed before it could ask for that ends itself as it starts.
        deadline = time.monotonic() + 1
        while left := [one for one in workers if is_running(one)]:
            assert time.monotonic() < deadline, f"workers outlive the room: {left}"
            time.sleep(0.02)
        all_whole(folder, songs, kill)
        # What was heard is unheard now and then, so that there is something to do again.
        for path in rng.permutation(sorted(map(str, folder.glob("*.json"))))[:2]:
            Path(path).unlink()
    room = RunningRoom(folder)
    try:
        drop_until_killed(room, songs, folder)
        room.all_ready(4)
        assert len(room.news()["set"]) == 4
    finally:
        room.end()
    all_whole(folder, songs, "end")


@needs_signals
def test_a_room_killed_between_a_song_and_the_set_goes_on_there(tmp_path):
    folder = tmp_path / "songs"
    room = RunningRoom(folder)
    for k in range(2):
        room.drop(short_song(tmp_path / f"{k}.wav", length_s=3.0, seed=k))
    ids = {song["title"]: song["id"] for song in room.all_ready(2)["songs"]}
    room.until(lambda news: len(news["set"]) == 2)
    # One is taken out by its owner; the other's name hadn't reached the set's file yet.
    assert room.post("set", songs=[])[0] == 204
    room.process.kill()
    room.end()
    (folder / ".made" / ids["1"] / "expected").touch()
    room = RunningRoom(folder)
    try:
        room.until(lambda news: news["set"] == [ids["1"]])
        assert room.all_ready(2)["set"] == [ids["1"]]
        # The window is told before it is noted.
        room.until(lambda _: not (folder / ".made" / ids["1"] / "expected").exists())
    finally:
        room.end()


@needs_signals
def test_a_room_killed_while_it_makes_a_ladder_opens_again(tmp_path):
    """A ladder is a folder until it is packed: wherever the kill falls, the next room sweeps it away."""
    folder = tmp_path / "songs"
    short_song(tmp_path / "a.wav", length_s=20.0)
    room = RunningRoom(folder)
    room.drop(tmp_path / "a.wav")
    song = room.all_ready(1)["songs"][0]["id"]
    made = folder / ".made" / "files"

    def asks():
        with contextlib.suppress(OSError, http.client.HTTPException):
            room.post(f"songs/{song}/make", what="ladder")

    asking = threading.Thread(target=asks)
    asking.start()
    deadline = time.monotonic() + 30
    while not any(path.is_dir() for path in made.iterdir()):
        assert time.monotonic() < deadline
        time.sleep(0.01)
    room.process.kill()
    room.end()
    asking.join()
    assert any(path.is_dir() for path in made.iterdir())
    # Another that was whole already.
    (made / "0123456789abcdef").mkdir()
    (made / "0123456789abcdef" / "1 every beat.mp3").write_bytes(b"sound")
    room = RunningRoom(folder)
    assert list(made.iterdir()) == []
    room.end()


def test_a_room_whose_made_files_can_not_be_kept_says_so_in_a_line(tmp_path):
    (tmp_path / "songs" / ".made").mkdir(parents=True)
    (tmp_path / "songs" / ".made" / "files").write_bytes(b"in the way")
    with pytest.raises(AssertionError) as said:
        RunningRoom(tmp_path / "songs")
    told = str(said.value)
    assert "files" in told and told.startswith("pulsefind: ") and told.count("\n") == 1


def drop_until_killed(room, songs, folder):
    for path in songs:
        if not (folder / path.name).exists():
            with contextlib.suppress(OSError, http.client.HTTPException, json.JSONDecodeError):
                room.drop(path)


def all_whole(folder, songs, when):
    for path in songs:
        kept = folder / path.name
        assert not kept.exists() or kept.read_bytes() == path.read_bytes(), when
    for path in folder.glob("*.json"):
        try:
            analysis = load_analysis(path)
        except FormatError as error:
            raise AssertionError(f"{when}: {error}") from None
        assert analysis.track.name == f"{path.stem}.wav"
    for path in folder.rglob("*.flac"):
        soundfile.read(path)
    for path in folder.rglob("*.html"):
        assert path.read_text(encoding="utf-8").rstrip().endswith("</html>"), when


def test_commands_and_room_at_once(open_room, tmp_path):
    room = open_room()
    for k in range(3):
        room.drop(short_song(tmp_path / f"{k}.wav", bpm=100 + 20 * k, seed=k))
    words = [sys.executable, "-m", "pulsefind", "find", str(room.folder), "--out", str(room.folder)]
    runs = [subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) for _ in range(2)]
    for run in runs:
        # Each may find the other's analysis there already, and says so; none breaks.
        _, said = run.communicate(timeout=60)
        assert run.returncode in (0, 2) and b"Traceback" not in said, said
    room.all_ready(3)
    for path in room.folder.glob("*.json"):
        again = to_json(load_analysis(path))
        assert again == path.read_text()
    # A command's correction reaches the room by itself.
    words = [sys.executable, "-m", "pulsefind", "find", str(room.folder / "0.wav"), "--one-at", "0.8", "--keep"]
    subprocess.run(words, capture_output=True, check=True)
    room.until(lambda news: any(song["told"] and song["state"] == "ready" for song in news["songs"]))


@needs_signals
def test_a_worker_that_dies_takes_one_song_with_it(room, tmp_path):
    names = dropped(room, tmp_path, "dies", 2, 30)
    room.until(lambda news: any(song["doing"] == "listening to it" for song in of(news, names)))
    busy = max(room.workers(), key=processor_ticks)
    os.kill(busy, 9)
    news = room.until(lambda news: {song["state"] for song in of(news, names)} == {"ready", "trouble"})
    (song,) = [song for song in of(news, names) if song["state"] == "trouble"]
    assert "broke off" in song["trouble"]
    assert room.post(f"songs/{song['id']}/again")[0] == 204
    room.until(lambda news: all(song["state"] == "ready" for song in of(news, names)))


def dropped(room, folder, called, n, length_s):
    """Drop n songs; their names."""
    names = [f"{called} {k}.wav" for k in range(n)]
    for name in names:
        # Of another room's test no song is the same.
        assert (
            '"was_there":false'
            in room.drop(short_song(folder / name, length_s=length_s, seed=zlib.crc32(name.encode())))[1]
        )
    return names


def of(news, names):
    return [song for song in news["songs"] if song["file"] in names]


def processor_ticks(process_id):
    fields = Path(f"/proc/{process_id}/stat").read_text().rpartition(")")[2].split()
    return int(fields[11]) + int(fields[12])


def test_a_song_can_be_left_for_now(room, tmp_path):
    names = dropped(room, tmp_path, "left", 2, 30)
    news = room.until(lambda news: any(song["doing"] == "listening to it" for song in of(news, names)))
    song = next(song["id"] for song in of(news, names) if song["doing"] == "listening to it")
    assert room.post(f"songs/{song}/alone")[0] == 204
    room.until(lambda news: {song["state"] for song in of(news, names)} == {"ready", "alone"})
    assert room.post(f"songs/{song}/again")[0] == 204
    room.until(lambda news: all(song["state"] == "ready" for song in of(news, names)))


def test_names_from_all_over_the_world(room, tmp_path):
    names = ["Straße (ключ) 歌.wav", "-o --force.wav", "a'b\"c & <b>.wav", "éé 😀.wav", "100 %41.wav", "#?&=.wav"]
    for k, name in enumerate(names):
        assert room.drop(short_song(tmp_path / "a.wav", length_s=3.0, seed=k), name)[0] == 200
    news = room.until(lambda news: all(song["state"] == "ready" for song in news["songs"]))
    songs = [song for song in news["songs"] if not song["title"].startswith(("dies", "left"))]
    assert len(songs) == len(names)
    for song in songs:
        status, _, page = room.ask("GET", f"songs/{song['id']}/")
        assert status == 200 and b"<b>" not in page.split(b"<script")[0]
        assert (room.folder / f"{song['title']}.json").exists()
