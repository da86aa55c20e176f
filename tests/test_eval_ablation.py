"""What is taken out is missed where it alone tells the truth, and hints are counted right: on made evidence."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from made_activations import NO_HARMONY, heard, song, values_of
from typer.testing import CliRunner

from eval.cli import app
from eval.decoder import ablation, hinted
from eval.decoder.ablation import ALL, Score, ablation_table, scores
from eval.decoder.evidence import Evidence, answer_of
from eval.decoder.hinted import hint_table
from eval.records import Reference, Track
from pulsefind.beats.counting import CountPriors
from pulsefind.beats.decode import decode
from pulsefind.core.records import Activations, Settings

SILENCE_S = 0.75


def made(name, kind="real", struck_between=False):
    """Evidence of a made song that starts after some silence, with a pickup of two beats."""
    truth = song((2, 1, 110), (4, 12, 110))
    truth = replace(truth, count=(truth.count + np.where(np.arange(len(truth.count)) < 2, 2, 0)))
    told = heard(truth)
    values = told.values
    if struck_between:
        middle_s = truth.time_s + np.median(np.diff(truth.time_s)) / 2
        values = values_of(middle_s, np.full(len(middle_s), 2), truth.time_s[-1] + 1.0)
    found = Activations(values, told.downbeat_log_odds, told.phase_log_odds, told.frame_rate_hz)
    reference = Reference(truth.time_s + SILENCE_S, truth.count)
    track = Track(name, name, Path(name), float(truth.time_s[-1]) + SILENCE_S, reference, kind)
    return Evidence(track, found, told.phase_log_odds, np.zeros(len(values)), NO_HARMONY, SILENCE_S)


@pytest.fixture
def listened(monkeypatch):
    """Let the tools find these pieces of evidence by the tracks' names."""
    pieces: dict = {}
    for module in (ablation, hinted):
        monkeypatch.setattr(module, "evidence", lambda track: pieces[track.name])

    def put(*found):
        pieces.update({piece.track.name: piece for piece in found})
        return [piece.track for piece in found]

    return put


def test_each_kind_is_missed_where_it_alone_tells(listened):
    tracks = listened(made("plain"), made("between", struck_between=True))
    by_track = {track.name: {s.without: s.values for s in scores([track])} for track in tracks}
    for name, values in by_track.items():
        assert values[ALL]["downbeat_f_70"] > 0.9, name
        assert values[ALL]["beat_f_70"] > 0.9, name
    assert by_track["plain"]["the network's downbeats"]["downbeat_f_70"] < 0.5
    assert by_track["plain"]["the better half"]["downbeat_f_70"] > 0.9
    assert by_track["between"]["the better half"]["beat_f_70"] < 0.1
    assert by_track["between"]["the half by the whole"]["beat_f_70"] < 0.1
    assert by_track["between"]["the half by the bass"]["beat_f_70"] > 0.9


def test_each_variant_decodes_under_its_own_priors(listened, monkeypatch):
    seen = []

    def watched(heard, harmony, settings, priors):
        seen.append(priors)
        return decode(heard, harmony, settings, priors)

    monkeypatch.setattr(ablation, "decode", watched)
    list(scores(listened(made("a"))))
    usual = CountPriors()
    even, none_thrown_in = (priors for priors in seen if priors != usual)
    assert (even.change, even.thrown_in) == (usual.change, usual.thrown_in)
    assert even.meter == pytest.approx(dict.fromkeys((2, 3, 4, 5, 6, 7), 1 / 6))
    assert none_thrown_in == CountPriors(thrown_in=0.0)


def test_the_table_has_means_and_differences_counted_by_hand():
    def score(kind, without, beat, one):
        return Score(kind, without, {"beat_f_70": beat, "cmlt": 0.5, "downbeat_f_70": one})

    found = [
        *(score("real", ALL, beat, one) for beat, one in ((1.0, 0.8), (0.5, None))),
        *(score("real", "x", beat, one) for beat, one in ((0.9, 0.9), (0.5, None))),
        score("rendered", ALL, 0.2, None),
        score("rendered", "x", 0.3, None),
    ]
    lines = ablation_table(found).splitlines()
    assert lines[0].startswith("| without | real (2): beat F | real (2): CMLt | real (2): downbeat F | rendered (1): ")
    assert lines[2] == "| nothing: all of it | 75.0 | 50.0 | 80.0 | 20.0 | 50.0 | - |"
    assert lines[3] == "| x | -5.0 | +0.0 | +10.0 | +10.0 | +0.0 | - |"


def test_hints_are_counted(listened):
    tracks = listened(made("a"), made("b", struck_between=True))
    rows = list(hinted.hinted(tracks, seed=3))
    assert [row.set_name for row in rows] == ["a", "b"]
    for row in rows:
        assert min(row.beat_f, row.downbeat_f) > 0.9
        assert row.wrong_obeyed
        assert row.wrong_disputed
    assert rows == list(hinted.hinted(reversed(tracks), seed=3))[::-1]
    assert "| a | " in hint_table(rows)
    assert "| 1 of 1 | 1 of 1 |" in hint_table(rows)


def test_a_hint_that_is_not_obeyed_is_counted_so(listened, monkeypatch):
    tracks = listened(made("a"))
    monkeypatch.setattr(hinted, "decode", lambda heard, harmony, _: decode(heard, harmony, Settings()))
    (row,) = hinted.hinted(tracks, seed=3)
    assert not row.wrong_obeyed
    assert not row.wrong_disputed


def test_tracks_without_bars_are_left_out(listened):
    piece = made("a")
    reference = replace(piece.track.reference, count=None)
    assert list(hinted.hinted([replace(piece.track, reference=reference)], seed=1)) == []


def test_times_are_those_of_the_recording():
    piece = made("a")
    pulse = decode(piece.heard, piece.harmony, Settings())
    assert answer_of(pulse, 0.75).beat_s == pytest.approx(pulse.time_s + 0.75)


def test_a_missing_set_is_one_line(tmp_path):
    for command in ("ablate", "hint"):
        run = CliRunner().invoke(app, [command, "band", "--root", str(tmp_path)])
        assert run.exit_code != 0
        assert "no such folder" in str(run.exception)
