"""Files as they are written: no delay by the format, whole or not at all."""

import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from pulsefind.core.errors import OutputError
from pulsefind.core.files import new_file
from pulsefind.practice.encode import KINDS, check_kind, encode

RATE_HZ = 44100
BURST = np.sin(2 * np.pi * 1500 * np.arange(600) / RATE_HZ) * np.hanning(600) * 0.6
AT = np.arange(1000, 5 * RATE_HZ, 22050)


def bursts():
    sound = 0.01 * np.random.default_rng(0).standard_normal((6 * RATE_HZ, 2))
    for first in AT:
        sound[first : first + 600] += BURST[:, None]
    return sound.astype(np.float32)


def written(path, sound):
    encode(path, path.suffix, iter([sound[:100000], sound[100000:]]), len(sound), 2, RATE_HZ, path)
    return path


def delays(sound):
    """Samples by which each burst comes late, by cross-correlation."""
    return {
        int(np.argmax(np.correlate(sound[max(0, a - 3000) : a + 4000], BURST, "valid"))) + max(0, a - 3000) - a
        for a in AT
    }


@pytest.mark.parametrize("kind", KINDS)
def test_no_format_delays(tmp_path, kind):
    path = written(tmp_path / f"a{kind}", bursts())
    sound, rate_hz = soundfile.read(path)
    assert rate_hz == RATE_HZ
    assert len(sound) >= 6 * RATE_HZ
    assert delays(sound[:, 0]) == {0}


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="the other decoder")
@pytest.mark.parametrize("kind", KINDS)
def test_another_decoder_agrees(tmp_path, kind):
    path = written(tmp_path / f"a{kind}", bursts())
    command = ["ffmpeg", "-v", "error", "-i", str(path), "-f", "f32le", "-ac", "1", "-"]
    run = subprocess.run(command, capture_output=True, check=True)
    assert delays(np.frombuffer(run.stdout, np.float32)) == {0}


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="the decoder that can ignore the note")
def test_an_mp3_player_that_ignores_the_note_is_late_by_what_the_docs_say(tmp_path):
    # 576 samples of the encoder and 529 of the decoder, as LAME's technical FAQ names them.
    path = written(tmp_path / "a.mp3", bursts())
    command = ["ffmpeg", "-v", "error", "-flags2", "+skip_manual", "-i", str(path), "-f", "f32le", "-ac", "1", "-"]
    run = subprocess.run(command, capture_output=True, check=True)
    assert delays(np.frombuffer(run.stdout, np.float32)) == {1105}


@pytest.mark.parametrize("kind", KINDS)
def test_the_same_sound_makes_the_same_bytes(tmp_path, kind):
    first, second = (written(tmp_path / f"{name}{kind}", bursts()).read_bytes() for name in "ab")
    assert first == second


def test_lossless_kinds_keep_24_bits(tmp_path):
    for kind in (".wav", ".flac"):
        sound, _ = soundfile.read(written(tmp_path / f"a{kind}", bursts()), dtype="float32")
        np.testing.assert_allclose(sound, bursts(), atol=2**-23)


@pytest.mark.parametrize("name", ["a", "a.txt", "a.m4a", "a.wav.part"])
def test_endings_that_say_nothing(name):
    with pytest.raises(OutputError, match=r"\.wav, \.flac, \.ogg, \.mp3"):
        check_kind(Path(name))
    assert check_kind(Path("a.WAV")) == ".wav"


def test_too_long_for_wav(tmp_path):
    with pytest.raises(OutputError, match="choose flac"):
        encode(tmp_path / "a.wav", ".wav", iter([]), 800_000_000, 2, RATE_HZ, tmp_path / "a.wav")


def test_a_file_that_came_out_short_is_refused(tmp_path):
    path = tmp_path / "song.flac"
    with pytest.raises(OutputError, match="only 100 of 200 frames"), new_file(path, False) as temporary:
        encode(temporary, ".flac", iter([np.zeros((100, 1), np.float32)]), 200, 1, RATE_HZ, path)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(sys.platform != "linux", reason="limits a file's size the Linux way")
@pytest.mark.parametrize("kind", KINDS)
def test_a_full_disk_leaves_nothing(tmp_path, kind):
    # A limit on the size of files fails writes in the middle, as a full disk does.
    code = f"""
import resource, signal, sys
import numpy as np
from pathlib import Path
from pulsefind.practice.encode import encode
from pulsefind.core.errors import OutputError
from pulsefind.core.files import new_file
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (60000, 60000))
path = Path({str(tmp_path)!r}) / "song{kind}"
rng = np.random.default_rng(0)
blocks = (0.1 * rng.standard_normal((65536, 2)).astype(np.float32) for _ in range(10))
try:
    with new_file(path, False) as temporary:
        encode(temporary, "{kind}", blocks, 655360, 2, 44100, path)
except OutputError as error:
    sys.exit(str(error))
"""
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert run.returncode == 1, run.stderr
    assert f"song{kind}: can't be written" in run.stderr
    assert "Traceback" not in run.stderr
    assert list(tmp_path.iterdir()) == []
