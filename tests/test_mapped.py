"""Long arrays outside memory: the same samples, and none of the memory."""

import sys
import tempfile
from pathlib import Path

import numpy as np
import pytest

from pulsefind.core import mapped
from pulsefind.core.errors import AudioError
from pulsefind.core.mapped import gathered, let_go, pieces

MB = 2**20


def in_files_mb():
    """What this process holds of mapped files, as Linux counts it (proc(5))."""
    line = next(one for one in Path("/proc/self/status").read_text().splitlines() if one.startswith("RssFile"))
    return int(line.split()[1]) / 1024


def blocks(rng, sizes):
    return [rng.random((n, 3)).astype(np.float32) for n in sizes]


@pytest.mark.parametrize("limit_bytes", [10**9, 1000, 0])
def test_blocks_come_out_as_one_array_wherever_it_lies(monkeypatch, limit_bytes):
    made = blocks(np.random.default_rng(0), (5, 200, 1, 0, 300))
    monkeypatch.setattr(mapped, "IN_MEMORY_BYTES", limit_bytes)
    found = gathered(iter(made), "it")
    np.testing.assert_array_equal(found, np.concatenate(made).ravel())
    assert found.dtype == np.float32 and not found.flags.writeable
    assert len(gathered(iter([]), "it")) == 0


def test_no_room_for_the_file_is_one_line(monkeypatch, tmp_path):
    monkeypatch.setattr(mapped, "IN_MEMORY_BYTES", 0)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "gone"))
    with pytest.raises(AudioError, match=r"^it: no room .*No such file.*TMPDIR$"):
        gathered(iter(blocks(np.random.default_rng(0), (5,))), "it")


@pytest.mark.parametrize("n", [0, 1, 9, 10, 11])
def test_pieces_are_the_array_cut_up(n):
    array = np.arange(n, dtype=np.float32)
    found = list(pieces(array, 5))
    assert [len(piece) for piece in found] == [5] * (n // 5) + [n % 5] * (n % 5 > 0)
    assert [x for piece in found for x in piece] == array.tolist()


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="memory is counted in /proc")
def test_what_was_used_takes_no_memory_any_more_and_reads_the_same_again(monkeypatch):
    monkeypatch.setattr(mapped, "IN_MEMORY_BYTES", 0)
    part = np.random.default_rng(0).random(MB).astype(np.float32)
    array = gathered(iter([part] * 16), "it").reshape(-1, 4)
    before_mb = in_files_mb()
    total = float(array.sum(dtype=np.float64))
    assert in_files_mb() - before_mb > 50
    let_go(array[7:])
    assert in_files_mb() - before_mb < 5
    most_mb = 0.0
    for piece in pieces(array, MB // 2):
        piece.sum()
        most_mb = max(most_mb, in_files_mb() - before_mb)
    assert 7 < most_mb < 20
    assert float(array.sum(dtype=np.float64)) == total
    let_go(part)
    assert part[0] == array[0, 0]
