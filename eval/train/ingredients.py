"""What songs are made from: sampled instruments, single drum sounds, human drumming, arranged pop songs.

Every ingredient allows the weights learnt from it to be given away under the MIT licence; the model card names
them. Drummers 1, 5, 6, 7 and 8 of the Groove MIDI Dataset are never read: measurements are made on them.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pulsefind.core.arrays import runs

FloatArray = NDArray[np.float32]

RATE_HZ = 22050
HELD_OUT_DRUMMERS = frozenset({"drummer1", "drummer5", "drummer6", "drummer7", "drummer8"})

_LONGEST_SHOT_S = 2.0
_EVERY_SONG = 2
"""POP909 is a share of the data, not its backbone: every second song is plenty."""
_SHOT_KINDS = {
    "kick": r"^bd_|drum_bass|drum_heavy_kick|elec_(hollow|soft)_kick",
    "snare": r"^sn_|drum_snare|elec_(hi|mid|lo|filt)?_?snare",
    "closed": r"drum_cymbal_closed|elec_tick|drum_cymbal_pedal",
    "open": r"drum_cymbal_open",
    "crash": r"drum_cymbal_(soft|hard)|drum_splash|elec_cymbal",
    "tom": r"drum_tom|elec_fuzz_tom",
    "hand": r"^tabla_(ghe|ke|na|tas|te|tun|re|dhec)|perc_snap|elec_wood|elec_blip",
    "bell": r"drum_cowbell|elec_triangle|perc_bell",
}


@dataclass(frozen=True, slots=True)
class Groove:
    """A human drum performance: notes (n, 3) of beat, General MIDI key, velocity, played to a click."""

    style: str
    bpm: float
    notes: FloatArray


@dataclass(frozen=True, slots=True)
class Arrangement:
    """A pop song in beats: melody, bridge and piano (n, 4) of start, end, pitch, velocity; starts on a 1."""

    bpm: float
    beats_per_bar: int
    bars: int
    melody: FloatArray
    bridge: FloatArray
    piano: FloatArray


@dataclass(frozen=True, slots=True)
class Ingredients:
    """Everything a song maker may draw from. Each may be empty: then only sounds made by our own code are used."""

    soundfonts: tuple[Path, ...]
    shots: dict[str, tuple[FloatArray, ...]]
    grooves: tuple[Groove, ...]
    arrangements: tuple[Arrangement, ...]


def own_sounds_only() -> Ingredients:
    """Ingredients for a run without anybody's samples or scores: all sound comes from sounds.py."""
    return Ingredients((), {}, (), ())


def fingerprint(folder: Path) -> str:
    """SHA-256 over the prepared ingredients (names and contents), the first 16 digits."""
    digest = hashlib.sha256()
    for path in sorted(folder.iterdir()):
        digest.update(path.name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()[:16]


def load(folder: Path) -> Ingredients:
    """Read what prepare() wrote."""
    with np.load(folder / "ingredients.npz", allow_pickle=False) as stored:
        meta = json.loads(str(stored["meta"]))
        shots = {
            kind: tuple(part.astype(np.float32) / np.float32(32768) for part in np.split(stored[f"shot_{kind}"], cuts))
            for kind, cuts in meta["shots"].items()
        }
        notes = np.split(stored["groove_notes"], meta["groove_cuts"])
        songs = {name: np.split(stored[f"song_{name}"], meta[f"song_{name}_cuts"]) for name in _VOICES}
    grooves = tuple(Groove(g["style"], g["bpm"], n) for g, n in zip(meta["grooves"], notes, strict=True))
    arrangements = tuple(
        Arrangement(s["bpm"], s["beats_per_bar"], s["bars"], *(songs[name][i] for name in _VOICES))
        for i, s in enumerate(meta["songs"])
    )
    fonts = tuple(sorted(p for p in folder.iterdir() if p.suffix in {".sf2", ".sf3"}))
    return Ingredients(fonts, shots, grooves, arrangements)


def prepare(folder: Path, fonts: Iterable[Path], shots: Path, grooves: Path, songs: Path) -> None:
    """Gather the ingredients into one folder of two kinds of files: SoundFonts and ingredients.npz.

    fonts: SoundFont files; shots: folder of sonic-pi's CC0 samples; grooves: folder of the Groove MIDI Dataset;
    songs: folder of POP909's songs.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for font in fonts:
        (folder / font.name).write_bytes(font.read_bytes())
    arrays: dict[str, NDArray[np.generic]] = {}
    meta: dict[str, object] = {"shots": _pack_shots(shots, arrays)}
    played = [g for g in read_grooves(grooves) if len(g.notes) >= 8]
    arrays["groove_notes"], meta["groove_cuts"] = _joined([g.notes for g in played], 3)
    meta["grooves"] = [{"style": g.style, "bpm": g.bpm} for g in played]
    picked = sorted(songs.glob("[0-9][0-9][0-9]"))[::_EVERY_SONG]
    arranged = [a for path in picked if (a := _read_arrangement(path)) is not None]
    for name in _VOICES:
        arrays[f"song_{name}"], meta[f"song_{name}_cuts"] = _joined([getattr(a, name) for a in arranged], 4)
    meta["songs"] = [{"bpm": a.bpm, "beats_per_bar": a.beats_per_bar, "bars": a.bars} for a in arranged]
    arrays["meta"] = np.array(json.dumps(meta))
    buffer = io.BytesIO()
    np.savez_compressed(buffer, allow_pickle=False, **arrays)
    (folder / "ingredients.npz").write_bytes(buffer.getvalue())


def unused_arrangements(songs: Path, count: int) -> list[Arrangement]:
    """Songs of POP909 that prepare() leaves aside: for choosing between weights."""
    left = [p for k, p in enumerate(sorted(songs.glob("[0-9][0-9][0-9]"))) if k % _EVERY_SONG]
    found = (_read_arrangement(p) for p in left)
    return [a for a, _ in zip((a for a in found if a is not None), range(count), strict=False)]


_VOICES = ("melody", "bridge", "piano")


def _joined(parts: Sequence[FloatArray], columns: int) -> tuple[FloatArray, list[int]]:
    """Stack ragged arrays; the cuts that split them again."""
    cuts = np.cumsum([len(p) for p in parts])[:-1].tolist()
    return np.concatenate([np.zeros((0, columns), np.float32), *parts]).astype(np.float32), cuts


def _pack_shots(folder: Path, arrays: dict[str, NDArray[np.generic]]) -> dict[str, list[int]]:
    """Trim, normalise and join the single drum sounds of each kind."""
    cuts: dict[str, list[int]] = {}
    for kind, pattern in _SHOT_KINDS.items():
        sounds = [_read_shot(p) for p in sorted(folder.glob("*.flac")) if re.search(pattern, p.name)]
        arrays[f"shot_{kind}"] = np.concatenate(sounds)
        cuts[kind] = np.cumsum([len(s) for s in sounds])[:-1].tolist()
    return cuts


def _read_shot(path: Path) -> NDArray[np.int16]:
    """One drum sound from its attack to where it has died away, peak near full scale."""
    import soundfile
    import soxr

    samples, rate_hz = soundfile.read(path, always_2d=True, dtype="float32")
    mono = soxr.resample(samples.mean(axis=1), rate_hz, RATE_HZ)
    mono = mono / np.abs(mono).max()
    first = max(0, int(np.flatnonzero(np.abs(mono) > 0.03)[0]) - 10)
    mono = mono[first : first + int(_LONGEST_SHOT_S * RATE_HZ)]
    mono = mono[: int(np.flatnonzero(np.abs(mono) > 0.004)[-1]) + 1].copy()
    fade = min(len(mono), 400)
    mono[-fade:] *= np.linspace(1, 0, fade)
    return np.asarray(mono * 32000, np.int16)


def read_notes(path: Path) -> list[tuple[str, FloatArray]]:
    """Track names and notes (n, 4) of start_s, end_s, pitch, velocity of a MIDI file."""
    import mido

    midi = mido.MidiFile(path)
    changes = sorted([(0, 500000), *_tempo_changes(midi)], key=lambda change: change[0])
    ticks = np.array([c[0] for c in changes], float)
    step_s = np.array([c[1] for c in changes]) / 1e6 / midi.ticks_per_beat
    start_s = np.r_[0.0, np.cumsum(np.diff(ticks) * step_s[:-1])]

    def seconds(tick: float) -> float:
        i = int(np.searchsorted(ticks, tick, "right")) - 1
        return float(start_s[i] + (tick - ticks[i]) * step_s[i])

    tracks = []
    for track in midi.tracks:
        tick, notes = 0, []
        held: dict[int, list[tuple[int, int]]] = {}
        for event in track:
            tick += event.time
            if event.type == "note_on" and event.velocity > 0:
                held.setdefault(event.note, []).append((tick, event.velocity))
            elif event.type in ("note_on", "note_off") and held.get(event.note):
                start, velocity = held[event.note].pop(0)
                notes.append((seconds(start), seconds(tick), event.note, velocity))
        tracks.append((track.name, np.array(notes, np.float32).reshape(-1, 4)))
    return tracks


def _tempo_changes(midi: object) -> list[tuple[int, int]]:
    """Ticks and microseconds per quarter of every tempo change."""
    changes = []
    for track in midi.tracks:  # type: ignore[attr-defined]
        tick = 0
        for event in track:
            tick += event.time
            if event.type == "set_tempo":
                changes.append((tick, event.tempo))
    return changes


GENERAL_MIDI_KEY = {22: 42, 26: 46, 58: 43}
"""The recording kit's own keys for hat edges and the third tom's rim, as General MIDI has them."""


def read_grooves(folder: Path) -> list[Groove]:
    """The 4/4 performances of the drummers that are not held out, in beats."""
    grooves = []
    with (folder / "info.csv").open() as table:
        rows = [r for r in csv.DictReader(table) if r["drummer"] not in HELD_OUT_DRUMMERS]
    for row in rows:
        path = folder / row["midi_filename"]
        if row["time_signature"] != "4-4" or row["beat_type"] != "beat" or not path.exists():
            continue
        notes = np.concatenate([n for _, n in read_notes(path)])
        bpm = float(row["bpm"])
        beat = notes[:, 0] * bpm / 60
        key = np.array([GENERAL_MIDI_KEY.get(int(k), int(k)) for k in notes[:, 2]])
        order = np.argsort(beat, kind="stable")
        grooves.append(Groove(row["style"], bpm, np.c_[beat, key, notes[:, 3]][order].astype(np.float32)))
    return grooves


def _read_arrangement(folder: Path) -> Arrangement | None:
    """A POP909 song over its longest run of equal bars, in beats from that run's first 1; None if irregular."""
    beats = np.loadtxt(folder / "beat_midi.txt")
    ones = np.flatnonzero(beats[:, 2] == 1)
    if len(ones) < 17:
        return None
    sizes = np.diff(ones)
    beats_per_bar = int(np.bincount(sizes).argmax())
    first, last = _longest_run(sizes == beats_per_bar)
    if beats_per_bar not in (3, 4) or last - first < 16:
        return None
    grid_s = beats[ones[first] : ones[last] + 1, 0]
    tracks = dict(read_notes(folder / f"{folder.name}.mid"))
    voices = [_on_grid(tracks.get(name.upper()), grid_s) for name in _VOICES]
    bpm = float(60 / np.median(np.diff(grid_s)))
    return Arrangement(bpm, beats_per_bar, last - first, *voices) if len(voices[2]) else None


def _longest_run(good: NDArray[np.bool_]) -> tuple[int, int]:
    """First index and end of the longest stretch of True."""
    first, last = max(runs(good), key=lambda run: run[1] - run[0], default=(0, -1))
    return first, last + 1


def _on_grid(notes: FloatArray | None, grid_s: NDArray[np.float64]) -> FloatArray:
    """Notes within the grid, their times in beats of it."""
    if notes is None or not len(notes):
        return np.zeros((0, 4), np.float32)
    inside = notes[(notes[:, 0] >= grid_s[0] - 0.05) & (notes[:, 0] < grid_s[-1])]
    count = np.arange(len(grid_s))
    start, end = (np.interp(inside[:, k], grid_s, count) for k in (0, 1))
    keep = end > start
    return np.asarray(np.c_[start, end, inside[:, 2], inside[:, 3]][keep].astype(np.float32))
