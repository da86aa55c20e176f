"""Several songs in one run, the set as a file, and two people's files made one."""

import json
import tomllib

import numpy as np
import pytest
import soundfile
from commands import run
from making import RATE_HZ, drum, render

from pulsefind.core.errors import FormatError
from pulsefind.song.merging import merged
from pulsefind.song.reading import read_song
from pulsefind.song.setlist import read_set, set_text


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """Two recordings, one that is none, and a text."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "gig").mkdir()
    for name, beat_s in (("b harbour.wav", 0.5), ("a tide.wav", 0.6)):
        beats = 1.0 + beat_s * np.arange(32)
        sound = render(beats[-1] + 1.5, (beats[::4], drum(60), 0.9), (beats, drum(900, 0.05, 0.01), 0.4))
        soundfile.write(tmp_path / "gig" / name, sound, RATE_HZ)
    (tmp_path / "gig" / "c broken.flac").write_bytes(b"no sound")
    (tmp_path / "gig" / "words.txt").write_text("no song")
    return tmp_path


@pytest.fixture
def go(monkeypatch, capsys):
    return lambda *words: run(monkeypatch, capsys, *words)


def test_a_folder_is_found_song_by_song_and_goes_on_where_it_was_left(folder, go):
    code, out, err = go("find", "gig", "--out", "found")
    lines = out.splitlines()
    assert (code, err) == (2, "")
    assert [line[:10] for line in lines[:3]] == ["1 of 3  a ", "2 of 3  b ", "3 of 3  c "]
    assert " 100 bpm" in lines[0] and " 120 bpm" in lines[1] and "not read: " in lines[2]
    assert max(map(len, lines[:3])) <= 80
    assert "1 of 3: not read" in out and "found/set.toml: the songs in their order" in out
    made = (folder / "found" / "a tide.json").stat().st_mtime_ns
    code, out, _ = go("find", "gig", "--out", "found")
    assert (folder / "found" / "a tide.json").stat().st_mtime_ns == made
    assert "set.toml: stays as it is" in out
    # What was told since asks for the song to be made anew, which is said and not done unasked.
    (folder / "gig" / "a tide.song.toml").write_text("nudge_ms = 5")
    code, out, _ = go("find", "gig", "--out", "found")
    assert "--force makes it anew" in out and (folder / "found" / "a tide.json").stat().st_mtime_ns == made
    code, out, err = go("find", "gig", "--out", "found", "--force")
    assert "a tide.song.toml is obeyed" in err
    assert json.loads((folder / "found" / "a tide.json").read_text())["settings"]["corrections"]["nudge_ms"] == 5


def test_the_set_is_read_by_sheet_and_page_in_its_order(folder, go):
    go("find", "gig/a tide.wav", "gig/b harbour.wav", "--out", "gig")
    path = folder / "gig" / "set.toml"
    assert [one.name for one in read_set(path)] == ["a tide.json", "b harbour.json"]
    path.write_text(set_text(["b harbour.json", "a tide.wav"]))
    code, out, err = go("sheet", "gig/set.toml", "--out", "set.html")
    assert (code, err) == (0, "") and "2 songs" in out
    text = (folder / "set.html").read_text()
    assert text.index("b harbour") < text.index("a tide")
    code, out, err = go("page", "gig/set.toml", "--out", "pages", "--audio", "beside")
    assert (code, err) == (0, "")
    assert sorted(one.name for one in (folder / "pages").iterdir()) == ["a tide.html", "b harbour.html"]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("find", "gig", "--one-at", "1.0"), "corrections are for one song"),
        (("find", "gig", "--json"), "--json prints one analysis"),
        (("find", "empty"), "holds no recording"),
        (("find", "gig/a tide.wav", "gig/a tide.wav", "--out", "x"), "two songs are called so"),
        (("find", "gig", "--out", "gig/words.txt"), "is a file"),
        (("sheet", "bad.toml", "--out", "x.html"), "bad.toml: lists no songs"),
        (("sheet", "odd.toml", "--out", "x.html"), "odd.toml, line 2, songs"),
        (("page", "odd.toml", "--one-at", "1.0"), "corrections are for one song"),
        (("page", "odd.toml", "--history", "takes.jsonl"), "a take and corrections are for one song"),
    ],
)
def test_what_cannot_be_done_for_many_is_one_line(folder, go, words, told):
    (folder / "empty").mkdir()
    (folder / "bad.toml").write_text("songs = 3")
    (folder / "odd.toml").write_text("# x\nsongs = [3]")
    code, out, err = go(*words)
    assert (code, out) == (2, "") and told in err and len(err.splitlines()) == 1


def test_no_page_of_a_set_takes_the_place_of_another(folder, go):
    """Two songs of one name from two folders: with --force the second would be written over the first."""
    (folder / "late").mkdir()
    (folder / "late" / "a tide.wav").write_bytes((folder / "gig" / "b harbour.wav").read_bytes())
    (folder / "set.toml").write_text(set_text(["gig/a tide.wav", "late/a tide.wav"]))
    for force in ((), ("--force",)):
        code, out, err = go("page", "set.toml", "--out", "pages", "--audio", "beside", *force)
        assert (code, out) == (2, "") and "a tide: two songs are called so" in err and len(err.splitlines()) == 1
    assert not (folder / "pages").exists()
    # A song that is played twice has one page.
    (folder / "set.toml").write_text(set_text(["gig/a tide.wav", "gig/a tide.wav"]))
    assert go("page", "set.toml", "--out", "pages", "--audio", "beside")[0] == 0


def test_a_song_that_can_not_be_read_keeps_no_other_from_its_page(folder, go):
    (folder / "set.toml").write_text(set_text(["gig/a tide.wav", "gig/c broken.flac", "gig/b harbour.wav"]))
    code, out, err = go("page", "set.toml", "--out", "pages", "--audio", "beside")
    assert code == 2 and len(out.splitlines()) == 2 and len(err.splitlines()) == 1
    assert "1 of 3 songs without a page: " in err and "c broken.flac" in err
    made = {one.name: one.stat().st_mtime_ns for one in (folder / "pages").iterdir()}
    assert sorted(made) == ["a tide.html", "b harbour.html"]
    # What can't be written is refused before any work, not in the middle.
    (folder / "pages" / "a tide.html").unlink()
    code, out, err = go("page", "set.toml", "--out", "pages", "--audio", "beside")
    assert (code, out) == (2, "") and "b harbour.html: exists already" in err
    assert [one.name for one in (folder / "pages").iterdir()] == ["b harbour.html"]


MINE = """\
# Ida's
the_1 = 3.650    # exact
meters = ["bar 14: 2/4"]
sections = ["verse 1-8"]
mood = "brisk"
"""


def two(tmp_path, theirs, mine=MINE):
    for name, text in (("mine.song.toml", mine), ("theirs.song.toml", theirs)):
        (tmp_path / name).write_text(text)
    return read_song(tmp_path / "mine.song.toml"), read_song(tmp_path / "theirs.song.toml")


def test_two_files_become_one_with_the_comments_of_mine(tmp_path):
    theirs = 'nudge_ms = 4\nthe_1 = 3.650\nmeters = ["bars 20-21: 7/8", "bar 14: 2/4"]\n'
    theirs += 'sections = ["chorus 9-16"]\nkey = "E"\n'
    text = merged(*two(tmp_path, theirs))
    (tmp_path / "both.song.toml").write_text(text)
    known = read_song(tmp_path / "both.song.toml").corrections
    assert known.nudge_ms == 4 and [section.name for section in known.sections] == ["verse", "chorus"]
    assert [passage.first_bar for passage in known.passages] == [14, 20]
    assert "# Ida's" in text and "# exact" in text and 'key = "E"' in text and 'mood = "brisk"' in text


@pytest.mark.parametrize(
    ("theirs", "told"),
    [
        ("the_1 = 3.700", r"the_1 \(3.650 in mine.song.toml, 3.700 in theirs.song.toml\)"),
        ('the_1 = 4.0\nmood = "slow"', "the_1 .* mood"),
        ('meters = ["bars 13-15: 3/4"]', "can't hold together: .*begins within the passage from bar 13"),
        ('sections = ["intro 1-4"]', "can't hold together: .*within"),
    ],
)
def test_a_conflict_is_named_and_nothing_is_written(tmp_path, theirs, told, go, monkeypatch):
    with pytest.raises(FormatError, match=told):
        merged(*two(tmp_path, theirs))
    monkeypatch.chdir(tmp_path)
    code, out, err = go("merge", "mine.song.toml", "theirs.song.toml", "--out", "both.song.toml")
    assert (code, out) == (2, "") and len(err.splitlines()) == 1
    assert not (tmp_path / "both.song.toml").exists() and (tmp_path / "mine.song.toml").read_text() == MINE


def test_what_is_meant_to_the_millisecond_stays_so(tmp_path):
    """2.240 names the millisecond and 2.24 doesn't (README): a number keeps the decimals that it was written with."""
    theirs = 'the_1 = [2.240, 9.10, "1:35.2"]\nsticks_mm = 406.40\n'
    text = merged(*two(tmp_path, theirs, "title = 'x'\n"))
    (tmp_path / "both.song.toml").write_text(text)
    ones = read_song(tmp_path / "both.song.toml").corrections.ones
    assert [(one.time_s, one.exact) for one in ones] == [(2.24, True), (9.1, False), (95.2, False)]
    assert "sticks_mm = 406.40\n" in text


@pytest.mark.parametrize(
    ("mine", "theirs"),
    [
        ('the_1 = "0:02.240"', "the_1 = 2.240"),
        ("bpm = 92", 'bpm = "92"'),
        ('range = "0:30-2:10"', 'range = "30-130"'),
        ("nudge_ms = -12", "nudge_ms = -12.0"),
    ],
)
def test_the_same_in_other_words_is_no_conflict(mine, theirs, tmp_path):
    assert merged(*two(tmp_path, theirs, mine)) == mine


def test_about_there_and_exactly_there_is_a_conflict(tmp_path):
    with pytest.raises(FormatError, match=r"the_1 \(2.24 in mine.song.toml, 2.240 in theirs.song.toml\)"):
        merged(*two(tmp_path, "the_1 = 2.240", "the_1 = 2.24"))


LISTED = """\
meters = [
  "bar 14: 2/4",   # the stop
  "bar 30: 3/4"    # Jon comes in early
  # and no more
]
"""


@pytest.mark.parametrize("theirs", ['meters = ["bar 40: 5/4"]', 'meters = ["bar 30: 3/4", "bar 40: 5/4"]'])
def test_comments_within_a_list_stay_when_it_gets_longer(theirs, tmp_path):
    text = merged(*two(tmp_path, theirs, LISTED))
    assert all(f"# {said}\n" in text for said in ("the stop", "Jon comes in early", "and no more"))
    (tmp_path / "both.song.toml").write_text(text)
    known = read_song(tmp_path / "both.song.toml").corrections
    assert [passage.first_bar for passage in known.passages] == [14, 30, 40]
    assert merged(*two(tmp_path, 'meters = ["bar 30: 3/4"]', LISTED)) == LISTED


def test_a_list_of_tables_and_other_things_is_taken_over_or_refused_in_a_line(tmp_path):
    for value in ('[{ who = "Ida" }, 5]', '[5, { who = "Ida" }]', '[{ who = "Ida" }, "Jon"]', '[[{ who = "Ida" }]]'):
        assert tomllib.loads(merged(*two(tmp_path, f"crew = {value}", "title = 'x'")))["crew"]


def test_what_would_get_too_large_to_be_read_is_not_written(tmp_path, go, monkeypatch):
    mine, theirs = ("notes = [" + ", ".join(f'"{who}{"." * 1900}{k}"' for k in range(400)) + "]" for who in "ab")
    two(tmp_path, theirs, mine)
    monkeypatch.chdir(tmp_path)
    code, out, err = go("merge", "mine.song.toml", "theirs.song.toml", "--out", "both.song.toml")
    assert (code, out) == (2, "") and "too large to be read" in err and len(err.splitlines()) == 1
    assert not (tmp_path / "both.song.toml").exists()


def test_merging_never_writes_over_what_it_reads(tmp_path, go, monkeypatch):
    two(tmp_path, "nudge_ms = 4")
    monkeypatch.chdir(tmp_path)
    assert go("merge", "mine.song.toml", "theirs.song.toml", "--out", "mine.song.toml", "--force")[0] == 2
    code, out, _ = go("merge", "mine.song.toml", "theirs.song.toml", "--out", "both.song.toml")
    assert code == 0 and "all beats 4 ms later" in out
