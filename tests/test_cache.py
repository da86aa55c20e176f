"""The store of what took long to compute: safe, bounded, silent unless something is wrong."""

import ast
import importlib.metadata
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from pulsefind.analysis import analyse
from pulsefind.core import cache
from pulsefind.core.cache import CacheWarning
from pulsefind.core.records import Settings
from pulsefind.demo import RATE_HZ, make_song
from pulsefind.listen.audio import from_samples
from pulsefind.saved import to_json


def entries():
    return sorted(p.name for p in cache.folder().iterdir())


def fresh(monkeypatch, tmp_path):
    monkeypatch.setenv("PULSEFIND_CACHE", str(tmp_path / "cache"))


def test_what_is_written_is_read_back(monkeypatch, tmp_path):
    fresh(monkeypatch, tmp_path)
    values = np.random.default_rng(0).uniform(size=(50, 2))
    assert cache.read("key") is None
    cache.write("key", (values,))
    assert np.array_equal(cache.read("key")[0], values)
    assert entries() == ["key.activations"]


def test_several_arrays_come_back_in_order_with_their_types(monkeypatch, tmp_path):
    fresh(monkeypatch, tmp_path)
    stored: tuple[np.ndarray, ...] = (
        np.arange(3),
        np.zeros((0, 4)),
        np.array(["", "snare"]),
        np.array([[0.1, 0.2]], np.float32),
    )
    cache.write("key", stored)
    for was, now in zip(stored, cache.read("key"), strict=True):
        assert was.dtype == now.dtype
        assert np.array_equal(was, now)


def test_what_is_kept_is_made_once_and_without_the_cache_each_time(monkeypatch, tmp_path):
    fresh(monkeypatch, tmp_path)
    made = []

    def make():
        made.append(1)
        return (np.array([len(made)]),)

    check = cache.shaped((1,))
    found = [cache.kept(lambda: "key", make, use_cache, check) for use_cache in (True, True, False, True)]
    assert [int(one[0][0]) for one in found] == [1, 1, 2, 1]


def test_a_change_of_any_file_changes_the_version_of_the_code(tmp_path):
    code, weights = tmp_path / "code.py", tmp_path / "weights.npz"
    code.write_text("a = 1")
    weights.write_bytes(b"12")
    versions = {cache.code_version(str(code), str(weights))}
    assert versions == {cache.code_version(str(code), str(weights))}
    code.write_text("a = 11")
    versions.add(cache.code_version(str(code), str(weights)))
    weights.write_bytes(b"2")
    versions.add(cache.code_version(str(code), str(weights)))
    code.write_text("a = 1")
    weights.write_bytes(b"12")
    assert len(versions) == 3
    assert cache.code_version(str(code), str(weights)) in versions


def test_what_the_code_imports_changes_the_version_too(monkeypatch, tmp_path):
    package = tmp_path / "pulsefind"
    (package / "core").mkdir(parents=True)
    (package / "near.py").write_text("def f():\n    from pulsefind.core import far\n")
    (package / "core" / "far.py").write_text("import numpy\na = 1\n")
    (package / "other.py").write_text("a = 1\n")
    code = package / "code.py"
    code.write_text("import os\nfrom pulsefind.near import f\n")
    monkeypatch.setattr(cache, "_PACKAGE", package)
    first = cache.code_version(str(code))
    (package / "other.py").write_text("a = 2\n")
    assert cache.code_version(str(code)) == first
    (package / "core" / "far.py").write_text("import numpy\na = 2\n")
    second = cache.code_version(str(code))
    assert second != first
    monkeypatch.setattr(importlib.metadata, "version", lambda name: f"{name} 99")
    assert cache.code_version(str(code)) not in (first, second)
    cache._sources_and_libraries.cache_clear()


def test_a_damaged_entry_counts_as_absent_and_is_told(monkeypatch, tmp_path):
    fresh(monkeypatch, tmp_path)
    cache.write("key", (np.ones((50, 2)),))
    path = cache.folder() / "key.activations"
    data = bytearray(path.read_bytes())
    data[-1] ^= 1
    path.write_bytes(bytes(data))
    with pytest.warns(CacheWarning, match="is damaged; it is computed again"):
        assert cache.read("key") is None
    path.write_bytes(b"")
    with pytest.warns(CacheWarning, match="is damaged"):
        assert cache.read("key") is None
    cache.write("key", (np.ones((50, 2)),))
    assert np.array_equal(cache.read("key")[0], np.ones((50, 2)))


def test_the_oldest_entries_go_when_it_is_full(monkeypatch, tmp_path):
    fresh(monkeypatch, tmp_path)
    monkeypatch.setattr(cache, "LIMIT_BYTES", 3000)
    for k in range(4):
        cache.write(f"key{k}", (np.zeros((50, 2)),))
        os.utime(cache.folder() / f"key{k}.activations", (k, k))
    cache.write("key4", (np.zeros((50, 2)),))
    assert cache.read("key4") is not None
    assert cache.read("key0") is None
    assert sum(p.stat().st_size for p in cache.folder().iterdir()) <= 3000


def test_a_cache_that_can_not_be_written_is_no_error(monkeypatch, tmp_path):
    (tmp_path / "file").write_text("in the way")
    monkeypatch.setenv("PULSEFIND_CACHE", str(tmp_path / "file"))
    cache.write("key", (np.zeros((5, 2)),))
    assert cache.read("key") is None


def test_a_folder_that_is_a_link_is_left_alone(monkeypatch, tmp_path):
    theirs = tmp_path / "theirs"
    theirs.mkdir()
    (tmp_path / "cache").symlink_to(theirs)
    fresh(monkeypatch, tmp_path)
    with pytest.warns(CacheWarning, match="is a link, so nothing is kept there"):
        cache.write("key", (np.ones((50, 2)),))
    assert list(theirs.iterdir()) == []
    (theirs / "key.activations").write_bytes(b"planted")
    with pytest.warns(CacheWarning, match="is a link"):
        assert cache.read("key") is None


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="no numbers of users")
def test_a_folder_of_another_user_is_left_alone(monkeypatch, tmp_path):
    fresh(monkeypatch, tmp_path)
    cache.write("key", (np.ones((50, 2)),))
    monkeypatch.setattr(os, "geteuid", lambda: os.getuid() + 1)
    with pytest.warns(CacheWarning, match="belongs to another user"):
        assert cache.read("key") is None
    with pytest.warns(CacheWarning, match="belongs to another user"):
        cache.write("other", (np.ones((50, 2)),))
    assert entries() == ["key.activations"]


def test_a_new_folder_is_ours_alone_and_foreign_files_in_it_stay(monkeypatch, tmp_path):
    fresh(monkeypatch, tmp_path)
    cache.write("key", (np.ones((50, 2)),))
    assert cache.folder().stat().st_mode & 0o777 == 0o700
    (cache.folder() / "song.wav").write_bytes(bytes(5000))
    monkeypatch.setattr(cache, "LIMIT_BYTES", 0)
    cache.write("other", (np.ones((50, 2)),))
    assert entries() == ["song.wav"]
    assert cache.size_bytes() == 0


def test_what_a_killed_run_left_goes_at_the_next_write(monkeypatch, tmp_path):
    fresh(monkeypatch, tmp_path)
    cache.write("key", (np.ones((50, 2)),))
    (cache.folder() / ".pulsefind-abcdefgh.part").write_bytes(b"half")
    cache.write("key", (np.ones((50, 2)),))
    assert entries() == ["key.activations"]


def test_an_entry_that_can_not_be_what_was_asked_for_is_made_again(monkeypatch, tmp_path):
    """Its checksum is right: shapes, kinds and numbers are asked as well, and the name that it was stored under."""
    fresh(monkeypatch, tmp_path)
    good = (np.ones((5, 2)), np.arange(5))
    check = cache.shaped(("n", 2), ("n",))
    wrong: tuple[tuple[np.ndarray, ...], ...] = (
        (np.ones((5, 3)), np.arange(5)),
        (np.ones((5, 2)), np.arange(4)),
        (np.ones((5, 2)),),
        (np.array([["a", "b"]] * 5), np.arange(5)),
        (np.full((5, 2), np.nan), np.arange(5)),
        (np.ones(10), np.arange(5)),
    )
    for arrays in wrong:
        cache.write("key", arrays)
        with pytest.warns(CacheWarning, match="is damaged; it is computed again"):
            assert all(map(np.array_equal, cache.kept(lambda: "key", lambda: good, True, check), good))
        assert all(map(np.array_equal, cache.kept(lambda: "key", lambda: (), True, check), good))
    (cache.folder() / "other.activations").write_bytes((cache.folder() / "key.activations").read_bytes())
    with pytest.warns(CacheWarning, match=r"other\.activations: is damaged"):
        assert cache.read("other") is None


def test_an_entry_with_a_checksum_over_no_arrays_is_damaged(monkeypatch, tmp_path):
    fresh(monkeypatch, tmp_path)
    cache.write("key", (np.ones((5, 2)),))
    body = b"no array at all"
    (cache.folder() / "key.activations").write_bytes(cache._digest("key", body) + body)
    with pytest.warns(CacheWarning, match="is damaged"):
        assert cache.read("key") is None


def test_each_kind_of_entry_is_checked_where_it_is_read(monkeypatch, tmp_path, capsys):
    """All entries of a run overwritten by arrays of no use, with checksums that hold: the answer stays the same."""
    fresh(monkeypatch, tmp_path)
    song, _ = make_song()
    audio = from_samples(song[: 12 * RATE_HZ], RATE_HZ)
    first = to_json(analyse(audio, Settings()))
    names = entries()
    assert {name.split("-")[0] for name in names} == {"beats", "harmony", "hits", "own"}
    for arrays in ((np.ones((3, 3, 3)),), tuple(np.zeros((2, 2)) for _ in range(8)), ()):
        for name in names:
            cache.write(name.removesuffix(".activations"), arrays)
        with pytest.warns(CacheWarning, match="is damaged; it is computed again"):
            assert to_json(analyse(audio, Settings())) == first


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="no permissions")
@pytest.mark.parametrize("mode", [0o770, 0o702])
def test_a_folder_that_others_may_write_is_left_alone(mode, monkeypatch, tmp_path):
    fresh(monkeypatch, tmp_path)
    cache.write("key", (np.ones((50, 2)),))
    cache.folder().chmod(mode)
    with pytest.warns(CacheWarning, match="may be written by others, so nothing is kept there"):
        assert cache.read("key") is None
    with pytest.warns(CacheWarning, match="may be written by others"):
        cache.write("other", (np.ones((50, 2)),))
    assert entries() == ["key.activations"]


def test_a_user_without_a_home_has_no_cache(monkeypatch, tmp_path):
    """A number that no list of users knows, and no HOME: as in many a container."""
    monkeypatch.delenv("PULSEFIND_CACHE", raising=False)

    def homeless(*_, **__):
        raise RuntimeError("could not determine the home directory")

    monkeypatch.setattr(cache, "user_cache_path", homeless)
    cache.write("key", (np.ones((50, 2)),))
    assert cache.read("key") is None
    assert not cache.remembered("said", 100.0, 1000.0)


def test_a_full_disk_leaves_nothing_in_the_store(monkeypatch, tmp_path):
    fresh(monkeypatch, tmp_path)
    cache.write("key", (np.ones((50, 2)),))

    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    cache.write("other", (np.ones((50, 2)),))
    assert entries() == ["key.activations"]


def test_many_runs_at_once_read_and_write_whole_entries(monkeypatch, tmp_path):
    fresh(monkeypatch, tmp_path)
    code = (
        "import numpy as np, warnings\nfrom pulsefind.core import cache\nwarnings.simplefilter('error')\n"
        "for k in range(200):\n"
        "    cache.write('key', (np.full((500, 2), float(k)),))\n"
        "    got = cache.read('key')\n"
        "    assert got is not None and got[0].shape == (500, 2) and len(np.unique(got)) == 1\n"
    )
    runs = [subprocess.Popen([sys.executable, "-c", code]) for _ in range(3)]
    assert [run.wait() for run in runs] == [0, 0, 0]
    assert entries() == ["key.activations"]


def test_what_was_said_is_remembered_for_its_time_only_where_it_can_be(tmp_path, monkeypatch):
    monkeypatch.setenv("PULSEFIND_CACHE", str(tmp_path / "cache"))
    assert [cache.remembered("said", 100.0, now_s) for now_s in (1000.0, 1050.0, 1099.0, 1101.0)] == [
        False,
        True,
        True,
        False,
    ]
    assert not cache.remembered("else", 100.0, 1000.0)
    # A clock that was put back is no reason to keep silent.
    assert not cache.remembered("said", 100.0, 500.0)
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("PULSEFIND_CACHE", str(tmp_path / "file"))
    assert not cache.remembered("said", 100.0, 1000.0) and not cache.remembered("said", 100.0, 1000.0)


def test_imports_are_read_as_python_reads_them():
    for path in sorted(Path(cache.__file__).parent.parent.rglob("*.py")):
        expected = set()
        for node in ast.walk(ast.parse(path.read_bytes())):
            if isinstance(node, ast.Import):
                expected |= {alias.name for alias in node.names}
            elif isinstance(node, ast.ImportFrom):
                expected |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
        assert expected <= set(cache._imported(path)), path
        # A sentence in a docstring may begin like an import; what it names is no module.
        extra = {name for name in set(cache._imported(path)) - expected if cache._module_files(name)}
        assert not extra, path


def test_what_is_read_is_used_and_stays_longest(monkeypatch, tmp_path):
    fresh(monkeypatch, tmp_path)
    for k in range(3):
        cache.write(f"key{k}", (np.zeros((50, 2)),))
        os.utime(cache.folder() / f"key{k}.activations", (k, k))
    assert cache.read("key0") is not None
    size = (cache.folder() / "key0.activations").stat().st_size
    # Exactly as much as three entries is not too much.
    monkeypatch.setattr(cache, "LIMIT_BYTES", 3 * size)
    cache.write("key3", (np.zeros((50, 2)),))
    assert entries() == ["key0.activations", "key2.activations", "key3.activations"]


def test_an_entry_is_whole_under_its_own_name_and_can_be_removed(monkeypatch, tmp_path):
    fresh(monkeypatch, tmp_path)
    for key in ("key", "other"):
        cache.write(key, (np.ones((5, 2)),))
    path = cache.folder() / "key.activations"
    assert cache.is_whole(path)
    path.write_bytes(path.read_bytes()[:-1])
    assert not cache.is_whole(path)
    cache.remove("key")
    assert entries() == ["other.activations"]
    cache.remove("key")


def test_a_version_has_16_hexadecimal_digits():
    assert len(cache.code_version(cache.__file__)) == 16
    int(cache.code_version(cache.__file__), 16)


def test_what_is_said_twice_in_a_moment_is_said_once_in_a_folder_of_ours(monkeypatch, tmp_path):
    fresh(monkeypatch, tmp_path)
    assert [cache.remembered("said", 100.0, 1000.0) for _ in range(2)] == [False, True]
    assert cache.remembered("said", 100.0, 1000.5)
    assert cache.folder().stat().st_mode & 0o777 == 0o700
