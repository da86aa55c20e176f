"""A guide brought forward: levels and onsets are measured in what was written."""

import errno
from dataclasses import replace

import numpy as np
import pytest
import soundfile
from commands import run
from making import RATE_HZ, at_places, beats_of, drum, hits_at, noise_burst, pulse, render
from pagemaking import analysis_of
from scipy.signal import butter, sosfiltfilt
from songs import onsets

from pulsefind.core.errors import OutputError
from pulsefind.core.records import Sound
from pulsefind.listen.audio import load
from pulsefind.practice import isolate
from pulsefind.practice.isolate import BEFORE_S, LIFT_DB, LOOP_TIMES, LOWER_DB, loop_path, write_heard
from pulsefind.practice.spool import spooled
from pulsefind.saved import to_json

BPM = 120.0


@pytest.fixture(scope="module")
def song(tmp_path_factory):
    """Ticks around 8 kHz on 2& and 4& under a low tone and a knock on every beat: path, analysis, tick times."""
    beat = pulse(65, bpm=BPM)
    ticks, knocks = at_places(beat, [1.5, 3.5]), beat.time_s
    rng = np.random.default_rng(1)
    length_s = beat.time_s[-1] + 1.0
    sound = render(length_s, (ticks, noise_burst(rng, 6000, 10000, 0.06, 0.012), 0.2), (knocks, drum(180.0), 0.3))
    sound += 0.2 * np.sin(2 * np.pi * 110 * np.arange(len(sound)) / RATE_HZ)
    path = tmp_path_factory.mktemp("hear") / "song.wav"
    soundfile.write(path, sound.astype(np.float32), RATE_HZ, subtype="FLOAT")
    analysis = analysis_of(beat, hits_at(ticks, sounds=(Sound(8000.0, 60.0, 0.6),)), "song.wav", 0.95)
    analysis = replace(analysis, track=replace(analysis.track, sha256=load(path).sha256))
    assert [p.label for p in analysis.guides[0].places] == ["2&", "4&"] and len(beats_of(beat).time_s) == 65
    return path, analysis, ticks


@pytest.fixture(scope="module")
def heard(song, tmp_path_factory):
    path, analysis, _ = song
    out = tmp_path_factory.mktemp("out") / "guide.wav"
    with spooled(path, None, None, 1.0) as spool:
        written = write_heard(spool, analysis, analysis.guides[0], out, False)
    return out, written


@pytest.mark.parametrize("force", [False, True])
def test_both_files_are_written_or_none(song, tmp_path, monkeypatch, force):
    """The disk is full when the loop's turn comes: the other file isn't there either, or is as it was."""
    path, analysis, _ = song
    out = tmp_path / "guide.wav"
    if force:
        out.write_bytes(b"before")

    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")
        yield

    monkeypatch.setattr(isolate, "_pattern_alone", full)
    with spooled(path, None, None, 1.0) as spool, pytest.raises(OutputError, match="No space left"):
        write_heard(spool, analysis, analysis.guides[0], out, force)
    assert [one.read_bytes() for one in tmp_path.iterdir()] == ([b"before"] if force else [])


def band_db(samples, low_hz, high_hz, inside):
    sos = butter(4, [low_hz, high_hz], "bandpass", fs=RATE_HZ, output="sos")
    return 10 * np.log10(np.mean(sosfiltfilt(sos, samples)[inside] ** 2))


def moments(times, n, before_s, after_s):
    inside = np.zeros(n, bool)
    for t in times:
        inside[max(0, int((t + before_s) * RATE_HZ)) : int((t + after_s) * RATE_HZ)] = True
    return inside


def test_the_guide_is_lifted_at_its_moments_and_the_rest_lowered(song, heard):
    path, _, ticks = song
    before, after = soundfile.read(path)[0], soundfile.read(heard[0])[0]
    assert len(after) == len(before)
    turned_down = heard[1][0].turned_down_db
    ticks = ticks[ticks > 2.0]
    on = moments(ticks, len(before), 0.0, 0.04)
    change = band_db(after, 6500, 9500, on) - band_db(before, 6500, 9500, on)
    assert change == pytest.approx(LIFT_DB - turned_down, abs=0.7)
    off = moments(ticks + 0.25, len(before), 0.0, 0.15)
    assert band_db(after, 90, 130, off) - band_db(before, 90, 130, off) == pytest.approx(
        LOWER_DB - turned_down, abs=0.1
    )


def test_no_attack_moves(song, heard):
    _, _, ticks = song
    samples, _ = soundfile.read(heard[0])
    sos = butter(4, 5000, "highpass", fs=RATE_HZ, output="sos")
    found = onsets(sosfiltfilt(sos, samples), RATE_HZ)
    late = [found[np.abs(found - t).argmin()] - t for t in ticks if t > 2.0]
    assert np.abs(late).max() < 0.004


def test_levels_are_limited_and_never_start_full(heard):
    out, written = heard
    for path, one in zip((out, loop_path(out)), written, strict=True):
        samples, rate_hz = soundfile.read(path)
        assert one.true_peak_dbtp <= -1.0 and np.abs(samples).max() < 10 ** (-1 / 20)
        first, later = samples[: rate_hz // 4], samples[rate_hz : 2 * rate_hz]
        assert np.abs(first).max() < 0.5 * np.abs(later).max()


def test_the_loop_is_the_pattern_alone_at_its_places(heard):
    samples, _ = soundfile.read(loop_path(heard[0]))
    bar = round(4 * 60 / BPM * RATE_HZ)
    assert len(samples) == LOOP_TIMES * bar
    one = samples[2 * bar : 3 * bar]
    found = onsets(one, RATE_HZ)
    np.testing.assert_allclose(found, [1.5 * 60 / BPM, 3.5 * 60 / BPM], atol=0.004)
    # Between the hits there is silence, and each round is the same.
    quiet = ~moments(found, bar, -BEFORE_S - 0.02, 0.12)
    assert np.abs(one[quiet]).max() < 1e-6
    np.testing.assert_allclose(samples[3 * bar : 4 * bar], one, atol=1e-6)


def test_the_command_writes_both_and_cautions(song, tmp_path, monkeypatch, capsys):
    path, analysis, _ = song
    saved = tmp_path / "song.json"
    saved.write_text(to_json(analysis))
    out = tmp_path / "a.flac"
    monkeypatch.setenv("PULSEFIND_CACHE", str(tmp_path / "cache"))
    code, text, _ = run(monkeypatch, capsys, "hear", path, "--analysis", saved, "--out", out)
    assert code == 0 and out.exists() and loop_path(out).exists()
    assert (
        "2& and 4&" in " ".join(text.split())
        and "Caution" in text
        and all(len(line) <= 80 or "/" in line for line in text.split("\n"))
    )
    kept = out.read_bytes()
    code, _, message = run(monkeypatch, capsys, "hear", path, "--analysis", saved, "--out", out)
    assert code == 2 and "--force" in message and out.read_bytes() == kept
    out.unlink()
    code, _, message = run(monkeypatch, capsys, "hear", path, "--analysis", saved, "--out", out)
    assert code == 2 and "loop" in message and not out.exists()
    code, _, _ = run(monkeypatch, capsys, "hear", path, "--analysis", saved, "--out", out, "--force")
    assert code == 0 and out.exists()


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--guide", "7"), "the guides of this track are bright tick"),
        (("--guide", "../tick"), "--guide ../tick: the guides of this track are bright tick"),
        (("--out", "a.txt"), "no format"),
        (("--meter", "4/4"), "brings its own beats"),
    ],
)
def test_bad_input_is_one_line(song, tmp_path, monkeypatch, capsys, words, message):
    path, analysis, _ = song
    saved = tmp_path / "song.json"
    saved.write_text(to_json(analysis))
    monkeypatch.chdir(tmp_path)
    code, _, error = run(monkeypatch, capsys, "hear", path, "--analysis", saved, *words)
    assert code == 2 and message in error and error.count("\n") == 1
    assert [p.name for p in tmp_path.iterdir()] == ["song.json"]


def test_a_track_without_guides_is_told(song, tmp_path, monkeypatch, capsys):
    path, analysis, _ = song
    saved = tmp_path / "song.json"
    saved.write_text(to_json(replace(analysis, guides=(), plan=(None,) * len(analysis.plan), misreadings=())))
    code, _, error = run(monkeypatch, capsys, "hear", path, "--analysis", saved, "--out", tmp_path / "x.wav")
    assert code == 2 and "no guide was found" in error


def test_the_track_itself_is_never_written_over(song, tmp_path, monkeypatch, capsys):
    path, analysis, _ = song
    track, saved = tmp_path / "song loop.wav", tmp_path / "song.json"
    track.write_bytes(path.read_bytes())
    saved.write_text(to_json(replace(analysis, track=replace(analysis.track, name=track.name))))
    for out in (track, tmp_path / "song.wav"):
        code, _, error = run(monkeypatch, capsys, "hear", track, "--analysis", saved, "--out", out, "--force")
        assert code == 2 and "is what is read" in error and track.read_bytes() == path.read_bytes()
