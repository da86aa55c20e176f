"""What the page reads of a saved review, and what it refuses."""

import json
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from pagemaking import song

from eval.take.simulation import Player, simulate_take
from pulsefind.core.errors import FormatError
from pulsefind.page.take_view import read_take_review
from pulsefind.take.history import append_take, entry_of
from pulsefind.take.review import review_take
from pulsefind.take.to_json import review_to_json


@pytest.fixture(scope="module")
def analysis():
    return song(bpm=150.0)


@pytest.fixture(scope="module")
def review(analysis):
    take = simulate_take(analysis, Player(mean_ms=9.0), np.random.default_rng(0))
    return review_take(analysis, take.hits, Path("take.mid"), Path("song.wav"), starts_at_s=0.0)


@pytest.fixture
def saved(tmp_path, review):
    path = tmp_path / "review.json"
    path.write_text(review_to_json(review), encoding="utf-8")
    return path


def test_the_numbers_of_the_review_reach_the_page(saved, analysis, review):
    take = read_take_review(saved, analysis)
    assert take["whole"]["n"] == review.timing.whole.n == len(take["hits"]["nominal_s"])
    assert take["whole"]["offset_ms"] == pytest.approx(review.timing.whole.offset_ms, abs=1e-5)
    assert np.allclose(take["hits"]["offset_ms"], review.strokes.played.offset_ms, atol=0.051)
    assert [place["place"] for place in take["places"]] == [place.place for place in review.timing.places]
    assert sum(sum(place["histogram"]) for place in take["places"]) == review.timing.whole.n
    assert take["history"] == [] and take["options"] == [["--take", str(saved)]]
    json.dumps(take, allow_nan=False)


def test_takes_of_the_same_track_come_from_the_history(saved, analysis, review, tmp_path):
    from dataclasses import replace

    history = tmp_path / "takes.jsonl"
    entry = entry_of(review, datetime(2030, 5, 1, tzinfo=UTC))
    for kept in (entry, replace(entry, track_sha256="f" * 64), replace(entry, spread_ms=3.5)):
        append_take(history, kept)
    take = read_take_review(saved, analysis, history)
    assert [found["spread_ms"] for found in take["history"]] == [entry.spread_ms, 3.5]
    assert take["options"][1] == ["--history", str(history)]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"program": "another"}, "not a review"),
        ({"schema": 99}, "schema 99"),
        ({"track_sha256": "f" * 64}, "another track"),
        ({"verdict": "can't tell"}, "could not place"),
        ({"places": None}, "lacks"),
        ({"played": {}}, "lacks"),
        # No number that a browser reads: the page would stay empty.
        ({"noticeable_ms": float("nan")}, "a number of the review is none"),
        ({"histogram_edges_ms": [0.0, float("inf")]}, "a number of the review is none"),
    ],
)
def test_what_is_no_review_of_this_track_is_refused_with_one_line(saved, analysis, change, said):
    saved.write_text(json.dumps({**json.loads(saved.read_text()), **change}))
    with pytest.raises(FormatError, match=said) as error:
        read_take_review(saved, analysis)
    assert "\n" not in str(error.value) and str(saved) in str(error.value)


@pytest.mark.parametrize("text", ["", "[]", "{", '"take"'])
def test_other_files_are_refused(saved, analysis, text):
    saved.write_text(text)
    with pytest.raises(FormatError, match="review"):
        read_take_review(saved, analysis)
