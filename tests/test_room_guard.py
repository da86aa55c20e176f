"""Nobody else gets into the room: each way in that is known from the web is tried, and refused in one line.

Attacks and their names: the Open Worldwide Application Security Project's lists (cross-site request forgery, DNS
rebinding, path traversal, unrestricted upload, slow requests), from memory.
"""

import asyncio
import contextlib
import io
import json
import socket
import sys
import threading
import time
import zipfile
from concurrent.futures import ThreadPoolExecutor

import pytest
import uvicorn
from commands import run
from roomdriver import RunningRoom, short_song
from starlette.responses import PlainTextResponse

from pulsefind.room import guard as guarding
from pulsefind.room.app import config_of
from pulsefind.room.doors import Doors
from pulsefind.room.guard import Guard
from pulsefind.room.names import free_name, safe_name, sounds
from pulsefind.room.refusing import RefusedError

pytest_plugins = ("roomdriver",)


def refused(answer):
    """The line of a refusal, which is one and says nothing of the machine."""
    status, headers, body = answer
    assert 400 <= status < 500, (status, body)
    assert headers["content-type"].startswith("text/plain")
    assert "Access-Control-Allow-Origin" not in {name.title() for name in headers}
    line = body.decode()
    assert line.endswith("\n") and line.count("\n") == 1
    return line


# ---- who asks


def test_the_window_itself_is_let_in(room):
    status, _, body = room.ask("GET", "")
    assert status == 200 and b"The room" in body
    assert room.ask("GET", "news?window=a", headers={"Sec-Fetch-Site": "same-origin"})[0] == 200


def test_without_the_token_nothing_is_answered(room):
    wrong = [f"/{'x' * len(room.token)}/", "/", "//", "/news", f"/{room.token[:-1]}/news", f"/{room.token}"]
    wrong += [f"/{room.token.swapcase()}/news", f"/%2f{room.token}/news", "/once/", "/once/guess"]
    for path in wrong:
        assert "start pulsefind room again" in refused(room.ask("GET", "", whole_path=path)), path


def test_a_foreign_page_may_not_ask(room):
    for origin in (
        "http://example.com",
        "null",
        "http://127.0.0.1",
        f"http://localhost:{room.port}",
        "http://127.0.0.1:1",
    ):
        for method, path in (("GET", "news"), ("POST", "close"), ("PUT", "songs?name=a.wav"), ("OPTIONS", "songs")):
            refused(room.ask(method, path, b"", {"Origin": origin}))
    for site in ("cross-site", "same-site"):
        refused(room.ask("GET", "news", headers={"Sec-Fetch-Site": site}))


def test_what_changes_something_needs_an_origin(room):
    connection = socket.create_connection(("127.0.0.1", room.port))
    with contextlib.closing(connection):
        head = f"POST /{room.token}/close HTTP/1.1\r\nHost: 127.0.0.1:{room.port}\r\nContent-Length: 0\r\n\r\n"
        connection.sendall(head.encode())
        assert connection.recv(100).startswith(b"HTTP/1.1 403")


def test_another_name_for_this_machine_is_refused(room):
    # A page's name that leads to 127.0.0.1 comes with that name in Host (DNS rebinding).
    for host in (
        "example.com",
        f"example.com:{room.port}",
        f"localhost:{room.port}",
        "127.0.0.1",
        f"[::1]:{room.port}",
        "",
    ):
        assert "own address" in refused(room.ask("GET", "", headers={"Host": host})), host
    with contextlib.closing(socket.create_connection(("127.0.0.1", room.port))) as connection:
        own = f"127.0.0.1:{room.port}"
        connection.sendall(f"GET /{room.token}/ HTTP/1.1\r\nHost: {own}\r\nHost: example.com\r\n\r\n".encode())
        assert connection.recv(100).split()[1] in (b"400", b"403")


def test_only_this_machine_can_reach_it(room):
    others = {info[4][0] for info in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)} - {"127.0.0.1"}
    for address in others:
        with pytest.raises(OSError, match="refused"):
            socket.create_connection((address, room.port), timeout=2).close()


def test_a_ticket_leads_in_once():
    async def app(scope, receive, send):
        await PlainTextResponse("in")(scope, receive, send)

    guard = Guard(app, 7000, Doors())
    path = guard.ticket().removeprefix("http://127.0.0.1:7000")
    assert [asked(guard, path)[0] for _ in range(2)] == [303, 403]
    assert asked(guard, path)[0] == 403
    late = guard.ticket().removeprefix("http://127.0.0.1:7000")
    guard._ticket = guard._ticket[0], time.monotonic() - 1000
    assert asked(guard, late)[0] == 403


def asked(app, path, method="GET", headers=(), pieces=(b"",)):
    """Status and body that an application answers, without a server; pieces of the request's body as they come."""
    sent, left = [], list(pieces)
    scope = {
        "type": "http",
        "method": method,
        "path": path,
        "raw_path": path.encode(),
        "root_path": "",
        "query_string": b"",
        "headers": [(b"host", b"127.0.0.1:7000"), (b"origin", b"http://127.0.0.1:7000"), *headers],
        "client": ("127.0.0.1", 1),
    }

    async def receive():
        piece = left.pop(0)
        if isinstance(piece, float):
            await asyncio.sleep(piece)
            piece = b""
        return {"type": "http.request", "body": piece, "more_body": bool(left)}

    async def send(message):
        sent.append(message)

    # In a thread of its own: the browser of other tests keeps a loop running in this one.
    with ThreadPoolExecutor(1) as alone:
        alone.submit(lambda: asyncio.run(app(scope, receive, send))).result()
    return sent[0]["status"], b"".join(message.get("body", b"") for message in sent[1:])


# ---- what is answered


def test_every_answer_says_what_a_browser_may_do_with_it(room, tmp_path):
    short_song(tmp_path / "a.wav")
    assert room.drop(tmp_path / "a.wav", "headers.wav")[0] == 200
    song = next(song for song in room.all_ready(1)["songs"] if song["file"] == "headers.wav")["id"]
    for path in ("", "news", f"songs/{song}/", f"songs/{song}/sound/0", "nothing"):
        _, headers, body = room.ask("GET", path)
        policy = headers["content-security-policy"]
        assert policy.startswith("default-src 'none'") and "frame-ancestors 'none'" in policy, path
        assert "unsafe" not in policy and "*" not in policy and "http" not in policy
        assert headers["x-content-type-options"] == "nosniff" and headers["referrer-policy"] == "no-referrer"
        assert headers["cross-origin-resource-policy"] == "same-origin" and headers["cache-control"] == "no-store"
        assert not any(name.lower().startswith("access-control") for name in headers)
        if b"<script>" in body:
            assert "script-src 'sha256-" in policy and room.token.encode() not in body


# ---- what is sent


@pytest.mark.parametrize(
    ("told", "kept"),
    [
        ("../../../etc/cron.d/song.wav", "song.wav"),
        ("..\\..\\Windows\\song.wav", "song.wav"),
        ("/etc/passwd\0.wav", "passwd.wav"),
        ("   .wav", "song.wav"),
        ("....wav", "song.wav"),
        ("CON.wav", "song CON.wav"),
        (".hidden.wav", "hidden.wav"),
        ("a\u202egnp.wav", "a gnp.wav"),
        ('<img src=x onerror="x">.wav', "img src=x onerror= x.wav"),
        ("Straße № 5 (ключ).FLAC", "Straße № 5 (ключ).flac"),
        ("x" * 500 + ".wav", "x" * 120 + ".wav"),
        ("😀" * 100 + ".wav", "😀" * 30 + ".wav"),
    ],
)
def test_a_name_from_outside_becomes_a_plain_one(told, kept):
    assert safe_name(told) == kept


def test_a_name_that_is_taken_gets_a_number():
    assert free_name("Song.wav", ["song.FLAC", "SONG 2.mp3"]) == "Song 3.wav"
    assert free_name("Song.wav", ["Songs.wav"]) == "Song.wav"


@pytest.mark.parametrize("name", ["song.html", "song.svg", "song.wav.exe", "song", "wav", "set.toml", "song.json"])
def test_other_endings_are_refused(name):
    with pytest.raises(RefusedError) as error:
        safe_name(name)
    assert error.value.status == 415


def test_no_path_leads_out_of_the_folder(room, tmp_path):
    short_song(tmp_path / "a.wav", seed=1)
    before = sorted(path.name for path in room.folder.parent.iterdir())
    status, body = room.drop(tmp_path / "a.wav", "../../outside/../x.wav")
    assert status == 200 and '"name":"x.wav"' in body
    assert sorted(path.name for path in room.folder.parent.iterdir()) == before
    for path in (
        "songs/../../x/",
        "songs/..%2f..%2fx/",
        "songs/%2e%2e/sound/0",
        "files/..%2f..%2fset.toml",
        "songs/x.wav/",
    ):
        assert room.ask("GET", path)[0] == 404, path
    status, _ = room.post("songs/..%2f..%2fx/tell", base="", values={}, dropped=[])
    assert status == 404
    assert room.post("set", songs=["../x"])[0] == 404
    assert room.ask("PUT", "songs/0000000000000000/takes?name=a.wav", b"RIFF")[0] == 404


def test_an_archive_holds_plain_names_in_one_folder(room, tmp_path):
    short_song(tmp_path / "a.wav", seed=2)
    room.drop(tmp_path / "a.wav", "..\\..\\packed (1).wav")
    n = len(room.news()["songs"])
    song = next(song for song in room.all_ready(n)["songs"] if song["file"] == "packed (1).wav")
    status, body = room.post(f"songs/{song['id']}/make", what="archive")
    assert status == 200, body
    status, headers, data = room.ask("GET", f"files/{body.split(':')[1].strip('}').strip(chr(34))}")
    assert status == 200 and "attachment" in headers["content-disposition"]
    names = zipfile.ZipFile(io.BytesIO(data)).namelist()
    assert "packed (1)/packed (1).wav" in names and "packed (1)/packed (1).json" in names
    for name in names:
        folder, slash, inside = name.partition("/")
        assert (
            folder == "packed (1)" and slash and "/" not in inside and "\\" not in inside and not inside.startswith(".")
        )


HTML = b"<!DOCTYPE html><script>alert(1)</script>" * 200
SVG = b'<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"/>' * 200


@pytest.mark.parametrize(
    "data", [HTML, SVG, b"\0" * 10_000, b"", b"PK\x03\x04" * 3000, b"%PDF-1.7" * 1000, b"MZ" * 3000]
)
def test_what_is_no_recording_is_refused_whatever_its_name(room, data):
    before = sorted(room.folder.iterdir())
    for name in ("song.wav", "song.mp3", "song.m4a"):
        status, body = room.drop_bytes(data, name)
        assert status == 415 and "is no recording" in body
    assert sorted(room.folder.iterdir()) == before


def test_recordings_of_all_kinds_are_known_by_their_first_bytes(tmp_path):
    import soundfile

    short_song(tmp_path / "a.wav")
    samples, rate_hz = soundfile.read(tmp_path / "a.wav")
    for kind in ("flac", "ogg", "mp3", "aiff", "wav"):
        soundfile.write(tmp_path / f"b.{kind}", samples, rate_hz)
        assert sounds((tmp_path / f"b.{kind}").read_bytes()[:4096]), kind
    assert sounds(b"\0\0\0\x20ftypM4A \0\0\0\0")


def test_ten_gigabytes_of_zeros_are_refused_at_once(room):
    before = sorted(room.folder.iterdir())
    begun = time.monotonic()
    with contextlib.closing(socket.create_connection(("127.0.0.1", room.port))) as connection:
        head = f"PUT /{room.token}/songs?name=a.wav HTTP/1.1\r\nHost: 127.0.0.1:{room.port}\r\n"
        head += f"Origin: {room.origin}\r\nContent-Length: {10 * 10**9}\r\n\r\n"
        connection.sendall(head.encode() + b"\0" * 5000)
        assert connection.recv(1000).startswith(b"HTTP/1.1 413")
        # And the connection ends, so that the rest isn't read.
        connection.settimeout(5)
        with contextlib.suppress(ConnectionError):
            while connection.recv(1000):
                pass
    assert time.monotonic() - begun < 5
    assert sorted(room.folder.iterdir()) == before


def test_what_doesn_t_tell_its_size_is_counted(monkeypatch):
    async def app(scope, receive, send):
        with contextlib.suppress(RefusedError):
            while (await receive())["more_body"]:
                pass
            await PlainTextResponse("all of it")(scope, receive, send)
            return
        await PlainTextResponse("too much", 413)(scope, receive, send)

    guard = Guard(app, 7000, Doors())
    megabytes = [b"\0" * 2**20] * 5
    monkeypatch.setattr(guarding, "MOST_FILE_BYTES", 4 * 2**20)
    assert asked(guard, f"/{guard.token}/songs", "PUT", pieces=megabytes)[0] == 413
    assert asked(guard, f"/{guard.token}/songs", "PUT", pieces=megabytes[:4])[0] == 200
    assert asked(guard, f"/{guard.token}/tell", "POST", pieces=megabytes[:2])[0] == 413
    told = [(b"content-length", b"99999999")]
    assert asked(guard, f"/{guard.token}/songs", "PUT", told)[0] == 413


def test_a_body_that_stops_coming_is_given_up(monkeypatch):
    async def app(scope, receive, send):
        try:
            while (await receive())["more_body"]:
                pass
        except RefusedError as error:
            await guarding.refused(error)(scope, receive, send)

    monkeypatch.setattr(guarding, "SILENT_S", 0.05)
    guard = Guard(app, 7000, Doors())
    assert asked(guard, f"/{guard.token}/songs", "PUT", pieces=[b"RIFF", 1.0, b"x"])[0] == 408


def test_words_that_are_no_object_are_refused(room):
    for body in (b"[]", b"{", b"\xff", b"[" * 5000, b'"x"'):
        assert room.ask("POST", "set", body)[0] == 400


ODD: tuple[object, ...] = (
    True,
    -1,
    1e400,
    2**70,
    "",
    "x" * 3000,
    "\ud800",
    "\u202e",
    [],
    [[]],
    {},
    {"a": [1]},
    [{"what": "x"}, 5],
)


def test_odd_words_are_refused_and_never_break_an_answer(room, tmp_path):
    """Whatever JSON can hold, where the page sends a text, a number or a list; and numbers of 5000 digits."""
    room.drop(short_song(tmp_path / "a.wav", seed=3), "odd.wav")
    news = room.all_ready(len(room.news()["songs"]))
    song = next(song for song in news["songs"] if song["file"] == "odd.wav")["id"]
    mark = json.loads(room.ask("GET", f"songs/{song}/told")[2])["mark"]
    for value in ODD:
        for words in ({"what": "click", "on": value}, {"what": "click", "kind": value}, {"what": value}):
            assert room.post(f"songs/{song}/make", **words)[0] == 400, words
        for words in ({"base": value}, {"base": mark, "values": {"x": value}}, {"base": mark, "values": [value]}):
            assert room.post(f"songs/{song}/tell", **words)[0] in (400, 409), words
        for key in ("bpm", "meter", "range", "confirmed", "tempi"):
            told = room.post(f"songs/{song}/tell", base=mark, values={key: value})
            assert told[0] == 422 or (told[0] == 200 and value == []), (key, value, told)
            if told[0] == 200:
                assert room.post(f"songs/{song}/undo")[0] == 200
    for piece in ("9" * 5000, "9" * 7, "-1", "1e3", "%00"):
        assert room.ask("GET", f"songs/{song}/sound/{piece}")[0] == 404, piece


# ---- how it is asked


@pytest.fixture
def small_door():
    """A server with room for 8 connections and half a second of patience, around an application that says hello."""

    async def app(scope, receive, send):
        if scope["type"] == "lifespan":
            return
        await PlainTextResponse("hello")(scope, receive, send)

    doors = Doors(most=8, head_s=0.5)
    listener = socket.socket()
    listener.bind(("127.0.0.1", 0))
    listener.listen()
    port = listener.getsockname()[1]
    guard = Guard(app, port, doors)
    config = config_of(guard, doors)
    config.lifespan = "off"
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
    thread.start()
    yield guard, port, doors
    server.should_exit = True
    thread.join()
    listener.close()


def hello(guard, port, keep=None):
    connection = keep or socket.create_connection(("127.0.0.1", port), timeout=5)
    connection.sendall(f"GET /{guard.token}/ HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
    answer = b""
    while not answer.endswith(b"hello") and (more := connection.recv(2000)):
        answer += more
    if keep is None:
        connection.close()
    return answer


def test_a_slow_request_is_cut_off(small_door):
    guard, port, _ = small_door
    for begun in (b"", b"GET / HTTP/1.1\r\nHost: ", f"GET /{guard.token}/ HTTP/1.1\r\nHost: 127".encode()):
        with contextlib.closing(socket.create_connection(("127.0.0.1", port), timeout=5)) as connection:
            connection.sendall(begun)
            since = time.monotonic()
            with contextlib.suppress(ConnectionError):
                while time.monotonic() - since < 3:
                    # A byte now and then doesn't help.
                    connection.settimeout(0.2)
                    with contextlib.suppress(TimeoutError):
                        assert connection.recv(100) == b""
                        break
                    connection.sendall(b"x")
            assert time.monotonic() - since < 2
    assert b"hello" in hello(guard, port)


def test_strangers_don_t_keep_the_owner_out(small_door):
    guard, port, doors = small_door
    own = socket.create_connection(("127.0.0.1", port), timeout=5)
    assert b"hello" in hello(guard, port, own)
    strangers = [socket.create_connection(("127.0.0.1", port), timeout=5) for _ in range(40)]
    assert b"hello" in hello(guard, port, own)
    assert b"hello" in hello(guard, port)
    assert len(doors) <= 8
    for connection in (own, *strangers):
        connection.close()


def test_two_hundred_connections_leave_the_window_answered(room):
    strangers = [socket.create_connection(("127.0.0.1", room.port), timeout=5) for _ in range(200)]
    begun = time.monotonic()
    assert room.ask("GET", "news")[0] == 200
    assert time.monotonic() - begun < 2
    still = 0
    for connection in strangers:
        connection.settimeout(0.01)
        try:
            still += connection.recv(1) != b""
        except TimeoutError:
            still += 1
        except ConnectionError:
            pass
        connection.close()
    assert still <= 64


# ---- the command


def test_a_folder_has_one_room(room):
    with pytest.raises(AssertionError, match="its room is open already"):
        RunningRoom(room.folder)


def test_without_the_extra_it_says_what_to_install(monkeypatch, capsys):
    for name in ("pulsefind.room.app", "pulsefind.room.guard", "pulsefind.room.doors"):
        monkeypatch.delitem(sys.modules, name, raising=False)
    monkeypatch.setitem(sys.modules, "uvicorn", None)
    code, out, err = run(monkeypatch, capsys, "room")
    assert code == 2 and out == ""
    assert err == 'pulsefind: the room needs its extra; install it with: pip install "pulsefind[room]"\n'


def test_only_http_is_spoken():
    answering = Guard(None, 7000, Doors())({"type": "websocket", "path": "/"}, None, None)
    # By hand, as a browser of other tests may have a loop running here.
    with pytest.raises(RuntimeError, match="only HTTP"):
        answering.send(None)


def test_who_asks_wrongly_and_what_is_too_large_are_told_by_status_and_size(monkeypatch):
    async def app(scope, receive, send):
        try:
            await receive()
        except RefusedError as error:
            await guarding.refused(error)(scope, receive, send)

    guard = Guard(app, 7000, Doors())
    path = f"/{guard.token}/songs"
    assert asked(guard, path, headers=[(b"host", b"127.0.0.1:7000")])[0] == 403
    assert asked(guard, path, headers=[(b"sec-fetch-site", b"cross-site")])[0] == 403
    for method, n_bytes, told in (("PUT", 4 * 2**30, b"4 GB"), ("POST", 2**20, b"1 MB")):
        length = [(b"content-length", str(n_bytes + 1).encode())]
        status, line = asked(guard, path, method, length)
        assert status == 413 and b"larger than " + told in line
    # A size that says a whole gigabyte is told in those.
    monkeypatch.setattr(guarding, "MOST_FILE_BYTES", 2**30)
    assert b"larger than 1 GB" in asked(guard, path, "PUT", [(b"content-length", b"9999999999")])[1]
