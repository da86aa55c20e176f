"""The store of activations: safe, bounded, silent."""

import os

import numpy as np

from pulsefind import cache


def entries():
    return sorted(p.name for p in cache.folder().iterdir())


def fresh(monkeypatch, tmp_path):
    monkeypatch.setenv("PULSEFIND_CACHE", str(tmp_path / "cache"))


def test_what_is_written_is_read_back(monkeypatch, tmp_path):
    fresh(monkeypatch, tmp_path)
    values = np.random.default_rng(0).uniform(size=(50, 2))
    assert cache.read("key") is None
    cache.write("key", values)
    assert np.array_equal(cache.read("key"), values)
    assert entries() == ["key.activations"]


def test_a_damaged_entry_counts_as_absent(monkeypatch, tmp_path):
    fresh(monkeypatch, tmp_path)
    cache.write("key", np.ones((50, 2)))
    path = cache.folder() / "key.activations"
    data = bytearray(path.read_bytes())
    data[-1] ^= 1
    path.write_bytes(bytes(data))
    assert cache.read("key") is None
    path.write_bytes(b"")
    assert cache.read("key") is None


def test_the_oldest_entries_go_when_it_is_full(monkeypatch, tmp_path):
    fresh(monkeypatch, tmp_path)
    monkeypatch.setattr(cache, "LIMIT_BYTES", 3000)
    for k in range(4):
        cache.write(f"key{k}", np.zeros((50, 2)))
        os.utime(cache.folder() / f"key{k}.activations", (k, k))
    cache.write("key4", np.zeros((50, 2)))
    assert cache.read("key4") is not None
    assert cache.read("key0") is None
    assert sum(p.stat().st_size for p in cache.folder().iterdir()) <= 3000


def test_a_cache_that_can_not_be_written_is_no_error(monkeypatch, tmp_path):
    (tmp_path / "file").write_text("in the way")
    monkeypatch.setenv("PULSEFIND_CACHE", str(tmp_path / "file"))
    cache.write("key", np.zeros((5, 2)))
    assert cache.read("key") is None
