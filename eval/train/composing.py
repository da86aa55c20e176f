"""From a style to a score: form, chords, drums, bass, chords' rhythms, a melody. All times are in beats."""

from __future__ import annotations

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from eval.train.drumming import drums_of
from eval.train.form import Chord, FloatArray, Form, Part, Score
from eval.train.ingredients import Arrangement, Groove
from eval.train.style import Style

SWUNG_SIXTEENTHS_BPM = 112.0
"""Common practice, no source."""


def compose(
    style: Style, bpm: float, bars: int, rng: Generator, with_band: bool, with_drums: bool, share_late: float
) -> Score:
    """Write a song of a given number of bars for drums, a band, or both; share_late as in _comp."""
    form = Form(style, bars, rng)
    drums = drums_of(form, solo=not with_band) if with_drums else np.zeros((0, 3))
    parts: list[Part] = []
    if with_band:
        riff = _Riff(form) if rng.random() < style.riffs else None
        if rng.random() < 0.9:
            parts.append(Part("bass", "bass", riff.bass() if riff and rng.random() < 0.8 else _bass(form)))
        if riff:
            parts += riff.guitars()
        wanted = (
            int(rng.choice([1, 2, 3, 4], p=[0.38, 0.36, 0.2, 0.06])) - (1 if riff else 0) + (0 if with_drums else 1)
        )
        anchored = with_drums or bool(parts)
        parts += [_comp(form, late=anchored and rng.random() < share_late) for _ in range(wanted)]
        if rng.random() < style.lead:
            parts.append(Part("lead", "voice" if rng.random() < 0.5 else "solo", _melody(form)))
        parts = _arranged(parts, form)
    swing, pair_beats = rng.uniform(*style.swing), 2 / style.slots
    if style.swing == (0.5, 0.5) and style.slots in (2, 4) and style.beats == 4 and rng.random() < 0.07:
        swing = rng.uniform(0.54, 0.67)
        # Nobody can swing quick sixteenths, and slow ones sound like quick eighths: above this, eighths swing.
        pair_beats = pair_beats if bpm < SWUNG_SIXTEENTHS_BPM else 1.0
    return Score(style.name, bpm, form.bar_start, tuple(p for p in parts if len(p.notes)), drums, swing, pair_beats)


def from_arrangement(song: Arrangement, first_bar: int, bars: int, rng: Generator, drums: Style | None) -> Score:
    """A pop song's piano, melody and bridge on other instruments, with drums of a style or none."""
    shift, key = first_bar * song.beats_per_bar, int(rng.integers(-5, 6))
    last = shift + bars * song.beats_per_bar

    def cut(notes: NDArray[np.float32]) -> FloatArray:
        inside = notes[(notes[:, 0] >= shift - 0.1) & (notes[:, 0] < last)].astype(float)
        return np.asarray(inside + np.array([-shift, -shift, key, 0.0]))

    piano = cut(song.piano)
    parts = []
    if rng.random() < 0.5:
        parts.append(Part("comp", str(rng.choice(["keys", "acoustic", "keys", "organ", "guitar"])), piano))
    else:
        low = piano[:, 2] < 55
        parts.append(Part("bass", str(rng.choice(["bass", "bass", "keys"])), piano[low]))
        parts.append(Part("comp", str(rng.choice(["keys", "acoustic", "pad", "strings", "guitar"])), piano[~low]))
    if rng.random() < 0.6:
        parts.append(Part("lead", "solo", cut(song.bridge)))
    if rng.random() < 0.85:
        parts.append(Part("lead", "voice" if rng.random() < 0.6 else "solo", cut(song.melody)))
    bar_start = np.arange(bars + 1) * song.beats_per_bar
    hits = drums_of(Form(drums, bars, rng), solo=False) if drums else np.zeros((0, 3))
    bpm = float(np.clip(song.bpm * np.exp(rng.normal(0.1, 0.15)), 55, 190))
    return Score("arrangement", bpm, bar_start, tuple(p for p in parts if len(p.notes)), hits, 0.5, 0.5)


def with_groove(score: Score, groove: Groove, rng: Generator) -> Score:
    """The score with its drums played by a human: a stretch of a recorded performance, repeated as needed."""
    beats = int(score.bar_start[-1])
    length = int(groove.notes[-1, 0] // 4) * 4
    first = 4 * int(rng.integers(0, max(1, (length - 16) // 4)))
    span = min(length - first, max(16, beats))
    inside = groove.notes[(groove.notes[:, 0] >= first - 0.2) & (groove.notes[:, 0] < first + span - 0.2)].astype(float)
    turns = [inside + np.array([k * span - first, 0, 0]) for k in range(beats // max(span, 4) + 1)]
    drums = np.concatenate(turns)
    return Score(f"{score.style}+groove", score.bpm, score.bar_start, score.parts, drums[drums[:, 0] < beats], 0.5, 0.5)


def _spans(rhythm: str, slots: int, offset: int, size: int) -> list[tuple[int, int, str]]:
    """Struck slots of one bar with their ends and marks; - prolongs a note."""
    marks = [rhythm[offset + s % size] for s in range(slots)]
    spans = []
    for slot, mark in enumerate(marks):
        if mark not in "-.":
            end = slot + 1
            while end < slots and marks[end] == "-":
                end += 1
            spans.append((slot, end, mark))
    return spans


def _bass(form: Form) -> FloatArray:
    """A bass line: a rhythm of the style, or one locked to random accents."""
    rng, style = form.rng, form.style
    size = style.beats * style.slots
    lines = [str(rng.choice(style.bass)) for _ in range(2)]
    if rng.random() < 0.12:
        lines = ["R" + "".join(rng.choice(list("-.RF"), size - 1, p=[0.45, 0.25, 0.22, 0.08])) for _ in range(2)]
    if rng.random() < 0.25:
        lines = [_locked(groove["kick"], rng) for groove in form.grooves[:2]]
    low = 28 + int(rng.integers(0, 5))
    step = {"F": 7, "T": 4, "S": 9, "V": 10, "O": 12}
    walk, notes = 0, []
    for bar in range(form.bars):
        line, first = lines[form.section[bar]], float(form.bar_start[bar])
        for slot, end, mark in _spans(line, form.slots(bar), (bar * size) % len(line), size):
            start = first + slot / style.slots
            chord = form.chord_at(start)
            root = low + (chord.root - low) % 12
            if mark == "W":
                walk = 0 if abs(start - chord.start) < 1e-6 else int(walk + rng.choice([-4, -2, -1, 1, 2, 3, 4]))
                walk = walk if -5 <= walk <= 14 else 7
                pitch = root + walk
            elif mark in "NA":
                pitch = low + (chord.next_root - low) % 12 - (1 if mark == "A" else 0)
            else:
                pitch = root + step.get(mark, 0)
                pitch -= 12 if mark == "F" and rng.random() < 0.3 else 0
            start -= form.early(bar, slot)
            stop = first + end / style.slots - (1 - rng.uniform(0.7, 1.0)) / style.slots
            notes.append(
                (start, max(stop, start + 0.1), pitch, rng.uniform(80, 110) * (1.0 if slot % style.slots == 0 else 0.9))
            )
    return np.array(notes, float).reshape(-1, 4)


def _locked(kick: str, rng: Generator) -> str:
    """A bass rhythm locked to the bass drum: long or short notes, sometimes another in between."""
    hold = "-" if rng.random() < 0.6 else "."
    line = "".join("R" if mark != "." else hold for mark in kick)
    extra = rng.random(len(line)) < (0.12 if rng.random() < 0.5 else 0.0)
    return "".join(str(rng.choice(list("RFO"))) if e and m != "R" else m for m, e in zip(line, extra, strict=True))


def _comp(form: Form, late: bool) -> Part:
    """An instrument that plays chords in the style's rhythm (or, seldom, in one of its own).

    late: the whole rhythm comes half a beat later, so that only bass and drums tell where the beat is.
    """
    rng, style = form.rng, form.style
    size = style.beats * style.slots
    picks = [style.comps[rng.integers(len(style.comps))] for _ in range(2)]
    family = picks[0][0]
    rhythms = [p for f, p in picks]
    if rng.random() < 0.1:
        rhythms = ["".join(_free_mark(slot, style.slots, rng) for slot in range(size)) for _ in range(2)]
    if rng.random() < 0.6:
        rhythms[1] = rhythms[0]
    if late:
        shift = (style.slots + 1) // 2
        rhythms = [rhythm[-shift:] + rhythm[:-shift] for rhythm in rhythms]
    base = 48 + int(rng.integers(-3, 9))
    accent = rng.uniform(0.75, 1.1, size)
    accent[0] = max(accent[0], rng.uniform(0.85, 1.15))
    if rng.random() < 0.5:
        accent *= np.where(np.arange(size) % style.slots == 0, 1.08, 0.85)
    roll = rng.uniform(0, 0.03) if family in ("acoustic", "guitar", "nylon") else 0.0
    level, notes = rng.uniform(65, 105), []
    open_chord = family in ("acoustic", "guitar", "nylon") and rng.random() < 0.5
    for bar in range(form.bars):
        rhythm, first = rhythms[form.section[bar]], float(form.bar_start[bar])
        for slot, end, mark in _spans(rhythm, form.slots(bar), (bar * size) % len(rhythm), size):
            if slot and rng.random() < 0.03:
                continue
            start, stop = first + slot / style.slots, first + end / style.slots
            chord = form.chord_at(start)
            start -= form.early(bar, slot)
            loud = level * accent[slot % size] * {"X": 1.15, "o": 0.6}.get(mark, 1.0)
            for k, pitch in enumerate(_voicing(chord, mark, base, family, open_chord, down=slot % 2 == 0)):
                notes.append((start + k * roll, stop, pitch, float(np.clip(loud, 10, 127))))
    return Part("comp", family, np.array(notes, float).reshape(-1, 4))


def _free_mark(slot: int, slots: int, rng: Generator) -> str:
    """A mark of a made-up chord rhythm: beats are struck about twice as often as what lies between."""
    struck = 0.6 if slot % slots == 0 else 0.28
    return str(
        rng.choice(["x", "o", "X"], p=[0.6, 0.22, 0.18])
        if rng.random() < struck
        else rng.choice(["-", "."], p=[0.6, 0.4])
    )


def _voicing(chord: Chord, mark: str, base: int, family: str, open_chord: bool, down: bool) -> list[int]:
    """Pitches of a chord for a mark, in the order in which they are struck."""
    tones = sorted(base + (t - base) % 12 for t in chord.tones)
    low = base - 12 + (chord.root - base) % 12
    if mark in "rf":
        return [low if mark == "r" else low + 7 if low + 7 < base else low - 5]
    if mark in "1234":
        return [[*tones, tones[0] + 12][(int(mark) - 1) % (len(tones) + 1)]]
    if family == "drive":
        return [low, low + 7, low + 12]
    if open_chord:
        tones = [low, low + 7, *tones]
    return tones if down else tones[::-1]


_STEPS = (0, 3, 5, 7, 10, 12, -2, -5)


class _Riff:
    """One figure that guitars and bass play together, moved to the chords' roots."""

    def __init__(self, form: Form) -> None:
        rng, style = form.rng, form.style
        self._form = form
        self._size = style.beats * style.slots
        self._figures = [self._figure(rng) for _ in range(2)]
        self._base = 36 + int(rng.integers(0, 8))
        self._muted = rng.random() < 0.6

    def _figure(self, rng: Generator) -> list[tuple[int, int, bool]]:
        """Slots over one or two bars with pitch offsets and whether they are accented."""
        length = self._size * int(rng.choice([1, 2]))
        dense = rng.random()
        on = (
            np.ones(length, bool)
            if dense < 0.2
            else rng.random(length) < rng.uniform(0.25, 0.65) * self._weights(length, rng)
        )
        if 0.2 <= dense < 0.4:
            on[:] = np.arange(length) % 2 == 0
        on[0] = rng.random() < 0.96
        accent = rng.random(length) < rng.uniform(0.15, 0.5)
        accent[0] = True
        move = np.where(accent & (rng.random(length) < 0.6), rng.choice(_STEPS, length), 0)
        move[0] = 0
        return [(int(s), int(move[s]), bool(accent[s])) for s in np.flatnonzero(on)]

    def _weights(self, length: int, rng: Generator) -> FloatArray:
        """How likely each slot is struck: the beats more often, all alike, or what lies between them more often."""
        slot, slots = np.arange(length), self._form.style.slots
        kind = rng.random()
        if kind < 0.65:
            return np.where(slot % slots == 0, 1.5, np.where(2 * slot % slots == 0, 1.1, 0.6))
        if kind < 0.88:
            return np.ones(length)
        return np.where(
            slot % self._size == 0, 2.0, np.where(slot % slots == 0, 0.5, np.where(2 * slot % slots == 0, 1.6, 0.7))
        )

    def _notes(self, low: int, power: bool) -> FloatArray:
        form, rng, slots = self._form, self._form.rng, self._form.style.slots
        notes = []
        for bar in range(form.bars):
            figure = self._figures[form.section[bar]]
            two_bars = max(s for s, _, _ in figure) >= self._size if figure else False
            offset = self._size * (bar % 2) if two_bars else 0
            inside = [(s - offset, m, a) for s, m, a in figure if 0 <= s - offset < form.slots(bar)]
            for i, (slot, move, accent) in enumerate(inside):
                start = float(form.bar_start[bar]) + slot / slots
                until = inside[i + 1][0] if i + 1 < len(inside) else form.slots(bar)
                stop = start + (until - slot) / slots * (0.95 if accent or not self._muted else 0.45)
                pitch = low + (form.chord_at(start).root - low) % 12 + move
                velocity = rng.uniform(95, 115) if accent else rng.uniform(70, 92)
                chord = (pitch, pitch + 7, pitch + 12) if power and accent else (pitch,)
                notes += [(start, stop, p, velocity) for p in chord]
        return np.array(notes, float).reshape(-1, 4)

    def guitars(self) -> list[Part]:
        """One or two guitars."""
        count = 1 + int(self._form.rng.random() < 0.5)
        return [Part("comp", "drive", self._notes(self._base + 4, power=True)) for _ in range(count)]

    def bass(self) -> FloatArray:
        """The same an octave lower."""
        return self._notes(self._base - 8, power=False)


def _melody(form: Form) -> FloatArray:
    """A tune: two or three rhythms that come back, chord tones on the beats, rests between phrases."""
    rng, style = form.rng, form.style
    size = style.beats * style.slots
    density = rng.uniform(0.15, 0.5) * (0.7 if style.slots == 4 else 1.0)
    weight = np.where(np.arange(size) % style.slots == 0, 1.3, 0.9)
    shapes = [rng.random(size) < density * weight for _ in range(3)]
    order, rest = rng.integers(0, 3, 4), rng.uniform(0.0, 0.45)
    pitch, notes = 60.0 + int(rng.integers(0, 10)), []
    for bar in range(form.bars):
        if rng.random() < rest:
            continue
        on = np.resize(shapes[order[bar % 4]], form.slots(bar))
        on ^= rng.random(len(on)) < (0.1 if rng.random() < 0.3 else 0.0)
        struck = np.flatnonzero(on)
        for i, slot in enumerate(struck):
            start = float(form.bar_start[bar]) + slot / style.slots
            chord = form.chord_at(start)
            if slot % style.slots == 0:
                wish = pitch + rng.normal(0, 3)
                pitch = min((t + 12 * o for t in chord.tones for o in (4, 5, 6)), key=lambda p: abs(p - wish))
            else:
                pitch = float(np.clip(pitch + rng.choice([-2, -1, 0, 0, 1, 2]), 52, 86))
            until = struck[i + 1] if i + 1 < len(struck) else slot + int(rng.integers(1, 6))
            stop = start + (until - slot) / style.slots * rng.uniform(0.6, 1.0)
            notes.append((start, stop, pitch, rng.uniform(70, 112)))
    return np.array(notes, float).reshape(-1, 4)


def _arranged(parts: list[Part], form: Form) -> list[Part]:
    """Let parts rest for whole sections, but never all of them at once."""
    rng = form.rng
    if rng.random() < 0.55 or len(parts) < 2:
        return parts
    blocks = np.arange(form.bars) // 4
    silent = rng.random((len(parts), blocks.max() + 1)) < 0.25
    silent[rng.integers(len(parts), size=silent.shape[1]), np.arange(silent.shape[1])] = False
    kept = []
    for part, rests in zip(parts, silent, strict=True):
        bar = np.clip(np.searchsorted(form.bar_start, part.notes[:, 0] + 1e-6, "right") - 1, 0, form.bars - 1)
        kept.append(Part(part.role, part.family, part.notes[~rests[blocks[bar]]]))
    return kept
