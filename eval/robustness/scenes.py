"""The scenes of eval's campaign: a folder with a song and what belongs to it, commands on it, and mishaps between them.

What a command writes, a later one may be given to read: names are drawn from what lies there.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from eval.robustness import containers, shapes
from eval.robustness.shapes import odds, pick


@dataclass(frozen=True, slots=True)
class Stock:
    """What scenes are furnished from: whole files by name, some samples, how long the short recordings are, a cache."""

    seeds: dict[str, bytes]
    samples: np.ndarray
    short_s: float
    cache: dict[str, bytes] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Scene:
    """A folder in which commands are given, the draws, and how long recordings are of which that is known."""

    stock: Stock
    place: Path
    rng: np.random.Generator
    whole_s: dict[str, float] = field(default_factory=dict)

    def put(self, name: str, data: bytes) -> str:
        """Write a file, as the person would."""
        (self.place / name).write_bytes(data)
        return name

    def put_sound(self, name: str, made: containers.Made) -> str:
        """Write a recording, and remember how long it is."""
        if made.whole_s is not None:
            self.whole_s[name] = made.whole_s
        return self.put(name, made.data)

    def some(self, *endings: str) -> str:
        """The name of some file with one of these endings, as one may write it; one that isn't there if none is."""
        found = sorted(path.name for path in self.place.iterdir() if path.name.endswith(endings))
        if not found:
            return f"missing{endings[0]}"
        sound = [name for name in found if name in _SOUND]
        name = str(pick(self.rng, sound if sound and odds(self.rng, 0.4) else found))
        return f"./{name}" if name.startswith("-") or odds(self.rng, 0.05) else name

    def out(self, ending: str) -> list[str]:
        """Where to write: mostly one of a few names, else one that is there already, or no good one at all."""
        if odds(self.rng, 0.15):
            return []
        odd = (self.some(ending or ".json"), *(name + ending for name in _ODD_OUT), ".", "", "/", "/dev/full", "..")
        name = f"out{int(self.rng.integers(4))}{ending}" if odds(self.rng, 0.87) else str(pick(self.rng, odd))
        return ["--out", name, *(["--force"] if odds(self.rng, 0.5) else [])]


_SOUND = ("song.json", "song.wav", "take.mid", "history.jsonl")
"""Files of a scene that were not changed, unless a mishap or a command did."""

_ODD_OUT = (
    "nowhere/x",
    "n" * 260,
    "link",
    "pipe",
    "a\nb",
    "\x1b[2Jx",
    "closed/x",
    "deep/x",
    os.fsdecode(b"\xff"),
    "-x",
)
_ODD_NAMES = (
    "-x.wav",
    "a\nb.wav",
    os.fsdecode(b"b\xff\x1b[2J.wav"),
    "n" * 251 + ".wav",
    "\u202e.flac",
    " .wav",
    "%s{}.mp3",
)
ODD_TEXT = ("--guide=\x1b[1m", "--on=\u0664", "--bars=\udcff", "--meter=" + "9" * 5000, "--bpm=1e999", "--times=-1")
"""Options of odd words, that some command has."""


def furnish(scene: Scene) -> None:
    """Lay a song with its analysis and a take; and beside them some of what is made for this scene alone."""
    rng, seeds = scene.rng, scene.stock.seeds
    for name in ("song.wav", "song.json", "take.mid"):
        scene.put(name, seeds[name])
    beats = json.loads(seeds["song.json"])["beats"]["time_s"]
    makers: tuple[Callable[[], object], ...] = (
        lambda: scene.put("odd.json", shapes.analysis_text(seeds["song.json"], rng)),
        lambda: scene.put("odd2.json", shapes.analysis_text(seeds["song.json"], rng)),
        lambda: scene.put("odd.mid", shapes.midi(rng, beats)),
        lambda: scene.put("song.song.toml", shapes.toml(rng)),
        lambda: scene.put("other.song.toml", shapes.toml(rng)),
        lambda: scene.put("beats.jams", shapes.jams(rng)),
        lambda: scene.put("beats.txt", shapes.beats_text(rng)),
        lambda: scene.put("beats.csv", shapes.beats_text(rng)),
        lambda: scene.put("history.jsonl", _history(scene)),
        lambda: scene.put("set.toml", b'songs = ["song.json", "odd.json"]\n'),
        lambda: scene.put(str(pick(rng, _ODD_NAMES)), seeds["short.wav"]),
        lambda: _odd_places(scene.place),
        *(lambda: _odd_sound(scene),) * 4,
    )
    for make in makers:
        if odds(rng, 0.35):
            make()


_MAKERS: dict[str, Callable[[bytes, float, np.random.Generator], containers.Made]]
_MAKERS = {"flac": containers.flac, "ogg": containers.ogg, "mp3": containers.mp3}


def _odd_sound(scene: Scene) -> None:
    """A recording of a drawn container, of which most is made for this scene."""
    rng, stock = scene.rng, scene.stock
    kind = str(pick(rng, ("wav", "wav", "flac", "flac", "ogg", "ogg", "mp3", "mp3", "m4a", "cut")))
    if kind == "wav":
        scene.put_sound("odd.wav", containers.wav(rng, stock.samples))
    elif kind == "cut":
        scene.put_sound("cut.wav", containers.plain_wav(stock.seeds["short.wav"], stock.short_s, rng))
    elif f"short.{kind}" in stock.seeds:
        seed = stock.seeds[f"short.{kind}"]
        if kind == "m4a":
            scene.put_sound("odd.m4a", containers.m4a(seed, rng))
        else:
            scene.put_sound(f"odd.{kind}", _MAKERS[kind](seed, stock.short_s, rng))


def _odd_places(place: Path) -> None:
    """Links, pipes, and folders that can't be entered or written to, which look like songs and outputs."""
    (place / "link.wav").symlink_to("song.wav")
    (place / "link.json").symlink_to("song.json")
    (place / "link.html").symlink_to("nowhere")
    (place / "twin.json").hardlink_to(place / "song.json")
    for name in ("pipe.wav", "pipe.json", "pipe.mid", "pipe.jsonl"):
        os.mkfifo(place / name)
    for name, mode in (("closed", 0o000), ("deep", 0o555)):
        (place / name).mkdir()
        (place / name).chmod(mode)


def _history(scene: Scene) -> bytes:
    """Lines of a history as takes add them; one may be of an odd name, of another type, or broken off."""
    rng = scene.rng
    line = json.loads(scene.stock.seeds["history.jsonl"].splitlines()[0])
    lines = []
    for _ in range(int(rng.integers(0, 4))):
        line["recording"] = str(pick(rng, shapes.TEXTS))
        if odds(rng, 0.15):
            line[str(pick(rng, list(line)))] = pick(rng, (*shapes.NUMBERS, None, [], "x", True))
        lines.append(json.dumps(line, ensure_ascii=odds(rng, 0.5)))
    text = "\n".join(lines)
    return (text + ("\n" if odds(rng, 0.7) else "")).encode("utf-8", "surrogatepass")


def _find(scene: Scene) -> list[str]:
    more = pick(
        scene.rng,
        (
            ["--json"],
            ["--json", "--no-song-file"],
            [],
            scene.out(".json"),
            [*scene.out(".json"), "--json"],
            ["--from", scene.some(".mid", ".jams", ".txt", ".csv"), "--json"],
            ["--taps", scene.some(".txt", ".csv", ".mid")],
            ["--one-at", "1.2", "--keep"],
            ["--nudge-ms", "10", "--bpm", "90", "--keep", "--force"],
            ["--meter", "3/4", "--json"],
            ["--range", str(pick(scene.rng, ("0:01-0:09", "5-", "0-0.1", "11-10"))), *scene.out(".json")],
            ["--song-file", scene.some(".toml")],
        ),
    )
    return ["find", scene.some(".wav", ".flac", ".ogg", ".mp3", ".m4a", ".json"), *more]


def _click(scene: Scene) -> list[str]:
    rng = scene.rng
    words = ["click", scene.some(".json") if odds(rng, 0.6) else scene.some(".wav", ".flac", ".ogg")]
    words += ["--analysis", scene.some(".json")] if odds(rng, 0.3) else []
    if odds(rng, 0.1):
        words += ["--ladder", *scene.out(""), "--kind", str(pick(rng, ("wav", "ogg")))]
    else:
        words += scene.out(str(pick(rng, (".wav", ".wav", ".ogg", ".flac", ".mp3"))))
        words += ["--on", str(pick(rng, ("beats", "guide", "2 4", "&", "1 every 4", "1e 2& then 1")))]
    words += ["--bars", str(pick(rng, ("1", "1-2", "2-2", "3-1", "0", "99", "verse")))] if odds(rng, 0.6) else []
    words += ["--times", str(pick(rng, (0, 1, 2, 5, 100000)))] if odds(rng, 0.2) else []
    words += ["--speed", str(pick(rng, (0.5, 0.75, 1.25, 1e-9, "nan")))] if odds(rng, 0.1) else []
    words += ["--clickless", "1:1", "--seed", "3"] if odds(rng, 0.1) else []
    return words + (["--json"] if odds(rng, 0.3) else [])


def _hear(scene: Scene) -> list[str]:
    rng = scene.rng
    words = ["hear", scene.some(".json", ".json", ".wav"), *scene.out(str(pick(rng, (".wav", ".flac", ".mp3"))))]
    words += ["--guide", str(pick(rng, ("1", "bass", "99", "\x1b[1m", "song")))] if odds(rng, 0.3) else []
    return words + (["--json"] if odds(rng, 0.3) else [])


def _export(scene: Scene) -> list[str]:
    formats = str(pick(scene.rng, ("midi,jams,beats,csv", "midi", "jams,csv", "x", "")))
    return ["export", scene.some(".json", ".json", ".wav"), "--to", formats, *scene.out("")]


def _page(scene: Scene) -> list[str]:
    rng = scene.rng
    words = ["page", "set.toml" if odds(rng, 0.1) else scene.some(".json", ".wav"), *scene.out(".html")]
    words += ["--audio", "beside"] if odds(rng, 0.7) else []
    words += ["--take", scene.some(".json")] if odds(rng, 0.3) else []
    return words + (["--history", scene.some(".jsonl")] if odds(rng, 0.2) else [])


def _sheet(scene: Scene) -> list[str]:
    songs = [scene.some(".json") for _ in range(int(scene.rng.integers(1, 3)))]
    title = ["--title", str(pick(scene.rng, shapes.TEXTS))] if odds(scene.rng, 0.2) else []
    return ["sheet", *(["set.toml"] if odds(scene.rng, 0.2) else songs), *scene.out(".html"), *title]


def _take(scene: Scene) -> list[str]:
    rng = scene.rng
    words = ["take", scene.some(".json", "song.wav"), scene.some(".mid", ".mid", ".mid", "odd.wav", ".flac")]
    words += [f"--starts-at={pick(rng, ('0', '0', '0', '3', '-1'))}"] if odds(rng, 0.7) else []
    if odds(rng, 0.6):
        words += [
            "--history",
            str(pick(rng, ("history.jsonl", "history.jsonl", "new.jsonl", scene.some(".json"), ".", ""))),
        ]
    words += scene.out(".json") if odds(rng, 0.4) else []
    return words + list(pick(rng, ([], ["--json"], ["--details"], ["--how-late"])))


def _other(scene: Scene) -> list[str]:
    if not (scene.place / "other.song.toml").exists() and odds(scene.rng, 0.5):
        with contextlib.suppress(OSError):
            for name in ("song.song.toml", "other.song.toml"):
                scene.put(name, shapes.toml(scene.rng))
    many = [scene.some(".wav", ".flac"), scene.some(".wav", ".json", ".mp3")]
    choices = (
        ["merge", "song.song.toml", "other.song.toml", *scene.out(".toml")],
        ["merge", scene.some(".toml"), scene.some(".toml", ".json"), *scene.out(".toml")],
        ["sections", scene.some(".wav", ".json")],
        ["find", *many, "--out", str(pick(scene.rng, ("many", "many", "song.wav", "closed", ".")))],
        ["find", ".", *scene.out("")],
        ["find", scene.some(".toml")],
        [scene.some(".wav", ".flac", ".ogg", ".mp3")],
        ["find", scene.some(".wav"), str(pick(scene.rng, ODD_TEXT))],
        ["click", scene.some(".json"), str(pick(scene.rng, ODD_TEXT))],
    )
    return list(pick(scene.rng, choices))


_COMMANDS = (_find, _find, _click, _click, _hear, _export, _page, _sheet, _take, _take, _take, _other)


def command(scene: Scene) -> list[str]:
    """The next command of a scene."""
    words = pick(scene.rng, _COMMANDS)(scene)
    return [str(word).replace("\0", "") for word in words]


def mishap(scene: Scene) -> None:
    """What happens between two commands: a file goes, is cut, is another's, can't be read; a killed run's leftovers."""
    files = sorted(path for path in scene.place.iterdir() if path.is_file() and not path.is_symlink())
    if not files:
        return
    path, what = pick(scene.rng, files), int(scene.rng.integers(7))
    scene.whole_s.pop(path.name, None)
    with contextlib.suppress(OSError):
        if what == 0:
            path.unlink()
        elif what == 1:
            path.write_bytes(path.read_bytes()[: int(scene.rng.integers(0, 2000))])
        elif what == 2:
            path.chmod(0o000)
        elif what == 3:
            (scene.place / ".pulsefind-abcdefgh.part").write_bytes(b"half")
        elif what == 4:
            path.write_bytes((scene.place / "song.json").read_bytes())
        elif what == 5:
            path.write_bytes(b"")
        else:
            (scene.place / "out1.wav").mkdir()
