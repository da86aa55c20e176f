"""Statistics, tables, comparisons and the check against the frozen result, on made-up results."""

import copy
import json
import sys

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from eval.cli import main
from eval.scoring.comparing import comparison, falls, frozen, refrozen
from eval.scoring.statistics import Signs, mean_interval, paired_difference, sign_test
from eval.scoring.table import MEASURED, TABLE_ENDS, TABLE_STARTS, table
from pulsefind.core.errors import FormatError


def entry(set_name, name, kind="real", genre=None, **values):
    own = {
        "values": {"beat_f_70": 0.9, "cmlt": 0.8, "downbeat_f_70": 0.7} | values,
        "beat_kind": "right",
        "one_kind": "shifted by 2",
        "guides": None,
        "bpm": 120.0,
        "meter": 4,
        "cost": {"wall_s": 6.0, "cpu_s": 5.0, "peak_mib": 300.0, "at": "2026-01-01", "jobs": 1},
        "error": None,
    }
    other = copy.deepcopy(own)
    other["values"] = {k: None if v is None else v - 0.1 for k, v in own["values"].items()}
    other["cost"] = {"wall_s": 60.0, "cpu_s": 50.0, "peak_mib": 700.0, "at": "2026-01-02", "jobs": 2}
    return {
        "set": set_name, "name": name, "kind": kind, "genre": genre, "drums": None, "duration_s": 30.0,
        "audio_sha256": "", "meter": 4, "bpm": 100.0, "systems": {"pulsefind": own, "madmom": other},
    }  # fmt: skip


def result(*entries):
    return {
        "schema": 1, "measured": "2026-01-01", "commit": "abc", "python": "3.11", "versions": {"numpy": "2"},
        "machine": "a machine", "systems": {"pulsefind": "x", "madmom": "y"}, "tracks": list(entries),
    }  # fmt: skip


def with_values(base, **values):
    changed = copy.deepcopy(base)
    for one in changed["tracks"]:
        one["systems"]["pulsefind"]["values"] |= values
    return changed


# Statistics


def test_the_interval_agrees_with_scipys_bootstrap():
    # scipy.stats.bootstrap, percentile method, is the independent version.
    values = np.random.default_rng(3).beta(5, 2, 40)
    theirs = scipy.stats.bootstrap((values,), np.mean, method="percentile", n_resamples=20_000, random_state=1)
    ours = mean_interval(values)
    assert ours.mean == pytest.approx(values.mean())
    assert ours.low == pytest.approx(theirs.confidence_interval.low, abs=0.005)
    assert ours.high == pytest.approx(theirs.confidence_interval.high, abs=0.005)


def test_the_interval_of_shares_is_near_the_binomials():
    # Normal approximation of a share of one half among 400: 1.96 sqrt(0.25 / 400) = 0.049.
    ours = mean_interval([0.0, 1.0] * 200)
    assert ours.low == pytest.approx(0.451, abs=0.005) and ours.high == pytest.approx(0.549, abs=0.005)


def test_the_interval_is_the_same_every_time_and_empty_has_none():
    assert mean_interval([0.1, 0.5, 0.9]) == mean_interval([0.1, 0.5, 0.9])
    assert mean_interval([]) is None
    alone = mean_interval([0.4])
    assert (alone.mean, alone.low, alone.high) == (0.4, 0.4, 0.4)


def test_differences_are_taken_track_by_track():
    assert paired_difference([1.0, None, 0.5], [0.5, 0.2, None]).mean == pytest.approx(0.5)
    assert paired_difference([None], [0.2]) is None


def test_sign_test_against_the_binomial():
    # Five of five: 2 / 2^5. Four of five: 2 (1 + 5) / 2^5.
    assert sign_test([1, 1, 1, 1, 1, 0]) == Signs(5, 0, 1, pytest.approx(2 / 32))
    assert sign_test([1, 1, -1, 1, 1]).p == pytest.approx(12 / 32)
    assert sign_test([0.0, 0.0]) == Signs(0, 0, 2, 1.0)


# The table


def test_real_and_rendered_sets_stand_apart():
    text = table(result(entry("band", "a"), entry("made", "b", kind="rendered")))
    real, rendered = text.index("## Real recordings"), text.index("## Rendered from MIDI")
    assert real < text.index("### band (1 tracks)") < rendered < text.index("### made (1 tracks)")
    assert "| band (1) | pulsefind | 90.0 |" in text


def test_the_first_system_is_compared_with_the_others():
    text = table(result(entry("band", "a"), entry("band", "b", cmlt=0.6)))
    row = next(line for line in text.splitlines() if line.startswith("| beat CMLt |"))
    assert row == "| beat CMLt | 70.0 [60.0, 80.0] | 60.0 [50.0, 70.0] | +10.0 [+10.0, +10.0] |"


def test_figures_that_do_not_apply_leave_no_row():
    lines = table(result(entry("band", "a", downbeat_f_70=None))).splitlines()
    assert any(line.startswith("| beat F, 70 ms |") for line in lines)
    assert not any(line.startswith("| downbeat F") for line in lines)


def test_the_worst_tracks_come_first_with_what_went_wrong():
    entries = [entry("band", f"song{k:02}", cmlt=k / 20) for k in range(15)]
    rows = [line for line in table(result(*entries)).splitlines() if line.startswith("| band: song")]
    assert [row.split("|")[1].strip() for row in rows] == [f"band: song{k:02}" for k in range(10)]
    assert "beat right, the 1 shifted by 2 | 100.0 bpm in 4 | 120.0 bpm in 4" in rows[0]


def test_genres_are_broken_down_where_known():
    text = table(result(entry("band", "a", genre="ska"), entry("band", "b", genre="tango")))
    assert "| ska (1) | 90.0 | 80.0 | 70.0 |" in text and "| tango (1) |" in text


def test_cost_is_per_minute_of_audio_and_stands_in_the_last_section():
    text = table(result(entry("band", "a"), entry("band", "b")))
    assert "| band | pulsefind | 12.00 | 10.00 | 300 |" in text.split(MEASURED)[1]
    assert "answers given from 2026-01-01 to 2026-01-02, tracks at once: 1, 2" in text.split(MEASURED)[1]
    assert "| band | madmom | 120.00 | 100.00 | 700 |" in text.split(MEASURED)[1]


def test_the_table_goes_into_the_marked_part_of_a_document(tmp_path, monkeypatch, capsys):
    document, kept = tmp_path / "page.md", tmp_path / "result.json"
    kept.write_text(json.dumps(result(entry("band", "a"))))
    document.write_text(f"before\n{TABLE_STARTS}\nold\n{TABLE_ENDS}\nafter\n")
    for _ in range(2):
        assert run_main(monkeypatch, "show", kept, "--into", document) == 0
        text = document.read_text()
        assert text.startswith(f"before\n{TABLE_STARTS}\n") and text.endswith(f"{TABLE_ENDS}\nafter\n")
        assert "old" not in text and text.count("\n### Real recordings\n") == 1
    document.write_text("no marks")
    assert run_main(monkeypatch, "show", kept, "--into", document) == 2
    assert "lacks the lines that mark the table" in capsys.readouterr().err


# Comparisons


def test_a_comparison_shows_each_track_that_moved():
    before = result(entry("band", "a"), entry("band", "b"), entry("band", "gone"))
    after = result(entry("band", "a", cmlt=0.5), entry("band", "b"), entry("band", "new"))
    text = comparison(before, after, "pulsefind")
    assert "| band | beat CMLt | 80.0 | 65.0 | -15.0 [-30.0, +0.0] | 0 | 1 | 1 | 1.000 |" in text
    assert "| band: a | beat CMLt | 80.0 | 50.0 | -30.0 |" in text
    assert "2 tracks compared, 2 only in one of the results, 1 figures changed." in text


def test_results_that_share_nothing_cannot_be_compared():
    with pytest.raises(FormatError, match="share no track"):
        comparison(result(entry("band", "a")), result(entry("band", "b")), "pulsefind")
    with pytest.raises(FormatError, match="no track of the result was answered by librosa"):
        comparison(result(entry("band", "a")), result(entry("band", "a")), "librosa")


def test_noise_is_what_variants_move_and_at_least_half_a_point():
    base = result(entry("band", "a"), entry("band", "b"))
    kept = frozen([base, with_values(base, cmlt=0.77), with_values(base, cmlt=0.81)], "pulsefind")
    assert kept["sets"]["band"]["figures"]["cmlt"] == {"mean": 0.8, "noise": 0.03}
    assert kept["sets"]["band"]["figures"]["beat_f_70"] == {"mean": 0.9, "noise": 0.005}
    assert (kept["sets"]["band"]["tracks"], kept["sets"]["band"]["variants"]) == (2, 2)


def test_freezing_a_set_keeps_the_others():
    one, two = result(entry("band", "a")), result(entry("other", "b"))
    known = refrozen(frozen([one], "pulsefind"), [two], "pulsefind")
    assert list(known["sets"]) == ["band", "other"]
    assert list(refrozen(known, [one], "madmom")["sets"]) == ["band"]


@pytest.mark.parametrize(("cmlt", "n_falls"), [(0.8, 0), (0.78, 0), (0.76, 1), (0.9, 0)])
def test_a_fall_beyond_the_noise_is_found(cmlt, n_falls):
    base = result(entry("band", "a"))
    kept = frozen([base, with_values(base, cmlt=0.77)], "pulsefind")
    found, checked = falls(with_values(base, cmlt=cmlt), kept)
    assert len(found) == n_falls and checked == ["band"]


@given(
    values=st.lists(st.floats(0, 1), min_size=3, max_size=12), moved=st.lists(st.floats(0, 1), min_size=12, max_size=12)
)
def test_a_variant_is_never_a_fall(values, moved):
    base = result(*(entry("band", f"song{k}", cmlt=value) for k, value in enumerate(values)))
    variant = result(*(entry("band", f"song{k}", cmlt=value) for k, value in enumerate(moved[: len(values)])))
    assert falls(variant, frozen([base, variant], "pulsefind"))[0] == []


def test_means_that_do_not_compare_are_refused():
    base = result(entry("band", "a"), entry("band", "b"))
    kept = frozen([base], "pulsefind")
    with pytest.raises(FormatError, match="1 tracks where the baseline has 2"):
        falls(result(entry("band", "a")), kept)
    with pytest.raises(FormatError, match="none of the baseline's sets"):
        falls(result(entry("other", "a")), kept)
    with pytest.raises(FormatError, match="has no beat CMLt"):
        falls(with_values(base, cmlt=None), kept)
    with pytest.raises(FormatError, match="lacks 'sets'"):
        falls(base, {"system": "pulsefind"})


def run_main(monkeypatch, *arguments):
    monkeypatch.setattr(sys, "argv", ["eval", *map(str, arguments)])
    with pytest.raises(SystemExit) as ended:
        main()
    return ended.value.code


def test_freeze_and_check_on_the_command_line(tmp_path, monkeypatch, capsys):
    base = result(entry("band", "a"))
    good, bad, kept = tmp_path / "good.json", tmp_path / "bad.json", tmp_path / "kept.json"
    good.write_text(json.dumps(base))
    bad.write_text(json.dumps(with_values(base, beat_f_70=0.8)))
    assert run_main(monkeypatch, "freeze", good, "--out", kept) == 0
    assert run_main(monkeypatch, "check", good, "--baseline", kept) == 0
    assert "0 figures fell; sets checked: band" in capsys.readouterr().out
    assert run_main(monkeypatch, "check", bad, "--baseline", kept) == 1
    assert "band: beat F, 70 ms fell from 90.0 to 80.0 (noise 0.5)" in capsys.readouterr().out
    assert run_main(monkeypatch, "compare", good, bad) == 0
    assert "| band: a | beat F, 70 ms | 90.0 | 80.0 | -10.0 |" in capsys.readouterr().out
    assert run_main(monkeypatch, "check", good, "--baseline", tmp_path / "absent.json") == 2
