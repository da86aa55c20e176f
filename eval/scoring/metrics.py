"""Scores of beats, downbeats, meter and tempo against an annotation.

The standard measures come from mir_eval (Raffel et al. 2014), which follows Davies, Degara and Plumbley,
"Evaluation methods for musical audio beat tracking algorithms" (2009). What mir_eval doesn't have is defined
here.
"""

from __future__ import annotations

import warnings

import mir_eval
import numpy as np

from eval.records import Answer, FloatArray, IntArray, Reference

CONVENTION_TRIM_S = 5.0
START_S = 5.0
WINDOWS_S = {"70": 0.07, "40": 0.04, "20": 0.02}
MATCH_S = 0.07

# A reading counts as what a tracker did only if it holds for at least half of the beats.
KIND_MIN = 0.5
ONE_MIN = 0.5

# Gouyon et al. 2006: accuracy 1 within 4 % of the tempo, accuracy 2 also of a half, double, third or triple.
TEMPO_TOLERANCE = 0.04
TEMPO_FACTORS = (1.0, 2.0, 0.5, 3.0, 1.0 / 3.0)

EMPTY = np.zeros(0)


def beat_scores(reference_s: FloatArray, estimated_s: FloatArray) -> dict[str, float | None]:
    """Return the standard measures, 0..1 each except information_gain, which is in 0..1 of its maximum.

    Empty estimates score 0; an empty reference makes every measure None.
    """
    if not len(reference_s):
        return dict.fromkeys(_BEAT_NAMES)
    with warnings.catch_warnings():
        # mir_eval warns about empty or single beats, for which it returns 0.
        warnings.simplefilter("ignore")
        scores: dict[str, float | None] = {
            f"beat_f_{name}": float(mir_eval.beat.f_measure(reference_s, estimated_s, window))
            for name, window in WINDOWS_S.items()
        }
        continuity = mir_eval.beat.continuity(reference_s, estimated_s)
        scores |= dict(zip(("cmlc", "cmlt", "amlc", "amlt"), map(float, continuity), strict=True))
        cemgil, cemgil_best = mir_eval.beat.cemgil(reference_s, estimated_s)
        scores |= {
            "cemgil": float(cemgil),
            "cemgil_best": float(cemgil_best),
            "goto": float(mir_eval.beat.goto(reference_s, estimated_s)),
            "p_score": _p_score(reference_s, estimated_s),
            "information_gain": float(mir_eval.beat.information_gain(reference_s, estimated_s)),
        }
    return scores


_BEAT_NAMES = (
    *(f"beat_f_{name}" for name in WINDOWS_S),
    *("cmlc", "cmlt", "amlc", "amlt", "cemgil", "cemgil_best", "goto", "p_score", "information_gain"),
)


def _p_score(reference_s: FloatArray, estimated_s: FloatArray) -> float | None:
    """P-score (McKinney et al. 2007); None where the reference has a single beat and so no tempo."""
    if len(reference_s) < 2:
        return None
    return float(mir_eval.beat.p_score(reference_s, estimated_s))


def downbeat_scores(reference_s: FloatArray, estimated_s: FloatArray | None) -> dict[str, float | None]:
    """Return F and continuity of the 1s; None each where the set or the system knows no bars."""
    names = (*(f"downbeat_f_{name}" for name in WINDOWS_S), "downbeat_cmlt", "downbeat_amlt")
    if not len(reference_s) or estimated_s is None:
        return dict.fromkeys(names)
    scores = beat_scores(reference_s, estimated_s)
    return {name: scores[name.removeprefix("downbeat_") if "ml" in name else name[4:]] for name in names}


def trimmed(time_s: FloatArray) -> FloatArray:
    """Return the times from 5 s on, as the convention has it."""
    return np.asarray(mir_eval.beat.trim_beats(time_s, CONVENTION_TRIM_S), dtype=np.float64)


def matched_pairs(reference_s: FloatArray, estimated_s: FloatArray, window_s: float) -> list[tuple[int, int]]:
    """Return the largest one-to-one matching of times within the window, as pairs of indices."""
    if not len(reference_s) or not len(estimated_s):
        return []
    return sorted((int(r), int(e)) for r, e in mir_eval.util.match_events(reference_s, estimated_s, window_s))


def start_f(reference_s: FloatArray, estimated_s: FloatArray) -> float | None:
    """Return F within 70 ms over the first 5 s; None where nothing is annotated there.

    Beats are matched over the whole track first, so that a pair that straddles the 5 s line counts as a pair.
    """
    pairs = matched_pairs(reference_s, estimated_s, MATCH_S)
    n_reference = int((reference_s < START_S).sum())
    n_estimated = int((estimated_s < START_S).sum())
    if not n_reference:
        return None
    if not n_estimated:
        return 0.0
    recall = sum(reference_s[r] < START_S for r, _ in pairs) / n_reference
    precision = sum(estimated_s[e] < START_S for _, e in pairs) / n_estimated
    return float(2 * precision * recall / (precision + recall)) if precision + recall else 0.0


def beat_errors(reference_s: FloatArray, estimated_s: FloatArray) -> dict[str, float | None]:
    """Return the median signed (late is positive) and absolute distance of matched beats, in ms."""
    pairs = matched_pairs(reference_s, estimated_s, MATCH_S)
    if not pairs:
        return {"signed_error_ms": None, "absolute_error_ms": None}
    error_ms = 1000 * np.array([estimated_s[e] - reference_s[r] for r, e in pairs])
    return {
        "signed_error_ms": float(np.median(error_ms)),
        "absolute_error_ms": float(np.median(np.abs(error_ms))),
    }


def _readings(reference_s: FloatArray) -> dict[str, FloatArray]:
    """Return the annotated beats as they would be heard in each of the usual wrong ways."""
    middle_s = (reference_s[:-1] + reference_s[1:]) / 2
    third_s = np.diff(reference_s) / 3
    return {
        "right": reference_s,
        "double": np.sort(np.r_[reference_s, middle_s]),
        "half": reference_s[::2],
        "half, on the even beats": reference_s[1::2],
        "off-beat": middle_s,
        "triple": np.sort(np.r_[reference_s, reference_s[:-1] + third_s, reference_s[:-1] + 2 * third_s]),
        "third": reference_s[::3],
    }


def beat_kind(reference_s: FloatArray, estimated_s: FloatArray) -> str:
    """Name the reading of the annotated beats that the estimate follows for most of the track.

    Each reading is scored by CMLt; the best names the kind if it holds for at least half of the beats,
    otherwise the kind is "unclear" ("none" when nothing was answered).
    """
    if not len(estimated_s):
        return "none"
    if len(reference_s) < 4:
        return "unclear"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        held = {
            name: float(mir_eval.beat.continuity(times, estimated_s)[1])
            for name, times in _readings(reference_s).items()
            if len(times) > 1
        }
    best = max(held, key=lambda name: held[name])
    return best if held[best] >= KIND_MIN else "unclear"


def meter(count: IntArray) -> int | None:
    """Return the most frequent number of beats from a 1 to the next; None with fewer than two 1s."""
    ones = np.flatnonzero(count == 1)
    if len(ones) < 2:
        return None
    lengths, times = np.unique(np.diff(ones), return_counts=True)
    return int(lengths[np.argmax(times)])


def one_kind(reference: Reference, answer: Answer) -> str:
    """Name where the 1 was put: "right", "shifted by k", "wrong meter", "unclear" or "unknown".

    Only beats that match an annotated beat within 70 ms vote. The shift is how many beats after the true 1
    the stated 1 stands; it names the kind when at least half of the matched beats agree.
    """
    if reference.count is None or answer.count is None or not len(answer.beat_s):
        return "unknown"
    true_meter, stated_meter = meter(reference.count), meter(answer.count)
    if true_meter is None:
        return "unknown"
    if stated_meter != true_meter:
        return "wrong meter"
    pairs = matched_pairs(reference.beat_s, answer.beat_s, MATCH_S)
    shifts = [int(reference.count[r] - answer.count[e]) % true_meter for r, e in pairs]
    if not shifts:
        return "unclear"
    votes = np.bincount(shifts, minlength=true_meter) / len(shifts)
    best = int(np.argmax(votes))
    if votes[best] < ONE_MIN:
        return "unclear"
    return "right" if best == 0 else f"shifted by {best}"


def tempo_bpm(beat_s: FloatArray) -> float | None:
    """Return the tempo of the median beat interval; None with fewer than two beats."""
    return float(60 / np.median(np.diff(beat_s))) if len(beat_s) > 1 else None


def tempo_scores(reference_s: FloatArray, estimated_s: FloatArray) -> dict[str, float | None]:
    """Return tempo accuracy 1 and 2 (Gouyon et al. 2006), 0 or 1 each."""
    true_bpm, stated_bpm = tempo_bpm(reference_s), tempo_bpm(estimated_s)
    if true_bpm is None:
        return {"tempo_1": None, "tempo_2": None}
    if stated_bpm is None:
        return {"tempo_1": 0.0, "tempo_2": 0.0}
    near = [abs(stated_bpm / (true_bpm * factor) - 1) <= TEMPO_TOLERANCE for factor in TEMPO_FACTORS]
    return {"tempo_1": float(near[0]), "tempo_2": float(any(near))}


def meter_score(reference: Reference, answer: Answer) -> float | None:
    """Return 1 when the usual bar length is the annotated one, 0 when not, None where bars are unknown."""
    if reference.count is None or answer.count is None:
        return None
    true_meter = meter(reference.count)
    return None if true_meter is None else float(meter(answer.count) == true_meter)


def ones(beat_s: FloatArray, count: IntArray | None) -> FloatArray:
    """Return the times of the 1s; empty where bars are unknown."""
    return EMPTY if count is None else beat_s[count == 1]


def track_scores(reference: Reference, answer: Answer) -> dict[str, float | None]:
    """Return every measure of one answer by name; those with the prefix trimmed_ leave out the first 5 s."""
    true_ones_s = ones(reference.beat_s, reference.count)
    stated_ones_s = None if answer.count is None else ones(answer.beat_s, answer.count)
    scores = beat_scores(reference.beat_s, answer.beat_s) | downbeat_scores(true_ones_s, stated_ones_s)
    later = beat_scores(trimmed(reference.beat_s), trimmed(answer.beat_s)) | downbeat_scores(
        trimmed(true_ones_s), None if stated_ones_s is None else trimmed(stated_ones_s)
    )
    scores |= {f"trimmed_{name}": value for name, value in later.items()}
    scores["start_f"] = start_f(reference.beat_s, answer.beat_s)
    scores["meter"] = meter_score(reference, answer)
    scores |= tempo_scores(reference.beat_s, answer.beat_s)
    scores |= beat_errors(reference.beat_s, answer.beat_s)
    return scores
