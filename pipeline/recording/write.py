"""Write samples as Parquet, each file held against its schema once, block by block.

The recording is checked as it is read again from the disk, before anything is drawn from it; the final file,
which no later step reads whole, as it is written.
"""

import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.layouts import Channel
from pipeline.recording.recording import (
    BLOCK_ROWS,
    FRAMES,
    Recording,
    channel_metadata,
    clock_metadata,
    open_recording,
    sample_columns,
)
from pipeline.recording.units import to_units
from pipeline.recording.way_back import frames_metadata
from pipeline.timebase import Grid, JoinedGrid
from pipeline.writing import written_aside
from schemas.columns import QUALITY, SAMPLE, TIME, Column
from schemas.tables import arrow_schema, pandera_schema

Rows = tuple[npt.NDArray[np.bool_], Mapping[str, npt.NDArray[Any]]]
"""What is present, of shape (rows,) or (rows, channels), and each column's values (anything where absent)."""


def write_recording(
    grid: Grid | JoinedGrid, metadata: Mapping[str, str], path: Path, dumps: Mapping[str, Path] | None = None
) -> None:
    """Write the recording of a grid, without the column ``quality``.

    Parameters
    ----------
    grid : Grid or JoinedGrid
        Counts in their places.
    metadata : mapping
        For the file; rates, the measured clock and what is known of the frames are added here.
    path : Path
        Appears complete or not at all; :func:`validate_recording` holds it against its schema.
    dumps : mapping, optional
        Where each dump is, by its name in the study; without it nothing is said of the frames.
    """
    channels = grid.channels
    rate_hz = grid.clock.rate_hz or grid.sample_hz
    own = {
        **metadata,
        "sample_hz": repr(rate_hz),
        "nominal_hz": repr(grid.sample_hz),
        **clock_metadata(grid.clock),
        **_delays(grid),
        **(frames_metadata(grid, dumps) if dumps else {}),
    }
    write_samples(path, channels, _rows_of_grid(grid, channels), own)


def _delays(grid: Grid | JoinedGrid) -> dict[str, str]:
    """By how many seconds samples of single channels come after the time of their row, where they do."""
    delays = {channel.name: part.delay_s for part in grid.parts for channel in part.channels if part.delay_s}
    return {"delays_s": json.dumps(delays)} if delays else {}


def write_samples(
    path: Path,
    channels: Sequence[Channel],
    blocks: Iterator[Rows],
    metadata: Mapping[str, str],
    with_quality: bool = False,
) -> None:
    """Write blocks of rows under the schema of `channels`; lost rows become nulls.

    Raises
    ------
    pandera.errors.SchemaErrors
        Where the columns beside the channels contradict their schema; no file is left. The channels
        themselves are held against theirs by :func:`validate_recording`, before any detector reads them.
    """
    columns = sample_columns(channels, with_quality)
    short = {key: text for key, text in metadata.items() if not key.startswith(FRAMES)}
    schema = arrow_schema(columns, short, channel_metadata(channels))
    added = (SAMPLE, TIME, QUALITY) if with_quality else ()
    pandera = pandera_schema(added)
    with (
        written_aside(path) as aside,
        pq.ParquetWriter(aside, schema, **_writer_options(columns, with_quality)) as writer,
    ):
        for present, values in blocks:
            if added:
                frame = {column.name: values[column.name] for column in added}
                pandera.validate(pd.DataFrame(frame, copy=False), lazy=True, inplace=True)
            lost = _masks_of_lost(present, channels)
            arrays = [pa.array(values[c.name], mask=lost.get(c.name), from_pandas=False) for c in columns]
            writer.write_table(pa.Table.from_arrays(arrays, schema=schema), row_group_size=BLOCK_ROWS)
        # Arrow's own schema would hold it a second time, and its readers a third and a fourth time in memory.
        if long := {key: text for key, text in metadata.items() if key.startswith(FRAMES)}:
            writer.add_key_value_metadata(long)


def _masks_of_lost(
    present: npt.NDArray[np.bool_], channels: Sequence[Channel]
) -> dict[str, npt.NDArray[np.bool_]]:
    """For each channel that lost any of these rows, which."""
    if present.ndim == 1 or present.strides[1] == 0:  # all channels alike
        lost = ~(present if present.ndim == 1 else present[:, 0])
        return {channel.name: lost for channel in channels} if lost.any() else {}
    masks = {channel.name: ~present[:, i] for i, channel in enumerate(channels)}
    return {name: mask for name, mask in masks.items() if mask.any()}


def validate_recording(path: Path) -> Recording:
    """Read a file of samples again and hold every block against the schema; return it opened.

    Raises
    ------
    ValueError
        Where the metadata is missing, a block contradicts the schema, or rows do not follow each other.
    """
    recording = open_recording(path)
    names = pq.read_schema(path).names
    columns = sample_columns(recording.channels, "quality" in names)
    pandera = pandera_schema(columns)
    last_s = -np.inf
    for block in recording.blocks([column.name for column in columns]):
        rows = np.arange(block.start, block.start + len(block))
        ends_s = block.columns.get("time_s", recording.clock.time_s(rows[[0, -1]]))[[0, -1]]
        if not np.array_equal(block.columns.get("sample", rows), rows) or not last_s < ends_s[0] <= ends_s[1]:
            raise ValueError(
                f"{path}: expected rows in the order of samples and time; row {block.start} is not"
            )
        last_s = ends_s[1]
        pandera.validate(pd.DataFrame(dict(block.columns), copy=False), lazy=True, inplace=True)
    return recording


def _rows_of_grid(grid: Grid | JoinedGrid, channels: Sequence[Channel]) -> Iterator[Rows]:
    for _, counts, present in grid.blocks(BLOCK_ROWS):
        yield present, {c.name: to_units(counts[:, i], c) for i, c in enumerate(channels)}


def _writer_options(columns: Sequence[Column], final: bool) -> dict[str, Any]:
    """Encodings by measurement: time steps evenly, samples are few distinct values.

    What is read three times and given to nobody is written as it stands: faster, and thrice as large.
    """
    if not final:
        return {"compression": "none", "use_dictionary": False}
    encoding = {"sample": "DELTA_BINARY_PACKED", "time_s": "BYTE_STREAM_SPLIT"}
    names = [column.name for column in columns]
    return {
        "compression": "zstd",
        "compression_level": 1,
        "use_dictionary": [name for name in names if name not in encoding],
        "column_encoding": {name: encoding[name] for name in names if name in encoding},
    }
