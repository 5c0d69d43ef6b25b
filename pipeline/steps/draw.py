"""Draw: samples with what was found of each, findings as a table, and what their page shows of them.

A new limit changes nothing of all this, and it is most of what a session costs.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow.parquet as pq

from pipeline.detectors import Detected, Spans
from pipeline.recording import BLOCK_ROWS, Block, Recording, open_recording, write_samples
from pipeline.recording.restamp import KEY, NO_POLICY
from pipeline.recording.write import Rows
from pipeline.report.drawn import Drawing, write_drawn
from pipeline.report.glance import in_order
from pipeline.signal.features import Windowing
from pipeline.signal.windows import write_windows
from pipeline.steps.detect import read_detected
from pipeline.steps.job import Job, read_json
from pipeline.writing import written_aside
from schemas.columns import FINDINGS
from schemas.conditions import CONDITIONS
from schemas.tables import arrow_table, pandera_schema

Watch = Callable[[Block], None]
"""Is shown each block of a recording as it is written, with all its columns."""


def draw(job: Job) -> str:
    """Write a session's samples with their quality, and draw them on the way; return a line for the log."""
    places = job.places
    suffixes = [one["suffix"] for one in read_json(places.conversion)["recordings"]]
    found, why = read_detected(places)
    recordings = [open_recording(places.recording_of(suffix)) for suffix in suffixes]
    if why or not recordings or not recordings[0].n_rows:
        write_undrawn(job)
        return why or "the dumps hold no sample"
    main, *further = recordings
    seen = in_order(main, further)
    drawing = Drawing(seen, main.duration_s)
    windowing = Windowing([main, *sorted(further, key=lambda one: one.path.name)], job.session.activities)

    def watch_of(recording: Recording) -> Watch:
        at = next((i for i, one in enumerate(seen) if one is recording), None)

        def watch(block: Block) -> None:
            if at is not None:
                drawing.add(at, block)
            if recording is windowing.recording:
                windowing.add(block)

        return watch

    places.clear_marked()
    # The main recording last: what stands beside it is complete where it is there.
    for suffix, recording, own in reversed([*zip(suffixes, recordings, found, strict=True)]):
        _write_marked(recording, own.marks, places.marked_of(suffix), watch_of(recording))
    _write_findings(job, found)
    write_drawn(drawing.finished(), places.drawn)
    write_windows(windowing.finished(), places.windows)
    return f"{' and '.join(str(one.n_rows) for one in recordings)} rows"


def write_undrawn(job: Job) -> None:
    """Write the same of a session that gave nothing: no rows, no further recordings, nothing to show."""
    places = job.places
    places.clear_marked()
    empty = open_recording(places.recording)
    rows: Iterator[Rows] = iter(())
    write_samples(places.marked, empty.channels, rows, {**empty.metadata, KEY: NO_POLICY}, True)
    _write_findings(job, ())
    write_drawn(None, places.drawn)
    write_windows(Windowing([empty], job.session.activities).finished(), places.windows)


def _write_findings(job: Job, detected: Sequence[Detected]) -> None:
    """Write one row for each finding, before any verdict."""
    rows = [{"session": job.session.name, **asdict(finding)} for one in detected for finding in one.findings]
    rows.sort(key=lambda row: (row["start_s"], row["detector"], row["channel"] or ""))
    table = arrow_table(FINDINGS, rows, {"session": job.session.name, KEY: NO_POLICY})
    pandera_schema(FINDINGS).validate(table.to_pandas(), lazy=True)
    with written_aside(job.places.found) as aside:
        pq.write_table(table, aside, compression="zstd")


def _write_marked(recording: Recording, marks: Mapping[str, Spans], path: Path, watch: Watch) -> None:
    names = [channel.name for channel in recording.channels]
    wanted = [(condition, marks.get(condition.name, Spans())) for condition in CONDITIONS]

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
            columns = {**block.columns, **own}
            watch(Block(block.start, columns))
            yield _present_in(block.columns), columns

    metadata = {**recording.metadata, KEY: NO_POLICY}
    write_samples(path, recording.channels, blocks(), metadata, with_quality=True)


def _present_in(columns: Mapping[str, npt.NDArray[Any]]) -> npt.NDArray[np.bool_]:
    """What is there: of shape (rows,) where all columns lack the same rows, else (rows, columns)."""
    there: list[npt.NDArray[np.bool_]] = [~np.isnan(values) for values in columns.values()]
    if all(np.array_equal(mask, there[0]) for mask in there[1:]):
        return there[0]
    return np.stack(there, axis=1)
