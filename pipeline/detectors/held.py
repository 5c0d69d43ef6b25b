"""Rows that were not measured: filled with a constant, held, sent again, or sampled too slowly.

Their counters go on, so that none of them counts as lost.
"""

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from pipeline.detectors.evidence import Evidence
from pipeline.detectors.findings import Detected, Finding, Measure, Severity, Spans
from pipeline.detectors.held_rows import Stretch, bridged, held_stretches
from pipeline.detectors.repeats import Repeats
from pipeline.detectors.slow import slow_channels
from pipeline.detectors.tracks import Settings

MAX_LISTED = 200

BY_CHANCE = 3.0
"""Repeats count as held from so many times what chance gives."""


def detect(evidence: Evidence, settings: Settings) -> Detected:
    """Look for rows that repeat others in every channel at once, and for slow sampling.

    What was filled, held for long, or sent again is marked as stuck: it repeats what was there before. Single
    rows held here and there are values that were measured, a step late: a warning, no mark.
    """
    repeats, recording = evidence.tracks.repeats, evidence.recording
    slow = slow_channels(repeats)
    # A device that is slow throughout gives what it measured, under a wrong rate.
    through = len(slow) == len(repeats.channels) and len(set(slow.values())) == 1
    stretches = () if through else held_stretches(recording, repeats, settings)
    gaps = bridged(repeats)
    held = Spans.merged(*(Spans(np.array([one.start]), np.array([one.stop])) for one in stretches))
    marked = Spans.merged(repeats.filled.spans, gaps, held, repeats.echoes)
    n_told = sum(one.n_held for one in stretches) + gaps.n_samples
    share = (repeats.n_held - n_told) / int(repeats.row_pairs.sum()) if repeats.row_pairs.any() else None
    findings = (
        *_about_filled(evidence, repeats, settings),
        *_about_bridged(evidence, gaps.without(Spans.merged(repeats.filled.spans, held))),
        *_about_stretches(evidence, stretches, settings),
        *_about_echoes(evidence, repeats.echoes.without(held)),
        *_about_holding(evidence, repeats, share if not through else None, settings),
        *_about_slow(evidence, slow),
    )
    return Detected(findings, tuple(_measures(evidence, share)), {"stuck": marked})


def _measures(evidence: Evidence, share: float | None) -> Iterator[Measure]:
    recording, repeats = evidence.recording, evidence.tracks.repeats
    if not repeats.channels:
        return
    names = None if evidence.main is None else ", ".join(channel.name for channel in repeats.channels)
    absent = "no row arrived whole" if share is None else ""
    yield Measure("held_fraction", share, "1", names, absent)
    filled = int(repeats.filled.n.sum()) / recording.n_rows if recording.n_rows else None
    yield Measure("filled_fraction", filled, "1", names, "" if filled is not None else "no sample arrived")


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
    long = np.flatnonzero(lengths_s >= settings["dropout.note_gap_s"])[:MAX_LISTED]
    for k in long.tolist():
        rows = int(filled.start[k]), int(filled.stop[k])
        text = (
            f"One constant stands in every channel for {lengths_s[k]:.1f} s: nothing arrived, and was filled."
        )
        limit = settings["dropout.note_gap_s"]
        yield _finding(evidence, rows, "fault", "longest_gap_s", float(lengths_s[k]), limit, "s", text)


def _about_bridged(evidence: Evidence, gaps: Spans) -> Iterator[Finding]:
    for start, stop in _first(gaps):
        n = stop - start
        text = (
            f"Every channel repeats the row before {n} times in a row, which chance does not do: a writer "
            "bridges what it has not got, or the device stood still; take these rows as lost."
        )
        yield _finding(evidence, (start, stop), "fault", "held_s", evidence.lasting_s(n), None, "s", text)


def _about_stretches(
    evidence: Evidence, stretches: Sequence[Stretch], settings: Settings
) -> Iterator[Finding]:
    for one in stretches[:MAX_LISTED]:
        text = (
            f"{one.n_held} of {one.stop - one.start} rows repeat the row before in every channel: the device "
            "was sampled more slowly than its rows say; look for what held it up."
        )
        limit = settings["dropout.held_share"]
        yield _finding(evidence, (one.start, one.stop), "fault", "held_fraction", one.share, limit, "1", text)


def _about_echoes(evidence: Evidence, echoes: Spans) -> Iterator[Finding]:
    for start, stop in _first(echoes):
        text = (
            f"{stop - start} rows repeat a frame before them in every channel: it was sent again with a "
            "counter of its own; look at how the device queues its frames."
        )
        lasts_s = evidence.lasting_s(stop - start)
        yield _finding(evidence, (start, stop), "fault", "held_s", lasts_s, None, "s", text)


def _about_holding(
    evidence: Evidence, repeats: Repeats, share: float | None, settings: Settings
) -> Iterator[Finding]:
    """Single rows held here and there, which no mark tells of."""
    chance = float(repeats.by_chance.sum()) / max(int(repeats.row_pairs.sum()), 1)
    limit = settings["dropout.held_fraction"]
    if share is not None and share > limit and share > BY_CHANCE * chance:
        text = (
            f"Sample-and-hold: {100 * share:.1f} % of the rows repeat the row before in every channel, where "
            f"chance makes {100 * chance:.2g} %: sensor and rows do not keep step, and single samples come a "
            "row late."
        )
        whole = 0, evidence.recording.n_rows
        yield _finding(evidence, whole, "warning", "held_fraction", share, limit, "1", text)


def _about_slow(evidence: Evidence, slow: Mapping[str, float]) -> Iterator[Finding]:
    """Channels, or all of them, whose values stand several times each throughout."""
    sample_hz = evidence.recording.sample_hz
    for factor in sorted(set(slow.values())):
        names = ", ".join(name for name in slow if slow[name] == factor)
        hz = sample_hz / factor
        text = (
            f"{names}: a value stands for {factor:.3g} of the rows, which come at {sample_hz:.4g} Hz: it was "
            f"sampled at {hz:.4g} Hz and repeated; give the layout that rate."
        )
        whole = 0, evidence.recording.n_rows
        yield _finding(evidence, whole, "warning", "sampled_hz", hz, sample_hz, "Hz", text)


def _first(spans: Spans) -> Iterator[tuple[int, int]]:
    """The spans that are listed one by one."""
    yield from zip(spans.start[:MAX_LISTED].tolist(), spans.stop[:MAX_LISTED].tolist(), strict=True)


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
