"""A demo song made by code: 'Low Tide Letters' by the Copper Herons. Band and song are invented.

The drums are taken out. What is left: a slow pad, soft piano chords on the beats, a bass that moves with them, a lead,
a shaker on 2& and 4&, and a muted string on 1e and 3a. It starts with a pickup of one beat, breathes in tempo,
and has a break in which only the pad sounds: nothing to follow there.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt

from pulsefind.core.errors import OutputError
from pulsefind.core.files import write_file
from pulsefind.core.records import Analysis, FloatArray

BAND, TITLE = "the Copper Herons", "Low Tide Letters"
FILE_NAME = "Low Tide Letters (no drums).flac"

# The song is made up: tempo, form, chords and places were chosen by ear.
RATE_HZ = 44100  # judged: that of most recordings
BARS = 24  # invented
BEATS_PER_BAR = 4  # invented
BREAK_BARS = (13, 14, 15)  # invented: only the pad sounds
PICKUP_BEATS = 1  # invented
SHAKER_PLACES = ("2&", "4&")
STRING_PLACES = ("1e", "3a")

BPM = 96.0  # invented
_DRIFT = 0.012  # invented: share by which the tempo breathes
_LEAD_IN_S = 0.6  # invented: silence before the pickup
_PEAK = 0.5  # of full scale: judged, -6 dB for quiet first listening
_CHORDS = ((45, 52, 57, 60, 64), (41, 53, 57, 60, 65), (48, 52, 55, 60, 67), (43, 50, 55, 59, 62))  # invented: notes
_MELODY = (64, 67, 69, 67, 64, 62, 60, 62)  # invented: MIDI notes
_OFFSET_BEATS = {"2&": 1.5, "4&": 3.5, "1e": 0.25, "3a": 2.75}  # beats from the 1 (arithmetic)

Samples = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Song:
    """The truth that the demo was made from: beat times, counts, and where each sound falls."""

    beat_s: FloatArray
    count: tuple[int, ...]
    first_bar_s: float
    bpm: float
    break_bars: tuple[int, ...]


def make_song() -> tuple[NDArray[np.float32], Song]:
    """Render the song: (n, 2) stereo samples and its truth. The same samples every time."""
    beat_s, count = _beats()
    rng = np.random.default_rng(1876)
    length = int((beat_s[-1] + 3.0) * RATE_HZ)
    left, right = np.zeros(length), np.zeros(length)
    for voice, pan in (
        (_pad(beat_s, length), 0.5),
        (_bass(beat_s, length), 0.5),
        (_piano(beat_s, length), 0.55),
        (_lead(beat_s, length), 0.42),
        (_struck(beat_s, length, SHAKER_PLACES, _shaker(rng), 0.16, rng), 0.7),
        (_struck(beat_s, length, STRING_PLACES, _muted_string(rng), 0.2, rng), 0.3),
    ):
        left += np.sqrt(1 - pan) * voice
        right += np.sqrt(pan) * voice
    stereo = np.stack([left, right], axis=1)
    stereo *= _PEAK / np.abs(stereo).max()
    first_one = count.index(1)
    song = Song(beat_s, count, float(beat_s[first_one]), float(60 / np.median(np.diff(beat_s))), BREAK_BARS)
    return stereo.astype(np.float32), song


def write_song(folder: Path, force: bool) -> tuple[Path, Song]:
    """Write the song into a folder, which is made if need be."""
    samples, song = make_song()
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{folder}: can't be made ({error.strerror}); choose another folder") from None
    buffer = io.BytesIO()
    soundfile.write(buffer, samples, RATE_HZ, format="FLAC", subtype="PCM_16")
    path = folder / FILE_NAME
    if not (path.exists() and path.read_bytes() == buffer.getvalue()):
        write_file(path, buffer.getvalue(), force)
    return path, song


def compare(analysis: Analysis, song: Song, path: Path) -> str:
    """The truth next to what was found, and what to type next."""
    near = [abs(analysis.beats.time_s - t).min() if len(analysis.beats.time_s) else np.inf for t in song.beat_s]
    found = sum(1 for distance in near if distance <= 0.07)
    ones = analysis.beats.time_s[analysis.bars.count == 1]
    true_ones = [t for t, c in zip(song.beat_s, song.count, strict=True) if c == 1]
    right_ones = sum(1 for t in true_ones if len(ones) and abs(ones - t).min() <= 0.07)
    labels = {tuple(place.label for place in guide.places) for guide in analysis.guides}
    bars = f"{song.break_bars[0]}-{song.break_bars[-1]}"
    lines = [
        f"This song was made by pulsefind: '{TITLE}' by {BAND}, invented, like the band.",
        "The truth it was made from, beside what was found:",
        f"  beats      {len(song.beat_s)} at about {song.bpm:.1f} bpm; {found} of them found within 70 ms",
        f"  the 1      {len(true_ones)} times, first at {song.first_bar_s:.2f} s; {right_ones} found",
        f"  shaker     on {' and '.join(SHAKER_PLACES)}: {_found_text(SHAKER_PLACES, labels)}",
        f"  string     on {' and '.join(STRING_PLACES)}: {_found_text(STRING_PLACES, labels)}",
        f"  alone      in bars {bars}, where only the pad sounds",
        "",
        "Next: try it on a song of yours:  pulsefind find SONG.mp3",
        f'or correct the 1 in this one:     pulsefind find "{path}" --one-at {song.first_bar_s:.2f}',
    ]
    return "\n".join(lines)


def _found_text(places: tuple[str, ...], labels: set[tuple[str, ...]]) -> str:
    return "found" if places in labels else "not found as such"


def _beats() -> tuple[FloatArray, tuple[int, ...]]:
    """Beat times whose tempo breathes slowly over the song, and their counts, starting with a pickup."""
    n = PICKUP_BEATS + BARS * BEATS_PER_BAR
    breath = 1 + _DRIFT * np.sin(2 * np.pi * np.arange(n) / 41.0)
    time_s = _LEAD_IN_S + np.r_[0.0, np.cumsum(60.0 / (BPM * breath))[:-1]]
    count = tuple((k - PICKUP_BEATS) % BEATS_PER_BAR + 1 for k in range(n))
    return time_s, count


def _bar_edges(beat_s: FloatArray) -> list[tuple[float, float]]:
    edge = np.r_[beat_s, 2 * beat_s[-1] - beat_s[-2]]
    first = PICKUP_BEATS + BEATS_PER_BAR * np.arange(BARS)
    return [(float(edge[k]), float(edge[k + BEATS_PER_BAR])) for k in first]


def _hz(note: float) -> float:
    """Equal temperament, A4 = 440 Hz (ISO 16)."""
    return float(440.0 * 2.0 ** ((note - 69) / 12))


def _tone(hz: float, length_s: float, attack_s: float, release_s: float, harmonics: tuple[float, ...]) -> Samples:
    t = np.arange(int((length_s + release_s) * RATE_HZ)) / RATE_HZ
    wave = sum(level * np.sin(2 * np.pi * hz * (k + 1) * t) for k, level in enumerate(harmonics))
    envelope = np.minimum(1.0, t / attack_s) * np.clip((length_s + release_s - t) / release_s, 0.0, 1.0)
    shaped: Samples = wave * envelope**2
    return shaped


def _add(target: Samples, at_s: float, sound: Samples) -> None:
    first = round(at_s * RATE_HZ)
    last = min(len(target), first + len(sound))
    target[first:last] += sound[: last - first]


def _pad(beat_s: FloatArray, length: int) -> Samples:
    voice = np.zeros(length)
    for bar, (start, end) in enumerate(_bar_edges(beat_s)):
        for note in _CHORDS[bar % 4][1:]:
            _add(voice, start, 0.05 * _tone(_hz(note), end - start, 0.12, 0.3, (1.0, 0.4, 0.2, 0.1)))
    return voice


def _piano(beat_s: FloatArray, length: int) -> Samples:
    """Soft chords on every beat, the first of each bar a little fuller."""
    voice = np.zeros(length)
    for bar, (start, end) in enumerate(_bar_edges(beat_s)):
        if bar + 1 in BREAK_BARS:
            continue
        for beat in range(BEATS_PER_BAR):
            at = start + (end - start) * beat / BEATS_PER_BAR
            for note in _CHORDS[bar % 4][2:]:
                level = 0.06 if beat == 0 else 0.045
                _add(voice, at, level * _tone(_hz(note), 0.12, 0.004, 0.35, (1.0, 0.5, 0.25, 0.12)))
    return voice


def _bass(beat_s: FloatArray, length: int) -> Samples:
    """Root on 1, fifth on 3, root on 4, with soft starts; the pickup leads in from below."""
    voice = np.zeros(length)
    _add(voice, beat_s[0], 0.2 * _tone(_hz(43), float(beat_s[1] - beat_s[0]), 0.03, 0.05, (1.0, 0.5, 0.2)))
    for bar, (start, end) in enumerate(_bar_edges(beat_s)):
        if bar + 1 in BREAK_BARS:
            continue
        root = _hz(_CHORDS[bar % 4][0])
        quarter = (end - start) / 4
        for beat, ratio, level in ((0, 1.0, 0.34), (2, 1.5, 0.26), (3, 1.0, 0.2)):
            note = _tone(root * ratio, 0.8 * quarter, 0.006, 0.08, (1.0, 0.5, 0.25, 0.1))
            _add(voice, start + beat * quarter, level * note)
    return voice


def _lead(beat_s: FloatArray, length: int) -> Samples:
    """A flute-like line that never starts a note in the same place two bars running."""
    voice = np.zeros(length)
    rng = np.random.default_rng(42)
    for bar, (start, end) in enumerate(_bar_edges(beat_s)):
        if bar + 1 in BREAK_BARS or bar < 4:
            continue
        for k, at in enumerate(np.sort(rng.choice(8, 3, replace=False))):
            note = _MELODY[(bar + 3 * k) % len(_MELODY)] + 12
            _add(voice, start + (end - start) * at / 8, 0.07 * _tone(_hz(note), 0.35, 0.06, 0.2, (1.0, 0.2)))
    return voice


def _shaker(rng: np.random.Generator) -> Samples:
    t = np.arange(int(0.07 * RATE_HZ)) / RATE_HZ
    noise = sosfilt(butter(4, [5500, 12000], "bandpass", fs=RATE_HZ, output="sos"), rng.standard_normal(len(t)))
    shaped: Samples = noise / np.abs(noise).max() * np.exp(-t / 0.014)
    return shaped


def _muted_string(rng: np.random.Generator) -> Samples:
    t = np.arange(int(0.12 * RATE_HZ)) / RATE_HZ
    body = sum(np.sin(2 * np.pi * f * t) * np.exp(-t / d) for f, d in ((740.0, 0.03), (1110.0, 0.02), (1870.0, 0.01)))
    pick = rng.standard_normal(len(t)) * np.exp(-t / 0.003) * 0.5
    shaped: Samples = (body + pick) / 3.5
    return shaped


def _struck(
    beat_s: FloatArray,
    length: int,
    places: tuple[str, ...],
    sound: Samples,
    level: float,
    rng: np.random.Generator,
) -> Samples:
    """Strike a sound at its places in every bar but the break, with a player's looseness (4 ms) and dynamics."""
    voice = np.zeros(length)
    for bar, (start, end) in enumerate(_bar_edges(beat_s)):
        if bar + 1 in BREAK_BARS:
            continue
        for place in places:
            at = start + (end - start) * _OFFSET_BEATS[place] / BEATS_PER_BAR + rng.normal(0.0, 0.004)
            _add(voice, at, level * (1 + rng.normal(0.0, 0.08)) * sound)
    return voice
