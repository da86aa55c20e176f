"""Track and click together: levels, peaks, loops, blocks."""

import io
import tracemalloc

import numpy as np
import pyloudnorm
import pytest
import soundfile
from scipy.signal import resample_poly
from songs import RATE_HZ, analysis, write_track

from pulsefind.core.errors import HintError, OutputError
from pulsefind.practice import mix
from pulsefind.practice.click_sound import LENGTH_S
from pulsefind.practice.mix import Levels, Piece, Score, mixed, render
from pulsefind.practice.render import Part, Plan, Practice, clicks_for, score_for, write_practice
from pulsefind.practice.spool import Spool, spooled


def spool_of(samples, loudness_lufs=-20.0, rate_hz=RATE_HZ):
    samples = np.asarray(samples, np.float32)
    samples = samples[:, None] if samples.ndim == 1 else samples
    file = io.BytesIO(samples.tobytes())
    return Spool(file, len(samples), samples.shape[1], rate_hz, 0.0, 1.0, loudness_lufs)


def whole(spool, at, accent=None):
    accent = np.zeros(len(at), bool) if accent is None else accent
    return Score(spool.n, (Piece(0, 0, spool.n),), np.asarray(at, float), np.asarray(accent))


def mix_of(spool, score, levels):
    return np.concatenate(list(mixed(spool, score, levels)))


def true_peak_db(samples):
    """4 times oversampled by scipy's polyphase filter: another one than the meter's."""
    return 20 * np.log10(np.abs(resample_poly(samples.astype(float), 4, 1, axis=0)).max())


@pytest.mark.parametrize("ending", [".wav", ".flac", ".ogg", ".mp3"])
@pytest.mark.parametrize("level", [0.05, 0.4])
def test_true_peak_stays_below_minus_1(tmp_path, ending, level):
    song = analysis(meters=(4,) * 2, bpm=240.0)
    write_track(tmp_path / "song.wav", song.track.duration_s, channels=2, level=level)
    with spooled(tmp_path / "song.wav", None, None, 1.0) as spool:
        done = write_practice(
            Practice(song, spool, Plan("beats e & a"), None, Levels(click_db=6.0)), tmp_path / f"a{ending}", False
        )
    sound, rate_hz = soundfile.read(tmp_path / f"a{ending}")
    assert true_peak_db(sound) <= -1.0 + 0.1
    assert true_peak_db(sound) == pytest.approx(done.true_peak_dbtp, abs=0.2)
    assert done.loudness_lufs == pytest.approx(pyloudnorm.Meter(rate_hz).integrated_loudness(sound), abs=0.3)
    if level == 0.4:
        assert done.turned_down_db > 0


def test_a_quiet_track_is_not_turned_up(tmp_path):
    spool = spool_of(0.01 * np.ones(RATE_HZ))
    done = render(spool, whole(spool, []), Levels(), tmp_path / "a.wav", False)
    sound, _ = soundfile.read(tmp_path / "a.wav")
    assert done.turned_down_db == 0
    assert sound[-1] == pytest.approx(0.01, abs=1e-6)


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("click_db", [-12.0, 0.0, 6.0])
def test_a_click_is_as_far_over_the_track_as_asked(channels, click_db):
    # A click every 100 ms over a silent track that is said to have -23 LUFS; pyloudnorm is the oracle.
    spool = spool_of(np.zeros((6 * RATE_HZ, channels)), -23.0)
    at = np.arange(RATE_HZ, 6 * RATE_HZ - 4000, RATE_HZ / 10)
    sound = mix_of(spool, whole(spool, at, np.arange(len(at)) % 2 == 0), Levels(click_db=click_db))[RATE_HZ:]
    assert pyloudnorm.Meter(RATE_HZ).integrated_loudness(sound) == pytest.approx(-23.0 + click_db, abs=0.25)


@pytest.mark.parametrize("levels", [{"click_db": 6.1}, {"click_db": 20.0}, {"track_db": 1.0}, {"track_db": -90.0}])
def test_levels_beyond_the_margin_are_refused(levels):
    with pytest.raises(HintError, match="can be had"):
        Levels(**levels)


def test_the_click_for_a_silent_track_is_that_of_a_quiet_one():
    silent, quiet = (spool_of(np.zeros(2 * RATE_HZ), lufs) for lufs in (-np.inf, mix.QUIETEST_LUFS))
    at = [1.5 * RATE_HZ]
    np.testing.assert_array_equal(
        mix_of(silent, whole(silent, at), Levels()), mix_of(quiet, whole(quiet, at), Levels())
    )


def test_the_first_second_is_faded_up():
    spool = spool_of(np.full(2 * RATE_HZ, 0.5))
    sound = mix_of(spool, whole(spool, []), Levels())[:, 0]
    db = 20 * np.log10(sound / 0.5)
    assert db[0] == pytest.approx(-mix.FADE_UP_DB, abs=0.01)
    assert (np.diff(db[:RATE_HZ]) > 0).all()
    np.testing.assert_allclose(db[RATE_HZ:], 0, atol=1e-4)


def test_levels_and_sides_apart():
    rng = np.random.default_rng(0)
    spool = spool_of(0.1 * rng.standard_normal((2 * RATE_HZ, 2)))
    score = whole(spool, [1.5 * RATE_HZ])
    split = mix_of(spool, score, Levels(split=True, track_db=-6.0))[RATE_HZ:]
    track = spool.read(RATE_HZ, RATE_HZ)
    np.testing.assert_allclose(split[:, 0], track.mean(axis=1) * 10 ** (-6 / 20), atol=1e-6)
    click = split[:, 1]
    assert not click[: RATE_HZ // 2 - 100].any()
    assert click[RATE_HZ // 2 :].any()
    alone = mix_of(spool, score, Levels(with_track=False))[RATE_HZ:, 0]
    np.testing.assert_allclose(alone, click, atol=1e-6)


def test_clicks_that_overlap_add_up_and_are_not_clipped():
    spool = spool_of(np.zeros(2 * RATE_HZ), -10.0)
    at = 1.5 * RATE_HZ + np.array([0.0, 300.2, 650.9, 1000.1])
    together = mix_of(spool, whole(spool, at), Levels(click_db=6.0))
    apart = sum(mix_of(spool, whole(spool, [a]), Levels(click_db=6.0)).astype(float) for a in at)
    np.testing.assert_allclose(together, apart, atol=1e-6)
    assert np.abs(together).max() > 1.0


def test_blocks_leave_no_trace(monkeypatch):
    rng = np.random.default_rng(0)
    spool = spool_of(0.1 * rng.standard_normal(RATE_HZ))
    length = 9000
    pieces = tuple(Piece(500 + k * length, 7000, length, k < 2) for k in range(3))
    score = Score(500 + 3 * length, pieces, np.array([100.3, 4095.9, 4096.2, 20000.5]), np.zeros(4, bool))
    expected = mix_of(spool, score, Levels())
    monkeypatch.setattr(mix, "BLOCK", 4096)
    np.testing.assert_allclose(mix_of(spool, score, Levels()), expected, atol=1e-7)


def loop_of(samples, start_s, end_s, times, clicks=()):
    spool = spool_of(samples)
    song = analysis(meters=(4,) * 8, start_s=0.0)
    part = Part(start_s, end_s, times)
    none = clicks_for(song, Plan(), None).keep(np.zeros(32, bool))
    wanted = clicks_for(song, Plan(), part) if clicks else none
    return spool, score_for(spool, wanted, none, part)


def test_a_loop_of_a_steady_tone_has_no_seam():
    # 110 Hz over exactly 4 s fits 440 times: a seamless loop is the tone itself, for ever.
    t = np.arange(12 * RATE_HZ) / RATE_HZ
    spool, score = loop_of(0.3 * np.sin(2 * np.pi * 110 * t), 2.0, 6.0, 3)
    sound = mix_of(spool, score, Levels())[:, 0]
    t = np.arange(len(sound)) / RATE_HZ
    inside = (t > 1) & (t < 12)
    np.testing.assert_allclose(sound[inside], 0.3 * np.sin(2 * np.pi * 110 * t[inside]), atol=1e-6)


def test_a_loop_of_noise_has_no_step_and_keeps_its_rounds_equal():
    rng = np.random.default_rng(3)
    smooth = np.convolve(rng.standard_normal(10 * RATE_HZ), np.hanning(40) / 20, "same") * 0.2
    spool, score = loop_of(smooth, 2.0, 6.0, 3)
    sound = mix_of(spool, score, Levels())[:, 0]
    length = 4 * RATE_HZ
    np.testing.assert_allclose(sound[length : 2 * length - 500], sound[2 * length : 3 * length - 500], atol=1e-6)
    seam = sound[length - 600 : length + 600]
    assert np.abs(np.diff(seam)).max() < 1.1 * np.abs(np.diff(smooth)).max()
    # The step that a plain cut makes here is far larger: the check can fail.
    assert abs(smooth[6 * RATE_HZ - 1] - smooth[2 * RATE_HZ]) > 1.1 * np.abs(np.diff(smooth)).max()


def test_the_clicks_of_a_loop_come_once_a_beat_in_every_round():
    _, score = loop_of(np.zeros(10 * RATE_HZ), 4.0, 8.0, 3, clicks=True)
    np.testing.assert_allclose(score.click_at, np.arange(12) * RATE_HZ)
    np.testing.assert_array_equal(score.accent, [True, False, False, False] * 3)


def test_clicks_ring_over_the_seam():
    spool, score = loop_of(np.zeros(12 * RATE_HZ), 2.0, 5.99, 2)
    late = Score(score.n, score.pieces, np.array([score.pieces[1].at - 300.0]), np.zeros(1, bool))
    sound = mix_of(spool, late, Levels())[:, 0]
    assert np.abs(sound[score.pieces[1].at : score.pieces[1].at + int(LENGTH_S * RATE_HZ / 2)]).max() > 0


def test_nothing_to_write_is_said(tmp_path):
    spool = spool_of(np.zeros(0))
    with pytest.raises(OutputError, match="nothing to write"):
        render(spool, whole(spool, []), Levels(), tmp_path / "a.wav", False)
    assert list(tmp_path.iterdir()) == []


def test_a_longer_track_needs_no_more_memory(tmp_path):
    peaks = []
    for minutes in (1, 4):
        n = minutes * 60 * 32000
        path = tmp_path / f"{minutes}.wav"
        with soundfile.SoundFile(path, "w", 32000, 1, "PCM_16") as file:
            for _ in range(minutes * 60):
                file.write(np.full(32000, 0.1, np.float32))
        song = analysis(meters=(4,) * (minutes * 20), bpm=90.0)
        tracemalloc.start()
        with spooled(path, None, None, 1.0) as spool:
            assert spool.n == n
            write_practice(Practice(song, spool, Plan(), None, Levels()), tmp_path / f"{minutes}.flac", False)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    # What grows is the list of clicks, some bytes each; the sound of 3 more minutes would be 23 MB.
    assert peaks[1] - peaks[0] < 1.5e6
