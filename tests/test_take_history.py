"""A history survives anything: one line is one record, and nothing that is no take is added to or taken for one."""

import json
import os
import subprocess
import sys
import threading
from dataclasses import asdict, replace
from datetime import UTC, datetime, timedelta, timezone
from types import SimpleNamespace as Made

import pytest

from pulsefind.core.errors import FormatError, OutputError
from pulsefind.take import history
from pulsefind.take.history import TakeEntry, append_take, entry_of, read_history, takes_so_far

ENTRY = TakeEntry(1, "2026-01-02T03:04:05+00:00", "ab" * 32, "song.wav", "take.wav", 300, -4.5, 14.0, 3, 60.0, 0.8, 0.4)


def test_takes_are_added_line_by_line_and_read_back(tmp_path):
    path = tmp_path / "takes.jsonl"
    append_take(path, ENTRY)
    append_take(path, replace(ENTRY, spread_ms=12.0, offset_ms=None))
    assert read_history(path) == (ENTRY, replace(ENTRY, spread_ms=12.0, offset_ms=None))
    assert [json.loads(line)["schema"] for line in path.read_text().splitlines()] == [1, 1]


def test_a_line_that_lost_its_end_is_closed_before_the_next(tmp_path):
    path = tmp_path / "takes.jsonl"
    append_take(path, ENTRY)
    path.write_text(path.read_text().rstrip("\n"))
    append_take(path, ENTRY)
    assert len(read_history(path)) == 2


def test_a_file_that_is_no_history_is_left_as_it_is(tmp_path):
    path = tmp_path / "notes.txt"
    path.write_text("buy sticks\n")
    with pytest.raises(FormatError, match="line 1 is no take"):
        append_take(path, ENTRY)
    assert path.read_text() == "buy sticks\n"


def test_a_place_that_cannot_be_written_is_told(tmp_path):
    with pytest.raises(OutputError, match="can't be written"):
        append_take(tmp_path / "no folder" / "takes.jsonl", ENTRY)


def test_reviews_at_the_same_time_do_not_mix(tmp_path):
    path = tmp_path / "takes.jsonl"
    threads = [threading.Thread(target=append_take, args=(path, replace(ENTRY, hits=k))) for k in range(20)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(entry.hits for entry in read_history(path)) == list(range(20))


def test_progress_shows_the_takes_of_one_track():
    other = replace(ENTRY, track_sha256="cd" * 32, spread_ms=99.0)
    takes = (ENTRY, other, replace(ENTRY, spread_ms=7.0, reviewed_at=datetime(2026, 2, 1, tzinfo=UTC).isoformat()))
    text = takes_so_far(takes, ENTRY.track_sha256)
    lines = text.splitlines()
    assert len(lines) == 3 and "99" not in text
    assert lines[1].count("#") == 2 * lines[2].count("#")
    assert max(len(line) for line in lines) <= 80
    assert lines[1].endswith("  alone 60 behind")
    assert takes_so_far((ENTRY,), ENTRY.track_sha256) == ""


def line(**fields):
    return json.dumps({**asdict(ENTRY), **fields}) + "\n"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (line(schema=2), "schema 2, not 1"),
        (line(schema="x" * 50), f"schema {'x' * 20}, not 1"),
        (line(schema=True), "schema is no int"),
        (line(hits=300.0), "hits is no int"),
        (line(hits=True), "hits is no int"),
        (line(missed=None), "missed is no int"),
        (line(track=5), "track is no str"),
        (line(reviewed_at=None), "reviewed_at is no str"),
        (line(spread_ms=None), "spread_ms is no float"),
        (line(spread_ms="9"), "spread_ms is no float"),
        (line(offset_ms=False), "offset_ms is no float"),
        (line(offset_ms=1.001e9), "offset_ms is out of range"),
        (line(offset_ms=-1.001e9), "offset_ms is out of range"),
        (line(spread_ms=10**10), "spread_ms is out of range"),
        (line(spread_ms=float("nan")), "spread_ms is out of range"),
        (line(phase_gain=float("inf")), "phase_gain is out of range"),
        (line(more=1), "more"),
        ('{"schema": 1}\n', "reviewed_at"),
        ('{"hits": 1}\n', "schema"),
        ("[]\n", "list indices"),
        ("[" * 100_000 + "\n", "line 3 is no take"),
        ('{"half": \n', "line 3 is no take"),
    ],
)
def test_a_line_that_is_no_take_is_named_and_the_file_left_as_it_is(text, told, tmp_path):
    path = tmp_path / "takes.jsonl"
    path.write_text(line() + "\n" + text)
    before = path.read_bytes()
    for act in (lambda: read_history(path), lambda: append_take(path, ENTRY)):
        with pytest.raises(FormatError, match="line 3 is no take of a history") as refused:
            act()
        assert told in str(refused.value)
    assert path.read_bytes() == before


def test_whole_numbers_will_do_up_to_the_largest(tmp_path):
    path = tmp_path / "takes.jsonl"
    path.write_text(line(spread_ms=12, offset_ms=10**9, worst_alone_ms=-1e9, spread_share=None))
    (entry,) = read_history(path)
    assert (entry.spread_ms, entry.offset_ms, entry.worst_alone_ms, entry.spread_share) == (12, 10**9, -1e9, None)


def test_one_line_is_one_record_whatever_a_name_holds(tmp_path):
    """Line and paragraph separators of Unicode end a line for many a reader, and not for JSON lines (RFC 8259)."""
    path = tmp_path / "takes.jsonl"
    entry = replace(ENTRY, track="a\u2028b\u0085c\u2029\x0bd\x1c\n.wav")
    for _ in range(2):
        append_take(path, entry)
    assert read_history(path) == (entry, entry)
    assert path.read_bytes().count(b"\n") == 2


def test_nothing_else_than_a_line_is_written(tmp_path):
    path = tmp_path / "takes.jsonl"
    path.write_bytes(b"")
    append_take(path, ENTRY)
    once = path.read_bytes()
    append_take(path, ENTRY)
    assert once.startswith(b"{") and once.endswith(b"}\n") and path.read_bytes() == 2 * once
    path.write_bytes(once + b"\n \n")
    assert read_history(path) == (ENTRY,)


def test_a_history_is_text_of_a_sane_size(tmp_path, monkeypatch):
    path = tmp_path / "takes.jsonl"
    path.write_bytes(b"\xff\xfe\n")
    with pytest.raises(FormatError, match="the history can't be read"):
        read_history(path)
    append_take(tmp_path / "b.jsonl", ENTRY)
    monkeypatch.setattr(history, "LARGEST_BYTES", (tmp_path / "b.jsonl").stat().st_size)
    assert read_history(tmp_path / "b.jsonl") == (ENTRY,)
    monkeypatch.setattr(history, "LARGEST_BYTES", (tmp_path / "b.jsonl").stat().st_size - 1)
    with pytest.raises(FormatError, match="too large to be a history"):
        read_history(tmp_path / "b.jsonl")
    assert read_history(tmp_path / "none.jsonl") == ()
    (tmp_path / "gone.jsonl").symlink_to("nowhere")
    with pytest.raises(FormatError, match="can't be read"):
        read_history(tmp_path / "gone.jsonl")


FULL = """\
import resource, signal, sys
from pathlib import Path
sys.path.insert(0, sys.argv[2])
from test_take_history import ENTRY
from pulsefind.take.history import append_take
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
path = Path(sys.argv[1])
most = (path.stat().st_size if path.exists() else 0) + int(sys.argv[3])
resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))
try:
    append_take(path, ENTRY)
except Exception as error:
    print(type(error).__name__, error)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no such limits")
@pytest.mark.parametrize("room", [0, 1, 100])
@pytest.mark.parametrize("is_new", [False, True])
def test_where_a_line_finds_no_room_none_of_it_stays(room, is_new, tmp_path, request):
    """Nor does the file that was made for it."""
    path = tmp_path / "takes.jsonl"
    if not is_new:
        append_take(path, ENTRY)
    before = None if is_new else path.read_bytes()
    command = [sys.executable, "-c", FULL, str(path), str(request.path.parent), str(room)]
    said = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    assert said.startswith("OutputError") and "the history can't be written" in said
    assert (path.read_bytes() if path.exists() else None) == before


@pytest.mark.skipif(sys.platform == "win32", reason="no such limits")
def test_a_line_is_on_the_disk_before_it_is_told(tmp_path, monkeypatch):
    settled: list[int] = []
    monkeypatch.setattr(os, "fsync", settled.append)
    append_take(tmp_path / "takes.jsonl", ENTRY)
    assert len(settled) == 1


def made_review(drifts=(), shares=(), gain=None, known=True):
    """What the line of a review is made from, and nothing else."""
    return Made(
        subject=Made(track_sha256="ab" * 32, track="song.wav", recording="take.wav"),
        timing=Made(whole=Made(n=300, offset_ms=-4.49951, spread_ms=14.00049)),
        alignment=Made(offset_known=known),
        strokes=Made(missed=[1, 2, 3]),
        movement=Made(
            drifts=[Made(end_offset_ms=ms) for ms in drifts],
            corrections=[Made(spread_share=share) for share in shares],
            gains=None if gain is None else Made(phase_gain=gain),
        ),
    )


def test_the_line_of_a_review():
    when = datetime(2026, 1, 2, 5, 4, 5, 999, tzinfo=timezone(timedelta(hours=2)))
    entry = entry_of(made_review((20.0, -60.00049, 5.0), (0.5, 1.0, 0.6), 0.44444), when)
    assert entry == TakeEntry(
        *(1, "2026-01-02T03:04:05+00:00", "ab" * 32, "song.wav", "take.wav", 300),
        *(-4.5, 14.0, 3, -60.0, 0.7, 0.4444),
    )
    bare = entry_of(made_review(known=False), when)
    assert (bare.offset_ms, bare.worst_alone_ms, bare.spread_share, bare.phase_gain) == (None, None, None, None)


def test_the_newest_twelve_are_drawn_beside_the_widest_of_them():
    takes = [replace(ENTRY, spread_ms=k, worst_alone_ms=None) for k in (500.0, *range(1, 12), 34.0)]
    takes[-2:] = [replace(takes[-2], spread_ms=0.2), replace(takes[-1], worst_alone_ms=-12.4)]
    lines = takes_so_far(tuple(takes), ENTRY.track_sha256).split("\n")
    assert lines[0] == "Takes     13 of this track, in ms: spread of the hits, farthest off when alone"
    assert [row.count("#") for row in lines[1:-1]] == [*range(1, 11), 1, 34]
    assert lines[1] == "          2026-01-02   1.0 #"
    assert lines[-2] == "          2026-01-02  34.0 " + "#" * 34 + "  alone 12 ahead" and lines[-1] == ""
    still = takes_so_far((replace(ENTRY, spread_ms=0.0, worst_alone_ms=0.0),) * 2, ENTRY.track_sha256)
    assert still.split("\n")[1] == "          2026-01-02   0.0 #  alone 0 behind"
    wide = takes_so_far((replace(ENTRY, spread_ms=1e8, worst_alone_ms=1e9),) * 2, ENTRY.track_sha256)
    assert max(map(len, wide.split("\n"))) == 80
