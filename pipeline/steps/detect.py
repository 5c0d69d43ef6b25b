"""Detect: recordings to findings, measures and marks."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.detectors import (
    Began,
    Conversion,
    Converted,
    Detected,
    Finding,
    Measure,
    Paused,
    Spans,
    Stepped,
    examine,
    parts_of,
)
from pipeline.detectors.lines import Line
from pipeline.recording import open_recording
from pipeline.steps.job import Job, Places, read_json, write_json
from pipeline.writing import written_aside


def detect(job: Job) -> str:
    """Run every detector on a session's recordings; return a line for the log."""
    places = job.places
    conversion, validation = read_json(places.conversion), read_json(places.validation)
    for earlier in (conversion, validation):
        if earlier["status"] != "ok":
            write_detected(places, [Detected()], earlier)
            return str(earlier.get("why", earlier["status"]))
    session, settings = job.session, job.policy.settings
    counted = conversion["recordings"]
    recordings = [open_recording(places.recording_of(one["suffix"]), keeps=True) for one in counted]
    conversions = [
        _conversion(one, conversion["damage"], () if i else conversion["nothing_of"])
        for i, one in enumerate(counted)
    ]
    converted = Converted(recordings, conversions, session.mains_hz, session.activities)
    parts = parts_of(recordings, conversions[0])
    detected = examine(converted, parts, settings)
    cuts_s = [recordings[0].at_s(part.rows[0][0]) for part in parts[1:]]
    write_detected(places, detected, {"status": "ok", "cuts_s": cuts_s})
    return f"{sum(len(one.findings) for one in detected)} findings"


def _conversion(
    counted: Mapping[str, Any], damage: Mapping[str, int], nothing_of: Iterable[str]
) -> Conversion:
    facts: dict[str, Any] = {**counted, **damage, "nothing_of": tuple(nothing_of)}
    del facts["suffix"]
    for name, kind in (("restarts", Began), ("breaks", Paused), ("steps", Stepped)):
        facts[name] = tuple(kind(*row) for row in facts[name])
    return Conversion(**facts)


def write_detected(places: Places, detected: Sequence[Detected], outcome: Mapping[str, Any]) -> None:
    """Write findings, measures and lines as JSON, marks as Parquet; one result for each recording."""
    marks = [(i, name, spans) for i, one in enumerate(detected) for name, spans in sorted(one.marks.items())]
    table = pa.table(
        {
            "recording": pa.array([i for i, _, spans in marks for _ in range(len(spans))], pa.int64()),
            "condition": pa.array([name for _, name, spans in marks for _ in range(len(spans))], pa.string()),
            "start": np.concatenate([spans.start for _, _, spans in marks] or [np.empty(0, np.int64)]),
            "stop": np.concatenate([spans.stop for _, _, spans in marks] or [np.empty(0, np.int64)]),
        }
    )
    with written_aside(places.marks) as aside:
        pq.write_table(table, aside)
    recordings = [
        {
            "findings": [asdict(finding) for finding in one.findings],
            "measures": [asdict(measure) for measure in one.measures],
            "lines": [asdict(line) for line in one.lines],
        }
        for one in detected
    ]
    content = {
        "status": outcome["status"],
        "why": outcome.get("why", ""),
        "cuts_s": outcome.get("cuts_s", []),
        "recordings": recordings,
    }
    write_json(places.detected, content)


def read_detected(places: Places) -> tuple[list[Detected], str]:
    """What :func:`write_detected` wrote, and why it is empty where it is."""
    content = read_json(places.detected)
    table = pq.read_table(places.marks)
    recording = table.column("recording").to_numpy()
    conditions = table.column("condition").to_numpy(zero_copy_only=False).astype(str)
    start, stop = table.column("start").to_numpy(), table.column("stop").to_numpy()
    detected = []
    for i, one in enumerate(content["recordings"]):
        marks = {}
        for name in np.unique(conditions[recording == i]):
            here = (recording == i) & (conditions == name)
            marks[str(name)] = Spans(start[here], stop[here])
        detected.append(
            Detected(
                tuple(Finding(**row) for row in one["findings"]),
                tuple(Measure(**row) for row in one["measures"]),
                marks,
                tuple(Line(**row) for row in one["lines"]),
            )
        )
    return detected, "" if content["status"] == "ok" else content["why"]
