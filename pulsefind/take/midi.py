"""Takes from pads and e-kits: drum notes of a Standard MIDI File, in seconds."""

from __future__ import annotations

import io
from pathlib import Path

import mido
import numpy as np

from pulsefind.core.errors import FormatError
from pulsefind.core.given import read_given
from pulsefind.core.limits import LONGEST_S
from pulsefind.export.formats import LARGEST_BYTES
from pulsefind.take.records import TakeError, TakeHits

_DRUM_CHANNEL = 9  # channel 10, counted from 0: published, General MIDI Level 1
_MIDI_HEADER = b"MThd"
_RIFF_HEADER, _RIFF_MIDI = b"RIFF", b"RMID"

# The names follow the General MIDI Level 1 percussion map. 22 and 26 (hi-hat edge) and 58 (a tom's rim) lie
# outside it or elsewhere in it; e-kits send them so: common practice, no source.
_KIND_OF_NOTE = {
    **dict.fromkeys((35, 36), "kick"),
    **dict.fromkeys((37, 38, 39, 40), "snare"),
    **dict.fromkeys((41, 43, 45, 47, 48, 50, 58), "tom"),
    **dict.fromkeys((22, 26, 42, 44, 46), "hat"),
    **dict.fromkeys((49, 51, 52, 53, 55, 57, 59), "cymbal"),
}


def is_midi(path: Path) -> bool:
    """Does the file start like a Standard MIDI File? A file that can't be read is none."""
    try:
        with path.open("rb") as file:
            head = file.read(12)
    except OSError:
        return False
    return head[:4] == _MIDI_HEADER or (head[:4] == _RIFF_HEADER and head[8:12] == _RIFF_MIDI)


def read_midi_take(path: Path) -> TakeHits:
    """Read the drum notes of a Standard MIDI File; its tempo changes are honoured.

    Notes of channel 10 are taken; where it has none, those of all channels, and a note says so.

    Raises
    ------
    TakeError
        if the file is damaged, is of format 2 (unrelated sequences), counts no beats, or holds no notes.
    """
    try:
        # From memory: read from the disk, a length in a damaged header would be set aside before it is read.
        file = mido.MidiFile(file=io.BytesIO(read_given(path, LARGEST_BYTES, "a MIDI file")))
        if file.type == 2:
            raise TakeError(f"{path}: holds unrelated sequences (format 2); save it as format 0 or 1")
        if not 0 < file.ticks_per_beat < 0x8000:
            raise TakeError(f"{path}: counts time in film frames (SMPTE), not in beats; export it with beats")
        rows = _notes(file)
    except FormatError as error:
        raise TakeError(str(error)) from None
    except (OSError, EOFError, ValueError, IndexError, KeyError, mido.KeySignatureError) as error:
        raise TakeError(f"{path}: a damaged MIDI file ({error}); export it again") from None
    if not rows:
        raise TakeError(f"{path}: the MIDI file holds no notes; check that the right track was exported")
    if rows[-1][0] > LONGEST_S:
        raise TakeError(f"{path}: its notes go on for more than {LONGEST_S // 3600} hours; export it again")
    notes: tuple[str, ...] = ()
    drums = [row for row in rows if row[3] == _DRUM_CHANNEL]
    if not drums:
        drums = rows
        notes = ("no notes on the drum channel (10): the notes of all channels are read as drums",)
    time_s, pitch, velocity, _ = (list(column) for column in zip(*drums, strict=True))
    kind = tuple(_KIND_OF_NOTE.get(int(p), "other") for p in pitch)
    return TakeHits(np.array(time_s), kind, np.array(velocity), "velocity", float(rows[-1][0]), "midi", notes)


def _notes(file: mido.MidiFile) -> list[tuple[float, int, int, int]]:
    """(time_s, pitch, velocity, channel) of every struck note, in order."""
    rows = []
    time_s = 0.0
    for message in file:
        time_s += message.time
        if message.type == "note_on" and message.velocity > 0:
            rows.append((time_s, message.note, message.velocity, message.channel))
    return rows
