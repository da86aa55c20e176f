"""Reading a track for practice audio: block by block, every format, the right part."""

import shutil
import subprocess
import tempfile

import numpy as np
import pytest
import soundfile
from songs import write_track

from pulsefind.core.errors import AudioError, OutputError
from pulsefind.practice import spool as spools
from pulsefind.practice.spool import spooled


def read_all(path, start_s=None, end_s=None, speed=1.0):
    with spooled(path, start_s, end_s, speed) as spool:
        return spool.read(0, spool.n), spool


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("rate_hz", [32000, 44100, 48000])
def test_what_is_read_is_what_is_there(tmp_path, channels, rate_hz):
    write_track(tmp_path / "a.wav", 3.0, channels, rate_hz=rate_hz)
    sound, spool = read_all(tmp_path / "a.wav")
    expected, _ = soundfile.read(tmp_path / "a.wav", dtype="float32", always_2d=True)
    np.testing.assert_array_equal(sound, expected)
    assert (spool.rate_hz, spool.origin_s) == (rate_hz, 0.0)


def test_more_channels_become_one(tmp_path):
    write_track(tmp_path / "a.wav", 1.0, channels=6)
    sound, _ = read_all(tmp_path / "a.wav")
    expected, _ = soundfile.read(tmp_path / "a.wav", dtype="float32")
    np.testing.assert_allclose(sound[:, 0], expected.mean(axis=1), atol=1e-6)


@pytest.mark.parametrize("rate_hz", [8000, 22050, 96000])
def test_other_rates_are_resampled_in_place(tmp_path, rate_hz):
    t = np.arange(3 * rate_hz) / rate_hz
    soundfile.write(tmp_path / "a.wav", (0.5 * np.sin(2 * np.pi * 440 * t)).astype(np.float32), rate_hz, "FLOAT")
    sound, spool = read_all(tmp_path / "a.wav")
    assert spool.rate_hz == 44100
    t = np.arange(spool.n) / 44100
    middle = slice(4410, 2 * 44100)
    np.testing.assert_allclose(sound[middle, 0], 0.5 * np.sin(2 * np.pi * 440 * t[middle]), atol=2e-3)


def test_a_part_is_read_with_a_margin_and_knows_where_it_lies(tmp_path):
    write_track(tmp_path / "a.wav", 10.0)
    everything, _ = soundfile.read(tmp_path / "a.wav", dtype="float32")
    sound, spool = read_all(tmp_path / "a.wav", 4.0, 6.0)
    first = round(spool.origin_s * 44100)
    np.testing.assert_array_equal(sound[:, 0], everything[first : first + spool.n])
    assert spool.position(np.array([4.0]))[0] == pytest.approx(spools.MARGIN_S * 44100)
    assert spool.n == pytest.approx((2.0 + 2 * spools.MARGIN_S) * 44100, abs=1)


def test_outside_the_sound_there_is_silence(tmp_path):
    write_track(tmp_path / "a.wav", 1.0)
    with spooled(tmp_path / "a.wav", None, None, 1.0) as spool:
        assert not spool.read(-100, 100).any()
        assert not spool.read(spool.n, 100).any()
        np.testing.assert_array_equal(spool.read(-5, 10)[5:], spool.read(0, 5))


def test_a_slower_track_is_longer_and_positions_follow(tmp_path):
    write_track(tmp_path / "a.wav", 3.0)
    _, spool = read_all(tmp_path / "a.wav", speed=0.75)
    assert spool.n == pytest.approx(4.0 * 44100, abs=1)
    assert spool.position(np.array([1.5]))[0] == pytest.approx(2.0 * 44100)


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="ffmpeg decodes it")
def test_ffmpeg_decodes_the_rest(tmp_path):
    write_track(tmp_path / "a.wav", 3.0, channels=2)
    subprocess.run(["ffmpeg", "-v", "error", "-i", "a.wav", "-c:a", "alac", "a.m4a"], cwd=tmp_path, check=True)
    sound, _ = read_all(tmp_path / "a.m4a")
    expected, _ = soundfile.read(tmp_path / "a.wav", dtype="float32")
    np.testing.assert_array_equal(sound, expected)


def test_what_can_not_be_read_is_said(tmp_path):
    (tmp_path / "text.wav").write_text("no sound here " * 100)
    with pytest.raises(AudioError, match="holds no sound"):
        read_all(tmp_path / "text.wav")
    bad = np.zeros(44100, np.float32)
    bad[500] = np.nan
    soundfile.write(tmp_path / "nan.wav", bad, 44100, "FLOAT")
    with pytest.raises(AudioError, match="not numbers"):
        read_all(tmp_path / "nan.wav")
    with pytest.raises(AudioError, match="no such file"):
        read_all(tmp_path / "none.wav")


def test_a_full_disk_for_the_temporary_sound_is_said(tmp_path, monkeypatch):
    write_track(tmp_path / "a.wav", 1.0)

    class Full:
        def __enter__(self):
            return self

        def __exit__(self, *_):
            pass

        def write(self, _):
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(tempfile, "TemporaryFile", lambda prefix: Full())
    with pytest.raises(OutputError, match=r"No space left.*TMPDIR"):
        read_all(tmp_path / "a.wav")
