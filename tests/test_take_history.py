import json
import threading
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from pulsefind.core.errors import FormatError, OutputError
from pulsefind.take.history import TakeEntry, append_take, read_history, takes_so_far

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
