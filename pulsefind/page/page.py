"""The page: one HTML file in which to see, hear and practise a track's follow plan, without a network."""

from __future__ import annotations

import base64
import io
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import numpy as np
import soundfile
import soxr
from markupsafe import Markup
from numpy.typing import NDArray

from pulsefind.core.as_json import plain
from pulsefind.core.counts import slot_positions
from pulsefind.core.files import sound_name
from pulsefind.core.records import Analysis, Audio, FloatArray, Guide, Settings
from pulsefind.guides.misreadings import HITS_AS_BEATS
from pulsefind.guides.plan import phrase_bars
from pulsefind.listen.audio import decode
from pulsefind.page.assets import joined_script, render, source_hash, web_text
from pulsefind.report.handed import told
from pulsefind.song.writing import values_of

RATE_HZ = 44100  # that of the analysis, so that times agree to the sample (as in listen/audio.py, judged)

STYLES = ("page.css", "road.css", "stage.css")

OUTLINE_POINTS, OUTLINE_DB = 900, 30.0
"""How fine the drawn loudness is, about a point per pixel on a laptop, and how deep it goes, as in quiet music
(judged).
"""

_PIECE_FRAMES, _MARGIN_FRAMES = 200 * 441, 441
"""How the recording is cut, in frames: 2 s, which a browser reads and decodes without a pause that is felt, and 10 ms
of the neighbours' sound at both ends, longer than the filters that change a rate (both judged). In units of 10 ms a
piece begins on a sample at 48 and 96 kHz as well.
"""

_EXCERPT_S = 1.0  # judged: long enough to be found again in another copy
_EXCERPT_RATE_HZ = 11025  # a quarter of RATE_HZ (judged: its peak still gives the sample)


@dataclass(frozen=True, slots=True)
class Recording:
    """What the page needs of the recording: frames (n, channels) float32 at 44.1 kHz to play, and its tags."""

    frames: NDArray[np.float32]
    title: str
    artist: str


def read_recording(path: Path, audio: Audio) -> Recording:
    """Read the recording for listening: mono and stereo stay, more channels become the mono mix of the analysis.

    Its frames share the time of the analysis: the same library decodes and resamples both.
    """
    frames, rate_hz = decode(path)
    if frames.shape[1] > 2:
        frames = audio.samples[:, None]
    elif rate_hz != RATE_HZ:
        frames = soxr.resample(frames, rate_hz, RATE_HZ).astype(np.float32)
    return Recording(frames, *_tags(path))


def _tags(path: Path) -> tuple[str, str]:
    """Title and artist, empty where libsndfile finds none."""
    try:
        with soundfile.SoundFile(sound_name(path)) as file:
            return file.title, file.artist
    except (soundfile.LibsndfileError, RuntimeError, TypeError):
        return "", ""


def page_html(
    analysis: Analysis,
    audio: Audio,
    recording: Recording | None,
    track_path: str,
    out_path: str,
    light: str = "auto",
    take: Mapping[str, Any] | None = None,
    *,
    has_song_file: bool = False,
    room_mark: str = "",
) -> str:
    """Write the page as one self-contained HTML text.

    recording goes inside as FLAC (16 bit, lossless for recordings of up to 16 bits); with None the page asks for the
    file and aligns it by an excerpt of audio. track_path and out_path appear in the command that the page shows. light
    is 'auto' (the device's setting), 'dark' or 'bright'. take is what take_view.read_take_review returns; the page then
    shows it too. has_song_file: is there a song's file already, even one that says nothing? The page then gives lines
    to put into it, never a whole new file. room_mark: the page is for the room, made from a song's file with this mark;
    the room hands it the recording and takes its corrections, and the page may ask nobody else.
    """
    data = page_data(analysis, audio, recording is not None, track_path, out_path)
    script, style = joined_script("main.mjs"), "".join(map(web_text, STYLES))
    tags = recording or Recording(audio.samples[:0, None], "", "")
    values = {
        "title": analysis.settings.corrections.title or tags.title or Path(analysis.track.name).stem,
        "artist": tags.artist,
        "light": light,
        "policy": _policy(script, style, bool(room_mark)),
        "style": Markup(style),
        "script": Markup(script),
        "data": {**_complete(data, light, take), "hasSongFile": has_song_file, "room": room_mark, "cut": _cut(tags)},
        "pieces": _pieces(recording.frames) if recording and not room_mark else [],
    }
    return render("index.html", values)


def _complete(data: dict[str, Any], light: str, take: Mapping[str, Any] | None) -> dict[str, Any]:
    """The page's data with a take's; the command that the page shows keeps everything the page was made with."""
    words = data["command"]["hints"]
    if light != "auto":
        words.append(["--light", light])
    if not data["inside"]:
        words.append(["--audio", "beside"])
    if take is not None:
        words += take["options"]
    return {**data, "take": take}


def _policy(script: str, style: str, in_room: bool) -> str:
    """Nothing may be loaded or sent, in the room but from and to it; only this script and this style run."""
    return "; ".join(
        (
            "default-src 'none'",
            *(["connect-src 'self'"] if in_room else []),
            f"script-src {source_hash(script)}",
            f"style-src {source_hash(style)}",
            "base-uri 'none'",
            "form-action 'none'",
        )
    )


def page_data(analysis: Analysis, audio: Audio, inside: bool, track_path: str, out_path: str) -> dict[str, Any]:
    """The analysis as the page's script reads it: names as in the saved analysis, times to a hundredth of a ms.

    words comes from `report.handed.told`: names, marks, doubts and ways to count; the script invents none of its own.
    """
    first_full = int(np.argmax(analysis.bars.number >= 1)) if len(analysis.plan) else 0
    bars, words = analysis.bars, told(analysis)
    return {
        "track": {"name": analysis.track.name, "duration": analysis.track.duration_s, "sha256": analysis.track.sha256},
        "beats": {"time": _rounded(analysis.beats.time_s), "count": bars.count.tolist()},
        "bars": {
            "first": bars.first_beat.tolist(),
            "beats": bars.beats.tolist(),
            "full": bars.beats_per_bar.tolist(),
            "number": bars.number.tolist(),
            "end": round(bars.end_s, 5),
            "unit": bars.unit,
            "inThrees": analysis.settings.in_threes,
            "meter": [analysis.meter(bar) for bar in range(len(bars.beats))],
        },
        "grid": [
            {
                "first": section.first_bar,
                "last": section.last_bar,
                "slots": section.slots_per_beat,
                "swing": section.swing_ratio,
                "positions": _rounded(slot_positions(section)),
            }
            for section in analysis.grid.sections
        ],
        "words": words,
        "tempo": {"bpm": analysis.tempo.bpm},
        "guides": [_guide_data(guide) for guide in analysis.guides],
        "plan": [-1 if guide is None else guide for guide in analysis.plan],
        "phrase": phrase_bars(analysis.plan, first_full),
        "misreadings": [
            {
                "guide": m.guide,
                "heardAs": m.heard_as,
                "bpm": m.bpm,
                "cue": m.cue,
                "hitsAsBeats": m.kind in HITS_AS_BEATS,
            }
            for m in analysis.misreadings
        ],
        "confidence": {
            "one": analysis.confidence.one,
            "octave": analysis.confidence.octave,
            "meter": analysis.confidence.meter,
        },
        "alternatives": [
            {"reading": a.reading, "probability": a.probability, "hint": a.hint} for a in analysis.alternatives
        ],
        "warnings": list(analysis.warnings),
        "song": plain(analysis.settings.corrections),
        "command": {"track": track_path, "out": out_path, "hints": hint_words(analysis.settings)},
        "inside": inside,
        "excerpt": _excerpt(audio),
        "outline": outline(audio).tolist(),
        "sections": _sections(analysis),
        "known": values_of(analysis.settings.corrections),
    }


def _guide_data(guide: Guide) -> dict[str, Any]:
    return {
        "patternBars": guide.pattern_bars,
        "places": [
            {
                "label": place.label,
                "bar": place.bar,
                "pos": round(place.position_beats, 4),
                "rate": round(place.hit_rate, 3),
                "offset": round(place.offset_ms, 2),
                "spread": round(place.spread_ms, 2),
            }
            for place in guide.places
        ],
        "hits": {"time": _rounded(guide.hits.time_s), "on": [int(on) for on in guide.hits.on_pattern]},
        "coverage": [[stretch.first_bar, stretch.last_bar] for stretch in guide.coverage],
        "centreHz": round(guide.sound.centre_hz, 1),
        "decayMs": round(guide.sound.decay_ms, 1),
    }


def _sections(analysis: Analysis) -> list[dict[str, Any]]:
    """The sections that the player named, as bar indices; those beyond the end of the song are left out."""
    index = {int(number): k for k, number in enumerate(analysis.bars.number)}
    last = max(index, default=0)
    return [
        {"name": section.name, "first": index[section.first_bar], "last": index[min(section.last_bar, last)]}
        for section in analysis.settings.corrections.sections
        if section.first_bar in index
    ]


def outline(audio: Audio) -> NDArray[np.int64]:
    """(OUTLINE_POINTS,) how loud each of so many equal parts of the recording is: 0 (30 dB below the loudest) to 99.

    Empty for a recording without samples; all 0 for silence.
    """
    n = min(OUTLINE_POINTS, len(audio.samples))
    if not n:
        return np.zeros(0, np.int64)
    edges = np.linspace(0, len(audio.samples), n + 1).astype(np.int64)
    power = np.add.reduceat(audio.samples.astype(np.float64) ** 2, edges[:-1]) / np.diff(edges)
    if not power.max():
        return np.zeros(n, np.int64)
    level_db = 10 * np.log10(np.maximum(power / power.max(), 1e-12))
    heights: NDArray[np.int64] = np.round(99 * np.clip(1 + level_db / OUTLINE_DB, 0, 1)).astype(np.int64)
    return heights


def hint_words(settings: Settings) -> list[list[str]]:
    """The hints that a track was analysed with, as option and value, so that a command can repeat them."""
    words = []
    if settings.meter is not None:
        words.append(["--meter", f"{settings.meter[0]}/{settings.meter[1]}"])
    if settings.bpm_low is not None and settings.bpm_high is not None:
        words.append(["--bpm", f"{settings.bpm_low:g}:{settings.bpm_high:g}"])
    if settings.one_at_s is not None:
        words.append(["--one-at", f"{settings.one_at_s:.3f}" if settings.one_exact else f"{settings.one_at_s:.2f}"])
    if settings.taps_s:
        # The times are known, the file's name is not.
        words.append(["--taps", "TAPS.txt"])
    if settings.taps_by_ear:
        words.append(["--taps-by-ear", ""])
    if settings.start_s is not None or settings.end_s is not None:
        start = "" if settings.start_s is None else f"{settings.start_s:g}"
        end = "" if settings.end_s is None else f"{settings.end_s:g}"
        words.append(["--range", f"{start}-{end}"])
    if settings.network != Settings().network:
        words.append(["--network", settings.network])
    return words


def _rounded(values: FloatArray) -> list[float]:
    return [round(float(value), 5) for value in values]


def _cut(recording: Recording) -> dict[str, int]:
    """How the page puts the pieces together again, in frames."""
    return {"rate": RATE_HZ, "frames": len(recording.frames), "piece": _PIECE_FRAMES, "margin": _MARGIN_FRAMES}


def _pieces(frames: NDArray[np.float32]) -> list[Markup]:
    """The recording as FLAC files in base64, so that the browser does other things in between.

    The margins are cut off again: where the browser changes the rate, a piece with them is filtered as the whole is.
    """
    pieces = []
    for at in range(0, len(frames), _PIECE_FRAMES):
        buffer = io.BytesIO()
        write_flac(buffer, frames[max(0, at - _MARGIN_FRAMES) : at + _PIECE_FRAMES + _MARGIN_FRAMES])
        pieces.append(Markup(base64.b64encode(buffer.getvalue()).decode("ascii")))
    return pieces


def piece_of(path: Path, piece: int) -> bytes:
    """A piece, counted from 0, of what write_flac wrote, as FLAC with its margins; b"" beyond the end."""
    with soundfile.SoundFile(path) as sound:
        at = piece * _PIECE_FRAMES
        if at >= len(sound):
            return b""
        first = max(0, at - _MARGIN_FRAMES)
        sound.seek(first)
        frames = sound.read(at + _PIECE_FRAMES + _MARGIN_FRAMES - first, dtype="int16", always_2d=True)
    buffer = io.BytesIO()
    soundfile.write(buffer, frames, RATE_HZ, format="FLAC", subtype="PCM_16")
    return buffer.getvalue()


def write_flac(file: IO[bytes], frames: NDArray[np.float32]) -> None:
    """Write frames (n, channels) at 44.1 kHz as FLAC of 16 bits."""
    soundfile.write(file, np.clip(frames, -1.0, 1.0), RATE_HZ, format="FLAC", subtype="PCM_16")


def _excerpt(audio: Audio) -> dict[str, Any]:
    """One second of the busiest sound, at a quarter of the rate: enough to align another copy to the sample.

    Decoders may add a delay of their own (mp3 and AAC encoders pad the start), and browsers differ in what they cut.
    """
    step = audio.rate_hz // _EXCERPT_RATE_HZ
    length = int(_EXCERPT_S * _EXCERPT_RATE_HZ)
    whole = _averaged(audio.samples, step)
    if len(whole) <= length:
        first = 0
    else:
        # Steep rises align most sharply.
        rise = np.add.reduceat(np.diff(whole, prepend=whole[:1]) ** 2, np.arange(0, len(whole), length // 4))
        smooth = np.convolve(rise, np.ones(4), "valid") if len(rise) >= 4 else rise
        first = min(int(smooth.argmax()) * (length // 4), len(whole) - length)
    part = whole[first : first + length]
    peak = float(np.abs(part).max()) if len(part) else 0.0
    pcm = np.round(part / (peak or 1.0) * 32000).astype("<i2")
    text = base64.b64encode(pcm.tobytes()).decode("ascii")
    return {"at": round(first / _EXCERPT_RATE_HZ, 9), "rate": _EXCERPT_RATE_HZ, "pcm": text}


def _averaged(samples: NDArray[np.float32], step: int) -> FloatArray:
    """Means over `step` samples, the k-th centred on sample k * step."""
    padded = np.concatenate([np.zeros(step // 2, np.float32), samples])
    whole = padded[: len(padded) // step * step].reshape(-1, step)
    means: FloatArray = whole.mean(axis=1, dtype=np.float64)
    return means
