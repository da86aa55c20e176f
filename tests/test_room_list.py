"""The list of songs is there from the first paint on, and is asked for again, whatever goes wrong on the way."""

import asyncio
import json
import os
import re
import sys
import threading
import time

import pytest
from pagebrowser import needs_browser, until
from roomdriver import RunningRoom, short_song

from pulsefind.room import board as boards
from pulsefind.room.board import Board
from pulsefind.room.looking import seen
from pulsefind.room.place import settled
from pulsefind.room.windows import LEFT_S, OPENING_S, Windows
from pulsefind.room.work import Work

pytest_plugins = ("pagebrowser", "roomdriver")


@pytest.fixture(scope="module")
def opened(tmp_path_factory):
    """A room on a folder of three songs, one of them with a name that is no text, and its page as it first came."""
    folder = tmp_path_factory.mktemp("listed") / "gig"
    folder.mkdir()
    for seed in range(2):
        short_song(folder / f"{seed}.wav", length_s=3.0, seed=seed)
    if sys.platform == "linux":
        short_song(folder / "c.wav", length_s=3.0, seed=2).rename(os.fsdecode(os.fsencode(folder) + b"/caf\xe9.wav"))
    room = RunningRoom(folder)
    # Before anybody has asked anything.
    yield room, room.ask("GET", "")[2].decode()
    room.end()


@pytest.fixture
def listed(opened):
    return opened[0]


def in_page(text):
    """What the server wrote into the page for its script."""
    return json.loads(re.search(r'<script type="application/json" id="data">(.*?)</script>', text, re.S)[1])


def test_the_first_page_has_all_songs_in_it(opened):
    titles = [song["title"] for song in in_page(opened[1])["state"]["songs"]]
    assert titles == ["0", "1", "caf\N{REPLACEMENT CHARACTER}"][: len(titles)] and len(titles) >= 2


@pytest.mark.skipif(sys.platform != "linux", reason="other systems take no such names")
def test_a_name_that_is_no_text_is_heard_and_what_it_can_t_have_is_told(listed):
    songs = listed.all_ready(3)["songs"]
    song = next(song for song in songs if song["title"].startswith("caf"))
    assert listed.ask("GET", f"songs/{song['id']}/")[0] == 200
    status, body = listed.post(f"songs/{song['id']}/make", what="sheet")
    assert status == 200 and listed.ask("GET", f"files/{json.loads(body)['file']}")[0] == 200
    # A command finds an analysis's recording by the name that was saved, which is text.
    status, line = listed.post(f"songs/{song['id']}/make", what="click")
    assert status == 422 and "name the recording" in line and line.count("\n") == 1
    # The set's file is text too: this song stays beside the set.
    assert song["id"] not in listed.news()["set"]


def looking(folder, act):
    """What happens on a board of a folder, without workers."""

    async def run():
        board = Board(settled(folder), Work(["false"], 1))
        try:
            await act(board)
        finally:
            await board.end()

    outcome: list[BaseException | None] = []
    thread = threading.Thread(target=lambda: outcome.append(_caught(run)))
    thread.start()
    thread.join()
    if outcome[0] is not None:
        raise outcome[0]


def _caught(run):
    try:
        asyncio.run(run())
    except BaseException as error:  # noqa: BLE001 - handed to the test
        return error
    return None


def test_a_disk_that_is_busy_with_songs_coming_in_keeps_the_list_waiting_no_longer(tmp_path):
    short_song(tmp_path / "a.wav", length_s=1.0)
    free = threading.Event()

    async def act(board):
        # As many writes as there can be threads for them, none of which ends.
        writes = [asyncio.create_task(asyncio.to_thread(free.wait, 20)) for _ in range(200)]
        await asyncio.sleep(0)
        begun = time.monotonic()
        try:
            await asyncio.wait_for(board.see(), 5)
            assert [entry.song.track.name for entry in board.entries.values()] == ["a.wav"]
            assert time.monotonic() - begun < 5
        finally:
            free.set()
            await asyncio.gather(*writes)

    looking(tmp_path, act)


def test_a_folder_that_can_t_be_read_now_is_told_and_read_the_next_time(tmp_path, monkeypatch):
    short_song(tmp_path / "a.wav", length_s=1.0)
    faults = [OSError(5, "Input/output error"), FileNotFoundError(2, "No such file or directory")]

    def seen_at_last(shelf):
        if faults:
            raise faults.pop()
        return seen(shelf)

    monkeypatch.setattr(boards, "seen", seen_at_last)

    async def act(board):
        for line in ("No such file", "Input/output error"):
            version = board.version
            await board.see()
            assert line in board.trouble and "tried again" in board.trouble
            assert board.version != version and not board.entries
        await board.see()
        assert len(board.entries) == 1 and board.trouble == ""

    looking(tmp_path, act)


def test_news_from_many_threads_is_never_lost(tmp_path):
    async def act(board):
        threads = [threading.Thread(target=lambda: [board.changed() for _ in range(2000)]) for _ in range(8)]
        before = board.version
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert board.version != before
        board.changed()
        # Every change had a number of its own, and none comes twice.
        assert board.version == before + 8 * 2000 + 1

    looking(tmp_path, act)


def test_a_page_that_is_still_being_drawn_keeps_the_room_open():
    now = [0.0]
    windows = Windows(lambda: now[0])
    windows.seen("a")
    windows.opening()
    windows.left("a")
    now[0] += OPENING_S - 1
    assert not windows.are_gone(busy=False)
    windows.seen("b")
    windows.left("b")
    now[0] += LEFT_S
    assert windows.are_gone(busy=False)
    # A page that never says anything doesn't keep it open for good.
    windows.opening()
    now[0] += OPENING_S
    assert windows.are_gone(busy=False)


# ---- in a browser

QUICK = "const whole = AbortSignal.timeout.bind(AbortSignal); AbortSignal.timeout = (ms) => whole(ms / 20);"


@pytest.fixture
def page(browser):
    context = browser.new_context(viewport={"width": 900, "height": 700})
    yield context.new_page()
    context.close()


@needs_browser
def test_a_question_that_is_never_answered_is_asked_again(page, listed):
    left = ["hang", "hang", "broken", "refused", "broken", "hang"]

    def answer(route):
        fault = left.pop(0) if left else "none"
        if fault == "none":
            route.continue_()
        elif fault == "broken":
            route.fulfill(status=500, body="broken")
        elif fault == "refused":
            route.abort()

    page.add_init_script(QUICK)
    page.route("**/news*", answer)
    page.goto(listed.address)
    # The first paint has the songs, with no question asked.
    assert page.locator(".song").count() >= 2
    short_song(listed.folder / "late.wav", length_s=2.0, seed=9)
    until(page, "[...document.querySelectorAll('.song-title')].some((one) => one.textContent === 'late')", 30)
    assert not left and page.is_hidden("#closed")
    (listed.folder / "late.wav").unlink()


@needs_browser
def test_what_couldn_t_be_shown_counts_as_unseen(page, listed):
    page.goto(listed.address)
    page.evaluate(
        """() => {
            const { talk } = window.pulsefindRoom;
            const show = talk.heard;
            window.times = 0;
            talk.heard = (state) => {
                window.times += 1;
                if (window.times < 3) throw new Error("not now");
                show(state);
            };
            talk.version = "";
        }"""
    )
    until(page, "window.times >= 3")
    assert page.is_hidden("#closed")


@needs_browser
def test_a_song_that_is_too_large_is_refused_before_it_is_sent(page, listed):
    sent = []
    page.on("request", lambda request: sent.append(request.url) if request.method == "PUT" else None)
    page.goto(listed.address)
    page.evaluate(
        """() => {
            const { doorway } = window.pulsefindRoom;
            const large = new File(["RIFF"], "Nine Hours.wav");
            Object.defineProperty(large, "size", { value: 5.4 * 2 ** 30 });
            doorway.take([large], false);
        }"""
    )
    until(page, "document.querySelector('#coming .refused')")
    assert (
        page.inner_text("#coming .refused .coming-what") == "has 5.4 GB, and 4 GB is the most: cut it into parts first"
    )
    assert sent == []


PRINTED = "window.print = () => window.parent.postMessage(location.pathname);"


@needs_browser
def test_without_a_song_at_hand_the_demo_song_is_one_press_away_and_sheets_are_printed(page, open_room):
    room = open_room()
    page.add_init_script(PRINTED)
    page.goto(room.address)
    page.evaluate("() => { window.printed = []; addEventListener('message', ({ data }) => printed.push(data)); }")
    page.click("#take-demo")
    until(page, "document.querySelector('.song')")
    assert page.is_hidden("#take-demo")
    until(page, "document.querySelector('.song[data-state=\"ready\"]')", 60)
    assert "96" in page.inner_text(".song-tempo")
    page.click("#set-sheet")
    until(page, "window.printed.length === 1")
    page.click(".song-more summary")
    page.click("text=Print its sheet")
    until(page, "window.printed.length === 2")
    assert page.frames[-1].locator("section.page").count() == 1
    # Asked for once more, it is there already.
    assert json.loads(room.ask("POST", "demo")[2])["was_there"]


@needs_browser
def test_the_sheet_alone_may_stand_in_a_frame(listed):
    listed.until(lambda news: news["set"])
    sheet = json.loads(listed.post("make")[1])["file"]
    for path, who in ((f"files/{sheet}", "'self'"), ("", "'none'"), ("news", "'none'")):
        _, headers, _ = listed.ask("GET", path)
        assert f"frame-ancestors {who}" in headers["content-security-policy"], path
        assert headers["x-frame-options"] == ("SAMEORIGIN" if who == "'self'" else "DENY")
