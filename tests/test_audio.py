"""Reading recordings, whole and broken."""

import os
import shutil
import socket
import subprocess
import tempfile

import numpy as np
import pytest
import soundfile
import soxr

from pulsefind.core import mapped
from pulsefind.core.child import Limits
from pulsefind.core.errors import AudioError
from pulsefind.listen import audio as recordings
from pulsefind.listen import decoding
from pulsefind.listen.audio import LEAD_S, RATE_HZ, crop, from_samples, load, with_lead
from pulsefind.listen.decoding import BLOCK

ODD_NAMES = [
    "a.m4a",
    "a.mp3",
    "ünï cødé & spaces.m4a",
    "-v.m4a",
    "-",
    "100%d.m4a",
    "%03d.m4a",
    "two\nlines.m4a",
    "http:x.m4a",
    "concat:a.m4a|b.m4a",
    "pipe:0",
    "file:a.m4a",
    "$(touch owned).m4a",
    "; touch owned",
    "a\\b'\"c`d`.m4a",
    os.fsdecode(b"not-utf-8-\xff.m4a"),
]


def sine(hz, rate_hz, length_s=1.0):
    return np.sin(2 * np.pi * hz * np.arange(int(rate_hz * length_s)) / rate_hz)


def peak_hz(samples, rate_hz):
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples))))
    return np.argmax(spectrum) * rate_hz / len(samples)


@pytest.mark.parametrize(("name", "subtype"), [("a.wav", "PCM_24"), ("a.flac", "PCM_16"), ("a.aiff", "PCM_16")])
def test_lossless_formats_give_the_samples_back(write_wav, name, subtype):
    samples = 0.5 * sine(440, 44100)
    audio = load(write_wav(samples, name=name, subtype=subtype))
    assert audio.rate_hz == 44100
    assert np.allclose(audio.samples, samples, atol=1e-4)


@pytest.mark.parametrize("rate_hz", [8000, 22050, 48000, 96000])
def test_any_rate_keeps_pitch_and_length(write_wav, rate_hz):
    audio = load(write_wav(0.5 * sine(440, rate_hz, 2.0), rate_hz))
    assert audio.source_rate_hz == rate_hz
    assert audio.duration_s == pytest.approx(2.0, abs=1e-3)
    assert peak_hz(audio.samples, RATE_HZ) == pytest.approx(440, abs=1)


def test_seven_channels_at_8_khz(write_wav):
    audio = load(write_wav(np.tile(0.5 * sine(440, 8000)[:, None], (1, 7)), 8000))
    assert audio.channels == 7
    assert peak_hz(audio.samples, RATE_HZ) == pytest.approx(440, abs=1)


def test_channels_in_opposite_phase_do_not_cancel(write_wav):
    left = 0.5 * sine(440, 44100)
    audio = load(write_wav(np.stack([left, -left], axis=1)))
    assert np.abs(audio.samples).max() == pytest.approx(0.5, abs=1e-3)


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="ffmpeg is not installed")
@pytest.mark.parametrize("name", ODD_NAMES)
def test_ffmpeg_formats_and_odd_names(write_wav, tmp_path, name, monkeypatch):
    source = write_wav(0.5 * sine(440, 44100, 2.0))
    coder = "libmp3lame" if name.endswith("mp3") else "aac"
    kind = "mp3" if name.endswith("mp3") else "mp4"
    command = ["ffmpeg", "-v", "error", "-i", str(source), "-c:a", coder, "-f", kind, f"file:{tmp_path / name}"]
    subprocess.run(command, check=True)
    monkeypatch.chdir(tmp_path)
    audio = load(name)
    assert not (tmp_path / "owned").exists()
    assert audio.duration_s == pytest.approx(2.0, abs=0.1)
    assert peak_hz(audio.samples, RATE_HZ) == pytest.approx(440, abs=1)


@pytest.mark.parametrize("name", ["-", "-v.wav", "a.raw", "100%d.wav", "two\nlines.wav", "http:x.wav"])
def test_libsndfile_takes_odd_names_for_files(write_wav, tmp_path, name, monkeypatch):
    source = write_wav(0.5 * sine(440, 44100))
    (tmp_path / name).write_bytes(source.read_bytes())
    monkeypatch.chdir(tmp_path)
    assert load(name).duration_s == pytest.approx(1.0)


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="ffmpeg is not installed")
@pytest.mark.parametrize(
    "text", ["ffconcat version 1.0\nfile 'sound.wav'\n", "#EXTM3U\n#EXTINF:2,\nsound.wav\n#EXT-X-ENDLIST\n"]
)
@pytest.mark.parametrize("name", ["a.wav", "a.m3u8", "a.ffconcat"])
def test_a_list_of_files_opens_none_of_them(write_wav, tmp_path, text, name):
    write_wav(0.5 * sine(440, 44100))
    (tmp_path / name).write_text(text)
    with pytest.raises(AudioError, match="no sound that can be decoded"):
        load(tmp_path / name)


@pytest.fixture
def fake_ffmpeg(tmp_path, monkeypatch):
    """Make an "ffmpeg" of a line of shell."""

    def fake(body):
        program = tmp_path / "fake-ffmpeg"
        program.write_text(f"#!/bin/sh\n{body}\n")
        program.chmod(0o755)
        monkeypatch.setattr(shutil, "which", lambda _: str(program))
        path = tmp_path / "a.m4a"
        path.write_bytes(b"\0\0\0\x20ftypM4A " + bytes(100))
        return path

    return fake


AU_HEADER = r"printf '.snd\0\0\0\030\377\377\377\377\0\0\0\006\0\0\254\104\0\0\0\001'"


def test_a_decoder_that_breaks_down_has_not_given_the_recording(fake_ffmpeg):
    with pytest.raises(AudioError, match=r"decoded to its end \(ffmpeg: it broke down \(signal 9\)"):
        load(fake_ffmpeg(f"{AU_HEADER}; head -c 400000 /dev/zero; kill -9 $$"))
    with pytest.raises(AudioError, match=r"decoded to its end \(ffmpeg: too damaged\)"):
        load(fake_ffmpeg(f"{AU_HEADER}; head -c 400000 /dev/zero; echo too damaged >&2; exit 69"))


def test_a_decoder_that_hangs_is_ended(fake_ffmpeg, monkeypatch):
    monkeypatch.setattr(decoding, "DECODE_LIMITS", Limits(0.5))
    with pytest.raises(AudioError, match=r"it took longer than 0.5 s"):
        load(fake_ffmpeg(f"{AU_HEADER}; head -c 400000 /dev/zero; sleep 100"))
    with pytest.raises(AudioError, match=r"no sound that can be decoded \(ffmpeg: it took longer"):
        load(fake_ffmpeg("sleep 100"))


def test_a_decoder_without_end_is_ended(fake_ffmpeg, monkeypatch):
    monkeypatch.setattr(recordings, "LONGEST_S", 36)
    with pytest.raises(AudioError, match="longer than 0 hours; cut it"):
        load(fake_ffmpeg(f"{AU_HEADER}; cat /dev/zero"))


def test_a_decoder_that_answers_otherwise_is_refused(fake_ffmpeg):
    with pytest.raises(AudioError, match="unexpected form"):
        load(fake_ffmpeg(r"printf '.snd\0\0\0\030\377\377\377\377\0\0\0\001\0\0\254\104\0\0\0\001'"))
    path = fake_ffmpeg("")
    path.with_name("fake-ffmpeg").unlink()
    with pytest.raises(AudioError, match="could not be started"):
        load(path)


def test_samples_beyond_all_scales_are_refused_and_whole_numbers_are_not(write_wav):
    load(write_wav(2.0**30 * sine(440, 44100)))
    with pytest.raises(AudioError, match="far beyond full scale"):
        load(write_wav(1e30 * sine(440, 44100)))


def test_blocks_give_what_reading_at_once_gives(write_wav):
    # libsndfile and soxr on the whole recording at once are the oracle.
    rng = np.random.default_rng(0)
    frames = 0.1 * rng.standard_normal((200_000, 3)).astype(np.float32)
    expected = soxr.resample(frames.mean(axis=1, dtype=np.float32), 48000, 44100)
    np.testing.assert_array_equal(load(write_wav(frames, 48000)).samples, expected)


def test_a_long_recording_lies_in_a_temporary_file_that_goes_with_it(write_wav, tmp_path, monkeypatch):
    samples = np.random.default_rng(0).uniform(-0.5, 0.5, 5 * BLOCK // 2).astype(np.float32)
    path = write_wav(samples)
    in_memory = load(path)
    place = tmp_path / "temporary"
    place.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(place))
    monkeypatch.setattr(mapped, "IN_MEMORY_BYTES", 4 * BLOCK)
    on_disk = load(path)
    # soundfile's own reading is the oracle: more than two blocks, in order, nothing lost where the file begins.
    np.testing.assert_array_equal(on_disk.samples, soundfile.read(path, dtype="float32")[0])
    assert on_disk.sha256 == in_memory.sha256
    assert not on_disk.samples.flags.writeable
    assert list(place.iterdir()) == []


def test_no_room_for_a_long_recording_is_one_line(write_wav, tmp_path, monkeypatch):
    path = write_wav(np.zeros(2 * BLOCK, np.float32))
    monkeypatch.setattr(mapped, "IN_MEMORY_BYTES", 4 * BLOCK - 1)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "gone"))
    with pytest.raises(AudioError, match=r"sound.wav: no room for its sound .*No such file.*TMPDIR"):
        load(path)


def test_without_ffmpeg_the_line_says_so(tmp_path, monkeypatch):
    path = tmp_path / "a.m4a"
    path.write_bytes(b"\0\0\0\x20ftypM4A " + bytes(100))
    monkeypatch.setattr(shutil, "which", lambda _: None)
    with pytest.raises(AudioError, match="install ffmpeg, or convert it"):
        load(path)


def test_missing_file(tmp_path):
    with pytest.raises(AudioError, match="no such file"):
        load(tmp_path / "nowhere.wav")


def test_folder(tmp_path):
    with pytest.raises(AudioError, match="is a folder"):
        load(tmp_path)


def test_empty_file(tmp_path):
    (tmp_path / "a.wav").write_bytes(b"")
    with pytest.raises(AudioError, match="the file is empty"):
        load(tmp_path / "a.wav")


def test_text_called_wav(tmp_path):
    (tmp_path / "a.wav").write_text("dear diary, today we rehearsed\n" * 20)
    with pytest.raises(AudioError, match=r"no sound that can be decoded|install ffmpeg"):
        load(tmp_path / "a.wav")


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_no_permission(write_wav):
    path = write_wav(np.zeros(10))
    path.chmod(0)
    with pytest.raises(AudioError, match="no permission"):
        load(path)


def test_no_permission_as_seen_by_anyone(write_wav, monkeypatch):
    path = write_wav(np.zeros(10))
    monkeypatch.setattr(os, "access", lambda *_: False)
    with pytest.raises(AudioError, match="no permission to read it"):
        load(path)


def test_samples_that_are_not_numbers(write_wav):
    samples = np.zeros(44100)
    samples[22050] = np.nan
    with pytest.raises(AudioError, match=r"samples that are not numbers \(first at 0.500 s\)"):
        load(write_wav(samples))


def test_truncated_mp3_is_read_as_far_as_it_goes_or_refused(tmp_path):
    path = tmp_path / "a.mp3"
    soundfile.write(path, 0.5 * sine(440, 44100, 4.0), 44100, format="MP3")
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    audio = load(path)
    assert 1.0 < audio.duration_s < 3.0
    path.write_bytes(whole[:40])
    with pytest.raises(AudioError):
        load(path)


def test_from_samples_takes_mono_and_stereo_and_refuses_more():
    assert from_samples(np.zeros(100), 44100).channels == 1
    assert from_samples(np.zeros((100, 2)), 44100).channels == 2
    with pytest.raises(AudioError, match="shape"):
        from_samples(np.zeros((2, 2, 2)), 44100)


def test_crop_keeps_the_time_of_its_start_and_refuses_an_empty_range():
    audio = from_samples(np.arange(44100) / 44100, 44100)
    part, start_s = crop(audio, 0.25, 0.5)
    assert start_s == 0.25
    assert part.samples[0] == pytest.approx(0.25)
    assert part.duration_s == pytest.approx(0.25)
    assert crop(audio, None, None)[0] is audio
    with pytest.raises(AudioError, match="holds no sound"):
        crop(audio, 2.0, 3.0)


def test_a_recording_starts_after_the_same_silence_whatever_it_had():
    tone = 0.5 * sine(440, RATE_HZ) + 0.1
    expected = np.concatenate([np.zeros(round(LEAD_S * RATE_HZ)), tone]).astype(np.float32)
    for silence_s in (0.0, 0.2, LEAD_S, 3.0):
        silent = from_samples(np.concatenate([np.zeros(round(silence_s * RATE_HZ)), tone]), RATE_HZ)
        led, start_s = with_lead(silent)
        assert start_s == pytest.approx(silence_s - LEAD_S, abs=1e-9)
        np.testing.assert_array_equal(led.samples, expected)
    hissing = from_samples(silent.samples + np.float32(1e-5), RATE_HZ)
    assert with_lead(hissing)[1] == start_s
    for audio in (from_samples(np.zeros(RATE_HZ), RATE_HZ), from_samples([], RATE_HZ)):
        assert with_lead(audio) == (audio, 0.0)


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="needs ffmpeg")
def test_a_decoder_that_read_lists_would_still_ask_no_server(tmp_path, monkeypatch):
    """Should a format that names others ever be let in, the list of protocols still holds: nobody is asked."""
    monkeypatch.setattr(decoding, "FFMPEG_FORMATS", (*decoding.FFMPEG_FORMATS, "hls"))
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        songs = tmp_path / "song.m3u8"
        songs.write_text(
            f"#EXTM3U\n#EXT-X-TARGETDURATION:9\n#EXTINF:9,\nhttp://127.0.0.1:{port}/a.ts\n#EXT-X-ENDLIST\n"
        )
        asked = subprocess.run(decoding.ffmpeg_command(songs), capture_output=True, timeout=20, check=False)
        server.settimeout(0.2)
        with pytest.raises(TimeoutError):
            server.accept()
    assert asked.returncode != 0
    # Without our own list ffmpeg's of files holds, which lets data and crypto in; seen to fail so.
    assert b"not on whitelist 'file,pipe'" in asked.stderr
