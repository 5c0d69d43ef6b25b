"""Recordings to findings: one file for each detector.

To add one, write ``detect(evidence, settings) -> Detected`` in a file of its own and name it here: in
``DETECTORS`` where it looks at each of a session's recordings by itself, in ``OF_SESSION`` where it is given
the evidence of all of them together.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from pipeline.detectors import (
    activity_mismatch,
    clock,
    contact_loss,
    dropout,
    duplicate,
    gravity,
    held,
    low_coupling,
    mains,
    noise_floor,
    saturation,
    step_lag,
    stuck,
    uncorroborated,
)
from pipeline.detectors.evidence import Began, Conversion, Evidence, Logged, Paused, Stepped
from pipeline.detectors.findings import Detected, Finding, Measure, Spans
from pipeline.detectors.parts import Part, entries_in, parts_of, united
from pipeline.detectors.together import on_main
from pipeline.detectors.tracks import Settings, measure_tracks
from pipeline.machine import give_back_memory
from pipeline.recording import Recording

Detector = Callable[[Evidence, Settings], Detected]

DETECTORS: tuple[Detector, ...] = (
    dropout.detect,
    held.detect,
    saturation.detect,
    mains.detect,
    contact_loss.detect,
    stuck.detect,
    low_coupling.detect,
    uncorroborated.detect,
    noise_floor.detect,
)

OF_SESSION: tuple[Callable[[Sequence[Evidence], Settings], Detected], ...] = (
    clock.detect,
    step_lag.detect,
    gravity.detect,
    activity_mismatch.detect,
    duplicate.detect,
)

SHARED = {"settling": "settling_fraction", "contact_loss": "contact_loss_fraction"}
"""Conditions that several detectors or channels mark, and the measure of their share of the samples."""


@dataclass(frozen=True)
class Converted:
    """A session as it was converted: its recordings, the main one first, and what was counted of each.

    ``mains_hz`` is the nominal frequency at the site.
    """

    recordings: Sequence[Recording]
    conversions: Sequence[Conversion]
    mains_hz: float
    activities: Sequence[Logged] = ()

    def part(self, part: Part) -> "Converted":
        """A part of it as a session of its own."""
        recordings = [one.part(*rows) for one, rows in zip(self.recordings, part.rows, strict=True)]
        conversions = [
            replace(one.part(*rows), n_rows_of_whole=recording.n_rows)
            for one, rows, recording in zip(self.conversions, part.rows, self.recordings, strict=True)
        ]
        is_first, is_last = part.rows[0][0] == 0, part.rows[0][1] == self.recordings[0].n_rows
        activities = entries_in(self.activities, recordings[0], is_first, is_last)
        return Converted(recordings, conversions, self.mains_hz, activities)


def examine(session: Converted, parts: Sequence[Part], settings: Settings) -> tuple[Detected, ...]:
    """Measure a session and run all detectors on each of its parts: a result for each recording."""
    if len(parts) == 1:
        return _examine(session, settings)
    found = [_examine(session.part(part), settings) for part in parts]
    return united(parts, found, session.recordings, settings)


def _examine(session: Converted, settings: Settings) -> tuple[Detected, ...]:
    recordings = session.recordings
    tracks = measure_tracks(recordings, session.mains_hz, settings)
    evidence = [
        Evidence(
            recording,
            tracks[i],
            session.conversions[i],
            session.mains_hz,
            session.activities,
            recordings[0] if i else None,
            len(recordings) == 1,
        )
        for i, recording in enumerate(recordings)
    ]
    return run_detectors(evidence, settings)


def run_detectors(recordings: Sequence[Evidence], settings: Settings) -> tuple[Detected, ...]:
    """Everything that all detectors found: one result for each recording, marks by its own rows.

    What concerns the session stands with the first, which is the main recording.
    """
    recordings = [evidence.without_filled() for evidence in recordings]
    found = [_of_one(evidence, settings) for evidence in recordings]
    of_session = Detected.united(detect(recordings, settings) for detect in OF_SESSION)
    return (Detected.united((found[0], of_session)), *found[1:])


def _found_by(detect: Detector, evidence: Evidence, settings: Settings) -> Detected:
    """What one detector finds; of a long recording nothing of its work stays in memory."""
    found = detect(evidence, settings)
    give_back_memory(evidence.recording.n_rows)
    return found


def _of_one(evidence: Evidence, settings: Settings) -> Detected:
    """All detectors on one recording; marks of one condition from several detectors are united."""
    united = Detected.united(_found_by(detect, evidence, settings) for detect in DETECTORS)
    n_rows = evidence.recording.n_rows
    marks = {name: spans.clipped(0, n_rows) for name, spans in united.marks.items()}
    if "settling" in marks:
        # While the electrode is off there is nothing to settle: that time counts as lost contact.
        marks["settling"] = marks["settling"].without(marks.get("contact_loss", Spans()))
    fields = ", ".join(evidence.tracks.field)
    only = evidence.main is None
    known = [
        (name, measure)
        for name, measure in SHARED.items()
        if name in marks and (len(marks[name]) or not _is_unknown(measure, united, evidence))
    ]
    shares = (_share(name, measure, marks, n_rows) for name, measure in known)
    named = tuple(share if only else replace(share, channel=fields) for share in shares)
    return replace(united, marks=marks, measures=(*united.measures, *named))


def _is_unknown(measure: str, found: Detected, evidence: Evidence) -> bool:
    """Whether a measure cannot be had of any field channel: a share of 0 of them all would be a guess."""
    absent = {m.channel for m in found.measures if m.name == measure and m.value is None}
    return bool(absent) and absent >= set(evidence.tracks.field)


def _share(condition: str, measure: str, marks: dict[str, Spans], n_rows: int) -> Measure:
    """Share of the samples that arrived which carry a condition, whichever detectors gave it."""
    lost = marks.get("lost", Spans())
    n_present = n_rows - lost.n_samples
    if not n_present:
        return Measure(measure, None, "1", None, "no sample arrived")
    n = marks[condition].without(lost).n_samples
    return Measure(measure, n / n_present, "1", out_of=n_present)


__all__ = [
    "DETECTORS",
    "OF_SESSION",
    "Began",
    "Conversion",
    "Converted",
    "Detected",
    "Evidence",
    "Finding",
    "Measure",
    "Paused",
    "Settings",
    "Spans",
    "Stepped",
    "examine",
    "measure_tracks",
    "on_main",
    "parts_of",
    "run_detectors",
]
