"""The saved analysis: written as JSON and read back, with every field checked against its record's type."""

from __future__ import annotations

import dataclasses
import functools
import json
import math
import types
import typing
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from pulsefind.core.as_json import json_text, plain
from pulsefind.core.corrections import QUARTERS
from pulsefind.core.errors import FormatError
from pulsefind.core.given import note_given, read_given
from pulsefind.core.limits import CLOSEST_BEATS_S, LONGEST_BAR, LONGEST_BEAT_S, LONGEST_PATTERN, LONGEST_S
from pulsefind.core.records import FEWEST_FOR_TEMPO, Analysis, Bars, FloatArray, Guide, IntArray, Place
from pulsefind.guides.plan import plan_for

_ARRAYS: dict[Any, type] = {FloatArray: float, IntArray: int, NDArray[np.bool_]: bool}
_LARGEST = 2**53
"""Integers up to here are exact in JSON and in floats (published: IEEE 754)."""

_LONGEST_TEXT = 10_000  # judged: far beyond any name or warning
_UNITS = (1, 2, 4, 8, 16, 32)  # as in notation (common practice, no source)
_SLOTS = (1, 2, 3, 4, 6)  # those that beats/grid.py finds (judged there)
_BPM_RANGE = (1.0, 2000.0)  # judged: wide enough for a fermata or a run

SCHEMA = 1
"""The format's own number: raised when the meaning or the name of a saved field changes."""

LARGEST_BYTES = 256 * 2**20
"""No saved analysis is larger (judged): one of three hours has about a tenth of this."""

_Record = TypeVar("_Record")


def to_json(analysis: Analysis) -> str:
    """Write an analysis as JSON text: the same analysis always gives the same bytes.

    Parameters
    ----------
    analysis
        What `analyse` returned.

    Returns
    -------
    str
        One JSON object; times in seconds, to the microsecond. No beats give empty lists.

    Examples
    --------
    >>> import numpy as np
    >>> from pulsefind import Settings, analyse, from_samples
    >>> silence = analyse(from_samples(np.zeros(44100), 44100), Settings(network="own"))
    >>> json.loads(to_json(silence))["warnings"]
    ['the recording is silent']
    """
    document: dict[str, Any] = {"schema": SCHEMA, "program": "pulsefind"}
    for field in dataclasses.fields(analysis):
        document[field.name] = plain(getattr(analysis, field.name))
    # Whether a run kept its results for the next has nothing to do with what it found.
    del document["settings"]["use_cache"]
    document["beats"]["count"] = plain(analysis.bars.count)
    del document["bars"]["count"]
    document["bars"]["meter"] = [analysis.meter(k) for k in range(len(analysis.bars.beats))]
    for saved, guide in zip(document["guides"], analysis.guides, strict=True):
        _spread_places(saved, guide)
    return json_text(document)


def _spread_places(saved: dict[str, Any], guide: Guide) -> None:
    """Save places as parallel lists: readers that only want the counts find them as plain strings."""
    saved["places"] = [place.label for place in guide.places]
    for name in ("bar", "position_beats", "hit_rate", "offset_ms", "spread_ms"):
        saved[f"place_{name}" if name == "bar" else name] = [plain(getattr(p, name)) for p in guide.places]


def from_json(text: str) -> Analysis:
    """Read a saved analysis.

    Parameters
    ----------
    text
        What `to_json` returned, now or in an earlier version of the same schema.

    Returns
    -------
    Analysis
        The same analysis, numbers to six decimals.

    Raises
    ------
    FormatError
        if the text is not JSON, of another schema, or lacks or garbles a field.

    Examples
    --------
    >>> from_json("[]")
    Traceback (most recent call last):
    pulsefind.core.errors.FormatError: not a saved analysis: it has no schema number; ...
    """
    try:
        document = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise FormatError(f"not a saved analysis: no JSON ({error})") from None
    if not isinstance(document, dict) or "schema" not in document:
        raise FormatError("not a saved analysis: it has no schema number; make one with `pulsefind find --out`")
    if document["schema"] != SCHEMA:
        told = str(document["schema"])[:20]
        raise FormatError(f"saved with schema {told}, this pulsefind reads {SCHEMA}; analyse it again")
    try:
        analysis = read_record(Analysis, _unspread(document), "analysis")
        if "plan" not in document:
            # Saved before the plan was part of it: the plan follows from the rest.
            analysis = dataclasses.replace(analysis, plan=plan_for(analysis.guides, analysis.bars))
        check_fits(analysis)
    except (KeyError, TypeError, ValueError, IndexError) as error:
        raise FormatError(f"the saved analysis is damaged ({type(error).__name__}: {error}); analyse again") from None
    return analysis


def load_analysis(path: Path) -> Analysis:
    """Read a saved analysis from a file.

    Raises
    ------
    FormatError
        if it can't be read, or isn't one.
    """
    try:
        text = read_given(path, LARGEST_BYTES, "a saved analysis").decode()
    except UnicodeDecodeError:
        raise FormatError(f"{path}: is no saved analysis; make one with `pulsefind find --out`") from None
    try:
        analysis = from_json(text)
    except FormatError as error:
        raise FormatError(f"{path}: {error}") from None
    # Its recording may be the person's only copy, and lies next to the analysis.
    note_given(path.parent / Path(analysis.track.name).name)
    return analysis


def _unspread(document: dict[str, Any]) -> dict[str, Any]:
    """The document in the shape of the records: counts with the bars, one row per place, nothing derived."""
    data = {field.name: document[field.name] for field in dataclasses.fields(Analysis) if field.name in document}
    data.setdefault("plan", [])
    beats, bars = dict(data["beats"]), dict(data["bars"])
    data["settings"] = dict(data["settings"])
    # Saved before the cache was none of the answer's business.
    data["settings"].pop("use_cache", None)
    bars["count"] = beats.pop("count")
    bars.pop("meter")
    # Saved before bars had note values of their own.
    bars.setdefault("beat_quarters", [])
    guides = [_gathered_places(saved) for saved in data["guides"]]
    return {**data, "beats": beats, "bars": bars, "guides": guides}


def _gathered_places(saved: dict[str, Any]) -> dict[str, Any]:
    saved = dict(saved)
    columns = [
        saved.pop(name) for name in ("places", "place_bar", "position_beats", "hit_rate", "offset_ms", "spread_ms")
    ]
    names = [field.name for field in dataclasses.fields(Place)]
    return {**saved, "places": [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]}


def read_record(record: type[_Record], data: object, where: str) -> _Record:
    """Make a record from a JSON object; `where` names it in errors. Fields with a default may be missing.

    Raises
    ------
    ValueError
        if a field is missing, unknown, or of another type than the record says.
    """
    if not isinstance(data, dict):
        raise ValueError(f"{where} is no object")
    hints = _hints(typing.cast("type", record))
    unknown = set(data) - set(hints)
    if unknown:
        raise ValueError(f"{where} has the unknown field {min(map(str, unknown))[:40]!r}")
    values = {}
    for field in dataclasses.fields(record):  # type: ignore[arg-type]
        if field.name in data:
            values[field.name] = read_value(hints[field.name], data[field.name], f"{where}.{field.name}")
        elif field.default is dataclasses.MISSING:
            raise ValueError(f"{where} lacks {field.name}")
    return record(**values)


@functools.cache
def _hints(record: type) -> dict[str, Any]:
    return typing.get_type_hints(record)


def read_value(hint: Any, value: object, where: str) -> Any:
    """A value of the type `hint`: number, text, tuple, array, record, or None where that is allowed."""
    if hint in _ARRAYS:
        return np.array([read_value(_ARRAYS[hint], item, where) for item in _list(value, where)], _ARRAYS[hint])
    if dataclasses.is_dataclass(hint):
        return read_record(typing.cast("type[Any]", hint), value, where)
    if isinstance(hint, types.UnionType):
        inner = next(kind for kind in typing.get_args(hint) if kind is not types.NoneType)
        return None if value is None else read_value(inner, value, where)
    if typing.get_origin(hint) is tuple:
        return _tuple(typing.get_args(hint), _list(value, where), where)
    return _plain(hint, value, where)


def _tuple(kinds: tuple[Any, ...], items: list[Any], where: str) -> tuple[Any, ...]:
    if kinds[-1] is Ellipsis:
        return tuple(read_value(kinds[0], item, where) for item in items)
    if len(kinds) != len(items):
        raise ValueError(f"{where} has {len(items)} entries, not {len(kinds)}")
    return tuple(read_value(kind, item, where) for kind, item in zip(kinds, items, strict=True))


def _list(value: object, where: str) -> list[Any]:
    if not isinstance(value, list):
        raise ValueError(f"{where} is no list")
    return value


def _plain(kind: type, value: object, where: str) -> Any:
    if kind is float and isinstance(value, (int, float)) and not isinstance(value, bool):
        if not math.isfinite(value) or abs(value) > _LARGEST:
            raise ValueError(f"{where} is out of range")
        return float(value)
    if type(value) is not kind:
        raise ValueError(f"{where} is no {kind.__name__}")
    if isinstance(value, int) and abs(value) > _LARGEST:
        raise ValueError(f"{where} is out of range")
    if isinstance(value, str):
        if len(value) > _LONGEST_TEXT:
            raise ValueError(f"{where} is too long")
        value.encode()  # JSON can hold half a surrogate pair, which isn't text: UnicodeEncodeError.
    return value


def check_fits(analysis: Analysis) -> None:
    """Check that the records of an analysis are consistent with each other.

    Raises
    ------
    ValueError
        if not.
    """
    _check_track(analysis)
    _check_bars(analysis)
    _check_grid(analysis)
    bars = analysis.bars
    for number, guide in enumerate(analysis.guides):
        _check_guide(guide, bars, f"guides[{number}]")
    _check_stretches(analysis.alone, bars, "alone")
    for before, section in zip((None, *analysis.confidence.sections), analysis.confidence.sections, strict=False):
        first = 0 if before is None else before.last_bar + 1
        _need(section.first_bar == first <= section.last_bar < len(bars.beats), "confidence: the bars of a section")
    _need(len(analysis.plan) == len(bars.beats), "plan: its number of bars")
    _need(all(k is None or 0 <= k < len(analysis.guides) for k in analysis.plan), "plan: a guide")
    for misreading in analysis.misreadings:
        _need(0 <= misreading.guide < len(analysis.guides), "misreadings: guide")
        _need(0 < misreading.bpm <= 4 * _BPM_RANGE[1], "misreadings: bpm")


def _need(holds: bool | np.bool_, what: str) -> None:
    if not holds:
        raise ValueError(f"{what} is out of range")


def _check_track(analysis: Analysis) -> None:
    track, sure, settings = analysis.track, analysis.confidence, analysis.settings
    _need(0 <= track.start_s <= track.end_s <= track.duration_s <= LONGEST_S + 1, "track: its times")
    _need(track.channels >= 0 and track.rate_hz > 0, "track: its channels or rate")
    shares = [sure.one, sure.octave, sure.meter, sure.half, *(other.probability for other in analysis.alternatives)]
    shares += [share for section in sure.sections for share in (section.one, section.half)]
    for share in shares:
        _need(0 <= share <= 1, "a probability")
    if settings.meter is not None:
        _need(2 <= settings.meter[0] <= 64 and settings.meter[1] in _UNITS, "settings: meter")
    _need(len(settings.taps_count) in (0, len(settings.taps_s)), "settings: the number of tapped counts")
    _need(settings.nudge_ms is None or abs(settings.nudge_ms) <= 1000, "settings: nudge_ms")
    _need(len(settings.taps_s) != 1 and list(settings.taps_s) == sorted(set(settings.taps_s)), "settings: taps_s")


def _check_bars(analysis: Analysis) -> None:
    bars, beats = analysis.bars, analysis.beats
    n = len(bars.beats)
    lengths = {len(row) for row in (bars.first_beat, bars.beats_per_bar, bars.start_s, bars.number)}
    _need(lengths == {n} and len(bars.count) == len(beats.time_s), "the number of bars or counts")
    _need(len(analysis.tempo.bar_bpm) == n, "the number of tempi")
    _need(bars.unit in _UNITS, "bars: unit")
    _need(np.isin(bars.beat_quarters, QUARTERS).all(), "bars: beat_quarters")
    if not n:
        return
    time_s = beats.time_s
    _need(time_s[0] >= 0 and time_s[-1] <= analysis.track.duration_s + 1.0, "beats: time_s")
    _need((np.diff(time_s) >= CLOSEST_BEATS_S).all(), "beats: how close they are")
    _need(np.diff(bars.number).tolist() == [1] * (n - 1) and bars.number[0] == int(bars.count[0] == 1), "bars: number")
    _need((bars.beats >= 1).all() and (bars.beats <= bars.beats_per_bar).all(), "bars: beats")
    _need((bars.beats_per_bar <= LONGEST_BAR).all(), "bars: beats_per_bar")
    _need(np.array_equal(bars.start_s, time_s[bars.first_beat]), "bars: start_s")
    _need(time_s[-1] < bars.end_s <= time_s[-1] + LONGEST_BEAT_S, "bars: end_s")
    first_count = np.repeat(bars.count[bars.first_beat], bars.beats)
    within = np.arange(len(time_s)) - np.repeat(bars.first_beat, bars.beats)
    _need(np.array_equal(bars.count, first_count + within), "beats: count")
    _need((bars.count >= 1).all() and (bars.count <= np.repeat(bars.beats_per_bar, bars.beats)).all(), "beats: count")
    if len(time_s) >= FEWEST_FOR_TEMPO:
        for bpm in (analysis.tempo.bpm, *analysis.tempo.bar_bpm):
            _need(_BPM_RANGE[0] <= bpm <= _BPM_RANGE[1], "tempo: bpm")


def _check_grid(analysis: Analysis) -> None:
    next_bar = 0
    for section in analysis.grid.sections:
        _need(section.first_bar == next_bar <= section.last_bar, "grid: its bars")
        _need(section.slots_per_beat in _SLOTS, "grid: slots_per_beat")
        _need(0.1 <= section.swing_ratio <= 10, "grid: swing_ratio")
        next_bar = section.last_bar + 1
    _need(next_bar == len(analysis.bars.beats), "grid: its bars")


def _check_guide(guide: Guide, bars: Bars, where: str) -> None:
    n = len(bars.beats)
    _need(1 <= guide.pattern_bars <= LONGEST_PATTERN and len(guide.places) > 0, f"{where}: its pattern")
    for place in guide.places:
        _need(1 <= place.bar <= guide.pattern_bars, f"{where}: a place's bar")
        _need(-1 <= place.position_beats <= 256, f"{where}: position_beats")
        _need(0 <= place.hit_rate <= 1 and place.spread_ms >= 0, f"{where}: hit_rate or spread_ms")
    if len(guide.hits.bar):
        _need(guide.hits.bar.min() >= 0 and guide.hits.bar.max() < n, f"{where}: hits.bar")
        _need(
            guide.hits.time_s[0] >= 0 and guide.hits.time_s[-1] <= bars.end_s + LONGEST_BEAT_S, f"{where}: hits.time_s"
        )
    _need(bool(guide.coverage), f"{where}: its coverage")
    _check_stretches(guide.coverage, bars, where)
    _need(guide.sound.centre_hz > 0 and guide.sound.decay_ms >= 0, f"{where}: its sound")
    for share in (guide.recurrence, guide.audibility, guide.tightness, guide.coverage_share, guide.score):
        _need(0 <= share <= 1, f"{where}: its score")


def _check_stretches(stretches: tuple[Any, ...], bars: Bars, where: str) -> None:
    last = -1
    for stretch in stretches:
        _need(last < stretch.first_bar <= stretch.last_bar < len(bars.beats), f"{where}: a stretch of bars")
        _need(0 <= stretch.start_s <= stretch.end_s <= bars.end_s + LONGEST_BEAT_S, f"{where}: times of a stretch")
        last = stretch.last_bar
