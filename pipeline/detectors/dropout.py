"""Samples that never arrived: how many of how many, how often, how long."""

import numpy as np

from pipeline.detectors.evidence import Conversion, Evidence
from pipeline.detectors.findings import Detected, Finding, Measure, Severity, Spans
from pipeline.detectors.tracks import Settings

MAX_LISTED = 200
"""Gaps listed one by one; the rest is counted in the summary."""


def detect(evidence: Evidence, settings: Settings) -> Detected:
    """Measure loss with its denominator (RFC 3550, 6.4.4: "1 out of 5 is not 200 out of 1000") and gaps."""
    recording, conversion = evidence.recording, evidence.conversion
    lost = lost_samples(evidence)
    fraction = lost.n_samples / recording.n_rows if recording.n_rows else None
    lengths_s = (lost.stop - lost.start) / recording.sample_hz
    longest_s = max([float(lengths_s.max(initial=0.0)), *_pauses_s(evidence, lost)])
    damaged = conversion.damaged_bytes / conversion.total_bytes if conversion.total_bytes else None
    measures = (
        Measure("lost_fraction", fraction, "1", None, "" if fraction is not None else "no sample arrived"),
        Measure("longest_gap_s", longest_s, "s"),
        Measure("damaged_fraction", damaged, "1", None, "" if damaged is not None else "the dump is empty"),
    )
    findings = []
    if lost.n_samples:
        severity: Severity = "warning" if longest_s >= settings["dropout.note_gap_s"] else "note"
        text = (
            f"{lost.n_samples} of {recording.n_rows} samples are missing, in {len(lost)} gaps"
            + (
                f" ({conversion.n_lost_frames} of {conversion.n_expected_frames} frames)"
                if conversion.n_lost_frames
                else ""
            )
            + (
                f", beside {_in_all(conversion)} in which the device recorded nothing"
                if conversion.breaks
                else ""
            )
            + ": shorten the way between strap and receiver, or check the card, if this grows."
        )
        findings.append(_finding(0.0, recording.duration_s, severity, "lost_fraction", fraction, "1", text))
    long = np.flatnonzero(lengths_s >= settings["dropout.note_gap_s"])
    for k in long[:MAX_LISTED].tolist():
        start_s, stop_s = evidence.at_s(int(lost.start[k])), evidence.at_s(int(lost.stop[k]))
        text = f"Nothing arrived for {lengths_s[k]:.1f} s: out of the receiver's reach, or damaged frames."
        findings.append(_finding(start_s, stop_s, "fault", "longest_gap_s", float(lengths_s[k]), "s", text))
    for row, reason in conversion.restarts:
        at_s = evidence.at_s(row)
        text = f"The device began anew ({reason}); how long nothing was recorded cannot be known."
        findings.append(_finding(at_s, at_s, "warning", "longest_gap_s", None, "s", text))
    for row, gap_s in conversion.breaks[:MAX_LISTED]:
        at_s = evidence.at_s(row)
        text = (
            f"The device recorded nothing for {gap_s:.1f} s: its ticks went on, its frame counter did not. "
            "This pause is not among the samples of which lost_fraction is a share; find out what halted the "
            "device."
        )
        findings.append(_finding(max(at_s - gap_s, 0.0), at_s, "fault", "longest_gap_s", gap_s, "s", text))
    return Detected(tuple(findings), measures, {"lost": lost})


def _pauses_s(evidence: Evidence, lost: Spans) -> list[float]:
    """How long nothing was recorded at each pause, with the samples lost directly before and after it."""
    rows = np.array([row for row, _ in evidence.conversion.breaks], dtype=np.int64)
    pauses_s = np.array([gap_s for _, gap_s in evidence.conversion.breaks])
    for ends in (lost.stop, lost.start):
        beside = np.searchsorted(ends, rows)
        found = np.flatnonzero(np.isin(rows, ends))
        span = beside[found]
        pauses_s[found] += (lost.stop[span] - lost.start[span]) / evidence.recording.sample_hz
    return [float(pause_s) for pause_s in pauses_s]


def _in_all(conversion: Conversion) -> str:
    n, total_s = len(conversion.breaks), sum(gap_s for _, gap_s in conversion.breaks)
    return f"{n} pause{'s' if n > 1 else ''} of {total_s:.1f} s in all"


def lost_samples(evidence: Evidence) -> Spans:
    """Rows in which no channel has a value."""
    first = evidence.recording.channels[0].name
    pieces = []
    for block in evidence.recording.blocks([first]):
        missing = np.isnan(block.columns[first])
        if missing.any():
            pieces.append(Spans.of_mask(missing, block.start))
    return Spans.merged(*pieces)


def _finding(
    start_s: float, stop_s: float, severity: Severity, measure: str, value: float | None, unit: str, text: str
) -> Finding:
    return Finding("dropout", None, start_s, stop_s, severity, measure, value, None, unit, text)
