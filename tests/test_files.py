"""Results are written whole or not at all."""

import os
import sys
from pathlib import Path

import pytest

from pulsefind.core import files
from pulsefind.core.errors import FormatError, HintError, OutputError
from pulsefind.core.files import check_free, new_file, rewrite_file, sound_name, write_file
from pulsefind.core.given import (
    holds_given,
    is_folder,
    is_given,
    is_regular,
    kept_safe,
    note_given,
    read_given,
    recordings_in,
)


def test_writes_and_leaves_nothing_else(tmp_path):
    write_file(tmp_path / "a.json", b"{}", force=False)
    assert (tmp_path / "a.json").read_bytes() == b"{}"
    assert [p.name for p in tmp_path.iterdir()] == ["a.json"]


def test_an_existing_file_is_replaced_only_when_asked(tmp_path):
    path = tmp_path / "a.json"
    path.write_bytes(b"old")
    with pytest.raises(OutputError, match="--force"):
        write_file(path, b"new", force=False)
    assert path.read_bytes() == b"old"
    write_file(path, b"new", force=True)
    assert path.read_bytes() == b"new"


def test_a_write_that_fails_leaves_the_old_file(tmp_path, monkeypatch):
    path = tmp_path / "a.json"
    path.write_bytes(b"old")

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputError, match="No space left"):
        write_file(path, b"new", force=True)
    assert path.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["a.json"]


def test_a_folder_or_a_missing_folder_is_refused_before_any_work(tmp_path):
    with pytest.raises(OutputError, match="is a folder"):
        check_free(tmp_path, force=True)
    with pytest.raises(OutputError, match="does not exist"):
        check_free(tmp_path / "no" / "a.json", force=True)
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(OutputError, match="its folder is a file"):
        check_free(tmp_path / "file" / "a.json", force=True)


@pytest.mark.skipif(sys.platform == "win32", reason="names are text there")
def test_a_name_that_is_no_text_reaches_the_sound_library_in_its_bytes(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert sound_name(Path(os.fsdecode(b"caf\xe9.wav"))) == os.fsencode(tmp_path) + b"/caf\xe9.wav"


@pytest.mark.parametrize(("mask", "mode"), [(0o027, 0o640), (0o000, 0o666)])
def test_new_files_follow_the_umask(mask, mode, tmp_path):
    old = os.umask(mask)
    try:
        for name in ("a.json", "b.json"):
            write_file(tmp_path / name, b"{}", force=False)
    finally:
        assert os.umask(old) == mask
    assert [(tmp_path / name).stat().st_mode & 0o777 for name in ("a.json", "b.json")] == [mode, mode]


def test_a_file_that_another_program_wrote_meanwhile_is_not_replaced(tmp_path):
    path = tmp_path / "a.json"
    with pytest.raises(OutputError, match="exists already"), new_file(path, force=False) as temporary:
        temporary.write_bytes(b"ours")
        path.write_bytes(b"theirs")
    assert path.read_bytes() == b"theirs"
    assert [p.name for p in tmp_path.iterdir()] == ["a.json"]


def test_names_count_from_the_folder_that_one_works_in(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(os, "link", None)
    write_file(Path("a.json"), b"{}", force=False)
    (tmp_path / "b").mkdir()
    write_file(Path("b/a.json"), b"[]", force=False)
    with pytest.raises(OutputError, match="exists already"), new_file(Path("c.json"), force=False) as temporary:
        temporary.write_bytes(b"ours")
        Path("c.json").write_bytes(b"theirs")
    assert (tmp_path / "c.json").read_bytes() == b"theirs"
    assert sorted(path.name for path in tmp_path.rglob("*")) == ["a.json", "a.json", "b", "c.json"]


def test_a_disk_without_hard_links_will_do(tmp_path, monkeypatch):
    def no_links(*_):
        raise OSError(95, "Operation not supported")

    monkeypatch.setattr(os, "link", no_links)
    monkeypatch.setattr(files, "_renamed", lambda *_: False)
    write_file(tmp_path / "a.json", b"{}", force=False)
    assert [p.name for p in tmp_path.iterdir()] == ["a.json"]
    with pytest.raises(OutputError, match="exists already"), new_file(tmp_path / "b.json", force=False) as temporary:
        temporary.write_bytes(b"ours")
        (tmp_path / "b.json").write_bytes(b"theirs")
    assert (tmp_path / "b.json").read_bytes() == b"theirs"


def test_what_is_read_is_never_written_over(tmp_path):
    source, link, hard = tmp_path / "song.wav", tmp_path / "link.wav", tmp_path / "hard.wav"
    source.write_bytes(b"the only copy")
    link.symlink_to(source)
    hard.hardlink_to(source)
    with kept_safe():
        note_given(source)
        note_given(tmp_path / "later.jsonl")
        for out in (source, link, hard, tmp_path / "." / "later.jsonl"):
            with pytest.raises(OutputError, match="is what is read"):
                check_free(out, force=True)
            with pytest.raises(OutputError, match="is what is read"):
                write_file(out, b"new", force=True)
        rewrite_file(source, b"asked for")
    write_file(source, b"new", force=True)


def test_links_pipes_and_devices_are_no_outputs(tmp_path):
    """A rename would put a file in their place: /dev/null would be gone."""
    link, dangling, pipe = tmp_path / "link", tmp_path / "dangling", tmp_path / "pipe"
    (tmp_path / "a").write_bytes(b"old")
    link.symlink_to(tmp_path / "a")
    dangling.symlink_to(tmp_path / "none")
    os.mkfifo(pipe)
    for out, told in ((link, "is a link"), (dangling, "is a link"), (pipe, "a pipe or"), (Path("/dev/null"), "device")):
        with pytest.raises(OutputError, match=told):
            write_file(out, b"new", force=True)
    assert (link.is_symlink(), dangling.is_symlink(), pipe.is_fifo()) == (True, True, True)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a", "dangling", "link", "pipe"]


@pytest.mark.parametrize("name", [".", "/", "", "..", "n" * 256 + ".json", "a/" * 2100 + "b"])
def test_no_file_can_be_called_so(name, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(OutputError):
        check_free(Path(name), force=True)


def test_a_song_file_that_is_a_link_stays_one(tmp_path):
    kept, link = tmp_path / "kept.toml", tmp_path / "song.toml"
    kept.write_bytes(b"old")
    link.symlink_to(kept)
    rewrite_file(link, b"new")
    assert link.is_symlink() and kept.read_bytes() == b"new"


def test_a_song_file_that_is_a_pipe_or_a_folder_is_not_replaced(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "folder").mkdir()
    (tmp_path / "link").symlink_to("pipe")
    for name, told in (("pipe", "a pipe or a device"), ("link", "a pipe or a device"), ("folder", "is a folder")):
        with pytest.raises(OutputError, match=told):
            rewrite_file(tmp_path / name, b"new")
    assert (tmp_path / "pipe").is_fifo() and (tmp_path / "link").is_symlink()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["folder", "link", "pipe"]


@pytest.mark.parametrize("what", ["pipe", "/dev/zero", "large", "folder", "none"])
def test_only_ordinary_files_of_sane_size_are_read(what, tmp_path):
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "large").write_bytes(bytes(101))
    (tmp_path / "folder").mkdir()
    with pytest.raises(FormatError, match=r"no regular file|can't be read|too large"):
        read_given(tmp_path / what, 100, "a review")


def test_as_much_is_read_as_is_allowed_and_not_a_byte_more(tmp_path):
    path = tmp_path / "a"
    path.write_bytes(bytes(3 * 2**20))
    assert read_given(path, 3 * 2**20, "a review") == bytes(3 * 2**20)
    with pytest.raises(FormatError, match=r"is larger than 3 MiB, too large to be a review; name another"):
        read_given(path, 3 * 2**20 - 1, "a review")
    with pytest.raises(FormatError, match=r"a: is no regular file, so not a review; name another|can't be read"):
        read_given(tmp_path / "a" / "b", 100, "a review")


def test_what_was_read_is_protected_until_the_command_ends_and_only_while_one_runs(tmp_path):
    path = tmp_path / "a.json"
    path.write_bytes(b"{}")
    note_given(path)
    assert not is_given(path)
    with kept_safe():
        assert not is_given(path)
        assert read_given(path, 100, "a review") == b"{}"
        assert is_given(path) and is_given(tmp_path / "." / "a.json") and not is_given(tmp_path / "b.json")
        assert holds_given(tmp_path) and not holds_given(tmp_path.parent)
    assert not is_given(path) and not holds_given(tmp_path)


def test_recordings_of_a_folder_by_name(tmp_path):
    for name in ("b.WAV", "a.flac", "c.mp3", "notes.txt", "wav", "d.wav.part"):
        (tmp_path / name).write_bytes(b"")
    (tmp_path / "e.wav").mkdir()
    (tmp_path / "f.wav").symlink_to("gone")
    assert [path.name for path in recordings_in(tmp_path)] == ["a.flac", "b.WAV", "c.mp3"]
    for path in (tmp_path / "a.flac", tmp_path / "none"):
        with pytest.raises(HintError, match="can't be looked into"):
            recordings_in(path)


def test_what_can_not_even_be_asked_is_neither_a_folder_nor_a_file():
    for path in (Path("n" * 300), Path("/dev/null/x"), Path("none")):
        assert not is_folder(path) and not is_regular(path)
    assert is_folder(Path("/")) and is_regular(Path(__file__)) and not is_regular(Path("/dev/null"))


def test_a_folder_that_can_not_be_written_is_said(tmp_path, monkeypatch):
    def refused(**_):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("tempfile.mkstemp", refused)
    with pytest.raises(OutputError, match=r"a.json: can't be written \(Permission denied\)"):
        write_file(tmp_path / "a.json", b"{}", force=False)
