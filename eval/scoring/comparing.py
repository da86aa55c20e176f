"""What changed between two results of one system, and whether a result is worse than the frozen one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from eval.scoring.statistics import mean_interval, sign_test
from eval.scoring.table import ALL_NAMES, GUIDE_SHARES
from pulsefind.core.errors import FormatError

Result = Mapping[str, Any]

COMPARED = ("beat_f_70", "beat_f_20", "cmlt", "amlt", "start_f", "downbeat_f_70", "meter")
GUIDE_COMPARED = ("first_all_true", "first_exact", "first_hit_f")
# A track counts as changed when a figure moves by more than this.
CHANGED = 0.005
# No figure is frozen more finely than this: rounding differs between machines.
LEAST_NOISE = 0.005
# Frozen figures are kept to so many digits; a difference in the last one is no fall.
DIGITS = 6
ROUNDING = 2 * 10.0**-DIGITS


def track_values(result: Result, system: str) -> dict[tuple[str, str], dict[str, float]]:
    """Return the compared figures by (set, track) of one system, those that apply."""
    values = {}
    for entry in result["tracks"]:
        own = entry["systems"].get(system)
        if own is None:
            continue
        guides = own.get("guides") or {}
        figures = {m: own["values"].get(m) for m in COMPARED} | {m: guides.get(m) for m in GUIDE_COMPARED}
        values[entry["set"], entry["name"]] = {m: v for m, v in figures.items() if v is not None}
    if not values:
        raise FormatError(f"no track of the result was answered by {system}; run it with --systems {system}")
    return values


def _label(metric: str) -> str:
    """Return a figure's name as a reader knows it."""
    return (ALL_NAMES | GUIDE_SHARES)[metric]


def comparison(before: Result, after: Result, system: str) -> str:
    """Return the Markdown text on what changed: a sign test for each figure, then track by track."""
    old, new = track_values(before, system), track_values(after, system)
    both = [key for key in old if key in new]
    if not both:
        raise FormatError("the two results share no track; compare runs over the same sets")
    lines = [f"# {system}: {before.get('commit')} to {after.get('commit')}", ""]
    lines += [
        "| set | figure | before | after | change [95 %] | rose | fell | same | sign test p |",
        "|" + "---|" * 9,
    ]
    for name in dict.fromkeys(set_name for set_name, _ in both):
        of_set = [key for key in both if key[0] == name]
        lines += [row for m in (*COMPARED, *GUIDE_COMPARED) if (row := _row(name, m, of_set, old, new))]
    lines += ["", "| track | figure | before | after | change |", "|---|---|---|---|---|"]
    moves = [(new[key][m] - old[key][m], key, m) for key in both for m in old[key] if m in new[key]]
    moved = sorted((move for move in moves if abs(move[0]) > CHANGED), key=lambda move: (move[0], move[1], move[2]))
    for change, key, m in moved:
        figures = f"{100 * old[key][m]:.1f} | {100 * new[key][m]:.1f} | {100 * change:+.1f}"
        lines.append(f"| {key[0]}: {key[1]} | {_label(m)} | {figures} |")
    missing = len(old) + len(new) - 2 * len(both)
    lines += [
        "",
        f"{len(both)} tracks compared, {missing} only in one of the results, {len(moved)} figures changed.",
    ]
    return "\n".join(lines) + "\n"


def _row(
    name: str, metric: str, keys: Sequence[tuple[str, str]], old: Mapping[Any, Any], new: Mapping[Any, Any]
) -> str | None:
    """Return one line of the comparison's first table, or None where the figure doesn't apply."""
    pairs = [(old[k][metric], new[k][metric]) for k in keys if metric in old[k] and metric in new[k]]
    change = mean_interval([b - a for a, b in pairs])
    if change is None:
        return None
    signs = sign_test([b - a for a, b in pairs])
    before, after = (100 * sum(pair[i] for pair in pairs) / len(pairs) for i in (0, 1))
    spread = f"{100 * change.mean:+.1f} [{100 * change.low:+.1f}, {100 * change.high:+.1f}]"
    cells = (
        name,
        _label(metric),
        f"{before:.1f}",
        f"{after:.1f}",
        spread,
        signs.rose,
        signs.fell,
        signs.same,
        f"{signs.p:.3f}",
    )
    return "| " + " | ".join(map(str, cells)) + " |"


def _means(values: Mapping[tuple[str, str], Mapping[str, float]]) -> dict[str, dict[str, float]]:
    """Return set to figure to mean."""
    means: dict[str, dict[str, float]] = {}
    for name in dict.fromkeys(set_name for set_name, _ in values):
        of_set = [figures for (set_name, _), figures in values.items() if set_name == name]
        for metric in (*COMPARED, *GUIDE_COMPARED):
            known = [figures[metric] for figures in of_set if metric in figures]
            if known:
                means.setdefault(name, {})[metric] = sum(known) / len(known)
    return means


def frozen(results: Sequence[Result], system: str) -> dict[str, Any]:
    """Return the means of the first result with their noise, set by set, to be kept as baseline.json.

    The other results are of the same sets with changes to the sound that nobody would hear as another
    performance (`run --variant`). A mean's noise is its largest distance to theirs, at least half a point.
    """
    values = track_values(results[0], system)
    first, *others = [_means(track_values(result, system)) for result in results]
    sets = {}
    for name, figures in first.items():
        moved = {m: [abs(mean - o[name][m]) for o in others if m in o.get(name, {})] for m, mean in figures.items()}
        sets[name] = {
            "tracks": sum(key[0] == name for key in values),
            "variants": sum(name in other for other in others),
            "figures": {
                m: {"mean": round(mean, DIGITS), "noise": round(max([LEAST_NOISE, *moved[m]]), DIGITS)}
                for m, mean in figures.items()
            },
        }
    return {"system": system, "sets": sets}


def refrozen(known: Mapping[str, Any] | None, results: Sequence[Result], system: str) -> dict[str, Any]:
    """Return the frozen results' sets beside those that are known for the same system from before."""
    new = frozen(results, system)
    kept = known["sets"] if known is not None and known.get("system") == system else {}
    return {"system": system, "sets": kept | new["sets"]}


@dataclass(frozen=True, slots=True)
class Fall:
    """A mean that fell by more than its noise."""

    set_name: str
    metric: str
    frozen: float
    now: float
    noise: float

    def __str__(self) -> str:
        """Say it in one line."""
        return (
            f"{self.set_name}: {_label(self.metric)} fell from {100 * self.frozen:.1f}"
            f" to {100 * self.now:.1f} (noise {100 * self.noise:.1f})"
        )


def falls(result: Result, baseline: Mapping[str, Any]) -> tuple[list[Fall], list[str]]:
    """Return the means that fell by more than their noise, and the names of the sets that were checked.

    Sets of the baseline that the result lacks aren't checked; a set with another number of tracks, or a
    figure that is gone, is an error, for then the means don't compare. Raises FormatError when nothing can be
    checked.
    """
    try:
        system, sets = baseline["system"], baseline["sets"]
    except KeyError as error:
        raise FormatError(f"the baseline lacks {error}; make it anew with `python -m eval freeze`") from None
    values = track_values(result, system)
    means = _means(values)
    checked = [name for name in sets if name in means]
    if not checked:
        raise FormatError("the result holds none of the baseline's sets; run at least one of: " + ", ".join(sets))
    found = []
    for name in checked:
        n = sum(key[0] == name for key in values)
        if n != sets[name]["tracks"]:
            raise FormatError(f"{name}: {n} tracks where the baseline has {sets[name]['tracks']}; freeze it anew")
        found += _falls_of_set(name, means[name], sets[name]["figures"])
    return found, checked


def _falls_of_set(name: str, now: Mapping[str, float], figures: Mapping[str, Any]) -> list[Fall]:
    """Return what fell in one set."""
    found = []
    for metric, known in figures.items():
        if metric not in now:
            raise FormatError(f"{name}: the result has no {_label(metric)}, the baseline has; freeze it anew")
        if now[metric] < known["mean"] - known["noise"] - ROUNDING:
            found.append(Fall(name, metric, known["mean"], now[metric], known["noise"]))
    return found
