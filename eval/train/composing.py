"""From a style to a score: form, chords, drums, bass, chords' rhythms, a melody. All times are in beats."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from eval.train.ingredients import Arrangement, Groove
from eval.train.styles import Style

FloatArray = NDArray[np.float64]

KEY_OF = {
    "kick": 36,
    "snare": 38,
    "rim": 37,
    "clap": 39,
    "brush": 82,
    "closed": 42,
    "pedal": 44,
    "open": 46,
    "ride": 51,
    "crash": 49,
    "tom": 45,
    "tamb": 54,
    "bell": 56,
    "block": 76,
    "conga": 63,
    "shaker": 70,
}
"""General MIDI keys of the drums that styles name."""

SWUNG_SIXTEENTHS_BPM = 112.0
"""Common practice, no source."""

_LEVEL = {"X": 1.1, "x": 0.9, "o": 0.45}
_MAJOR = (0, 2, 4, 5, 7, 9, 11)
_MINOR = (0, 2, 3, 5, 7, 8, 10)
_PROGRESSIONS = (
    (0, 4, 5, 3),
    (0, 5, 3, 4),
    (5, 3, 0, 4),
    (0, 3, 4, 3),
    (0, 3, 0, 4),
    (0, 0, 3, 4),
    (0, 5, 1, 4),
    (3, 4, 2, 5),
    (0, 2, 3, 4),
    (0, 6, 3, 0),
    (5, 4, 3, 4),
    (0, 0, 3, 0),
    (0, 1, 3, 0),
    (0, 0, 0, 0),
    (0, 6, 5, 6),
    (1, 4, 0, 5),
    (2, 5, 1, 4),
    (0, 0, 4, 4),
    (0, 0, 0, 0, 3, 3, 0, 0, 4, 3, 0, 4),
)


@dataclass(frozen=True, slots=True)
class Part:
    """One pitched instrument: notes (n, 4) of start, end (beats), pitch, velocity."""

    role: str
    family: str
    notes: FloatArray


@dataclass(frozen=True, slots=True)
class Score:
    """A song on paper. bar_start (n_bars + 1,) in beats; drums (n, 3) of beat, General MIDI key, velocity.

    swing is the share of a pair of slots that its first half takes; pair_beats how long such a pair is.
    """

    style: str
    bpm: float
    bar_start: NDArray[np.int64]
    parts: tuple[Part, ...]
    drums: FloatArray
    swing: float
    pair_beats: float


@dataclass(frozen=True, slots=True)
class _Chord:
    start: float
    end: float
    root: int
    tones: tuple[int, ...]
    next_root: int


class _Form:
    """Bars, sections and chords that all instruments share."""

    def __init__(self, style: Style, bars: int, rng: Generator) -> None:
        self.style, self.rng = style, rng
        sizes = np.full(bars, style.beats)
        if style.beats == 4 and rng.random() < 0.06:
            sizes[rng.integers(2, bars, rng.integers(1, 4))] = rng.choice([2, 3, 5])
        self.bar_start = np.r_[0, np.cumsum(sizes)]
        length = int(rng.choice([4, 8, 8, 16]))
        self.section = np.repeat(rng.permutation(np.resize([0, 1], bars // length + 2)), length)[:bars]
        if rng.random() < 0.5:
            self.section = np.sort(self.section)
        self.section_start = np.flatnonzero(np.r_[True, np.diff(self.section) != 0] | (np.arange(bars) % length == 0))
        self.bars = bars
        self.push, self._push_chance = 0.0, float(rng.choice([0.25, 0.5, 1.0]))
        if rng.random() < 0.16 and style.beats >= 4:
            self.push = {4: 2, 3: 1, 2: 1}[style.slots] / style.slots
        self.grooves = [_groove(self, rng.random() < 0.12) for _ in range(3)]
        self.chords = self._chords()

    def slots(self, bar: int) -> int:
        """How many slots a bar has."""
        return int(self.bar_start[bar + 1] - self.bar_start[bar]) * self.style.slots

    def early(self, bar: int, slot: int) -> float:
        """How many beats early a chord at a slot comes: on the bar's first and middle beats, now and then."""
        middle = self.style.beats // 2 * self.style.slots
        pushed = self.push and bar and (slot == 0 or (slot == middle and self.style.beats == 4))
        return self.push if pushed and self.rng.random() < self._push_chance else 0.0

    def _chords(self) -> list[_Chord]:
        """The harmony: a progression a section, moving once or twice a bar, or every other bar."""
        rng, style = self.rng, self.style
        scale = _MAJOR if rng.random() < 0.6 else _MINOR
        key = int(rng.integers(12))
        pace = (
            rng.choice([1.0, 2.0, 0.5, 0.25], p=[0.66, 0.14, 0.15, 0.05])
            if style.beats != 3
            else rng.choice([1.0, 0.5])
        )
        sevenths = rng.random() < (0.9 if style.name in ("swing", "bossa", "jazz-waltz", "jazz-five") else 0.2)
        lines = [_PROGRESSIONS[rng.integers(len(_PROGRESSIONS))] for _ in range(2)]
        starts: list[tuple[float, int]] = []
        for bar in range(self.bars):
            line = lines[self.section[bar]]
            first, size = float(self.bar_start[bar]), self.bar_start[bar + 1] - self.bar_start[bar]
            if pace == 2 and size >= 4:
                half = size // 2 if style.beats != 6 else 3
                starts += [(first, line[(2 * bar) % len(line)]), (first + half, line[(2 * bar + 1) % len(line)])]
            elif pace >= 1 or bar % int(1 / pace) == 0:
                starts.append((first, line[int(bar * min(pace, 1.0)) % len(line)]))
            if rng.random() < 0.05 and size >= 3:
                starts.append((first + size - 1, int(rng.integers(7))))
        ends = [s for s, _ in starts[1:]] + [float(self.bar_start[-1])]
        roots = [key + scale[d % 7] for _, d in starts]
        chords = []
        for i, ((start, degree), end) in enumerate(zip(starts, ends, strict=True)):
            tones = tuple(
                key + scale[(degree + 2 * k) % 7] + 12 * ((degree + 2 * k) // 7) for k in range(4 if sevenths else 3)
            )
            chords.append(_Chord(start, end, roots[i], tones, roots[min(i + 1, len(roots) - 1)]))
        return chords

    def chord_at(self, beat: float) -> _Chord:
        """The chord that sounds at a beat."""
        low, high = 0, len(self.chords)
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if self.chords[middle].start <= beat + 1e-6 else (low, middle)
        return self.chords[low]


def compose(
    style: Style, bpm: float, bars: int, rng: Generator, with_band: bool, with_drums: bool, share_late: float
) -> Score:
    """Write a song of a given number of bars for drums, a band, or both; share_late as in _comp."""
    form = _Form(style, bars, rng)
    drums = _drums(form, solo=not with_band) if with_drums else np.zeros((0, 3))
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
        # Quick sixteenths can't be swung by hand, and slow ones sound like quick eighths: above this the eighths swing.
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
    hits = _drums(_Form(drums, bars, rng), solo=False) if drums else np.zeros((0, 3))
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


# ---------------------------------------------------------------- drums


def _drums(form: _Form, solo: bool) -> FloatArray:
    """A drummer's part: a groove a section, small changes, soft strokes, fills, crashes, other percussion."""
    rng, style = form.rng, form.style
    grooves = list(form.grooves)
    if rng.random() < 0.5:
        grooves[1] = {**grooves[0], "hat": grooves[1]["hat"]}
    fill_every = int(rng.choice([2, 4, 4, 8, 8, 99]))
    crash = rng.random() < 0.8
    loose = rng.uniform(0.02, 0.12) if solo else rng.uniform(0, 0.04)
    extras = [e for e in style.extras if rng.random() < (0.35 if len(style.extras) < 3 else 0.6)]
    no_kit = bool(extras) and rng.random() < 0.08
    hits: list[tuple[float, int, float]] = []
    was_fill = False
    for bar in range(form.bars):
        first, slots = float(form.bar_start[bar]), form.slots(bar)
        for name, rhythm in extras:
            _strike(hits, form, first, bar, slots, rhythm, name, 0.02, 80)
        if no_kit:
            continue
        which = form.section[bar] if not solo else int(rng.integers(3)) if rng.random() < 0.2 else form.section[bar]
        groove = grooves[which]
        fill = (bar + 1) % fill_every == 0 and rng.random() < 0.65 and slots >= 4
        end = slots - int(rng.integers(1, max(2, slots // (2 * style.slots) + 1))) * style.slots if fill else slots
        if was_fill and crash and rng.random() < 0.75:
            hits.append((first, int(rng.choice([49, 57])), 112.0))
        for name in ("kick", "snare", "hat"):
            _strike(hits, form, first, bar, end, groove[name], groove[f"{name}_sound"], loose, 100)
        if fill:
            _fill(hits, form, first, end, slots)
        was_fill = fill
    return np.array(sorted(hits), float).reshape(-1, 3)


def _groove(form: _Form, free: bool) -> dict[str, str]:
    """Kick, snare and hat rhythms with their sounds."""
    rng, style = form.rng, form.style
    slots = style.beats * style.slots
    pick = {name: str(rng.choice(getattr(style, name))) for name in ("kick", "snare", "hat")}
    if free:
        pick["kick"] = "x" + "".join(rng.choice(list(".x"), slots - 1, p=[0.75, 0.25]))
        if rng.random() < 0.4:
            pick["snare"] = "".join(rng.choice(list(".xo"), slots, p=[0.78, 0.15, 0.07]))
    pick["kick_sound"] = "kick"
    pick["snare_sound"] = str(rng.choice(style.snare_sound))
    pick["hat_sound"] = str(rng.choice(style.hat_sound))
    return pick


def _strike(
    hits: list[tuple[float, int, float]],
    form: _Form,
    first: float,
    bar: int,
    slots: int,
    rhythm: str,
    name: str,
    loose: float,
    velocity: float,
) -> None:
    """Play a rhythm's bar up to a number of slots, with strokes left out and added here and there."""
    rng, size = form.rng, form.style.beats * form.style.slots
    offset = (bar * size) % len(rhythm)
    key = KEY_OF[name]
    for slot in range(slots):
        mark = rhythm[offset + slot % size]
        level = _LEVEL.get(mark, 0.0)
        if level and slot and rng.random() < loose:
            continue
        if not level and rng.random() < loose * 0.5:
            level = 0.35
        if level:
            struck = key if name != "tom" else int(rng.choice([41, 43, 45]))
            hits.append(
                (
                    first + slot / form.style.slots,
                    struck,
                    float(np.clip(velocity * level * rng.normal(1, 0.07), 8, 127)),
                )
            )


def _fill(hits: list[tuple[float, int, float]], form: _Form, first: float, start: int, slots: int) -> None:
    """Snare and toms to the end of the bar."""
    rng = form.rng
    keys = [[38], [50, 48, 45, 43], [48, 43], [38, 45], [38, 50, 47, 43]][rng.integers(5)]
    step = 2 if form.style.slots == 4 and rng.random() < 0.4 else 1
    for slot in range(start, slots, step):
        if rng.random() < 0.85:
            key = keys[min(len(keys) - 1, (slot - start) * len(keys) // max(1, slots - start))]
            hits.append((first + slot / form.style.slots, key, float(rng.uniform(70, 120))))
            if rng.random() < 0.15:
                hits.append((first + slot / form.style.slots, 36, 95.0))


# ---------------------------------------------------------------- pitched parts


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


def _bass(form: _Form) -> FloatArray:
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
    """A bass rhythm that falls with the bass drum: long or short notes, now and then another one between."""
    hold = "-" if rng.random() < 0.6 else "."
    line = "".join("R" if mark != "." else hold for mark in kick)
    extra = rng.random(len(line)) < (0.12 if rng.random() < 0.5 else 0.0)
    return "".join(str(rng.choice(list("RFO"))) if e and m != "R" else m for m, e in zip(line, extra, strict=True))


def _comp(form: _Form, late: bool) -> Part:
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


def _voicing(chord: _Chord, mark: str, base: int, family: str, open_chord: bool, down: bool) -> list[int]:
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

    def __init__(self, form: _Form) -> None:
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


def _melody(form: _Form) -> FloatArray:
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


def _arranged(parts: list[Part], form: _Form) -> list[Part]:
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
