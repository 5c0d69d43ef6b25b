"""Detect: a recording to findings, measures and marks."""

from dataclasses import asdict
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.detectors import (
    Conversion,
    Detected,
    Evidence,
    Finding,
    Measure,
    Spans,
    measure_tracks,
    run_detectors,
)
from pipeline.detectors.lines import Line
from pipeline.recording import open_recording
from pipeline.steps.job import Job, Places, read_json, write_json
from pipeline.writing import written_aside


def detect(job: Job) -> str:
    """Run every detector on a session's recording; return a line for the log."""
    places = job.places
    for earlier in (read_json(places.conversion), read_json(places.validation)):
        if earlier["status"] != "ok":
            write_detected(places, Detected(), earlier)
            return str(earlier.get("why", earlier["status"]))
    recording = open_recording(places.recording, keeps=True)
    counted = read_json(places.conversion)["conversion"]
    restarts = tuple((row, reason) for row, reason in counted.pop("restarts"))
    breaks = tuple((row, gap_s) for row, gap_s in counted.pop("breaks"))
    settings = job.policy.settings
    evidence = Evidence(
        recording,
        measure_tracks(recording, job.session.mains_hz, settings),
        Conversion(**counted, restarts=restarts, breaks=breaks),
        job.session.mains_hz,
        job.session.activities,
    )
    detected = run_detectors(evidence, settings)
    write_detected(places, detected, {"status": "ok"})
    return f"{len(detected.findings)} findings"


def write_detected(places: Places, detected: Detected, outcome: dict[str, Any]) -> None:
    """Write findings, measures and lines as JSON, marks as Parquet."""
    names = [name for name in sorted(detected.marks) for _ in range(len(detected.marks[name]))]
    starts = [detected.marks[name].start for name in sorted(detected.marks)] or [np.empty(0, np.int64)]
    stops = [detected.marks[name].stop for name in sorted(detected.marks)] or [np.empty(0, np.int64)]
    table = pa.table(
        {
            "condition": pa.array(names, pa.string()),
            "start": np.concatenate(starts),
            "stop": np.concatenate(stops),
        }
    )
    with written_aside(places.marks) as aside:
        pq.write_table(table, aside)
    write_json(
        places.detected,
        {
            "status": outcome["status"],
            "why": outcome.get("why", ""),
            "findings": [asdict(finding) for finding in detected.findings],
            "measures": [asdict(measure) for measure in detected.measures],
            "lines": [asdict(line) for line in detected.lines],
        },
    )


def read_detected(places: Places) -> tuple[Detected, str]:
    """What :func:`write_detected` wrote, and why it is empty where it is."""
    content = read_json(places.detected)
    table = pq.read_table(places.marks)
    conditions = table.column("condition").to_numpy(zero_copy_only=False)
    start, stop = table.column("start").to_numpy(), table.column("stop").to_numpy()
    marks = {
        str(name): Spans(start[conditions == name], stop[conditions == name])
        for name in np.unique(conditions.astype(str))
    }
    detected = Detected(
        tuple(Finding(**row) for row in content["findings"]),
        tuple(Measure(**row) for row in content["measures"]),
        marks,
        tuple(Line(**row) for row in content["lines"]),
    )
    return detected, "" if content["status"] == "ok" else content["why"]
