"""A saved analysis whose parts can't belong together is refused, and says which."""

import json
from dataclasses import replace

import pytest
from songs import analysis, random_analysis

from pulsefind.core.errors import FormatError
from pulsefind.report.terminal import report
from pulsefind.saved import from_json, load_analysis, to_json

SONG = analysis(meters=(4,) * 8, pickup=1, guide=(("2&", 1), ("4&", 1)))


def put(path, value):
    """The song's document with one value replaced, or with a list of replacements."""
    document = json.loads(to_json(SONG))
    *way, last = path
    node = document
    for key in way:
        node = node[key]
    node[last] = value(node[last]) if callable(value) else value
    return json.dumps(document)


@pytest.mark.parametrize(
    ("path", "value", "told"),
    [
        (("track",), [], "analysis.track is no object"),
        (("track", "name"), 5, "name is no str"),
        (("track", "name"), "x" * 10_001, "name is too long"),
        (("track", "name"), "\ud800", "UnicodeEncodeError"),
        (("track", "rate_hz"), 2**60, "out of range"),
        (("track", "rate_hz"), True, "rate_hz is no int"),
        (("track", "channels"), -1, "its channels or rate"),
        (("track", "end_s"), 1e9, "its times"),
        (("track", "extra"), 1, "unknown field 'extra'"),
        (("tempo",), {"bpm": 90.0}, "lacks bar_bpm"),
        (("tempo", "bpm"), float("nan"), "out of range"),
        (("tempo", "bpm"), 0.0, "tempo: bpm"),
        (("tempo", "bar_bpm"), lambda row: row[1:], "the number of tempi"),
        (("confidence", "one"), 1.5, "a probability"),
        (("settings", "meter"), [4], "has 1 entries, not 2"),
        (("settings", "meter"), [4, 5], "settings: meter"),
        (("beats", "time_s"), "no", "time_s is no list"),
        (("beats", "time_s"), lambda row: [*row[:-1], row[-1] + 1000.0], "beats: time_s"),
        (("beats", "count"), lambda row: row[:-1], "don't add up"),
        (("beats", "count"), lambda row: [*row[:-1], 9], "beats: count"),
        (("bars", "number"), lambda row: [n + 1 for n in row], "bars: number"),
        (("bars", "beats_per_bar"), lambda row: [300] * len(row), "bars: beats_per_bar"),
        (("bars", "beats_per_bar"), lambda row: [1] * len(row), "bars: beats"),
        (("bars", "start_s"), lambda row: [t + 0.5 for t in row], "bars: start_s"),
        (("bars", "start_s"), lambda row: row[1:], "the number of bars"),
        (("bars", "end_s"), 0.0, "bars: end_s"),
        (("bars", "unit"), 5, "bars: unit"),
        (("grid", "sections", 0, "first_bar"), 1, "grid: its bars"),
        (("grid", "sections", 0, "last_bar"), 2, "grid: its bars"),
        (("grid", "sections", 0, "slots_per_beat"), 5, "slots_per_beat"),
        (("grid", "sections", 0, "swing_ratio"), 0.0, "swing_ratio"),
        (("guides", 0, "pattern_bars"), 0, "its pattern"),
        (("guides", 0, "place_bar"), [1, 7], "a place's bar"),
        (("guides", 0, "position_beats"), [1.5, 1e6], "position_beats"),
        (("guides", 0, "hit_rate"), [1.0, 2.0], "hit_rate"),
        (("guides", 0, "places"), ["2&"], "ValueError"),
        (("guides", 0, "hits", "bar"), lambda row: [99] * len(row), "hits.bar"),
        (("guides", 0, "hits", "time_s"), lambda row: [*row[:-1], 1e7], "hits.time_s"),
        (("guides", 0, "coverage"), [], "its coverage"),
        (("guides", 0, "coverage", 0, "last_bar"), 99, "a stretch of bars"),
        (("guides", 0, "coverage", 0, "start_s"), -1.0, "times of a stretch"),
        (("guides", 0, "sound", "centre_hz"), 0.0, "its sound"),
        (("guides", 0, "score"), 7.0, "its score"),
        (("misreadings",), [{"guide": 9, "heard_as": "", "bpm": 90.0, "tempting": 0.5, "cue": ""}], "guide"),
        (("misreadings",), [{"guide": 0, "heard_as": "", "bpm": 0.0, "tempting": 0.5, "cue": ""}], "bpm"),
    ],
)
def test_what_does_not_fit_is_refused(path, value, told):
    with pytest.raises(FormatError, match="damaged") as refusal:
        from_json(put(path, value))
    assert told in str(refusal.value)


def at(*path):
    """A change of one value of a document, given another one."""

    def change(document, value):
        *way, last = path
        for key in way:
            document = document[key]
        document[last] = value

    return change


def times(change):
    """A change of the beats' times, which the bars' go along with."""

    def both(document, value):
        time_s = document["beats"]["time_s"] = change(document["beats"]["time_s"], value)
        document["bars"]["start_s"] = [time_s[k] for k in document["bars"]["first_beat"]]

    return both


def lasts(document, value):
    document["track"].update(end_s=0.0, duration_s=value)


def misread(document, value):
    document["misreadings"] = [{"guide": 0, "heard_as": "", "bpm": 90.0, "tempting": 0.5, "cue": "", **value}]


def sectioned(document, value):
    rows = [dict(zip(("first_bar", "last_bar", "one", "half"), row, strict=True)) for row in value]
    document["confidence"]["sections"] = rows


def alternative(document, value):
    document["alternatives"] = [{"reading": "", "probability": value, "hint": ""}]


def slots(document, value):
    rows = [dict(zip(("first_bar", "last_bar", "slots_per_beat", "swing_ratio"), row, strict=True)) for row in value]
    document["grid"]["sections"] = rows


def stretches(value):
    return [dict(zip(("first_bar", "last_bar", "start_s", "end_s"), row, strict=True)) for row in value]


def covered(document, value):
    document["guides"][0]["coverage"] = stretches(value)


def alone(document, value):
    document["alone"] = stretches(value)


def tapped(document, value):
    document["settings"].update(taps_s=value[0], taps_count=value[1])


def squeezed(time_s, apart_s):
    return [*time_s[:4], time_s[4] - 1.0 + apart_s, *time_s[5:]]


GUIDE = ("guides", 0)
SHARES = ([0.0, 1.0], [-0.001, 1.001])
EDGES = [
    (at("track", "start_s"), [0.0, 35.0], [-0.001, 35.001], "track: its times"),
    (at("track", "end_s"), [0.0, 35.0], [-0.001, 35.001], "track: its times"),
    # Four hours, and a second for what coders add.
    (at("track", "duration_s"), [35.0, 14401.0], [34.999, 14401.001], "track: its times"),
    (at("track", "channels"), [0, 1], [-1], "track: its channels"),
    (at("track", "rate_hz"), [1], [0], "track: its channels"),
    (at("track", "name"), ["x" * 10_000], ["x" * 10_001], "too long"),
    (at("track", "rate_hz"), [2**53], [2**53 + 1, -(2**53) - 1], "out of range"),
    (at("guides", 0, "loudness_db"), [2**53, -(2.0**53)], [2**53 + 2, -(2.0**53) - 2, float("inf")], "out of range"),
    *((at("confidence", name), *SHARES, "a probability") for name in ("one", "octave", "meter", "half")),
    (alternative, *SHARES, "a probability"),
    (sectioned, [[(0, 8, 0.0, 1.0)]], [[(0, 8, -0.001, 1.0)], [(0, 8, 0.0, 1.001)]], "a probability"),
    (
        *(sectioned, [[], [(0, 0, 1.0, 1.0), (1, 8, 1.0, 1.0)]]),
        *([[(1, 8, 1.0, 1.0)], [(0, 9, 1.0, 1.0)], [(0, 3, 1.0, 1.0), (5, 8, 1.0, 1.0)]], "the bars of a section"),
    ),
    (at("settings", "meter"), [[2, 4], [64, 1], [7, 32], None], [[1, 4], [65, 4], [4, 3], [4, 64]], "settings: meter"),
    (at("settings", "nudge_ms"), [1000.0, -1000.0, None], [1000.001, -1000.001], "settings: nudge_ms"),
    (tapped, [([], []), ([1.0, 2.0], []), ([1.0, 2.0], [4, 1])], [([1.0, 2.0], [4])], "number of tapped counts"),
    (tapped, [([1.0, 1.001], [])], [([1.0], []), ([1.0, 1.0], []), ([2.0, 1.0], [])], "settings: taps_s"),
    (at("bars", "unit"), [1, 2, 4, 8, 16, 32], [0, 3, 64], "bars: unit"),
    (at("bars", "beat_quarters"), [[0.25, 0.5, 1.0, 1.5, 2.0, *[1.0] * 4]], [[0.75] * 9], "beat_quarters"),
    (times(lambda row, by: [t + by for t in row]), [0.0, -1.0], [-1.001], "beats: time_s"),
    (lasts, [32.0], [31.999], "beats: time_s"),
    (times(squeezed), [0.0101, 1.5], [0.0099], "how close"),
    (at("bars", "beats_per_bar"), [[*[4] * 8, 64], [64] + [4] * 8], [[*[4] * 8, 65], [*[4] * 8, 3]], "bars: beats"),
    (at("bars", "end_s"), [33.001, 83.0], [33.0, 83.001], "bars: end_s"),
    (at("beats", "count", 0), [4, 2], [0, 5], "beats: count"),
    (at("beats", "count", 0), [3], [1], "bars: number"),
    (at("beats", "count", 2), [2], [1, 3], "beats: count"),
    (at("tempo", "bpm"), [1.0, 2000.0], [0.999, 2000.001], "tempo: bpm"),
    (at("tempo", "bar_bpm", 8), [1.0, 2000.0], [0.999, 2000.001], "tempo: bpm"),
    (slots, [[(0, 8, 1, 0.1)], [(0, 0, 6, 10.0), (1, 8, 3, 1.0)]], [[(0, 8, 4, 0.099)], [(0, 8, 4, 10.01)]], "swing"),
    (slots, [[(0, 3, 2, 1.0), (4, 8, 4, 1.0)]], [[(0, 8, 0, 1.0)], [(0, 8, 7, 1.0)]], "slots_per_beat"),
    (
        *(slots, [[(0, 7, 2, 1.0), (8, 8, 4, 1.0)]]),
        *([[(0, 7, 2, 1.0)], [(1, 8, 2, 1.0)], [(0, 3, 2, 1.0), (5, 8, 2, 1.0)], [(0, 9, 2, 1.0)]], "grid: its bars"),
    ),
    (at(*GUIDE, "pattern_bars"), [1, 16], [0, 17], "its pattern"),
    (at(*GUIDE, "place_bar"), [[1, 1]], [[1, 0], [1, 2]], "a place's bar"),
    (at(*GUIDE, "position_beats"), [[-1.0, 256.0]], [[-1.001, 1.0], [1.0, 256.001]], "position_beats"),
    (at(*GUIDE, "hit_rate"), [[0.0, 1.0]], [[-0.001, 1.0], [0.0, 1.001]], "hit_rate"),
    (at(*GUIDE, "spread_ms"), [[0.0, 50.0]], [[0.0, -0.001]], "hit_rate or spread_ms"),
    (at(*GUIDE, "hits", "bar"), [[0, 1, 2, 3, 8]], [[-1, 1, 2, 3, 4], [0, 1, 2, 3, 9]], "hits.bar"),
    (at(*GUIDE, "hits", "time_s", 0), [0.0], [-0.001], "hits.time_s"),
    (at(*GUIDE, "hits", "time_s", 4), [84.0], [84.001], "hits.time_s"),
    (covered, [[(0, 8, 0.0, 84.0)], [(0, 0, 1.0, 1.0), (1, 8, 2.0, 3.0)]], [[(0, 9, 1.0, 2.0)]], "a stretch of bars"),
    (covered, [[(8, 8, 1.0, 2.0)]], [[(-1, 2, 1.0, 2.0)], [(0, 4, 1.0, 2.0), (4, 8, 2.0, 3.0)]], "a stretch of bars"),
    (covered, [[(0, 0, 0.0, 0.0)]], [[(0, 0, -0.001, 1.0)], [(0, 0, 2.0, 1.0)], [(0, 0, 0.0, 84.01)]], "times of a"),
    (alone, [[], [(0, 8, 0.0, 84.0)]], [[(0, 9, 1.0, 2.0)], [(4, 3, 1.0, 2.0)]], "alone: a stretch of bars"),
    (alone, [[(0, 0, 1.0, 1.0)]], [[(0, 0, 2.0, 1.0)], [(0, 0, 0.0, 84.01)]], "alone: times of a stretch"),
    (at(*GUIDE, "sound", "centre_hz"), [0.001], [0.0, -1.0], "its sound"),
    (at(*GUIDE, "sound", "decay_ms"), [0.0], [-0.001], "its sound"),
    *(
        (at(*GUIDE, name), *SHARES, "its score")
        for name in ("recurrence", "audibility", "tightness", "coverage_share", "score")
    ),
    (at("plan"), [[None] * 9, [0] * 9], [[0] * 8, [0] * 10], "plan: its number of bars"),
    (at("plan", 3), [None, 0], [-1, 1], "plan: a guide"),
    (misread, [{"guide": 0}], [{"guide": -1}, {"guide": 1}], "misreadings: guide"),
    (misread, [{"bpm": 0.001}, {"bpm": 8000.0}], [{"bpm": 0.0}, {"bpm": 8000.001}], "misreadings: bpm"),
]


@pytest.mark.parametrize(("change", "fitting", "others", "told"), EDGES)
def test_each_bound_takes_its_last_value_and_no_further_one(change, fitting, others, told):
    for value in (*fitting, *others):
        document = json.loads(to_json(SONG))
        change(document, value)
        if value in fitting:
            from_json(json.dumps(document))
        else:
            with pytest.raises(FormatError, match="damaged") as refusal:
                from_json(json.dumps(document))
            assert told in str(refusal.value), value


def test_the_first_beats_that_have_a_tempo_must_have_one_that_can_be():
    """Two beats have none, which is 0; three do."""
    two, three = (to_json(analysis(meters=(beats,))) for beats in (2, 3))
    assert json.loads(two)["tempo"]["bpm"] == 0.0 and to_json(from_json(two)) == two
    document = json.loads(three)
    document["tempo"]["bpm"] = 0.0
    with pytest.raises(FormatError, match="tempo: bpm"):
        from_json(json.dumps(document))


@pytest.mark.parametrize("seed", range(5))
def test_what_is_written_fits_and_comes_back(seed):
    text = to_json(random_analysis(seed))
    assert to_json(from_json(text)) == text


def test_whether_a_run_kept_its_results_is_no_part_of_what_is_saved(demo_analysis):
    told = [replace(demo_analysis, settings=replace(demo_analysis.settings, use_cache=on)) for on in (True, False)]
    texts = [to_json(one) for one in told]
    assert texts[0] == texts[1] and "use_cache" not in texts[0]
    # Files of before had it, and are still read.
    older = json.loads(texts[0])
    older["settings"]["use_cache"] = False
    assert to_json(from_json(json.dumps(older))) == texts[0]
    assert from_json(json.dumps(older)).settings.use_cache


@pytest.mark.parametrize("schema", [0, 2, 1.5, "1", None, [1], {"1": 1}, "x" * 1000])
def test_a_file_of_another_schema_is_not_read_as_one_of_ours(schema):
    with pytest.raises(FormatError, match=r"saved with schema .*analyse it again") as refusal:
        from_json(json.dumps({**json.loads(to_json(SONG)), "schema": schema}))
    assert len(str(refusal.value)) < 100


def test_nested_without_end_and_files_that_are_none(tmp_path):
    with pytest.raises(FormatError, match="no JSON"):
        from_json("[" * 200_000)
    (tmp_path / "a.json").write_bytes(b"\xff\xfe")
    with pytest.raises(FormatError, match="is no saved analysis"):
        load_analysis(tmp_path / "a.json")
    with pytest.raises(FormatError, match="can't be read"):
        load_analysis(tmp_path / "none.json")
    (tmp_path / "b.json").write_text("[]")
    with pytest.raises(FormatError, match=r"b.json: not a saved analysis"):
        load_analysis(tmp_path / "b.json")


def test_a_file_too_large_is_not_even_read(tmp_path):
    with (tmp_path / "big.json").open("wb") as file:
        file.truncate(2**29)
    with pytest.raises(FormatError, match="too large"):
        load_analysis(tmp_path / "big.json")


def test_the_report_of_a_saved_analysis_is_that_of_the_analysis(demo_analysis):
    text = report(demo_analysis)
    assert report(from_json(to_json(demo_analysis))) == text
    assert max(len(line) for line in text.splitlines()) <= 80
