"""What takes are made from: drum sounds of SoundFonts and single ones, and human drumming in seconds.

Drummers that ingredients.py holds out are never read, nor any performance that `eval take audio` or `eval take-fit`
renders (of doubt: the first 36): their takes measure what was learnt, or are fitted to.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from eval.train.drum_sounds import RATE_HZ
from eval.train.ingredients import GENERAL_MIDI_KEY, HELD_OUT_DRUMMERS, read_notes
from eval.train.take_kits import DRUM_OF_KEY, KEYS, Samples, read_samples

FloatArray = NDArray[np.float64]

_MEASURED = Path(__file__).with_name("measured.txt")
_KITS = (0, 8, 16, 24, 25, 32, 40)
_VELOCITIES = (40, 110)
_LONGEST_S, _SILENT = 2.0, 10 ** (-55 / 20)
_SHOTS = {
    "kick": r"^bd_|drum_bass|drum_heavy_kick",
    "snare": r"^sn_|drum_snare",
    "closed": r"drum_cymbal_closed",
    "pedal": r"drum_cymbal_pedal",
    "open": r"drum_cymbal_open",
    "crash1": r"drum_cymbal_(soft|hard)",
    "splash": r"drum_splash",
    "tom1": r"drum_tom_lo",
    "tom2": r"drum_tom_mid",
    "tom3": r"drum_tom_hi",
}


@dataclass(frozen=True, slots=True)
class TakeIngredients:
    """samples: drum sounds; played: performances, each (n, 3) of time_s, General MIDI key, velocity, with its tempo."""

    samples: Samples
    played: tuple[tuple[FloatArray, float], ...]


def load(folder: Path) -> TakeIngredients:
    """Read what prepare() wrote."""
    with np.load(folder / "played.npz", allow_pickle=False) as stored:
        notes = np.split(stored["notes"].astype(np.float64), stored["cuts"])
        bpm = stored["bpm"].tolist()
    return TakeIngredients(read_samples(folder / "sounds.npz"), tuple(zip(notes, bpm, strict=True)))


def prepare(folder: Path, fonts: Sequence[Path], shots: Path, grooves: Path) -> None:
    """Gather the ingredients into one folder: SoundFont files, sonic-pi's samples, the Groove MIDI Dataset."""
    folder.mkdir(parents=True, exist_ok=True)
    found = [(k, name, sound) for k, kit in enumerate(_kits(fonts, shots)) for name, sound in kit]
    parts = [np.asarray(sound * 32767, np.int16) for *_, sound in found]
    _write(
        folder / "sounds.npz",
        samples=np.concatenate(parts),
        cuts=np.cumsum([len(p) for p in parts])[:-1],
        names=np.array([name for _, name, _ in found]),
        kit=np.array([k for k, *_ in found]),
    )
    played = list(_performances(grooves))
    _write(
        folder / "played.npz",
        notes=np.concatenate([notes for _, notes, _ in played]).astype(np.float32),
        cuts=np.cumsum([len(notes) for _, notes, _ in played])[:-1],
        bpm=np.array([bpm for *_, bpm in played]),
        names=np.array(json.dumps([name for name, *_ in played])),
    )


def _write(path: Path, **arrays: NDArray[np.generic]) -> None:
    buffer = io.BytesIO()
    np.savez_compressed(buffer, allow_pickle=False, **arrays)
    path.write_bytes(buffer.getvalue())


def _kits(fonts: Sequence[Path], shots: Path) -> Iterator[list[tuple[str, FloatArray]]]:
    from eval.train.rendering import player

    for path in fonts:
        synth, font = player(path, RATE_HZ)
        seen: set[bytes] = set()
        for program in _KITS:
            kit = [
                (name, sound)
                for name, keys in KEYS.items()
                for velocity in _VELOCITIES
                if len(sound := _struck(synth, font, program, keys[0], velocity)) > 200
            ]
            mark = b"".join(sound[:400].tobytes() for _, sound in kit)
            if mark not in seen:
                seen.add(mark)
                yield kit
    yield from _loose(shots)


def _struck(synth: object, font: int, program: int, key: int, velocity: int) -> FloatArray:
    """One stroke on a SoundFont's kit, peak at 1, from its attack on."""
    from eval.train.rendering import played

    synth.sounds_off()  # type: ignore[attr-defined]
    synth.program_select(9, font, 128, program, True)  # type: ignore[attr-defined]
    sound = played(synth, 9, np.array([[0.0, 0.1, key, velocity]]), int(_LONGEST_S * RATE_HZ), RATE_HZ)
    return _cut(np.asarray(sound, np.float64))


def _cut(sound: FloatArray) -> FloatArray:
    top = float(np.abs(sound).max(initial=0.0))
    if top <= 0:
        return np.zeros(0)
    loud = np.flatnonzero(np.abs(sound) > _SILENT * top)
    first = int(np.flatnonzero(np.abs(sound) > 0.02 * top)[0])
    sound = sound[max(0, first - 20) : int(loud[-1]) + 1] / top
    fade = max(1, len(sound) // 6)
    return np.asarray(sound * np.r_[np.ones(len(sound) - fade), np.linspace(1, 0, fade)])


def _loose(shots: Path) -> Iterator[list[tuple[str, FloatArray]]]:
    """Kits of loose sounds: the first of every drum, then the second, and so on, until most drums have run out."""
    import soundfile
    import soxr

    of_drum: dict[str, list[FloatArray]] = {}
    for name, pattern in _SHOTS.items():
        for path in sorted(p for p in shots.glob("*.flac") if re.search(pattern, p.name)):
            samples, rate_hz = soundfile.read(path, always_2d=True)
            sound = soxr.resample(samples.mean(axis=1), rate_hz, RATE_HZ)[: int(_LONGEST_S * RATE_HZ)]
            of_drum.setdefault(name, []).append(_cut(np.asarray(sound, np.float64)))
    for turn in range(max(map(len, of_drum.values()), default=0)):
        yield [(name, sounds[turn % len(sounds)]) for name, sounds in of_drum.items()]


def measured_performances() -> set[str]:
    """Names of the performances that `eval take audio` and `eval take-fit` render (measured.txt; a test compares)."""
    return set(_MEASURED.read_text(encoding="utf-8").split())


def _performances(grooves: Path) -> Iterator[tuple[str, FloatArray, float]]:
    """Name, notes and tempo of every performance that may be learnt from, the drums of KEYS only."""
    left_out = measured_performances()
    with (grooves / "info.csv").open(newline="") as table:
        rows = [row for row in csv.DictReader(table) if row["drummer"] not in HELD_OUT_DRUMMERS]
    for row in rows:
        path = grooves / row["midi_filename"]
        if row["midi_filename"] in left_out or not path.is_file():
            continue
        notes = np.concatenate([n for _, n in read_notes(path)])
        key = np.array([GENERAL_MIDI_KEY.get(int(k), int(k)) for k in notes[:, 2]])
        known = np.isin(key, list(DRUM_OF_KEY))
        order = np.argsort(notes[known, 0], kind="stable")
        if known.sum() >= 8:
            yield row["midi_filename"], np.c_[notes[known, 0], key[known], notes[known, 3]][order], float(row["bpm"])
