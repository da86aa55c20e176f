"""Shared fixtures: the demo song and its analysis, made once."""

from pathlib import Path

import numpy as np
import pytest

from pulsefind.analysis import analyse
from pulsefind.core.records import Analysis
from pulsefind.demo import RATE_HZ, Song, make_song
from pulsefind.listen.audio import from_samples

# Test files take fixtures from it as from a plugin and import it too.
pytest.register_assert_rewrite("pagebrowser", "roomdriver")


@pytest.fixture(scope="session", autouse=True)
def _own_cache(tmp_path_factory):
    """Keep the user's cache out of the tests, and the tests out of it."""
    patch = pytest.MonkeyPatch()
    patch.setenv("PULSEFIND_CACHE", str(tmp_path_factory.mktemp("cache")))
    yield
    patch.undo()


@pytest.fixture(scope="session")
def demo_song() -> tuple[np.ndarray, Song]:
    return make_song()


@pytest.fixture(scope="session")
def demo_analysis(demo_song) -> Analysis:
    return analyse(from_samples(demo_song[0], RATE_HZ))


@pytest.fixture
def write_wav(tmp_path):
    """Write samples to a float wav file and return its path."""
    import soundfile

    def write(samples, rate_hz=44100, name="sound.wav", subtype="FLOAT") -> Path:
        path = tmp_path / name
        soundfile.write(path, samples, rate_hz, subtype=subtype)
        return path

    return write
