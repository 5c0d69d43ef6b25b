"""Rows that were not measured: filled with a constant, held, sent again, or sampled too slowly.

Their counters go on, so that none of them counts as lost.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.detectors.evidence import Evidence
from pipeline.detectors.findings import Detected, Finding, Measure, Severity, Spans, listed
from pipeline.detectors.held_rows import Stretch, is_slow_throughout, spans_of
from pipeline.detectors.repeats import Repeats
from pipeline.detectors.tracks import Settings

BY_CHANCE = 3.0
"""Repeats count as held from so many times what chance gives."""

_BRIDGED = (
    "Every channel repeats the row before {n} times in a row, which chance does not do: a writer bridges "
    "what it has not got, or the device stood still; take these rows as lost."
)
_AT_A_BEAT = (
    "For {n} rows all channels change at a beat of several rows alone: they were sampled more slowly than "
    "the rows say, and repeated; look for what slowed the sensor down."
)
_SENT_AGAIN = (
    "{n} rows repeat a frame before them in every channel: it was sent again with a counter of its own; look "
    "at how the device queues its frames."
)


def detect(evidence: Evidence, settings: Settings) -> Detected:
    """Look for rows that repeat others in every channel at once, and for slow sampling.

    What was filled, held for long, or sent again is marked as stuck: it repeats what was there before. Single
    rows held here and there are values that were measured, a step late: a warning, no mark.
    """
    repeats, held = evidence.tracks.repeats, evidence.tracks.held
    marked, stretches = held.together(repeats), spans_of(held.stretches)
    elsewhere, throughout = _elsewhere(repeats, marked), is_slow_throughout(repeats)
    findings = (
        *_about_filled(evidence, repeats, settings),
        *_about_each(evidence, _apart(held.gaps, Spans.merged(repeats.filled.spans, held.rows)), _BRIDGED),
        *_about_stretches(evidence, held.stretches, settings),
        *_about_each(evidence, _apart(held.beats, stretches), _AT_A_BEAT),
        *_about_each(evidence, _apart(repeats.echoes, held.rows), _SENT_AGAIN),
        *(() if throughout else _about_holding(evidence, elsewhere, settings)),
        *_about_slow(evidence, held.slow),
    )
    return Detected(findings, tuple(_measures(evidence, elsewhere)), {"stuck": marked})


@dataclass(frozen=True)
class _Elsewhere:
    """Share of the rows that repeat the one before where nothing is marked, and what chance makes of it."""

    held: float
    by_chance: float
    n_pairs: int


def _elsewhere(repeats: Repeats, marked: Spans) -> _Elsewhere | None:
    """By the seconds that hold nothing marked; None where there are none."""
    touched = Spans.merged(Spans(marked.start // repeats.n_window, (marked.stop - 1) // repeats.n_window + 1))
    free = ~touched.mask(0, len(repeats.row_pairs))
    n = int(repeats.row_pairs[free].sum())
    if not n:
        return None
    n_held = n - int(repeats.row_changes[free].sum())
    return _Elsewhere(n_held / n, float(repeats.by_chance[free].sum()) / n, n)


def _measures(evidence: Evidence, elsewhere: _Elsewhere | None) -> Iterator[Measure]:
    recording, repeats = evidence.recording, evidence.tracks.repeats
    if not repeats.channels:
        return
    names = None if evidence.main is None else ", ".join(channel.name for channel in repeats.channels)
    if elsewhere is None:
        yield Measure("held_fraction", None, "1", names, "no second without what is marked arrived whole")
    else:
        yield Measure("held_fraction", elsewhere.held, "1", names, out_of=elsewhere.n_pairs)
    filled = int(repeats.filled.n.sum()) / recording.n_rows if recording.n_rows else None
    absent = "" if filled is not None else "no sample arrived"
    yield Measure("filled_fraction", filled, "1", names, absent, recording.n_rows)


def _about_filled(evidence: Evidence, repeats: Repeats, settings: Settings) -> Iterator[Finding]:
    """Rows that hold a constant: how many in all, and the long ones."""
    filled = repeats.filled
    if not len(filled):
        return
    lengths_s = (filled.stop - filled.start) / evidence.recording.sample_hz
    n, longest_s = int(filled.n.sum()), float(lengths_s.max())
    share = n / max(evidence.recording.n_rows, 1)
    text = (
        f"{n} of {evidence.recording.n_rows} rows hold one constant in every channel, in {len(filled)} "
        f"stretches, {longest_s:.3g} s at most: a writer fills with it what it has not got: they are lost."
    )
    severity: Severity = "warning" if longest_s >= settings["dropout.note_gap_s"] else "note"
    yield _finding(
        evidence, (0, evidence.recording.n_rows), severity, "filled_fraction", share, None, "1", text
    )
    limit = settings["dropout.note_gap_s"]

    def said(start: int, stop: int) -> Finding:
        lasts_s = (stop - start) / evidence.recording.sample_hz
        text = (
            f"One constant stands in every channel for {lasts_s:.1f} s: nothing arrived, and a writer "
            "filled it; have it leave gaps, and look at the link."
        )
        return _finding(evidence, (start, stop), "fault", "longest_gap_s", lasts_s, limit, "s", text)

    yield from listed(filled.spans.where(lengths_s >= limit), said)


def _about_each(evidence: Evidence, spans: Spans, text: str) -> tuple[Finding, ...]:
    """A fault for each of the spans; `text` has a place for the number of its rows."""

    def said(start: int, stop: int) -> Finding:
        n = stop - start
        lasts_s = evidence.lasting_s(n)
        return _finding(evidence, (start, stop), "fault", "held_s", lasts_s, None, "s", text.format(n=n))

    return listed(spans, said)


def _about_stretches(
    evidence: Evidence, stretches: Sequence[Stretch], settings: Settings
) -> tuple[Finding, ...]:
    limit, share_of = settings["dropout.held_share"], {one.start: one.share for one in stretches}

    def said(start: int, stop: int) -> Finding:
        share = share_of[start]
        text = (
            f"{100 * share:.0f} % of {stop - start} rows are held: every channel repeats the row "
            "before, more often than channels do by themselves; look for what held the sensor up."
        )
        return _finding(evidence, (start, stop), "fault", "held_fraction", share, limit, "1", text)

    return listed(spans_of(stretches), said)


def _about_holding(evidence: Evidence, elsewhere: _Elsewhere | None, settings: Settings) -> Iterator[Finding]:
    """Single rows held here and there, which no mark tells of."""
    limit = settings["dropout.held_fraction"]
    if elsewhere is not None and elsewhere.held > max(limit, BY_CHANCE * elsewhere.by_chance):
        found, chance = 100 * elsewhere.held, 100 * elsewhere.by_chance
        text = (
            f"Sample-and-hold: {found:.1f} % of the rows repeat the row before in every channel; chance "
            f"makes {chance:.2g} %: sensor and rows do not keep step, and single samples come a row late; "
            "sample by one clock, or take the sensor's own rate."
        )
        whole = 0, evidence.recording.n_rows
        yield _finding(evidence, whole, "warning", "held_fraction", elsewhere.held, limit, "1", text)


def _about_slow(evidence: Evidence, slow: Mapping[str, float]) -> Iterator[Finding]:
    """Channels, or all of them, whose values stand several times each throughout."""
    sample_hz = evidence.recording.sample_hz
    shown = {name: f"{factor:.3g}" for name, factor in slow.items()}
    for text_of in sorted(set(shown.values()), key=float):
        names = ", ".join(name for name in slow if shown[name] == text_of)
        factor = float(np.median([slow[name] for name in slow if shown[name] == text_of]))
        hz = sample_hz / factor
        text = (
            f"{names}: a value stands for {factor:.3g} of the rows, which come at {sample_hz:.4g} Hz: it was "
            f"sampled at {hz:.4g} Hz and repeated; give the layout that rate."
        )
        whole = 0, evidence.recording.n_rows
        yield _finding(evidence, whole, "warning", "sampled_hz", hz, sample_hz, "Hz", text)


def _apart(spans: Spans, told: Spans) -> Spans:
    """Those of `spans` of which most is not told already."""
    return spans.where(2 * told.n_within(spans) < spans.stop - spans.start)


def _finding(
    evidence: Evidence,
    rows: tuple[int, int],
    severity: Severity,
    measure: str,
    value: float,
    limit: float | None,
    unit: str,
    text: str,
) -> Finding:
    edges_s = evidence.at_s(rows[0]), evidence.recording.until_s(rows[1])
    return Finding("dropout", None, *edges_s, severity, measure, value, limit, unit, text)
