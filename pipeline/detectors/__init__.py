"""A recording to findings: one file for each detector, all with the same signature.

To add one, write ``detect(evidence, settings) -> Detected`` in a file of its own and name it here.
"""

from collections.abc import Callable
from dataclasses import replace

from pipeline.detectors import (
    activity_mismatch,
    clock,
    contact_loss,
    dropout,
    duplicate,
    gravity,
    low_coupling,
    mains,
    noise_floor,
    saturation,
    stuck,
    uncorroborated,
)
from pipeline.detectors.evidence import Conversion, Evidence
from pipeline.detectors.findings import Detected, Finding, Measure, Spans
from pipeline.detectors.tracks import Settings, measure_tracks

Detector = Callable[[Evidence, Settings], Detected]

DETECTORS: tuple[Detector, ...] = (
    dropout.detect,
    saturation.detect,
    mains.detect,
    contact_loss.detect,
    stuck.detect,
    low_coupling.detect,
    uncorroborated.detect,
    clock.detect,
    gravity.detect,
    noise_floor.detect,
    activity_mismatch.detect,
    duplicate.detect,
)

SHARED = {"settling": "settling_fraction", "contact_loss": "contact_loss_fraction"}
"""Conditions that several detectors or channels mark, and the measure of their share of the samples."""


def run_detectors(evidence: Evidence, settings: Settings) -> Detected:
    """Everything that all detectors found; marks of one condition from several detectors are united."""
    united = Detected.united(detect(evidence, settings) for detect in DETECTORS)
    n_rows = evidence.recording.n_rows
    marks = {name: spans.clipped(0, n_rows) for name, spans in united.marks.items()}
    if "settling" in marks:
        # While the electrode is off there is nothing to settle: that time counts as lost contact.
        marks["settling"] = marks["settling"].without(marks.get("contact_loss", Spans()))
    shares = tuple(_share(name, measure, marks, n_rows) for name, measure in SHARED.items() if name in marks)
    return replace(united, marks=marks, measures=(*united.measures, *shares))


def _share(condition: str, measure: str, marks: dict[str, Spans], n_rows: int) -> Measure:
    """Share of the samples that arrived which carry a condition, whichever detectors gave it."""
    lost = marks.get("lost", Spans())
    n_present = n_rows - lost.n_samples
    if not n_present:
        return Measure(measure, None, "1", None, "no sample arrived")
    return Measure(measure, marks[condition].without(lost).n_samples / n_present, "1")


__all__ = [
    "DETECTORS",
    "Conversion",
    "Detected",
    "Evidence",
    "Finding",
    "Measure",
    "Settings",
    "Spans",
    "measure_tracks",
    "run_detectors",
]
