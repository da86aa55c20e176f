"""The ladder: what each file clicks, the cue sheet, all or nothing."""

import re
import shutil
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
import soundfile
from songs import analysis, onsets, write_track

from pulsefind.core.errors import OutputError
from pulsefind.practice import ladder
from pulsefind.practice.ladder import CAUTION, CUE_SHEET, check_folder, rungs, write_ladder
from pulsefind.practice.mix import Levels, write
from pulsefind.practice.render import Part, Plan, Practice
from pulsefind.practice.spool import spooled

SONG = analysis(meters=(4,) * 16, bpm=240.0, pickup=1, guide=(("2&", 1), ("4&", 1)))


@pytest.fixture
def practice(tmp_path):
    write_track(tmp_path / "song.wav", SONG.track.duration_s)
    with spooled(tmp_path / "song.wav", None, None, 1.0) as spool:
        yield Practice(SONG, spool, Plan(reveal_bars=4), None, Levels())


def counts(clicks):
    """Places of clicks in beats from the 1 of their bar; the pickup bar lacks its 1."""
    return np.round((clicks.time_s - SONG.bars.start_s[clicks.bar]) / 0.25, 6)


def test_each_file_gives_less_help_than_the_one_before():
    found = {rung.name: rung for rung in rungs(SONG, Plan(reveal_bars=4), None)}
    assert list(found) == [
        "every beat",
        "only the 1",
        "the bright tick alone, then revealed",
        "the bright tick with the track",
        "check every 8th bar",
        "no help",
    ]
    assert len(found["every beat"].clicks.time_s) == 1 + 64
    np.testing.assert_array_equal(counts(found["only the 1"].clicks), 0)
    with_track = found["the bright tick with the track"].clicks
    assert set(counts(with_track)) == {1.5, 3.5}
    assert not with_track.accent.any()
    np.testing.assert_array_equal(SONG.bars.number[found["check every 8th bar"].clicks.bar], [1, 9])
    assert len(found["no help"].clicks.time_s) == 0
    assert all(rung.do and rung.listen for rung in found.values())


def test_the_beats_are_revealed_after_the_bars_asked_for():
    rung = rungs(SONG, Plan(reveal_bars=4), None)[2]
    assert not rung.with_track
    assert not rung.counted
    per_bar = np.bincount(rung.clicks.bar, minlength=17)[1:]
    # The guide sounds up to bar 14 only, and is clicked only there.
    np.testing.assert_array_equal(per_bar, [2] * 4 + [6] * 4 + [2] * 4 + [6] * 2 + [4] * 2)
    accented = rung.clicks.bar[rung.clicks.accent]
    np.testing.assert_array_equal(SONG.bars.number[accented], [5, 6, 7, 8, 13, 14, 15, 16])


def test_a_riddle_is_set_only_by_a_guide_that_can_answer_it():
    # By ear: what falls on 2& and 4& says as much about 3 as about 1; on 1 and 2& it is another matter.
    even, telling = (("2&", 1), ("4&", 1)), (("1", 1), ("2&", 1))
    for guide, asked in ((even, False), (telling, True)):
        song = analysis(meters=(4,) * 16, bpm=240.0, guide=guide)
        rung = rungs(song, Plan(), None)[2]
        assert ("Find the 1" in rung.do) == asked
        assert ("nobody can tell the 1" in rung.do) != asked


@pytest.mark.parametrize("n_bars", [4, 5, 8, 16, 40])
def test_no_wait_is_longer_than_the_song(n_bars):
    song = analysis(meters=(4,) * n_bars, guide=(("1", 1), ("2&", 1)))
    found = rungs(song, Plan(reveal_bars=8), None)
    revealed = next(rung for rung in found if "revealed" in rung.name)
    assert set(np.bincount(revealed.clicks.bar, minlength=n_bars)[1:-1]) - {2}, "the beats join in"
    checks = next(rung for rung in found if rung.name.startswith("check"))
    assert len(checks.clicks.time_s) >= 2
    waits = [int(word) for word in re.findall(r"For (\d+) bar", revealed.do)]
    assert waits and max(waits) <= n_bars // 2


def test_without_a_guide_its_files_are_left_out():
    assert [rung.name for rung in rungs(analysis(), Plan(), None)] == [
        "every beat",
        "only the 1",
        "check every 4th bar",
        "no help",
    ]


def test_a_part_has_only_its_own_clicks():
    start_s, end_s = SONG.bars.start_s[5], SONG.bars.start_s[9]
    for rung in rungs(SONG, Plan(reveal_bars=2), Part(start_s, end_s)):
        assert ((rung.clicks.time_s >= start_s - 1e-6) & (rung.clicks.time_s < end_s)).all(), rung.name


def test_files_and_cue_sheet(practice, tmp_path):
    folder = tmp_path / "ladder"
    done = write_ladder(practice, folder, ".flac", False, lambda _: None)
    names = [one.path.name for one in done]
    assert sorted(p.name for p in folder.iterdir()) == sorted([*names, CUE_SHEET])
    assert [name[0] for name in names] == list("123456")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["ladder", "song.wav"]
    text = (folder / CUE_SHEET).read_text()
    assert " ".join(CAUTION.split()) in " ".join(text.split())
    for name in names:
        assert name in text
    assert text.count("  Do:") == text.count("  Listen:") == 6
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "2& and 4&" in text and "LUFS" not in text
    assert "Follow    pickup to bar 14   bright tick on 2& and 4&" in text
    for one in done:
        assert soundfile.info(one.path).frames / 44100 == pytest.approx(one.duration_s)


def test_the_guide_alone_is_heard_where_it_falls(practice, tmp_path):
    done = write_ladder(practice, tmp_path / "ladder", ".wav", False, lambda _: None)
    sound, rate_hz = soundfile.read(done[2].path)
    expected = rungs(SONG, practice.plan, None)[2].clicks.time_s
    np.testing.assert_allclose(onsets(sound, rate_hz), expected, atol=0.001)


def test_all_files_are_turned_down_alike(tmp_path):
    write_track(tmp_path / "song.wav", SONG.track.duration_s, level=0.5)
    with spooled(tmp_path / "song.wav", None, None, 1.0) as spool:
        loud = Practice(SONG, spool, Plan(), None, Levels(click_db=6.0))
        done = write_ladder(loud, tmp_path / "ladder", ".wav", False, lambda _: None)
    assert done[0].turned_down_db > 1
    assert len({one.turned_down_db for one in done}) == 1
    assert max(one.true_peak_dbtp for one in done) <= -1.0


def test_what_is_there_is_kept_or_replaced_as_asked(practice, tmp_path):
    folder = tmp_path / "ladder"
    folder.mkdir()
    (folder / "my notes.txt").write_text("mine")
    (folder / CUE_SHEET).write_text("old")
    with pytest.raises(OutputError, match="--force"):
        write_ladder(practice, folder, ".wav", False, lambda _: None)
    assert (folder / CUE_SHEET).read_text() == "old"
    write_ladder(practice, folder, ".wav", True, lambda _: None)
    assert (folder / "my notes.txt").read_text() == "mine"
    assert (folder / CUE_SHEET).read_text() != "old"


def test_of_two_ladders_into_one_folder_the_second_is_refused_or_laid_over_the_first_whole(practice, tmp_path):
    """The second starts when the folder isn't there yet, and is done when the first one has made it."""
    folder, whole = tmp_path / "ladder", tmp_path / "whole"
    write_ladder(practice, whole, ".wav", False, lambda _: None)

    for force in (False, True):
        begun = iter([True])

        def first_of_all(what, begun=begun):
            if next(begun, False):
                write_ladder(practice, folder, ".flac", False, lambda _: None)

        if force:
            write_ladder(practice, folder, ".wav", True, first_of_all)
        else:
            with pytest.raises(OutputError, match="exists already"):
                write_ladder(practice, folder, ".wav", False, first_of_all)
            assert {path.suffix for path in folder.iterdir()} == {".flac", ".txt"}
            shutil.rmtree(folder)
    for path in whole.iterdir():
        assert (folder / path.name).read_bytes() == path.read_bytes()
    assert len(list(folder.glob("*.flac"))) == 6
    assert not list(tmp_path.glob(".pulsefind-*"))


def test_two_ladders_that_lay_their_files_at_once_are_not_mixed(tmp_path, monkeypatch):
    """Both may replace: the folder holds the files of one of them throughout. Each move takes its time here."""
    folder = tmp_path / "ladder"
    folder.mkdir()
    move, pauses = Path.replace, iter(np.random.default_rng(0).uniform(0.0, 0.02, 100).tolist())

    def slowly(path, target):
        time.sleep(next(pauses))
        return move(path, target)

    works = [tmp_path / "one", tmp_path / "two"]
    for work in works:
        work.mkdir()
        for name in ("1.wav", "2.wav", "3.wav", "4.wav", "5.wav", CUE_SHEET):
            (work / name).write_text(work.name)
    monkeypatch.setattr(Path, "replace", slowly)
    with ThreadPoolExecutor(2) as pool:
        list(pool.map(lambda work: ladder._move(work, folder, True), works))
    assert len({path.read_text() for path in folder.iterdir()}) == 1
    assert len(list(folder.iterdir())) == 6


def test_a_failure_half_way_leaves_nothing(practice, tmp_path, monkeypatch):
    calls = []

    def fails(*args, **options):
        calls.append(args)
        if len(calls) == 3:
            raise OutputError(f"{args[5]}: can't be written")
        return write(*args, **options)

    monkeypatch.setattr(ladder, "write", fails)
    with pytest.raises(OutputError, match=r"/ladder/3 the bright tick alone, then revealed.wav: can't be written"):
        write_ladder(practice, tmp_path / "ladder", ".wav", False, lambda _: None)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["song.wav"]


def test_folders_that_can_not_be(tmp_path):
    (tmp_path / "file").write_text("")
    for path, message in ((tmp_path / "no" / "ladder", "does not exist"), (tmp_path / "file", "is a file")):
        with pytest.raises(OutputError, match=message):
            check_folder(path, True)
