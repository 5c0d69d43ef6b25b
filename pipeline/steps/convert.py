"""Convert: dump bytes to a recording in units. Validate: read it again and hold it against its schema."""

from collections.abc import Iterator
from dataclasses import asdict
from datetime import UTC
from typing import Any

import numpy as np

from pipeline import __version__
from pipeline.errors import Problem, Unreadable
from pipeline.frames import Dump, read_frames
from pipeline.recording import validate_recording, write_recording, write_samples
from pipeline.recording.write import Rows
from pipeline.steps.job import Job, write_json
from pipeline.timebase import Placing, place_session


def convert(job: Job) -> str:
    """Write the recording and what was counted on the way; return a line for the log.

    A session whose dumps give nothing is no error here: its recording has no rows, and
    ``conversion.json`` says why.
    """
    places = job.places
    places.recording.parent.mkdir(parents=True, exist_ok=True)
    dumps = [(name, job.study_folder / name) for name in job.session.dumps]
    try:
        placing = place_session([read_frames(dumps, job.layout, places.recording.parent)])
    except Unreadable as error:
        write_setback(job, "unreadable", error.problem)
        return f"unreadable: {error.problem}"
    write_placing(job, placing)
    grid = placing.main
    return f"{len(grid.frames.table)} frames to {grid.n_rows} rows, {grid.n_lost_frames} frames lost"


def write_placing(job: Job, placing: Placing) -> None:
    """Write the recording of a session, and what was counted."""
    write_recording(placing.main, _metadata(job, placing.dumps), job.places.recording)
    write_json(job.places.conversion, {"status": "ok", **_counted(placing)})


def write_setback(job: Job, status: str, problem: Problem) -> None:
    """Write a recording without rows, and why it has none."""
    nothing: Iterator[Rows] = iter(())
    metadata = {**_metadata(job, ()), "sample_hz": repr(job.layout.sample_hz)}
    write_samples(job.places.recording, job.layout.sampled, nothing, metadata)
    content = {
        "status": status,
        "why": str(problem),
        "problem": asdict(problem),
        "dumps": _what_is_there(job),
    }
    write_json(job.places.conversion, content)


def validate(job: Job) -> str:
    """Read the recording again, block by block, against the schema."""
    recording = validate_recording(job.places.recording)
    write_json(job.places.validation, {"status": "ok", "n_rows": recording.n_rows})
    return f"{recording.n_rows} rows hold"


def _metadata(job: Job, dumps: tuple[Dump, ...]) -> dict[str, str]:
    return {
        "session": job.session.name,
        "start_utc": job.session.started_at.astimezone(UTC).isoformat().replace("+00:00", "Z"),
        "layout": job.layout.name,
        "layout_sha256": job.layout.sha256,
        "dumps_sha256": " ".join(f"{dump.sha256}  {dump.name}" for dump in dumps),
        "sessiongate_version": __version__,
    }


def _counted(placing: Placing) -> dict[str, Any]:
    grid, ledgers = placing.main, placing.dumps
    frames, clock = grid.frames, grid.clock
    return {
        "conversion": {
            "n_frames": len(frames.table),
            "n_expected_frames": grid.n_expected_frames,
            "n_lost_frames": grid.n_lost_frames,
            "n_duplicate_frames": int(np.count_nonzero(grid.duplicate)),
            "n_late_frames": grid.n_late,
            "n_damaged_frames": sum(dump.n_damaged_frames for dump in ledgers),
            "damaged_bytes": sum(dump.ledger.damaged + dump.ledger.unrecognised for dump in ledgers),
            "total_bytes": sum(dump.n_bytes for dump in ledgers),
            "clock_source": clock.source,
            "clock_rate_hz": clock.rate_hz,
            "clock_residual_s": clock.residual_s,
            "nominal_hz": frames.stream.sample_hz,
            "restarts": [[restart.row, restart.reason] for restart in grid.restarts],
            "breaks": [[pause.row, pause.gap_s] for pause in grid.breaks],
        },
        "dumps": [asdict(dump) for dump in ledgers],
        "notes": list(placing.notes),
    }


def _what_is_there(job: Job) -> list[dict[str, Any]]:
    """Dumps of a session that could not be read: all their bytes are unrecognised."""
    found = []
    for name in job.session.dumps:
        path = job.study_folder / name
        n_bytes = path.stat().st_size if path.is_file() else 0
        ledger = {"decoded": 0, "duplicate": 0, "damaged": 0, "unrecognised": n_bytes, "padding": 0}
        found.append(
            {"name": name, "n_bytes": n_bytes, "sha256": "", "ledger": ledger, "n_damaged_frames": 0}
        )
    return found
