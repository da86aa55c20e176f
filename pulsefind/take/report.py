"""The take review for the terminal: 80 columns, readable without colour, no grades."""

from __future__ import annotations

import numpy as np

from pulsefind.core.words import INDENT, WIDTH, bars_text, field
from pulsefind.take.records import Correction, Drift, PlaceSummary, Review, Summary

_MOST_CANDIDATES = 8  # judged: as many as one looks through
_MOST_PLACES, _MOST_SECTIONS, _MOST_CORRECTIONS = 16, 10, 4  # judged: the whole report fits on two screens
_BETWEEN_DRUMS_MS = 19.0
"""Between kick, snare and hi-hat, drummers notice 19 to 24 ms (from memory)."""


def unplaced_report(review: Review) -> str:
    """Say of a take that can't be laid on its track why, and which starts are possible. Ends with a newline."""
    return joined([title(review), "", *_unplaced(review)])


def tables(review: Review) -> str:
    """Every figure, place by place. Ends with a newline."""
    parts = [
        _whole,
        _meaning,
        _sections,
        _alone,
        _corrections,
        _gains,
        _swing,
        _places,
        _notes,
        _next,
    ]
    return joined([line for part in parts for line in part(review)])


def joined(lines: list[str]) -> str:
    """Lines as one text, nothing trailing. Ends with a newline."""
    return "\n".join(line.rstrip() for line in lines) + "\n"


def lean(offset_ms: float, noticeable_ms: float, known: bool) -> str:
    """The trade's words: 'on top, 9 ms early', 'behind, 12 ms late', 'on the beat'.

    A lean that nobody would notice is none. Where the overall offset isn't known, only how far it is from the player's
    usual one with a guide.
    """
    if not known:
        if not round(offset_ms):
            return "as usual"
        return f"{abs(offset_ms):.0f} ms {'earlier' if offset_ms < 0 else 'later'} than usual"
    if abs(offset_ms) < noticeable_ms:
        return f"on the beat ({_signed(offset_ms)} ms)"
    if offset_ms < 0:
        return f"on top, {-offset_ms:.0f} ms early"
    return f"behind, {offset_ms:.0f} ms late"


def _signed(value: float) -> str:
    """'+3', '-3', and plain '0'."""
    return f"{round(value):+d}" if round(value) else "0"


def _cut(text: str) -> str:
    shown = "".join(c if c.isprintable() else "?" for c in text)
    return shown if len(shown) <= WIDTH else shown[: WIDTH - 3] + "..."


def _seconds(time_s: float) -> str:
    hundredths = round(abs(time_s) * 100)
    return f"{hundredths // 6000}:{hundredths // 100 % 60:02d}.{hundredths % 100:02d}"


def _unplaced(review: Review) -> list[str]:
    alignment = review.alignment
    if not alignment.candidates:
        return field("Start", f"can't tell: {alignment.reason}. If you know it: --starts-at SECONDS")
    lines = field("Start", f"can't tell: {alignment.reason}. Choose one and run again with it:")
    for candidate in alignment.candidates[:_MOST_CANDIDATES]:
        text = (
            f"--starts-at={candidate.starts_at_s:.3f}   first hit in {bars_text(candidate.first_bar)}, "
            f"{max(1, min(99, round(100 * candidate.probability)))} % likely"
        )
        lines += field("", text)
    hidden = len(alignment.candidates) - _MOST_CANDIDATES
    if hidden > 0:
        lines += field("", f"and {hidden} more: --json lists them; the track repeats itself too evenly to tell")
    return [*lines, *_notes(review)]


def title(review: Review) -> str:
    """Which take on which track, in one line."""
    return _cut(f"{review.subject.recording} on {review.subject.track}")


def doubt_lines(review: Review) -> list[str]:
    """What speaks against the counts, and the command that reviews the take with the other reading."""
    doubt = review.advice.grid_doubt
    if doubt is None:
        return []
    why = f"{doubt.why}. What follows rests on the counts as they are; under the other reading:"
    return [*field("Counts", why), f"{'':{INDENT}}{doubt.command}", ""]


def start_lines(review: Review) -> list[str]:
    """Where on the track the recording starts, and how that is known."""
    alignment = review.alignment
    if alignment.starts_at_s <= -0.005:
        start = f"{-alignment.starts_at_s:.2f} s before the track"
    else:
        start = f"at {_seconds(alignment.starts_at_s)} of the track"
    text = f"the recording starts {start} ({alignment.reason})"
    if abs(alignment.clock_ppm) >= 20:
        way = "fast" if alignment.clock_ppm > 0 else "slow"
        text += f"; its clock runs {abs(alignment.clock_ppm):.0f} millionths {way}, corrected"
    lines = field("Start", text)
    if alignment.method == "leak" and alignment.latency_ms is not None:
        lines += field("", f"latency of the recording chain {alignment.latency_ms:.0f} ms, not part of the offsets")
    elif review.latency_given_ms is not None:
        lines += field("", f"latency of {review.latency_given_ms:.0f} ms taken off, as given")
    return lines


def _whole(review: Review) -> list[str]:
    n = review.timing.whole.n
    strays = {reason: sum(s.reason == reason for s in review.strokes.strays) for reason in ("extra", "flam", "outside")}
    text = f"{n} on places, {len(review.strokes.missed)} of your own pattern missed, {strays['extra']} on no place"
    if strays["flam"]:
        text += f", grace notes: {strays['flam']}"
    ghosts = int(np.sum(review.strokes.played.ghost))
    if ghosts:
        text += f", ghost notes: {ghosts}"
    lines = field("Hits", text)
    if review.alignment.offset_known:
        lines += field("Whole", f"{_told(review, review.timing.whole)}")
    else:
        lines += field("Whole", f"spread {review.timing.whole.spread_ms:.0f} ms; early or late overall can't be told")
    for kind, found in review.timing.kinds.items():
        lines += field("", f"{kind:<7} {_told(review, found)}, {found.n} {'hit' if found.n == 1 else 'hits'}")
    return lines


def _told(review: Review, found: Summary) -> str:
    told = lean(found.offset_ms, review.timing.noticeable_ms, review.alignment.offset_known)
    return f"{told}, spread {found.spread_ms:.0f} ms"


def _meaning(review: Review) -> list[str]:
    just = review.timing.noticeable_ms
    text = (
        f"at your spacing of notes listeners just notice a shift of {just:.0f} ms (6 ms for fast notes, else 2.5 %: "
        f"Friberg and Sundberg 1995); your spread is {review.timing.whole.spread_ms / just:.1f} times that"
    )
    lines = field("Meaning", text)
    drums = {
        k: v.offset_ms for k, v in review.timing.kinds.items() if v.n >= 8 and k in ("kick", "snare", "hat", "cymbal")
    }
    if len(drums) > 1:
        early, late = min(drums, key=lambda k: drums[k]), max(drums, key=lambda k: drums[k])
        apart = drums[late] - drums[early]
        word = "which drummers may notice" if apart >= _BETWEEN_DRUMS_MS else "less than drummers notice"
        lines += field("", f"{early} and {late} lie {apart:.0f} ms apart, {word} (19 to 24 ms)")
    if review.alignment.offset_known and drums:
        lines += field(
            "",
            "for comparison, professionals with a click: hi-hat about 2 ms, snare and kick about 10 ms early "
            "(Fujii et al. 2011)",
        )
    return [*lines, ""]


def _sections(review: Review) -> list[str]:
    if len(review.timing.sections) < 2:
        return []
    lines = []
    for index, section in enumerate(review.timing.sections[:_MOST_SECTIONS]):
        bars = bars_text(section.first_bar, section.last_bar)
        told = _told(review, section.offsets) if section.offsets.n else "nothing played"
        lines += field("Sections" if index == 0 else "", f"{bars:<17}{section.name:<17}{told}")
    if len(review.timing.sections) > _MOST_SECTIONS:
        lines += field("", _unshown(len(review.timing.sections) - _MOST_SECTIONS, "more"))
    return [*lines, ""]


def _alone(review: Review) -> list[str]:
    lines = []
    for index, drift in enumerate(review.movement.drifts):
        lines += field("Alone" if index == 0 else "", _drift_text(drift))
    return lines


def _drift_text(drift: Drift) -> str:
    way = "faster" if drift.ms_per_bar < 0 else "slower"
    bars = bars_text(drift.first_bar, drift.last_bar)
    text = f"{bars}: {drift.player_bpm:.1f} bpm on the track's {drift.track_bpm:.1f}"
    if abs(drift.ms_per_bar) < 2 * drift.error_ms:
        text += ", held within what can be measured"
    else:
        text += f", {abs(drift.ms_per_bar):.0f} ms a bar {way} (give or take {drift.error_ms:.0f})"
    place = "ahead" if drift.end_offset_ms < 0 else "behind"
    text += f"; at its end {abs(drift.end_offset_ms):.0f} ms {place}"
    if drift.back_after_bars is None:
        return f"{text}, and not back by the end of the take"
    bars = "bar" if drift.back_after_bars == 1 else "bars"
    return f"{text}, back after {drift.back_after_bars} {bars}"


def _corrections(review: Review) -> list[str]:
    lines = []
    for index, correction in enumerate(review.movement.corrections[:_MOST_CORRECTIONS]):
        lines += field("Back" if index == 0 else "", _correction_text(correction))
        lines += _stretched(correction)
    if len(review.movement.corrections) > _MOST_CORRECTIONS:
        lines += field("", _unshown(len(review.movement.corrections) - _MOST_CORRECTIONS, "more"))
    return [*lines, ""] if lines or review.movement.drifts else []


def _correction_text(correction: Correction) -> str:
    share = correction.spread_share
    how = "evenly" if share >= 0.75 else "in one jump" if share < 0.25 else "over part of the notes"
    bars = "bar" if correction.bars == 1 else "bars"
    cause = "after the stretch alone" if correction.cause == "alone" else "after a slip"
    return (
        f"{bars_text(correction.first_bar)}, {cause}: {abs(correction.size_ms):.0f} ms taken back in {correction.bars} "
        f"{bars}, {how} (evenness {share:.2f}; 1 is perfectly even); there the spaces were played "
        f"{abs(100 * correction.stretch - 100):.0f} % {'wider' if correction.stretch > 1 else 'narrower'} than written"
    )


def _stretched(correction: Correction) -> list[str]:
    """The spaces of the correction's bar, in ms: as written, as played, and as an even correction would make them."""
    notes = correction.notes[:8]
    if len(notes) < 2:
        return []
    rows = (
        ("place", [n.place for n in notes]),
        ("written", [f"{n.nominal_ms:.0f}" for n in notes]),
        ("played", [f"{n.played_ms:.0f}" for n in notes]),
        ("even", [f"{n.even_ms:.0f}" for n in notes]),
    )
    return [f"{'':{INDENT}}{name:<9}" + "".join(f"{cell:>7}" for cell in cells) for name, cells in rows]


def _gains(review: Review) -> list[str]:
    gains = review.movement.gains
    if gains is None:
        return []
    step = {0.5: "half beat", 1.0: "beat"}[gains.interval_beats]
    text = (
        f"{100 * gains.phase_gain:.0f} % of an error is gone at the next {step} (give or take "
        f"{100 * gains.phase_error:.0f}; the estimate leans by {_signed(100 * gains.phase_bias)} at this length)"
    )
    if gains.period_gain is not None and gains.period_error is not None:
        text += f"; {100 * gains.period_gain:.0f} % (give or take {100 * gains.period_error:.0f}) goes into the tempo"
    text += (
        f". From {gains.n} notes of the {gains.voice if gains.voice != 'all' else 'whole kit'}: inner clock "
        f"{gains.timekeeper_sd_ms:.0f} ms, hands and feet {gains.motor_sd_ms:.0f} ms"
    )
    return field("Steering", text)


def _swing(review: Review) -> list[str]:
    lines: list[str] = []
    for section in review.movement.swing[:4]:
        if max(section.player_ratio, section.track_ratio) < 1.1:
            continue
        track = "straight" if section.track_ratio == 1.0 else f"{section.track_ratio:.2f} : 1"
        lines += field(
            "" if lines else "Swing",
            f"{bars_text(section.first_bar, section.last_bar)}: you {section.player_ratio:.2f} : 1 (give or take "
            f"{section.error:.2f}), the track {track}",
        )
    return lines


def _places(review: Review) -> list[str]:
    usual = [p for p in review.timing.places if p.offsets.n >= 4]
    if not usual:
        return []
    shown = sorted(usual, key=lambda p: -p.offsets.n)[:_MOST_PLACES]
    shown.sort(key=lambda p: (p.position_beats, p.kind))
    unit = "velocity" if review.subject.level_unit == "velocity" else "level dB"
    lines = ["", f"{'Places':<{INDENT}}place  kind    offset ms  spread ms   hits  {unit}"]
    lines += [f"{'':{INDENT}}{_place_row(p)}" for p in shown]
    if any(p.level is None for p in shown):
        lines += field("", "level -: only heard under the snare, which hides how loud it was")
    if len(review.timing.places) > len(shown):
        lines += field("", _unshown(len(review.timing.places) - len(shown), "rarer"))
    return [*lines, ""]


def _unshown(n: int, what: str) -> str:
    return f"and {n} {what}: --json lists {'it' if n == 1 else 'them'}"


def _place_row(place: PlaceSummary) -> str:
    level = "-" if place.level is None else str(round(place.level))
    # A tenth that rounds to zero has no sign.
    offset_ms = round(place.offsets.offset_ms, 1)
    signed = f"{offset_ms:+.1f}" if offset_ms else "0.0"
    return (
        f"{place.place:<6} {place.kind:<7} {signed:>9} {place.offsets.spread_ms:>10.1f} "
        f"{place.offsets.n:>6}  {level:>8}"
    )


def _notes(review: Review) -> list[str]:
    lines = []
    for note in review.advice.notes:
        lines += field("Note", note)
    return lines


def _next(review: Review) -> list[str]:
    practice = review.advice.practice
    if practice is None:
        return []
    return [
        *field("Next", f"{practice.what}; {practice.why}"),
        f"{'':{INDENT}}{practice.command}",
    ]
