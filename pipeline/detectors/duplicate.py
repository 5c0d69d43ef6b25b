"""Frames that came twice or late: dropped or put in order, counted, never used twice."""

from collections.abc import Sequence

from pipeline.detectors.evidence import Evidence
from pipeline.detectors.findings import Detected, Finding
from pipeline.detectors.tracks import Settings


def detect(recordings: Sequence[Evidence], settings: Settings) -> Detected:
    """Note repeated and late frames; they are repaired, so they never count against a session."""
    counted = [evidence.conversion for evidence in recordings if not evidence.conversion.shares_frames]
    n_frames = sum(conversion.n_frames for conversion in counted)
    told = (
        (
            sum(conversion.n_duplicate_frames for conversion in counted),
            "duplicate_frames",
            "came more than once; the first intact copy was used",
        ),
        (
            sum(conversion.n_late_frames for conversion in counted),
            "late_frames",
            "came after a later one; they were put in order",
        ),
    )
    findings = tuple(
        Finding(
            "duplicate",
            None,
            *recordings[0].recording.ends_s,
            "note",
            measure,
            float(count),
            None,
            "1",
            f"{count} of {n_frames} frames {what}.",
        )
        for count, measure, what in told
        if count
    )
    return Detected(findings)
