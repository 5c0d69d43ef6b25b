"""Frames that came twice or late: dropped or put in order, counted, never used twice."""

from pipeline.detectors.evidence import Evidence
from pipeline.detectors.findings import Detected, Finding
from pipeline.detectors.tracks import Settings


def detect(evidence: Evidence, settings: Settings) -> Detected:
    """Note repeated and late frames; they are repaired, so they never count against a session."""
    conversion = evidence.conversion
    counted = (
        (
            conversion.n_duplicate_frames,
            "duplicate_frames",
            "came more than once; the first intact copy was used",
        ),
        (conversion.n_late_frames, "late_frames", "came after a later one; they were put in order"),
    )
    findings = tuple(
        Finding(
            "duplicate",
            None,
            0.0,
            evidence.recording.duration_s,
            "note",
            measure,
            float(count),
            None,
            "1",
            f"{count} of {conversion.n_frames} frames {what}.",
        )
        for count, measure, what in counted
        if count
    )
    return Detected(findings)
