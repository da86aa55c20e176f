"""Files built from their grammar, nearly right: saved analyses, beats, MIDI and TOML for eval's campaign.

Where `cases.py` damages bytes and values of whole files, these are made piece by piece: every length, checksum and
order holds unless a draw says otherwise, so that what is odd lies deeper than the first check.
"""

from __future__ import annotations

import io
import json
import math
import struct
from typing import Any

import numpy as np

TEXTS = (
    "Low Tide",
    "",
    " ",
    "a" * 300,
    "x\u2028y",
    "\x1b[31m",
    "\x9b2J",
    "\u202eabc",
    "caf\u00e9 \U0001f941",
    "a\nb",
    "%s{}",
)
NUMBERS = (0, 1, -1, 2, 0.5, 1e-9, 1e9, 2**31, 2**53, 2**63, 10**30, -0.0, 1e308, math.inf, math.nan)


def pick(rng: np.random.Generator, of: Any) -> Any:
    """One of a sequence."""
    return of[int(rng.integers(len(of)))]


def odds(rng: np.random.Generator, share: float) -> bool:
    """True in a share of the draws."""
    return bool(rng.random() < share)


def analysis_text(seed: bytes, rng: np.random.Generator) -> bytes:
    """A saved analysis changed as a whole: stretched, cut, emptied, doubled, renamed; its parts still fit, mostly."""
    document = json.loads(seed)
    for _ in range(int(rng.integers(1, 4))):
        pick(rng, _CHANGES)(document, rng)
    text = json.dumps(document)
    if odds(rng, 0.1):
        text = text.replace(": ", ":\n\t " if odds(rng, 0.5) else ":", 50)
    if odds(rng, 0.05):
        text = "[" * 3000 + text
    return text.encode("utf-8", "surrogatepass")


def _stretched(document: dict[str, Any], rng: np.random.Generator) -> None:
    scale, shift = float(rng.choice([0.001, 0.2, 1.0, 3.0, 100.0, 2000.0])), float(rng.choice([0.0, -1.0, 5.0, 1e4]))

    def walk(node: Any) -> Any:
        if isinstance(node, dict):
            return {
                k: _moved(v, scale, shift) if k.endswith("_s") or k == "time_s" else walk(v) for k, v in node.items()
            }
        return [walk(one) for one in node] if isinstance(node, list) else node

    document.update(walk(document))


def _moved(value: Any, scale: float, shift: float) -> Any:
    if isinstance(value, list):
        return [_moved(one, scale, shift) for one in value]
    return max(0.0, value * scale + shift) if isinstance(value, (int, float)) and not isinstance(value, bool) else value


def _fewer_bars(document: dict[str, Any], rng: np.random.Generator) -> None:
    bars = document["bars"]
    keep = int(rng.integers(0, len(bars["beats"]) + 1))
    n = sum(beats for beats in bars["beats"][:keep] if isinstance(beats, int))
    for name in ("first_beat", "beats", "beats_per_bar", "start_s", "number", "meter"):
        bars[name] = bars[name][:keep]
    document["beats"] = {name: row[:n] for name, row in document["beats"].items()}
    document["tempo"]["bar_bpm"] = document["tempo"]["bar_bpm"][:keep]
    document["plan"] = document.get("plan", [])[:keep]
    if odds(rng, 0.7):
        document["guides"], document["alone"], document["misreadings"] = [], [], []
        document["plan"] = [None] * keep
    if odds(rng, 0.7):
        for part in (document["grid"]["sections"], document["confidence"]["sections"]):
            del part[1:]
            for section in part:
                section["last_bar"] = keep - 1


def _guides(document: dict[str, Any], rng: np.random.Generator) -> None:
    guides = document["guides"]
    if not guides:
        return
    guide = pick(rng, guides)
    what = int(rng.integers(6))
    if what == 0:
        guides += [json.loads(json.dumps(guide)) for _ in range(int(rng.choice([1, 30, 300])))]
    elif what == 1:
        guide["pattern_bars"] = int(rng.choice([1, 2, 3, 4, 16]))
    elif what == 2:
        guide["sound"]["centre_hz"] = float(rng.choice([1e-6, 1.0, 2e4, 1e6]))
        guide["sound"]["decay_ms"] = float(rng.choice([0.0, 1e-3, 1e6]))
    elif what == 3:
        guide["hits"] = {name: row[:0] for name, row in guide["hits"].items()}
    elif what == 4:
        guide["name"] = pick(rng, TEXTS)
    else:
        guide["hits"]["on_pattern"] = [False] * len(guide["hits"]["on_pattern"])


def _words(document: dict[str, Any], rng: np.random.Generator) -> None:
    document["track"]["name"] = pick(rng, (*TEXTS, "../song.wav", "/etc/passwd", "-", ".", "song.wav"))
    document["warnings"] = [pick(rng, TEXTS) for _ in range(int(rng.integers(0, 5)))]


def _number(document: dict[str, Any], rng: np.random.Generator) -> None:
    node: Any = document
    while True:
        keys = list(node) if isinstance(node, dict) else list(range(len(node)))
        if not keys:
            return
        key = pick(rng, keys)
        if not isinstance(node[key], (dict, list)):
            break
        node = node[key]
    if isinstance(node[key], (int, float)) and not isinstance(node[key], bool):
        near = (node[key] + 1, node[key] - 1, -node[key], node[key] * 1.0000001, node[key] / 7)
        node[key] = pick(rng, NUMBERS) if odds(rng, 0.5) else pick(rng, near)


def _told(document: dict[str, Any], rng: np.random.Generator) -> None:
    settings = document["settings"]
    settings["meter"] = pick(rng, (None, [3, 4], [64, 32], [7, 8], [12, 8]))
    settings["taps_s"] = pick(rng, ([], [1.0, 2.0, 3.0], [float(k) for k in range(500)]))
    settings["nudge_ms"] = pick(rng, (None, 1000.0, -1000.0, 0.0))
    settings["network"] = pick(rng, ("own", "both", "else", ""))


_CHANGES = (_stretched, _fewer_bars, _guides, _words, _number, _told)


def jams(rng: np.random.Generator) -> bytes:
    """Annotations of beats in a JAMS document, of several namespaces, in any order."""
    start, step, meter = float(rng.uniform(0, 1)), float(rng.choice([0.05, 0.3, 0.5, 2.0])), int(rng.integers(1, 9))
    data: list[dict[str, Any]] = []
    for k in range(int(rng.choice([0, 1, 2, 8, 40]))):
        value: Any = {"position": k % meter + 1, "num_beats": meter, "measure": k // meter, "beat_units": 4}
        data.append({"time": start + step * k, "duration": 0.0, "value": value, "confidence": None})
    if data and odds(rng, 0.5):
        pick(rng, data)[pick(rng, ("time", "value", "duration"))] = pick(rng, (*NUMBERS, None, "x", {}, []))
    if odds(rng, 0.2):
        rng.shuffle(data)
    name = pick(rng, ("beat_position", "beat", "tempo", "chord"))
    if name == "beat":
        data = [{**one, "value": k % meter + 1} for k, one in enumerate(data)]
    return json.dumps({"annotations": [{"namespace": name, "data": data}] * int(rng.integers(1, 3))}).encode()


def _var(value: int) -> bytes:
    out = [value & 0x7F]
    while value := value >> 7:
        out.append(value & 0x7F | 0x80)
    return bytes(reversed(out))


def midi(rng: np.random.Generator, times_s: list[float]) -> bytes:
    """A Standard MIDI File: tempi, meters, markers, running status, system messages, drums near these times."""
    division = int(rng.choice([1, 24, 96, 480, 960, 0x7FFF, 0, 0xE728]))
    tempo = int(rng.choice([1, 250_000, 500_000, 2**24 - 1]))
    if odds(rng, 0.7):
        division, tempo = 480, 500_000
    conductor = [_var(0) + b"\xff\x51\x03" + tempo.to_bytes(3, "big")]
    for _ in range(int(rng.choice([0, 1, 1, 2, 40]))):
        wait = int(rng.choice([0, 480, 1920, 96_000, 2**28 - 1]))
        conductor.append(_var(wait) + pick(rng, _METAS)(rng))
    late = float(rng.choice([0.0, 0.0, 3.0]))
    spread = float(rng.choice([0.0, 0.005, 0.03, 0.3]))
    ticks = sorted(max(0, round((t + late + float(rng.normal(0, spread))) * 960)) for t in times_s)
    drums, now = [], 0
    for k, tick in enumerate(ticks):
        status = b"" if k and odds(rng, 0.5) else bytes([0x90 | int(pick(rng, (9, 9, 9, 0)))])
        note = int(pick(rng, (35, 36, 38, 38, 42, 49, 76, 0, 127)))
        drums.append(_var(tick - now) + (status or b"\x99") + bytes([note, int(rng.integers(0, 128))]))
        now = tick
    drums.append(_var(0) + pick(rng, (b"\xf0\x03\x01\x02\xf7", b"\xc9\x00", b"\xe9\x00\x40", b"")) or b"")
    tracks = [conductor, drums] if odds(rng, 0.9) else [drums, conductor, drums]
    body = b"".join(chunk(b"MTrk", b"".join(one) + b"\0\xff\x2f\0", rng) for one in tracks)
    kind = int(rng.choice([0, 1, 1, 1, 2]))
    return b"MThd" + struct.pack(">IHHH", 6, kind, len(tracks), division) + body


def _signature(rng: np.random.Generator) -> bytes:
    return b"\xff\x58\x04" + bytes([int(rng.choice([0, 1, 4, 7, 255])), int(rng.choice([0, 2, 3, 5, 31, 255])), 24, 8])


def _tempo(rng: np.random.Generator) -> bytes:
    return b"\xff\x51\x03" + int(rng.choice([0, 1, 300_000, 2**24 - 1])).to_bytes(3, "big")


def _marker(rng: np.random.Generator) -> bytes:
    text = str(pick(rng, ("first beat", "pickup", "end", *TEXTS))).encode("utf-8", "replace")[:200]
    return b"\xff\x06" + _var(len(text)) + text


def _key(rng: np.random.Generator) -> bytes:
    return b"\xff\x59\x02" + rng.bytes(2)


_METAS = (_signature, _signature, _tempo, _marker, _marker, _key)


def chunk(name: bytes, body: bytes, rng: np.random.Generator, order: str = ">") -> bytes:
    """A name, the length of what follows (seldom a wrong one), and that."""
    size = len(body) if odds(rng, 0.95) else int(rng.choice([0, 1, len(body) + 1, 2**31, 2**32 - 1]))
    return name + struct.pack(f"{order}I", size) + body


_TOML = {
    "title": ('"Paper Harbour"', '"\\u001b[31m"', "'''a\nb'''", "3", '""'),
    "nudge_ms": ("-12", "0.5", "1001", "nan", "inf", "1e3", "true"),
    "the_1": ("3.650", "[0.5, 2.5]", '["0:01.5", "0:02"]', "[2, 1]", '"x"', "[]", "0", "9999999"),
    "meter": ('"4/4"', '"7/8"', '"12/8"', '"0/0"', "4"),
    "bpm": ('"80:100"', "92", "92.5", '"0"', '"100:80"'),
    "range": ('"0:00-0:09"', '"5-"', '"-"', '"9-1"'),
    "meters": (
        '["bars 1-2: 3/4"]',
        '["bar 2: 2/4"]',
        '["bars 1-: 3+3+2/8"]',
        '["bar 1: 4/4 held on 4"]',
        '["bars 3-1: 4/4"]',
    ),
    "tempi": ('["bar 2: 96"]', '["bar 1: 0"]', '["bar 1: 96", "bar 1: 97"]'),
    "sections": ('["verse 1-2"]', '["a 1-2", "b 2-3"]', '["\\u202e 1"]', '["x 99999-99999"]'),
    "notes": ('["sticks"]', '"one"', "[1]", '["' + "n" * 3000 + '"]'),
    "recording": ('{ sha256 = "00", length_s = 12 }', "{ length_s = 12.0 }", "1", '{ sha256 = "' + "a" * 64 + '" }'),
    "taps": (
        "{ times = [1, 1.6, 2.2, 2.8, 3.4] }",
        "{ times = [3, 2] }",
        "{ times = [1.0, 1.5, 2.0], counts = [1, 2] }",
    ),
    "confirmed": (
        '[{ what = "the 1", by = "Ida", on = 2026-11-27 }]',
        "[{ what = 1 }]",
        "[]",
        '[{ what = "x", on = 07:32:00 }]',
    ),
    "titel": ('"x"',),
    "a.b.c": ("1979-05-27T07:32:00Z", "0xDEADBEEF", "[[[[]]]]"),
}


def toml(rng: np.random.Generator) -> bytes:
    """A song's file: keys and values as they may be written, right and nearly right, with odd line ends."""
    keys = [key for key in _TOML if odds(rng, 0.25)] or ["the_1"]
    if odds(rng, 0.05):
        keys.append(keys[0])
    end = pick(rng, ("\n", "\n", "\n", "\n", "\n", "\n", "\r\n", "\n\n# \u00e9 \U0001f941\n", "\r"))
    lines = []
    for key in keys:
        values = _TOML[key]
        # Mostly the right one: a file with one thing wrong is told by its first.
        lines.append(f"{key} = {values[0] if odds(rng, 0.85) else pick(rng, values)}{pick(rng, ('', ' # so', '  '))}")
    text = end.join(lines) + pick(rng, (end, end, end, "", "", "\0", "\ufeff"))
    return (b"\xef\xbb\xbf" if odds(rng, 0.1) else b"") + str(text).encode()


def beats_text(rng: np.random.Generator) -> bytes:
    """Times, with counts or without, a line each, as text or CSV."""
    n, step, meter = int(rng.choice([0, 1, 4, 30])), float(rng.choice([0.04, 0.3, 0.6, 60.0])), int(rng.integers(1, 9))
    out = io.StringIO()
    comma = odds(rng, 0.4)
    out.write("time_s,count\n" if comma else "")
    for k in range(n):
        counted = odds(rng, 0.97)
        out.write(f"{0.2 + step * k:.3f}{',' if comma else ' '}{k % meter + 1 if counted else pick(rng, TEXTS)}\n")
    return out.getvalue().encode("utf-8", "replace")
