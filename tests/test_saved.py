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
