"""Damaged files and odd hints: a seeded thousand; `python -m eval.fuzz` runs as many as you like."""

import json
import sys
from pathlib import Path

import numpy as np

from eval import fuzz
from eval.fuzz import Bench, damaged, damaged_text, damaged_tree, run, run_case, summary
from pulsefind import cli


def test_a_thousand_damaged_files_and_odd_hints_are_answered_or_refused_in_one_line():
    outcomes = run(seed=7, count=1000)
    assert len(outcomes) == 1000
    assert not any(one.fault for one in outcomes), summary(outcomes)
    # The cases reach the readers: enough of them are answered, and enough refused.
    assert sum(one.verdict == fuzz.ANSWERED for one in outcomes) > 150
    assert sum(one.verdict == fuzz.REFUSED for one in outcomes) > 300


def test_damage_follows_from_the_seed():
    data = b'{"a": [1, 2, 3], "b": "text"}'
    for damage in (damaged, damaged_text, damaged_tree):
        once, again = (damage(data, np.random.default_rng(3), data) for _ in range(2))
        assert once == again
    assert len({damaged(data, np.random.default_rng(k), data) for k in range(20)}) > 10


def test_damages_one_after_the_other_leave_the_stock_of_values_as_it_was():
    before = json.dumps(fuzz._VALUES)
    data = json.dumps({"a": [[1, [2]], {"b": [3]}], "c": [[], [[4]]]}).encode()
    for seed in range(2000):
        damaged_tree(data, np.random.default_rng(seed), data)
    assert json.dumps(fuzz._VALUES) == before


def outcome_of(monkeypatch, tmp_path, act):
    monkeypatch.setattr(fuzz, "CASES", ((1.0, lambda bench, rng, place: ["find", str(place / "out.json")]),))
    monkeypatch.setattr(cli, "main", act)
    return run_case(Bench({}, tmp_path), 1, 1)


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

    told = "pulsefind: no"
    assert outcome_of(monkeypatch, tmp_path, crash).fault.startswith("ZeroDivisionError")
    assert outcome_of(monkeypatch, tmp_path, refuse(told, told)).fault == "not one line"
    assert outcome_of(monkeypatch, tmp_path, refuse()).fault == "not one line"
    assert outcome_of(monkeypatch, tmp_path, refuse(told, out=True)).fault == "output of a refused run"
    assert outcome_of(monkeypatch, tmp_path, leave).fault == "temporary file left behind"
    assert outcome_of(monkeypatch, tmp_path, lambda: sys.exit(1)).fault == "exit code 1"
    assert outcome_of(monkeypatch, tmp_path, refuse(told)).verdict == fuzz.REFUSED
    assert outcome_of(monkeypatch, tmp_path, lambda: None).verdict == fuzz.ANSWERED


def test_a_process_that_dies_costs_only_its_case(monkeypatch, tmp_path):
    monkeypatch.setattr(sys, "executable", "/bin/false")
    (outcome,) = fuzz._batch(tmp_path, 1, 5, 8)
    assert (outcome.number, outcome.verdict) == (5, fuzz.FAULT)
    assert "died" in outcome.fault
