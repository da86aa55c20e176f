"""The room does what the commands do: the same files come out, and what a person tells is obeyed and taken back."""

import io
import json
import signal
import time

import numpy as np
import pytest
import soundfile
from commands import run
from roomdriver import is_running, needs_signals, short_song

from pulsefind.demo import RATE_HZ, write_song
from pulsefind.room.progress import Pace
from pulsefind.room.windows import LEFT_BUSY_S, LEFT_S, SILENT_S, Windows
from pulsefind.saved import load_analysis
from pulsefind.song.reading import read_song
from pulsefind.take.history import read_history

pytest_plugins = ("roomdriver",)


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """The demo song, and its truth."""
    return write_song(tmp_path_factory.mktemp("demo"), False)


@pytest.fixture(scope="module")
def heard(room, demo):
    """The demo song in the room, heard."""
    path, _ = demo
    assert room.drop(path, "Low Tide.flac")[0] == 200
    return room.all_ready(1)["songs"][0]


def test_the_same_analysis_page_and_sheet_as_by_command(room, heard, demo, tmp_path, monkeypatch, capsys):
    def command(*words):
        assert run(monkeypatch, capsys, *words)[0] == 0, words

    track = room.folder / "Low Tide.flac"
    assert track.read_bytes() == demo[0].read_bytes()
    by_hand = tmp_path / "Low Tide.json"
    command("find", track, "--out", by_hand, "--no-cache")
    assert (room.folder / "Low Tide.json").read_bytes() == by_hand.read_bytes()
    assert 'songs = [\n    "Low Tide.json",\n]' in (room.folder / "set.toml").read_text()
    command("sheet", room.folder / "set.toml", "--out", tmp_path / "set.html")
    command("page", room.folder / "Low Tide.json", "--out", tmp_path / "page.html")
    command("click", room.folder / "Low Tide.json", "--out", tmp_path / "click.wav", "--on", "guide")
    assert made(room, "make") == (tmp_path / "set.html").read_bytes()
    clicked = made(room, f"songs/{heard['id']}/make", what="click", on="guide", kind="wav")
    assert clicked == (tmp_path / "click.wav").read_bytes()
    phone = made(room, f"songs/{heard['id']}/make", what="phone").decode()
    # Only the name of the file that is written differs.
    assert len(phone) == pytest.approx(len((tmp_path / "page.html").read_text()), abs=200)
    assert "connect-src" not in phone.split("</head>")[0] and "roomPieces" in phone


def made(room, path, **words):
    status, body = room.post(path, **words)
    assert status == 200, body
    return room.ask("GET", f"files/{json.loads(body)['file']}")[2]


def test_the_page_plays_the_recording_on_the_time_of_the_analysis(room, heard, demo):
    truth, _ = soundfile.read(demo[0])
    # Pieces of 2 s, each with 10 ms of what lies around it.
    piece, margin = 2 * RATE_HZ, RATE_HZ // 100
    for k in range(-(-len(truth) // piece)):
        status, headers, data = room.ask("GET", f"songs/{heard['id']}/sound/{k}")
        assert status == 200 and headers["content-type"] == "audio/flac"
        samples, rate_hz = soundfile.read(io.BytesIO(data))
        assert rate_hz == RATE_HZ
        assert np.array_equal(samples, truth[max(0, k * piece - margin) : (k + 1) * piece + margin])
    for wrong in (k + 1, 10**9, "-1", "0.5", "x", ""):
        assert room.ask("GET", f"songs/{heard['id']}/sound/{wrong}")[0] == 404


def test_what_is_told_is_kept_obeyed_and_taken_back(room, heard):
    song, song_file = heard["id"], room.folder / "Low Tide.song.toml"
    base = mark(room, song)
    before = load_analysis(room.folder / "Low Tide.json")
    one_s = float(before.beats.time_s[before.bars.count == 2][0])
    told = {"the_1": [f"0:{one_s:05.2f}"], "recording": {"sha256": heard["sha256"], "length_s": 63.532}}
    assert room.post(f"songs/{song}/tell", base=base, values=told, dropped=[])[0] == 200
    room.until(lambda news: news["songs"][0]["state"] == "ready" and news["songs"][0]["told"])
    assert read_song(song_file).corrections.ones[0].time_s == pytest.approx(one_s, abs=0.005)
    after = load_analysis(room.folder / "Low Tide.json")
    ones = after.beats.time_s[after.bars.count == 1]
    assert np.abs(ones - one_s).min() < 0.03
    assert "is obeyed" in " ".join(room.news()["songs"][0]["remarks"])
    # The same page goes on: one step, counted from the same text, and what comes twice changes nothing.
    more = {**told, "nudge_ms": -12}
    assert json.loads(room.post(f"songs/{song}/tell", base=base, values=more, dropped=[])[1]) == {"changed": True}
    assert json.loads(room.post(f"songs/{song}/tell", base=base, values=more, dropped=[])[1]) == {"changed": False}
    room.until(lambda news: news["songs"][0]["state"] == "ready" and news["songs"][0]["mark"] == mark(room, song))
    assert read_song(song_file).corrections.nudge_ms == -12
    # A page that was opened before somebody wrote into the file by hand doesn't write over that.
    song_file.write_text(song_file.read_text() + "\n# mine\n")
    status, line = room.post(f"songs/{song}/tell", base=base, values={}, dropped=[])
    assert status == 409 and "changed elsewhere" in line
    assert room.post(f"songs/{song}/undo")[0] == 409
    # Told from the text as it is, its comments stay, and the step back leads to it.
    by_hand = song_file.read_text()
    assert (
        room.post(f"songs/{song}/tell", base=mark(room, song), values={"bpm": "90:100"}, dropped=["nudge_ms"])[0] == 200
    )
    assert "# mine" in song_file.read_text() and "nudge_ms" not in song_file.read_text()
    assert room.post(f"songs/{song}/undo")[0] == 200
    assert song_file.read_text() == by_hand
    song_file.unlink()
    room.until(lambda news: news["songs"][0]["state"] == "ready" and not news["songs"][0]["told"])
    assert np.array_equal(load_analysis(room.folder / "Low Tide.json").beats.time_s, before.beats.time_s)


def mark(room, song):
    return json.loads(room.ask("GET", f"songs/{song}/told")[2])["mark"]


@pytest.mark.parametrize(
    ("values", "status", "line"),
    [
        ({"the_1": ["soon"]}, 422, "the_1"),
        ({"meter": "19/3"}, 422, "meter"),
        ({"songs": ["x"]}, 400, "doesn't have"),
        ({"nudge_ms": 1e9}, 422, "nudge_ms"),
        ({"taps": {"times": [1, 2]}}, 422, "taps"),
    ],
)
def test_what_can_t_be_obeyed_is_refused_and_nothing_is_written(room, heard, values, status, line):
    song = heard["id"]
    answer = room.post(f"songs/{song}/tell", base=mark(room, song), values=values, dropped=[])
    assert answer[0] == status and line in answer[1] and answer[1].count("\n") == 1
    assert not (room.folder / "Low Tide.song.toml").exists()


def test_a_take_is_kept_reviewed_and_shown(room, heard, tmp_path):
    analysis = load_analysis(room.folder / "Low Tide.json")
    rng = np.random.default_rng(3)
    samples = 0.0005 * rng.normal(size=round(analysis.track.duration_s * RATE_HZ))
    for at_s in analysis.beats.time_s + 0.010:
        first = round(at_s * RATE_HZ)
        part = samples[first : first + 3000]
        part += 0.5 * np.exp(-np.arange(len(part)) / 500) * rng.normal(size=len(part))
    soundfile.write(tmp_path / "take.wav", np.clip(samples, -1, 1), RATE_HZ)
    song = heard["id"]
    path = f"songs/{song}/takes?name=my%20take.wav&starts_at=0"
    status, _, body = room.ask("PUT", path, (tmp_path / "take.wav").read_bytes())
    done = json.loads(body)
    assert status == 200 and done["is_reviewed"], body
    (shown,) = room.news()["songs"][0]["takes"]
    assert shown["id"] == done["take"] and shown["is_reviewed"]
    (entry,) = read_history(room.folder / "takes" / "takes.jsonl")
    assert entry.track_sha256 == analysis.track.sha256
    status, _, page = room.ask("GET", f"songs/{song}/?take={done['take']}")
    assert status == 200 and b'id="view-take"' in page
    assert b'id="view-take"' not in room.ask("GET", f"songs/{song}/")[2]
    (kept,) = (room.folder / "takes" / "Low Tide").glob("* my take.wav")
    assert kept.read_bytes() == (tmp_path / "take.wav").read_bytes()
    # What can't be reviewed is told in the command's words.
    soundfile.write(tmp_path / "silence.wav", np.zeros(RATE_HZ), RATE_HZ)
    status, _, body = room.ask("PUT", path, (tmp_path / "silence.wav").read_bytes())
    assert status == 422 and body.count(b"\n") == 1
    assert room.ask("PUT", f"songs/{song}/takes?name=a.wav&starts_at=soon", b"RIFF")[0] == 400
    assert room.ask("GET", f"songs/{song}/?take={'0' * 16}")[0] == 404


def test_the_set_is_put_in_order_and_what_is_away_is_not_lost(open_room, tmp_path):
    room = open_room()
    for seed, name in enumerate(("One.wav", "Two.wav", "Three.wav")):
        room.drop(short_song(tmp_path / name, bpm=100 + 20 * seed, seed=seed))
    news = room.all_ready(3)
    ids = {song["title"]: song["id"] for song in news["songs"]}
    (room.folder / "set.toml").write_text('# ours\nsongs = [\n "Two.json",\n "elsewhere/Four.json",\n]\n')
    room.until(lambda news: news["set"] == [ids["Two"]])
    assert room.post("set", songs=[ids["Three"], ids["Two"], ids["Three"]])[0] == 204
    news = room.until(lambda news: news["set"] == [ids["Three"], ids["Two"]])
    assert [song["title"] for song in news["songs"]] == ["Three", "Two", "One"]
    assert len(news["jumps"]) == 1
    text = (room.folder / "set.toml").read_text()
    assert text.startswith("# ours") and text.index("Three.json") < text.index("Four.json") < text.index("Two.json")
    assert room.drop(tmp_path / "One.wav", "One again.wav")[1].endswith('"was_there":true}')
    assert room.post(f"songs/{ids['Two']}/away")[0] == 204
    room.until(lambda news: len(news["songs"]) == 2)
    assert (room.folder / "put away" / "Two.wav").read_bytes() == (tmp_path / "Two.wav").read_bytes()
    assert (room.folder / "put away" / "Two.json").exists() and not (room.folder / "Two.wav").exists()


def test_a_folder_of_one_s_own_is_read_where_it_is(open_room, tmp_path):
    folder = tmp_path / "gig"
    folder.mkdir()
    for seed in range(2):
        short_song(folder / f"{seed}.wav", seed=seed)
    before = {path.name: (path.read_bytes(), path.stat().st_mtime_ns) for path in folder.iterdir()}
    room = open_room(folder)
    news = room.all_ready(2)
    assert not news["own"] and news["folder"] == str(folder)
    status, line = room.post(f"songs/{news['songs'][0]['id']}/away")
    assert status == 403 and "yours" in line
    assert {name: ((folder / name).read_bytes(), (folder / name).stat().st_mtime_ns) for name in before} == before
    assert room.post("close")[0] == 204
    assert room.process.wait(timeout=20) == 0


@needs_signals
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_told_to_stop_it_leaves_nothing_running(open_room, tmp_path, number):
    room = open_room()
    room.drop(short_song(tmp_path / "a.wav", length_s=40))
    room.until(lambda news: news["songs"] and news["songs"][0]["doing"] == "listening to it")
    workers = room.workers()
    assert len(workers) >= 2
    room.process.send_signal(number)
    assert room.process.wait(timeout=20) == 128 + number
    time.sleep(0.2)
    assert [one for one in workers if is_running(one)] == []
    assert room.process.stderr.read() == "pulsefind: stopped\n"


@needs_signals
@pytest.mark.parametrize("again_s", [0.0, 0.05, 0.15])
def test_told_to_stop_twice_it_closes_in_order_all_the_same(open_room, tmp_path, again_s):
    """Ctrl-C again, as the impatient do: one line, and no worker is left."""
    room = open_room()
    room.drop(short_song(tmp_path / "a.wav", length_s=40))
    room.until(lambda news: news["songs"] and news["songs"][0]["doing"] == "listening to it")
    workers = room.workers()
    room.process.send_signal(signal.SIGINT)
    time.sleep(again_s)
    room.process.send_signal(signal.SIGINT)
    assert room.process.wait(timeout=20) == 128 + signal.SIGINT
    assert room.process.stderr.read() == "pulsefind: stopped\n"
    time.sleep(0.2)
    assert [one for one in workers if is_running(one)] == []


def test_it_ends_with_its_window():
    now = [0.0]
    windows = Windows(lambda: now[0])
    assert not windows.are_gone(busy=False)
    windows.seen("a")
    windows.seen("b")
    windows.left("a")
    now[0] += LEFT_BUSY_S + 1
    assert not windows.are_gone(busy=False)
    windows.left("b")
    assert not windows.are_gone(busy=False)
    now[0] += LEFT_S
    assert windows.are_gone(busy=False) and not windows.are_gone(busy=True)
    # Loaded anew, it is the same room; one that says nothing any more counts as gone.
    windows.seen("c")
    assert not windows.are_gone(busy=False)
    now[0] += SILENT_S + 1
    assert windows.are_gone(busy=True)


def test_time_left_is_what_this_machine_took_for_others():
    pace = Pace()
    assert pace.left_s(100.0, {"reading": 0.0, "listening": 0.5}, 1.0) is None
    # Its own stages tell, once enough is over: 6.9 s were 69 % of it.
    counting = {"reading": 0.0, "listening": 0.5, "counting": 6.9}
    assert pace.left_s(100.0, counting, 7.9) == pytest.approx(10 - 7.9)
    # A quick stage after it doesn't shorten that, a slow one lengthens it: 15.8 s were 79 %.
    assert pace.left_s(100.0, {**counting, "finding hits": 7.0}, 8.0) == pytest.approx(10 - 8.0)
    assert pace.left_s(100.0, {**counting, "finding hits": 15.8}, 16.0) == pytest.approx(20 - 16.0)
    for took_s in (5.0, 50.0, 6.0):
        pace.heard(100.0, took_s)
    assert pace.whole_s(200.0) == pytest.approx(12.0)
    assert pace.left_s(200.0, {"reading": 0.0}, 2.0) == pytest.approx(10.0)
    # Longer than that already: then nobody knows, until its own stages tell.
    assert pace.left_s(200.0, {"reading": 0.0}, 20.0) is None
    assert pace.left_s(200.0, {"counting": 48.3}, 50.6) == pytest.approx(70 - 50.6)
    # Three songs of a minute or two tell nothing of one of three hours.
    assert pace.left_s(3 * 3600.0, {"listening": 10.0}, 60.0) is None
    assert pace.whole_s(None) is None
