"""Takes from pads, against files written byte by byte (Standard MIDI Files 1.0) and pretty_midi's reading of them."""

import pretty_midi
import pytest

from pulsefind.take import midi as take_midi
from pulsefind.take.midi import is_midi, read_midi_take
from pulsefind.take.records import TakeError

END = bytes((0x00, 0xFF, 0x2F, 0x00))


def smf(*tracks, kind=1, division=480):
    """A Standard MIDI File of tracks of events, each of which gets its end."""
    head = b"MThd" + (6).to_bytes(4, "big") + b"".join(n.to_bytes(2, "big") for n in (kind, len(tracks), division))
    return head + b"".join(b"MTrk" + len(t + END).to_bytes(4, "big") + t + END for t in tracks)


def delta(ticks):
    """A time in the file's own variable length: seven bits a byte, the highest bit set on all but the last."""
    found = [ticks & 0x7F]
    while ticks := ticks >> 7:
        found.append(0x80 | ticks & 0x7F)
    return bytes(reversed(found))


def note(ticks, pitch, velocity=90, channel=10):
    return delta(ticks) + bytes((0x90 + channel - 1, pitch, velocity))


def tempo(ticks, bpm):
    return delta(ticks) + bytes((0xFF, 0x51, 0x03)) + round(60e6 / bpm).to_bytes(3, "big")


@pytest.fixture
def read(tmp_path):
    def reading(data, name="take.mid"):
        path = tmp_path / name
        path.write_bytes(data)
        return read_midi_take(path)

    return reading


def refusal(read, data):
    with pytest.raises(TakeError) as caught:
        read(data)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_times_follow_every_change_of_tempo(read, tmp_path):
    # A beat at 120 bpm lasts 0.5 s, at 60 bpm 1 s; the change comes in another track, in the middle of a beat.
    data = smf(tempo(0, 120) + tempo(720, 60), note(0, 36) + note(480, 38) + note(480, 36) + note(480, 38))
    hits = read(data)
    assert hits.time_s == pytest.approx([0.0, 0.5, 1.25, 2.25], abs=1e-6)
    other = pretty_midi.PrettyMIDI(str(tmp_path / "take.mid"))
    assert hits.time_s == pytest.approx([other.tick_to_time(tick) for tick in (0, 480, 960, 1440)])
    assert (hits.source, hits.level_unit, hits.notes) == ("midi", "velocity", ())
    assert hits.duration_s == pytest.approx(2.25)


@pytest.mark.parametrize(
    ("pitch", "kind"),
    [
        # General MIDI Level 1 percussion map: bass drums, snares, side stick, toms, hi-hats, crash, ride, cowbell.
        *((35, "kick"), (36, "kick"), (38, "snare"), (40, "snare"), (37, "snare"), (41, "tom"), (45, "tom")),
        *((50, "tom"), (42, "hat"), (44, "hat"), (46, "hat"), (49, "cymbal"), (51, "cymbal"), (59, "cymbal")),
        *((56, "other"), (0, "other"), (127, "other")),
    ],
)
def test_notes_are_drums_as_general_midi_names_them(read, pitch, kind):
    assert read(smf(note(0, pitch))).kind == (kind,)


def test_names_agree_with_those_of_pretty_midi(read):
    words = {"Bass Drum": "kick", "Snare": "snare", "Tom": "tom", "Hi Hat": "hat", "Cymbal": "cymbal"}
    for pitch in range(35, 60):
        told = pretty_midi.note_number_to_drum_name(pitch)
        expected = next((kind for word, kind in words.items() if word.lower() in told.lower()), None)
        if expected is not None:
            assert read(smf(note(0, pitch))).kind == (expected,), told


def test_a_note_without_velocity_ends_one_and_other_channels_are_left_out(read):
    hits = read(smf(note(0, 36, 100) + note(240, 36, 0) + note(240, 60, 100, channel=1) + note(480, 38, 1)))
    assert hits.kind == ("kick", "snare")
    assert hits.level.tolist() == [100, 1]
    assert hits.time_s == pytest.approx([0.0, 1.0])


def test_without_a_drum_channel_all_channels_are_read_and_a_note_says_so(read):
    hits = read(smf(note(0, 36, channel=1) + note(480, 38, channel=9)))
    assert hits.kind == ("kick", "snare")
    assert "no notes on the drum channel (10)" in hits.notes[0]


def test_what_can_not_be_a_take_is_refused_in_one_line(read, monkeypatch):
    strokes = note(0, 36) + note(480, 38)
    assert "unrelated sequences (format 2)" in refusal(read, smf(strokes, kind=2))
    # 25 film frames of 40 parts: the highest bit of the division is set.
    assert "film frames" in refusal(read, smf(strokes, division=0xE728))
    assert "film frames" in refusal(read, smf(strokes, division=0x8000))
    assert "film frames" in refusal(read, smf(strokes, division=0))
    assert "holds no notes" in refusal(read, smf(tempo(0, 120)))
    assert "holds no notes" in refusal(read, smf(note(0, 36, 0)))
    assert "damaged MIDI file" in refusal(read, smf(strokes)[:30])
    assert "damaged MIDI file" in refusal(read, b"MThd")
    # At 60 bpm a beat of 480 ticks is a second; four hours are 14 400 of them.
    assert "for more than 4 hours" in refusal(read, smf(tempo(0, 60), note(0, 36) + note(480 * 14_401, 36)))
    assert len(read(smf(tempo(0, 60), note(0, 36) + note(480 * 14_399, 36))).time_s) == 2
    monkeypatch.setattr(take_midi, "LARGEST_BYTES", len(smf(strokes)) - 1)
    assert "too large" in refusal(read, smf(strokes))


def test_a_file_that_is_not_there_is_one_line(tmp_path):
    with pytest.raises(TakeError, match=r"gone.mid: can.t be read \(No such file"):
        read_midi_take(tmp_path / "gone.mid")


def test_midi_is_known_by_how_it_starts(tmp_path):
    def starts(data):
        path = tmp_path / "a"
        path.write_bytes(data)
        return is_midi(path)

    assert starts(smf(note(0, 36)))
    assert starts(b"RIFF" + bytes(4) + b"RMIDdata")
    assert not starts(b"RIFF" + bytes(4) + b"WAVEfmt ")
    assert not starts(b"RIFX" + bytes(4) + b"RMID")
    assert not starts(b"MTh") and not starts(b"")
    assert not is_midi(tmp_path) and not is_midi(tmp_path / "gone")


def test_a_key_that_does_not_exist_is_refused_in_one_line(read):
    """73 sharps: the library's error for it is of a kind of its own."""
    with pytest.raises(TakeError, match="a damaged MIDI file"):
        read(smf(bytes((0, 0xFF, 0x59, 0x02, 73, 133)) + note(0, 38)))


def test_what_kits_send_beside_general_midi(read):
    """A clap, and as e-kits send them the edge of the hi-hat and the rim of a tom (common practice, no source)."""
    kinds = {22: "hat", 26: "hat", 39: "snare", 58: "tom", 27: "other"}
    assert {pitch: read(smf(note(0, pitch))).kind[0] for pitch in kinds} == kinds


def test_a_take_of_four_hours_to_the_second(read):
    strokes = note(0, 36) + note(480 * 14_400, 36)
    assert read(smf(tempo(0, 60), strokes)).duration_s == pytest.approx(14_400)
