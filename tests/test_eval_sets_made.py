"""Sets that eval makes: from code, from a Debian package, and changed copies of others."""

import shutil
import subprocess
from pathlib import Path

import mido
import numpy as np
import pytest
import soundfile

from eval.scoring.folding import bar_lines
from eval.scoring.guides import true_places
from eval.sets.loaders import load_set
from eval.sets.songs import SET_NAME, NotHereError, beats_of, convert, fetch, fetch_set
from eval.sets.synthetic import PATTERNS, write_set
from eval.sets.variants import QUIET_DB, SHIFT_S, varied
from pulsefind.core.errors import FormatError

SHARED = Path(__file__).parent.parent.parent / "shared" / "data"


@pytest.fixture(scope="module")
def root(tmp_path_factory):
    folder = tmp_path_factory.mktemp("made")
    write_set(folder / "synthetic", 20.0)
    return folder


# From code


def test_the_synthetic_set_is_the_same_every_time(root, tmp_path):
    write_set(tmp_path / "synthetic", 20.0)
    for path in sorted((root / "synthetic").rglob("*.*")):
        assert path.read_bytes() == (tmp_path / path.relative_to(root)).read_bytes(), path


def test_the_truth_of_the_synthetic_set_is_the_pattern_it_was_made_from(root):
    tracks = {track.name: track for track in load_set("synthetic", root)}
    assert set(tracks) == {pattern.name for pattern in PATTERNS}
    for pattern in PATTERNS:
        reference = tracks[pattern.name].reference
        truth = true_places(reference, bar_lines(reference))
        assert set(truth) == set(pattern.places)
        for kind, places in pattern.places.items():
            assert pattern.beats * truth[kind] == pytest.approx(sorted(places), abs=0.01), (pattern.name, kind)


def test_hits_sound_where_they_are_written(root):
    # The kick on the 1 is by far the loudest sound: the sum of squares over 10 ms jumps there.
    (track,) = [t for t in load_set("synthetic", root) if t.name == "waltz"]
    samples, rate_hz = soundfile.read(track.audio)
    for time_s in track.reference.drums["KD"][1:]:
        at = round(time_s * rate_hz)
        before, after = samples[at - rate_hz // 100 : at], samples[at : at + rate_hz // 100]
        assert np.sum(after**2) > 3 * np.sum(before**2)


# From a MIDI tempo map


def midi_file(path: Path, *messages: mido.MetaMessage, ticks: int = 480) -> Path:
    file = mido.MidiFile(ticks_per_beat=ticks)
    track = mido.MidiTrack(messages)
    file.tracks.append(track)
    path.parent.mkdir(parents=True, exist_ok=True)
    file.save(path)
    return path


def tempo(bpm, after=0):
    return mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(bpm), time=after)


def test_beats_follow_the_tempo_map(tmp_path):
    # 60 bpm for four beats, then 120 bpm: seconds 0 1 2 3 4, then steps of half a second.
    beat_s, count = beats_of(midi_file(tmp_path / "a.mid", tempo(60), tempo(120, after=4 * 480)), 6.0)
    assert beat_s.tolist() == pytest.approx([0, 1, 2, 3, 4, 4.5, 5, 5.5])
    assert count.tolist() == [1, 2, 3, 4, 1, 2, 3, 4]


def test_a_tempo_may_change_within_a_beat(tmp_path):
    # Half a beat at 60 bpm is 0.5 s, the other half at 120 bpm 0.25 s.
    beat_s, _ = beats_of(midi_file(tmp_path / "a.mid", tempo(60), tempo(120, after=240)), 1.3)
    assert beat_s.tolist() == pytest.approx([0, 0.75, 1.25])


def test_the_meter_decides_what_a_beat_is(tmp_path):
    # SMF 1.0: 6/8 counts eighths, which last half a quarter.
    signature = mido.MetaMessage("time_signature", numerator=6, denominator=8)
    beat_s, count = beats_of(midi_file(tmp_path / "a.mid", tempo(60), signature), 4.0)
    assert beat_s.tolist() == pytest.approx(np.arange(8) * 0.5)
    assert count.tolist() == [1, 2, 3, 4, 5, 6, 1, 2]


def test_without_a_tempo_the_standard_one_holds(tmp_path):
    # SMF 1.0: 120 bpm in 4/4 when nothing is said.
    beat_s, _ = beats_of(midi_file(tmp_path / "a.mid"), 1.2)
    assert beat_s.tolist() == pytest.approx([0, 0.5, 1.0])


def test_what_is_no_midi_file_is_refused(tmp_path):
    (tmp_path / "a.mid").write_text("no notes")
    with pytest.raises(FormatError, match=r"a\.mid: isn't a readable MIDI file"):
        beats_of(tmp_path / "a.mid", 1.0)


# From the Debian package


def fake_package(folder: Path) -> Path:
    song = folder / "usr" / "share" / "songs" / "muldjord" / "a_song"
    midi_file(song / "notes.mid", tempo(120))
    rng = np.random.default_rng(0)
    soundfile.write(song / "song.ogg", 0.7 * rng.uniform(-1, 1, (44100 * 2, 2)), 44100)
    soundfile.write(song / "guitar.ogg", 0.7 * rng.uniform(-1, 1, (44100 * 2 + 500, 2)), 44100)
    return folder


def test_an_unpacked_package_becomes_a_set(tmp_path):
    assert convert(fake_package(tmp_path / "unpacked"), tmp_path / SET_NAME) == ["muldjord_a_song"]
    (track,) = load_set(SET_NAME, tmp_path)
    assert track.reference.beat_s.tolist() == [0.0, 0.5, 1.0, 1.5, 2.0]
    assert track.reference.count.tolist() == [1, 2, 3, 4, 1]
    samples, rate_hz = soundfile.read(track.audio)
    assert rate_hz == 44100 and len(samples) == 44100 * 2 + 500 and np.abs(samples).max() <= 1


def test_a_package_without_songs_is_told(tmp_path):
    (tmp_path / "unpacked").mkdir()
    with pytest.raises(FormatError, match="holds no song"):
        convert(tmp_path / "unpacked", tmp_path / SET_NAME)


def test_without_apt_the_reason_is_told(tmp_path, monkeypatch):
    monkeypatch.setattr(shutil, "which", lambda name: None)
    with pytest.raises(NotHereError, match="apt is absent"):
        fetch(tmp_path)


def test_when_apt_cannot_download_its_own_reason_is_told(tmp_path, monkeypatch):
    def failing(command, **options):
        raise subprocess.CalledProcessError(100, command, stderr="Reading lists\nE: Unable to locate package\n")

    monkeypatch.setattr(shutil, "which", lambda name: f"/usr/bin/{name}")
    monkeypatch.setattr(subprocess, "run", failing)
    with pytest.raises(NotHereError, match=r"E: Unable to locate package"):
        fetch(tmp_path)


def test_the_real_package_gives_the_grid_that_others_read_from_it(tmp_path):
    if not (SHARED / "metal").is_dir():
        pytest.skip("the folder with the annotated recordings isn't there")
    try:
        names = fetch_set(tmp_path)
    except NotHereError as reason:
        pytest.skip(str(reason))
    assert len(names) == 4
    known = {track.name: track.reference for track in load_set("metal", SHARED)}
    for track in load_set(SET_NAME, tmp_path):
        reference = known[track.name]
        n = len(reference.beat_s)
        assert 0 <= len(track.reference.beat_s) - n <= 1
        assert track.reference.beat_s[:n] == pytest.approx(reference.beat_s, abs=0.0002)
        assert track.reference.count[:n].tolist() == reference.count.tolist()


# Variants


@pytest.mark.parametrize("variant", ["quieter", "later", "hissing"])
def test_variants_keep_sound_and_annotation_together(root, tmp_path, variant):
    track = load_set("synthetic", root)[0]
    changed = varied(track, variant, tmp_path)
    before, rate_hz = soundfile.read(track.audio)
    after, _ = soundfile.read(changed.audio)
    shift = round(SHIFT_S * rate_hz) if variant == "later" else 0
    assert changed.reference.beat_s == pytest.approx(track.reference.beat_s + shift / rate_hz)
    assert changed.reference.drums["KD"] == pytest.approx(track.reference.drums["KD"] + shift / rate_hz)
    assert len(after) == len(before) + shift
    gain = 10 ** (QUIET_DB / 20) if variant == "quieter" else 1.0
    assert np.sqrt(np.mean((after[shift:] - gain * before) ** 2)) < 0.0011
    assert (variant == "hissing") == bool(np.abs(after[shift:] - gain * before).max() > 1e-4)


def test_an_unknown_variant_is_named(root, tmp_path):
    with pytest.raises(FormatError, match="no variant is called 'louder'"):
        varied(load_set("synthetic", root)[0], "louder", tmp_path)
