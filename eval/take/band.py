"""Takes of real players: the drum kit of a real recording laid on the same recording without its drums.

A set of takes holds `audio/<id>.*`, and the practice tracks' set the same names; take and track were recorded together,
so an unchanged take starts at 0.000 s on the track's clock. Takes are changed the way they are in life: silence in
front (the recorder was started before the song), the beginning cut off (it was started late), a telephone, a levelling
recorder, clipping, the track leaking in. No start is given. A take of another song must be refused.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, uniform_filter1d
from scipy.signal import butter, sosfiltfilt

from eval.sets.loaders import audio_file
from pulsefind.analysis import analyse
from pulsefind.core.records import Analysis, Audio, Settings
from pulsefind.listen.audio import from_samples, load
from pulsefind.saved import load_analysis, to_json
from pulsefind.take.alignment import align
from pulsefind.take.records import Alignment
from pulsefind.take.strokes import strokes_heard

RIGHT_MS = 20.0
"""A start is right if it is this close to the true one in the middle of the take (judged: what drummers notice)."""

SHOWN = 3
"""How many starts a person reads before giving up (judged)."""

FRONT_S = (0.4, 1.0, 1.7, 3.0)
PARTS_S = ((2.2, 1.3), (3.9, 2.5), (0.6, 4.1))
AROUND_S = ((1.3, 2.0), (2.6, 0.7))
LEAK_DB, HISS_DB = -12.0, -90.0

OUTCOMES = ("right", "first", "shown", "chosen and wrong", "shown without", "refused")

Samples = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Take:
    """A take to lay on a track: its samples, and the track time at which it starts."""

    samples: Samples
    starts_at_s: float


Change = Callable[[Samples, Samples, int], Take]


@dataclass(frozen=True, slots=True)
class Row:
    """What became of one take: its track, how it was changed, the outcome, and the error of the first start in ms."""

    name: str
    change: str
    outcome: str
    error_ms: float
    probability: float


def as_it_is(take: Samples, _track: Samples, _rate_hz: int) -> Take:
    """The take as it was exported with the song."""
    return Take(take, 0.0)


def silence(front_s: float) -> Change:
    """The recorder ran front_s seconds before the song: near silence (hiss at HISS_DB) in front."""

    def change(take: Samples, _track: Samples, rate_hz: int) -> Take:
        return Take(np.r_[_hiss(round(front_s * rate_hz)), take], -front_s)

    return change


def cut(front_s: float) -> Change:
    """The recorder was started front_s seconds into the song."""

    def change(take: Samples, _track: Samples, rate_hz: int) -> Take:
        return Take(take[round(front_s * rate_hz) :], front_s)

    return change


def part(front_s: float, back_s: float) -> Change:
    """Only some of the song: cut off at both ends."""

    def change(take: Samples, _track: Samples, rate_hz: int) -> Take:
        return Take(take[round(front_s * rate_hz) : len(take) - round(back_s * rate_hz)], front_s)

    return change


def around(front_s: float, back_s: float) -> Change:
    """The recorder ran before the song and after it."""

    def change(take: Samples, _track: Samples, rate_hz: int) -> Take:
        front, back = (_hiss(round(s * rate_hz)) for s in (front_s, back_s))
        return Take(np.r_[front, take, back], -front_s)

    return change


def _hiss(n: int) -> Samples:
    return 10 ** (HISS_DB / 20) * np.random.default_rng(n).normal(size=n)


def telephone(take: Samples, _track: Samples, rate_hz: int) -> Take:
    """300 to 3,400 Hz, as a telephone hears."""
    sos = butter(4, (300.0, 3400.0), "bandpass", fs=rate_hz, output="sos")
    return Take(sosfiltfilt(sos, take), 0.0)


def levelled(take: Samples, _track: Samples, rate_hz: int) -> Take:
    """A recorder's automatic gain: down within 5 ms, up within 0.8 s, so that all strokes end up equally loud."""
    step = rate_hz // 1000
    power = uniform_filter1d(np.square(take), 5 * step)
    held = maximum_filter1d(power[::step], 20)
    level = np.empty_like(held)
    now = held[0]
    for k, value in enumerate(held):
        now = max(value, now * (1 - 1 / 800))
        level[k] = now
    gain = 0.1 / np.sqrt(np.interp(np.arange(len(take)), np.arange(len(level)) * step, level) + 1e-6)
    return Take(take * np.minimum(gain, 30.0), 0.0)


def clipped(take: Samples, _track: Samples, _rate_hz: int) -> Take:
    """Recorded 18 dB too hot: everything over full scale is clipped."""
    peak = float(np.max(np.abs(take)))
    return Take(np.clip(take * 8.0 / peak, -1.0, 1.0), 0.0)


def leaking(take: Samples, track: Samples, rate_hz: int) -> Take:
    """The track heard in the take LEAK_DB below the drums (mean power), through a small room, late by 3 ms of air."""
    room = np.r_[np.zeros(3 * rate_hz // 1000), 1.0]
    leak = np.convolve(track, room)[: len(take)]
    gain = np.sqrt(np.mean(take**2) / (np.mean(leak**2) + 1e-20)) * 10 ** (LEAK_DB / 20)
    return Take(take + gain * leak, 0.0)


CHANGES: dict[str, Change] = {
    "as exported": as_it_is,
    **{f"{s:.1f} s of silence in front": silence(s) for s in FRONT_S},
    **{f"{s:.1f} s cut off in front": cut(s) for s in FRONT_S},
    **{f"{a:.1f} s cut off in front, {b:.1f} s at the end": part(a, b) for a, b in PARTS_S},
    **{f"{a:.1f} s of silence in front, {b:.1f} s at the end": around(a, b) for a, b in AROUND_S},
    "telephone": telephone,
    "levelled": levelled,
    "clipped": clipped,
    f"leak at {LEAK_DB:.0f} dB": leaking,
}


def analysed(path: Path, kept: Path | None) -> Analysis:
    """The track's analysis by the own networks; kept, where a folder is given, until somebody deletes it."""
    place = None if kept is None else kept / f"{path.stem}.json"
    if place is not None and place.is_file():
        return load_analysis(place)
    found = analyse(path, Settings(network="own"))
    if place is not None:
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_text(to_json(found), encoding="utf-8")
    return found


def pairs(takes: Path, tracks: Path) -> list[tuple[Path, Path]]:
    """(take, track) files of the same name, sorted."""
    names = sorted(path.stem for path in (takes / "audio").iterdir() if path.is_file())
    return [(audio_file(takes / "audio", name), audio_file(tracks / "audio", name)) for name in names]


def laid(takes: Path, tracks: Path, kept: Path | None, changes: Sequence[str] = tuple(CHANGES)) -> Iterator[Row]:
    """Every take in every change, laid on its track without any hint."""
    for take_path, track_path in pairs(takes, tracks):
        analysis, track, take = analysed(track_path, kept), load(track_path), load(take_path)
        for name in changes:
            changed = CHANGES[name](take.samples.astype(np.float64), track.samples.astype(np.float64), take.rate_hz)
            audio = from_samples(changed.samples, take.rate_hz)
            found = align(analysis, strokes_heard(audio), track, audio, None, None)
            yield Row(take_path.stem, name, *judged(found, audio, changed.starts_at_s))


def strangers(takes: Path, tracks: Path, kept: Path | None) -> Iterator[Row]:
    """Every take laid on every other song, where any choice is wrong."""
    both = pairs(takes, tracks)
    for take_path, own in both:
        audio = load(take_path)
        hits = strokes_heard(audio)
        for _, track_path in both:
            if track_path == own:
                continue
            found = align(analysed(track_path, kept), hits, load(track_path), audio, None, None)
            outcome = "chosen and wrong" if found.chosen else "shown without" if found.candidates else "refused"
            first = found.candidates[0].probability if found.candidates else 0.0
            yield Row(take_path.stem, f"on {track_path.stem}", outcome, 0.0, first)


def judged(found: Alignment, take: Audio, starts_at_s: float) -> tuple[str, float, float]:
    """What became of an alignment (one of OUTCOMES), the first start's error in the take's middle, its probability."""
    middle_s = take.duration_s / 2

    def off_ms(start_s: float, clock_ppm: float) -> float:
        return 1000 * (start_s + middle_s / (1 + 1e-6 * clock_ppm) - starts_at_s - middle_s)

    if not found.candidates:
        return "refused", 0.0, 0.0
    errors = [off_ms(c.starts_at_s, c.clock_ppm) for c in found.candidates[:SHOWN]]
    near = [abs(error) <= RIGHT_MS for error in errors]
    first = found.candidates[0].probability
    if found.chosen:
        return ("right" if near[0] else "chosen and wrong"), errors[0], first
    outcome = "first" if near[0] else "shown" if any(near) else "shown without"
    return outcome, errors[0], first


def summary(rows: Sequence[Row]) -> str:
    """A table of outcomes by change, as Markdown."""
    lines = [f"| take | n | {' | '.join(OUTCOMES)} |", "|---" * (len(OUTCOMES) + 2) + "|"]
    for change in dict.fromkeys(row.change for row in rows):
        count = Counter(row.outcome for row in rows if row.change == change)
        cells = " | ".join(str(count[name]) for name in OUTCOMES)
        lines.append(f"| {change} | {sum(count.values())} | {cells} |")
    return "\n".join(lines) + "\n"


def listed(rows: Sequence[Row]) -> str:
    """Every row that isn't right, as Markdown; of strangers, those that are not refused."""
    lines = ["| take | change | outcome | first start off by, ms | its probability |", "|---|---|---|---|---|"]
    for row in rows:
        if row.outcome not in ("right", "refused") or row.change == "as exported":
            lines.append(f"| {row.name} | {row.change} | {row.outcome} | {row.error_ms:+.0f} | {row.probability:.2f} |")
    return "\n".join(lines) + "\n"
