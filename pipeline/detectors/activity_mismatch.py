"""Entries of the activity log that the recording cannot bear out."""

from collections.abc import Sequence

from pipeline.detectors.evidence import Evidence
from pipeline.detectors.findings import Detected, Finding
from pipeline.detectors.tracks import Settings


def detect(recordings: Sequence[Evidence], settings: Settings) -> Detected:
    """Warn of activities that lie outside the recording; the log is never edited."""
    duration_s = recordings[0].recording.duration_s
    findings = tuple(
        Finding(
            "activity_mismatch",
            None,
            entry.start_s,
            entry.stop_s,
            "warning",
            "outside_s",
            entry.stop_s - max(duration_s, entry.start_s),
            duration_s,
            "s",
            f"The log has '{entry.activity}' until {entry.stop_s:g} s, the recording ends at "
            f"{duration_s:.1f} s: correct activities.csv, or look for a missing part of the dump.",
        )
        for entry in recordings[0].activities
        if entry.stop_s > duration_s + 1.0
    )
    return Detected(findings)
