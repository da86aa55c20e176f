"""Damaged files and odd hints: a seeded thousand; `python -m eval fuzz` runs as many as you like."""

import importlib
import json
import os
import signal
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pytest

from eval.robustness import cases as fuzz_cases
from eval.robustness import fuzz
from eval.robustness.apart import answers
from eval.robustness.cases import (
    ANSWERED,
    FAULT,
    REFUSED,
    Bench,
    Outcome,
    damaged,
    damaged_text,
    damaged_tree,
    run_case,
)
from eval.robustness.fuzz import apart, run, summary
from pulsefind.cli import app as cli


def test_a_thousand_damaged_files_and_odd_hints_are_answered_or_refused_in_one_line():
    outcomes = run(seed=7, count=1000)
    assert len(outcomes) == 1000
    assert not any(one.fault for one in outcomes), summary(outcomes)
    # The cases reach the readers: enough of them are answered, and enough refused.
    assert sum(one.verdict == ANSWERED for one in outcomes) > 150
    assert sum(one.verdict == REFUSED for one in outcomes) > 300
    # And what lies behind the readers: histories are read, takes laid on their tracks, guides heard, pages made.
    for what, least in LEAST_REACHED.items():
        assert sum(what in one.reached for one in outcomes) >= least, f"{what}\n{summary(outcomes)}"


LEAST_REACHED = {
    "reads a history": 14,
    "lays a take on its track": 24,
    "brings a guide forward": 2,
    "makes a page": 12,
    "makes a sheet": 22,
    "renders clicks": 60,
}
"""Of a thousand cases: about half of what seed 7 reaches."""


def test_every_place_to_be_reached_is_there_and_is_counted(monkeypatch):
    """A function that went by another name would count nothing for ever."""
    assert set(LEAST_REACHED) == set(fuzz_cases.REACHES)
    for what, (module, name) in fuzz_cases.REACHES.items():
        place = importlib.import_module(module)
        monkeypatch.setattr(place, name, lambda: None)
        with fuzz_cases.reaching() as reached:
            getattr(place, name)()
        assert reached == {what}


def test_damage_follows_from_the_seed():
    data = b'{"a": [1, 2, 3], "b": "text"}'
    for damage in (damaged, damaged_text, damaged_tree):
        once, again = (damage(data, np.random.default_rng(3), data) for _ in range(2))
        assert once == again
    assert len({damaged(data, np.random.default_rng(k), data) for k in range(20)}) > 10


def test_damages_one_after_the_other_leave_the_stock_of_values_as_it_was():
    before = json.dumps(fuzz_cases._VALUES)
    data = json.dumps({"a": [[1, [2]], {"b": [3]}], "c": [[], [[4]]]}).encode()
    for seed in range(2000):
        damaged_tree(data, np.random.default_rng(seed), data)
    assert json.dumps(fuzz_cases._VALUES) == before


def use(monkeypatch, act):
    """Let every case be `find out.json` in its folder, and `act` what that does."""
    monkeypatch.setattr(fuzz_cases, "CASES", ((1.0, lambda bench, rng, place: ["find", str(place / "out.json")]),))
    monkeypatch.setattr(cli, "main", act)


def test_the_judge_knows_each_kind_of_fault(monkeypatch, tmp_path):
    """The check itself must be able to fail."""

    def crash():
        raise ZeroDivisionError

    def refuse(*lines, out=False):
        def act():
            for line in lines:
                print(line, file=sys.stderr)
            if out:
                Path(sys.argv[2]).write_text("half")
            sys.exit(2)

        return act

    def leave():
        Path(sys.argv[2]).with_name(".pulsefind-x.part").write_text("half")

    def leave_elsewhere():
        os.close(tempfile.mkstemp()[0])

    def outcome_of(act):
        use(monkeypatch, act)
        place = tmp_path / str(len(list(tmp_path.iterdir())))
        place.mkdir()
        return run_case(Bench({}, tmp_path), 1, 1, place)

    told = "pulsefind: no"
    assert outcome_of(crash).fault.startswith("traceback: ZeroDivisionError")
    assert outcome_of(lambda: np.zeros(2**58)).fault.startswith("memory: ")
    assert outcome_of(refuse(told, told)).fault == "messages: not one line"
    assert outcome_of(refuse()).fault == "messages: not one line"
    assert outcome_of(refuse(told, out=True)).fault == "left over: output of a refused run"
    assert outcome_of(leave).fault == "left over: a temporary file"
    assert outcome_of(leave_elsewhere).fault == "left over: a temporary file"
    assert outcome_of(lambda: sys.exit(1)).fault == "exit code 1"
    assert outcome_of(refuse(told)).verdict == REFUSED
    good = outcome_of(lambda: None)
    assert (good.verdict, good.ended) == (ANSWERED, "exit code 0")


@pytest.mark.skipif(sys.platform != "linux", reason="copies of a process")
def test_a_case_that_hangs_or_dies_costs_only_itself(monkeypatch, tmp_path):
    monkeypatch.setattr(fuzz, "LIMIT_S", 0.5)
    bench = Bench({}, tmp_path)
    use(monkeypatch, lambda: time.sleep(100))
    outcome = apart(bench, 1, 5)
    assert (outcome.number, outcome.verdict, outcome.fault) == (5, FAULT, "hang")
    assert 0.5 <= outcome.took_s < 10
    use(monkeypatch, lambda: os.kill(os.getpid(), signal.SIGKILL))
    assert apart(bench, 1, 6).fault == "died: exit code -9"
    use(monkeypatch, lambda: None)
    good = apart(bench, 1, 7)
    assert (good.verdict, good.fault) == (ANSWERED, "")
    assert good.peak_mib > 1


@pytest.mark.skipif(sys.platform != "linux", reason="copies of a process")
def test_a_worker_that_can_not_start_is_told(monkeypatch, tmp_path):
    monkeypatch.setattr(sys, "executable", "/bin/false")
    with pytest.raises(RuntimeError, match="no case can be run"):
        next(answers("eval.robustness.fuzz", [str(tmp_path), "1"], range(5, 6), 1))


def test_what_led_to_a_fault_is_kept(monkeypatch, tmp_path):
    seeds = tmp_path / "seeds"
    seeds.mkdir()
    (seeds / "beats.txt").write_text("0.5 1\n")

    def make(bench, rng, place):
        return ["find", str(fuzz_cases._put(bench, rng, place, ["beats.txt"], damaged))]

    monkeypatch.setattr(fuzz_cases, "CASES", ((1.0, make),))
    fuzz._keep(tmp_path / "kept", seeds, 3, Outcome(4, "find", FAULT, "hang", "no end"))
    kept = tmp_path / "kept" / "seed 3 case 4"
    assert sorted(path.name for path in kept.iterdir()) == ["case.txt", "in-beats.txt"]
    command, _, fault, details = (kept / "case.txt").read_text().splitlines()
    assert command == f"pulsefind find '{kept / 'in-beats.txt'}'"
    assert (fault, details) == ("hang", "no end")


def test_the_summary_counts_each_kind():
    told = summary(
        [
            Outcome(1, "find", ANSWERED, ended="exit code 0", took_s=2.0, peak_mib=300.0),
            Outcome(2, "click", FAULT, "traceback: E in a", "", "traceback", 1.0, 400.0),
            Outcome(3, "click", FAULT, "traceback: E in b", "", "traceback", 1.0, 100.0),
            Outcome(4, "?", FAULT, "hang", "", "hang", 60.0, 100.0),
        ]
    ).splitlines()
    assert told[0] == "4 cases: 1 answered, 3 fault"
    assert told[1] == "ended by: 1 exit code 0, 1 hang, 2 traceback"
    assert told[2] == "longest 60.0 s (case 4: ?)"
    assert told[3] == "largest 400 MiB (case 2: click)"
    assert told[4].startswith("reached: 0 reads a history, 0 lays a take")
    assert told[5].startswith("faults: 2 traceback, 1 hang, 0 memory, 0 died")
    assert told[6] == "     1  traceback: E in a  (case 2: click)"
