"""Judge: findings to a verdict, and the session's final data files."""

from collections.abc import Iterator
from dataclasses import asdict, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow.parquet as pq

from pipeline import __version__
from pipeline.detectors import Detected, Spans
from pipeline.recording import BLOCK_ROWS, Recording, open_recording, write_samples
from pipeline.recording.write import Rows
from pipeline.steps.detect import read_detected
from pipeline.steps.job import Job, read_json, write_json
from pipeline.verdict.judge import Extent, Verdict, unreadable
from pipeline.verdict.judge import judge as judge_session
from pipeline.writing import written_aside
from schemas.columns import FINDINGS
from schemas.conditions import CONDITIONS
from schemas.measures import BY_NAME
from schemas.tables import arrow_table, pandera_schema


def judge(job: Job) -> str:
    """Judge a session and write ``samples.parquet``, ``findings.parquet`` and ``quality.json``."""
    recording = open_recording(job.places.recording)
    detected, why = read_detected(job.places)
    if why or not recording.n_rows:
        verdict = unreadable(why or "the dumps hold no sample")
    else:
        verdict = judge_session(detected, _extent(job, recording), job.policy)
    write_final(job, recording, detected, verdict)
    return verdict.sentence


def _extent(job: Job, recording: Recording) -> Extent:
    counted = read_json(job.places.conversion)["conversion"]
    cuts = [row for row, _ in (*counted["restarts"], *counted.get("breaks", ()))]
    return Extent(recording.n_rows, recording.sample_hz, recording.duration_s, tuple(cuts))


def write_final(job: Job, recording: Recording, detected: Detected, verdict: Verdict) -> None:
    """Write the three files that a verdict decides; an unreadable session has no rows."""
    if verdict.name == "unreadable":
        recording = replace(recording, n_rows=0)
    _write_samples(job, recording, detected)
    _write_findings(job, detected)
    write_json(job.places.quality, _quality(job, recording, detected, verdict))


def _write_samples(job: Job, recording: Recording, detected: Detected) -> None:
    metadata = {**recording.metadata, "policy_sha256": job.policy.sha256}
    names = [channel.name for channel in recording.channels]
    first = recording.channels[0].name
    wanted = [(condition, detected.marks.get(condition.name, Spans())) for condition in CONDITIONS]

    def blocks() -> Iterator[Rows]:
        for block in recording.blocks(names, BLOCK_ROWS):
            quality = np.zeros(len(block), np.uint32)
            for condition, spans in wanted:
                here = spans.clipped(block.start, block.start + len(block))
                if len(here):
                    quality[here.mask(block.start, block.start + len(block))] |= condition.mask
            rows = np.arange(block.start, block.start + len(block), dtype=np.int64)
            own: dict[str, npt.NDArray[Any]] = {"sample": rows, "quality": quality}
            own["time_s"] = recording.clock.time_s(rows)
            yield ~np.isnan(block.columns[first]), {**block.columns, **own}

    write_samples(job.places.samples, recording.channels, blocks(), metadata, with_quality=True)


def _write_findings(job: Job, detected: Detected) -> None:
    rows = [{"session": job.session.name, **asdict(finding)} for finding in detected.findings]
    rows.sort(key=lambda row: (row["start_s"], row["detector"], row["channel"] or ""))
    table = arrow_table(FINDINGS, rows, {"session": job.session.name, "policy_sha256": job.policy.sha256})
    pandera_schema(FINDINGS).validate(table.to_pandas(), lazy=True)
    with written_aside(job.places.findings) as aside:
        pq.write_table(table, aside, compression="zstd")


def _quality(job: Job, recording: Recording, detected: Detected, verdict: Verdict) -> dict[str, Any]:
    session = job.session
    conversion = read_json(job.places.conversion)
    counted = conversion.get("conversion", {})
    spans = zip(verdict.usable.start.tolist(), verdict.usable.stop.tolist(), strict=True)
    return {
        "session": session.name,
        "participant": session.participant,
        "site": session.site,
        "device": session.device,
        "layout": session.layout,
        "started_at": session.started_at.isoformat(),
        "title": job.study_title,
        "time_zone": job.time_zone,
        "verdict": verdict.name,
        "sentence": verdict.sentence,
        "reasons": [asdict(reason) for reason in verdict.reasons],
        "usable": [[recording.at_s(start), recording.until_s(stop)] for start, stop in spans],
        "left_out": [
            {"start_s": recording.at_s(part.start), "stop_s": recording.until_s(part.stop), "text": part.text}
            for part in verdict.left_out
        ],
        "not_assessed": list(verdict.not_assessed),
        "warnings": list(verdict.warnings),
        "duration_s": recording.duration_s,
        "nominal_hz": job.layout.sampled[0].sample_hz,
        "n_samples": recording.n_rows,
        "measures": [_measure_row(judged) for judged in verdict.measures],
        "conditions": _condition_rows(detected, recording),
        "mains_lines": [_line_row(asdict(line)) for line in detected.lines],
        "ledger": {dump["name"]: dump["ledger"] for dump in conversion["dumps"]},
        "frames": {
            name: counted.get(f"n_{name}_frames" if name != "decoded" else "n_frames", 0)
            for name in ("decoded", "expected", "lost", "duplicate", "late", "damaged")
        },
        "clock": {
            "source": counted.get("clock_source", "nominal"),
            "rate_hz": counted.get("clock_rate_hz"),
            "residual_s": counted.get("clock_residual_s"),
            "restarts": len(counted.get("restarts", [])),
        },
        "notes": conversion.get("notes", []),
        "made_by": {
            "version": __version__,
            "layout_sha256": job.layout.sha256,
            "policy_sha256": job.policy.sha256,
            "dumps": {dump["name"]: dump["sha256"] for dump in conversion["dumps"]},
        },
    }


def _measure_row(judged: Any) -> dict[str, Any]:
    measure, limit = judged.measure, judged.limit
    return {
        "name": measure.name,
        "title": BY_NAME[measure.name].title,
        "unit": measure.unit,
        "channel": measure.channel,
        "value": measure.value,
        "absent": measure.absent,
        "limit": limit.value if limit else None,
        "limit_is": limit.bound if limit else None,
        "within": judged.within,
        "limit_reason": limit.reason if limit else "",
    }


def _condition_rows(detected: Detected, recording: Recording) -> dict[str, dict[str, float]]:
    rows = {}
    for condition in CONDITIONS:
        n = detected.marks.get(condition.name, Spans()).n_samples
        fraction = n / recording.n_rows if recording.n_rows else 0.0
        rows[condition.name] = {"samples": n, "seconds": n / recording.sample_hz, "fraction": fraction}
    return rows


def _line_row(line: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in line.items() if key != "ratio"}
