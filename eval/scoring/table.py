"""The Markdown table of a result: a summary for players, then everything for researchers.

The same scores give the same bytes; what differs from run to run (date, machine, time and memory) stands in
the last section alone.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

from eval.scoring.reliability import HEADER, cells, reliability
from eval.scoring.statistics import Interval, mean_interval, paired_difference
from pulsefind.core.errors import FormatError

Entry = dict[str, Any]

KINDS = {"real": "Real recordings", "rendered": "Rendered from MIDI", "unknown": "Other folders"}
MEASURED = "## Measured"
PERCENT_METRICS = {
    "beat_f_70": "beat F, 70 ms",
    "beat_f_40": "beat F, 40 ms",
    "beat_f_20": "beat F, 20 ms",
    "cmlc": "beat CMLc",
    "cmlt": "beat CMLt",
    "amlc": "beat AMLc",
    "amlt": "beat AMLt",
    "cemgil": "beat Cemgil",
    "cemgil_best": "beat Cemgil, best reading",
    "information_gain": "beat information gain",
    "p_score": "beat P-score",
    "goto": "beat Goto",
    "downbeat_f_70": "downbeat F, 70 ms",
    "downbeat_f_40": "downbeat F, 40 ms",
    "downbeat_f_20": "downbeat F, 20 ms",
    "downbeat_cmlt": "downbeat CMLt",
    "downbeat_amlt": "downbeat AMLt",
}
TRACK_METRICS = {
    "start_f": "beat F in the first 5 s",
    "meter": "meter right",
    "tempo_1": "tempo accuracy 1",
    "tempo_2": "tempo accuracy 2",
}
SUMMARY = ("beat_f_70", "cmlt", "amlt", "beat_f_20", "start_f", "downbeat_f_70", "meter")
ALL_NAMES = PERCENT_METRICS | TRACK_METRICS
GUIDE_SHARES = {
    "first_all_true": "first guide: places all true",
    "first_exact": "first guide: exact place set of some class",
    "first_jaccard": "first guide: Jaccard of place sets",
    "first_hit_f": "first guide: hit F at 50 ms of the matched class",
    "three_jaccard": "first three guides: Jaccard of place sets",
}
TEMPO_BANDS = (
    (0, 90, "below 90"),
    (90, 120, "90 to 120"),
    (120, 150, "120 to 150"),
    (150, 1e9, "150 and more"),
)
WORST = 10
TABLE_STARTS = "<!-- table: replaced by `python -m eval show RESULT --into datasets.md` -->"
TABLE_ENDS = "<!-- end of table -->"


def table(result: dict[str, Any]) -> str:
    """Return the whole Markdown text."""
    entries: list[Entry] = result["tracks"]
    systems = list(result["systems"])
    parts = [
        "# Results",
        "",
        "Means over tracks in percent, with the 95 % bootstrap interval. Real and rendered sets",
    ]
    parts += ["are never averaged together: rendered sets are easy sets.", ""]
    for kind, title in KINDS.items():
        of_kind = [entry for entry in entries if entry["kind"] == kind]
        if of_kind:
            parts += [f"## {title}", "", *_summary(of_kind, systems)]
            for name in _ordered(entry["set"] for entry in of_kind):
                parts += _set_section(name, [e for e in of_kind if e["set"] == name], systems)
            parts += _reliabilities(of_kind, systems) + _breakdowns(of_kind, systems) + _worst(of_kind, systems)
    parts += _measured(result)
    return "\n".join(parts).rstrip() + "\n"


def _ordered(names: Iterable[str]) -> list[str]:
    """Return the distinct names in the order of their first appearance."""
    return list(dict.fromkeys(names))


def _values(entries: Sequence[Entry], system: str, metric: str) -> list[float | None]:
    """Return one metric of one system over tracks; None where it doesn't apply."""
    return [entry["systems"].get(system, {}).get("values", {}).get(metric) for entry in entries]


def _known(values: Iterable[float | None]) -> list[float]:
    """Return the values that are there."""
    return [value for value in values if value is not None]


def _cell(interval: Interval | None, scale: float = 100.0, sign: bool = False) -> str:
    """Write a mean with its interval."""
    if interval is None:
        return "-"
    form = "{:+.1f}" if sign else "{:.1f}"
    numbers = [form.format(scale * x) for x in (interval.mean, interval.low, interval.high)]
    return f"{numbers[0]} [{numbers[1]}, {numbers[2]}]"


def _rows(header: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    """Return a Markdown table; rows without any value are left out."""
    lines = ["| " + " | ".join(header) + " |", "|" + "---|" * len(header)]
    lines += ["| " + " | ".join(row) + " |" for row in rows if any(cell != "-" for cell in row[1:])]
    return [*lines, ""]


def _scored(entries: Sequence[Entry], systems: Sequence[str]) -> list[str]:
    """Return the systems whose beats are scored at all."""
    return [s for s in systems if _known(_values(entries, s, "beat_f_70"))]


def _summary(entries: Sequence[Entry], systems: Sequence[str]) -> list[str]:
    """Return one row a set and system with the figures that matter to a player."""
    rows = []
    for name in _ordered(entry["set"] for entry in entries):
        of_set = [entry for entry in entries if entry["set"] == name]
        for system in _scored(of_set, systems):
            means = [mean_interval(_known(_values(of_set, system, metric))) for metric in SUMMARY]
            rows.append(
                [
                    f"{name} ({len(of_set)})",
                    system,
                    *("-" if m is None else f"{100 * m.mean:.1f}" for m in means),
                ]
            )
    return _rows(["set (tracks)", "system", *(ALL_NAMES[m] for m in SUMMARY)], rows)


def _set_section(name: str, entries: Sequence[Entry], systems: Sequence[str]) -> list[str]:
    """Return everything about one set."""
    scored = _scored(entries, systems)
    parts = [f"### {name} ({len(entries)} tracks)", ""]
    parts += _metric_table(entries, scored) + _placement(entries, scored) + _kinds(entries, scored)
    return parts + _guides(entries, systems) + _failures(entries, systems)


def _metric_table(entries: Sequence[Entry], scored: Sequence[str]) -> list[str]:
    """Return all measures: a column a system, and the first system's differences to the others."""
    if not scored:
        return []
    names = ALL_NAMES | {f"trimmed_{m}": f"{label}, from 5 s on" for m, label in PERCENT_METRICS.items()}
    first, others = scored[0], scored[1:]
    rows = []
    for metric, label in names.items():
        cells = [_cell(mean_interval(_known(_values(entries, system, metric)))) for system in scored]
        cells += [
            _cell(paired_difference(_values(entries, first, metric), _values(entries, other, metric)), sign=True)
            for other in others
        ]
        rows.append([label, *cells])
    return _rows(["measure", *scored, *(f"{first} minus {other}" for other in others)], rows)


def _placement(entries: Sequence[Entry], scored: Sequence[str]) -> list[str]:
    """Return how far matched beats lie from the annotation; latency is shown, never taken out."""
    labels = {
        "signed_error_ms": "latency: median signed distance of matched beats, ms (late is positive)",
        "absolute_error_ms": "median absolute distance of matched beats, ms",
    }
    rows = [
        [label, *(_cell(mean_interval(_known(_values(entries, s, metric))), scale=1.0) for s in scored)]
        for metric, label in labels.items()
    ]
    return _rows(["placement", *scored], rows)


def _kinds(entries: Sequence[Entry], scored: Sequence[str]) -> list[str]:
    """Return the share of tracks by what was done to the beat and to the 1."""
    rows = []
    for field, title in (("beat_kind", "beat"), ("one_kind", "the 1")):
        found = {s: Counter(e["systems"][s][field] for e in entries if s in e["systems"]) for s in scored}
        kinds = sorted({kind for counter in found.values() for kind in counter}, key=lambda k: (k != "right", k))
        rows += [[f"{title}: {kind}", *(_share(found[s][kind], found[s].total()) for s in scored)] for kind in kinds]
    return _rows(["share of tracks, percent", *scored], rows)


def _share(part: float, whole: float) -> str:
    """Write a share in percent with its counts."""
    return f"{100 * part / whole:.0f} ({part:g} of {whole:g})" if whole else "-"


def _guides(entries: Sequence[Entry], systems: Sequence[str]) -> list[str]:
    """Return the guide figures of the systems that look for guides."""
    found = {
        s: [e["systems"][s]["guides"] for e in entries if e["systems"].get(s, {}).get("guides") is not None]
        for s in systems
    }
    found = {s: rows for s, rows in found.items() if rows}
    if not found:
        return []
    with_truth = {s: [row for row in rows if not row["no_truth"]] for s, rows in found.items()}
    rows = [
        [label, *(_cell(mean_interval([row[key] for row in with_truth[s]])) for s in found)]
        for key, label in GUIDE_SHARES.items()
    ]
    pooled: dict[str, Callable[[list[Entry]], str]] = {
        "first three guides that are exact for some class": lambda g: _share(
            _sum(g, "three_exact"), _sum(g, "three_claimed")
        ),
        "classes whose exact place set is among the guides": lambda g: _share(
            _sum(g, "classes_found"), _sum(g, "classes")
        ),
        "true first guides that alone fix the 1 / the half bar / only the beat": lambda g: " / ".join(
            f"{sum(row.get(f'first_fixes_{what}', 0.0) for row in g):.0f}" for what in ("one", "half_bar", "beat")
        ),
        "tracks with a true place": lambda g: str(len(g)),
    }
    rows += [[label, *(write(with_truth[s]) for s in found)] for label, write in pooled.items()]
    silent = {s: [row for row in of_system if row["no_truth"]] for s, of_system in found.items()}
    rows.append(
        [
            "tracks without one: no guide claimed",
            *(_share(sum(not r["claimed"] for r in silent[s]), len(silent[s])) for s in found),
        ]
    )
    return _rows(["guides", *found], rows)


def _sum(rows: Iterable[Entry], key: str) -> float:
    """Return the sum of one figure."""
    return float(sum(row[key] for row in rows))


def _failures(entries: Sequence[Entry], systems: Sequence[str]) -> list[str]:
    """Return a line for every track on which a system gave up; its scores are those of an empty answer."""
    lines = [
        f"- {system} gave no answer on {entry['name']}: {error.strip().splitlines()[-1]}"
        for entry in entries
        for system in systems
        if (error := entry["systems"].get(system, {}).get("error"))
    ]
    return [*lines, ""] if lines else []


def _tempo_band(entry: Entry) -> str | None:
    """Return the tempo band of a track."""
    bpm = entry["bpm"]
    return None if bpm is None else next(name for low, high, name in TEMPO_BANDS if low <= bpm < high)


def _reliabilities(entries: Sequence[Entry], systems: Sequence[str]) -> list[str]:
    """Return, for each system that says how sure it is, how often it was right when it said so."""
    parts: list[str] = []
    for system in systems:
        rows = cells(reliability(entries, system))
        if rows:
            parts += [f"### How sure {system} is, and how often it is right", "", *_rows(HEADER, rows)]
    return parts


def _breakdowns(entries: Sequence[Entry], systems: Sequence[str]) -> list[str]:
    """Return the main figures by genre, meter, tempo and drums, where known."""
    groupings: dict[str, Callable[[Entry], str | None]] = {
        "genre": lambda e: e["genre"],
        "beats in the bar": lambda e: None if e["meter"] is None else str(e["meter"]),
        "tempo, bpm": _tempo_band,
        "drums": lambda e: None if e["drums"] is None else ("yes" if e["drums"] else "no"),
    }
    shown = ("beat_f_70", "cmlt", "downbeat_f_70")
    scored = _scored(entries, systems)
    header = [f"{s}: {PERCENT_METRICS[m]}" for s in scored for m in shown]
    parts: list[str] = []
    for title, group in groupings.items():
        names = Counter(name for entry in entries if (name := group(entry)) is not None)
        rows = []
        for name in sorted(names):
            of_group = [entry for entry in entries if group(entry) == name]
            means = [mean_interval(_known(_values(of_group, s, m))) for s in scored for m in shown]
            rows.append([f"{name} ({len(of_group)})", *("-" if m is None else f"{100 * m.mean:.1f}" for m in means)])
        if len(rows) > 1:
            parts += _rows([title, *header], rows)
    return ["### By kind of track", "", *parts] if parts else []


def _worst(entries: Sequence[Entry], systems: Sequence[str]) -> list[str]:
    """Return the ten worst tracks of the first system, by the mean of beat CMLt and downbeat F."""
    scored = _scored(entries, systems)
    if not scored:
        return []
    first = scored[0]
    ranked = []
    for entry in entries:
        own = entry["systems"].get(first)
        if own is None:
            continue
        values = _known([own["values"].get("cmlt"), own["values"].get("downbeat_f_70")])
        if values:
            ranked.append((sum(values) / len(values), entry["set"], entry["name"], entry, own))
    rows = []
    for _, set_name, name, entry, own in sorted(ranked, key=lambda r: r[:3])[:WORST]:
        rows.append(
            [
                f"{set_name}: {name}",
                *(_number(own["values"].get(m), 100) for m in ("beat_f_70", "cmlt", "downbeat_f_70")),
                f"beat {own['beat_kind']}, the 1 {own['one_kind']}",
                f"{_number(entry['bpm'])} bpm in {entry['meter'] or '?'}",
                f"{_number(own.get('bpm'))} bpm in {own.get('meter') or '?'}",
            ]
        )
    header = ["track", "beat F", "CMLt", "downbeat F", "what went wrong", "annotated", "answered"]
    return [f"### The ten worst tracks of {first}", "", *_rows(header, rows)]


def _number(value: float | None, scale: float = 1.0) -> str:
    """Write a number with one decimal, or a dash."""
    return "-" if value is None else f"{scale * value:.1f}"


def _measured(result: dict[str, Any]) -> list[str]:
    """Return date, commit, versions, machine, and what the answers cost."""
    versions = ", ".join(f"{name} {version}" for name, version in result["versions"].items())
    parts = [MEASURED, "", f"- date: {result['measured']}", f"- commit: {result['commit'] or 'unknown'}"]
    parts += [f"- versions: Python {result['python']}, {versions}", f"- machine: {result['machine']}"]
    costs = [own["cost"] for entry in result["tracks"] for own in entry["systems"].values()]
    if costs:
        at, jobs = sorted(cost["at"] for cost in costs), sorted({cost["jobs"] for cost in costs})
        parts += [f"- answers given from {at[0]} to {at[-1]}, tracks at once: {', '.join(map(str, jobs))}"]
    parts += ["", "Whole process of each answer, start and imports included, per minute of audio.", ""]
    return parts + _costs(result["tracks"], list(result["systems"]))


def _costs(entries: Sequence[Entry], systems: Sequence[str]) -> list[str]:
    """Return time per minute of audio and peak memory, set by set."""
    rows = []
    for name in _ordered(entry["set"] for entry in entries):
        for system in systems:
            of_system = [e for e in entries if e["set"] == name and system in e["systems"]]
            minutes = sum(e["duration_s"] for e in of_system) / 60
            costs = [e["systems"][system]["cost"] for e in of_system]
            if costs:
                wall, cpu = (_sum(costs, key) / minutes for key in ("wall_s", "cpu_s"))
                rows.append([name, system, f"{wall:.2f}", f"{cpu:.2f}", f"{max(c['peak_mib'] for c in costs):.0f}"])
    return _rows(["set", "system", "clock, s/min", "processor, s/min", "peak memory, MiB"], rows)


def with_table(document: Path, text: str) -> str:
    """Return the document's text with the table in its marked part, headings one level lower.

    Raises FormatError when the document can't be read or has no such part.
    """
    try:
        around = document.read_text(encoding="utf-8")
    except OSError as error:
        raise FormatError(f"{document}: can't be read ({error.strerror})") from error
    before, start, rest = around.partition(TABLE_STARTS)
    _, end, after = rest.partition(TABLE_ENDS)
    if not start or not end:
        raise FormatError(f"{document}: lacks the lines that mark the table ({TABLE_STARTS} ... {TABLE_ENDS})")
    lowered = "\n".join(f"#{line}" if line.startswith("#") else line for line in text.splitlines()[2:])
    return f"{before}{start}\n\n{lowered}\n\n{end}{after}"
