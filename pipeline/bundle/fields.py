"""Columns of the tables in a bundle: as the files have them, in the words of `schemas`."""

import csv
import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import get_args

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.bundle.recoded import Made
from schemas.columns import (
    CHANNELS,
    EVENT_SAMPLE,
    EVENT_TIME,
    EXCLUSIONS,
    FINDINGS,
    IN_BUNDLE,
    MARGINS,
    QUALITY,
    SAMPLE,
    SESSIONS,
    SIGNAL,
    TIME,
    WINDOWS,
    Column,
    DType,
)
from schemas.keys import ACTIVITY_COLUMNS

PARQUET = "application/vnd.apache.parquet"
CSV = "text/csv"

_DTYPES: dict[str, DType] = {"number": "float64", "integer": "int64", "string": "string"}
ACTIVITIES = tuple(
    Column(
        key.name,
        _DTYPES.get(key.type, "string"),
        key.description,
        key.unit,
        not key.required,
        key.choices,
        key.minimum,
    )
    for key in ACTIVITY_COLUMNS
)
_SHIFTED = "; the date was shifted by whole days, by one shift for each participant"


def _shifted(column: Column) -> Column:
    """A column of dates says that they are not the true ones."""
    is_date = column.name in ("started_at", "review_date")
    return replace(column, description=column.description + _SHIFTED) if is_date else column


TABLES: dict[str, tuple[Column, ...]] = {
    "sessions": tuple(map(_shifted, (*SESSIONS, *IN_BUNDLE))),
    "findings": FINDINGS,
    "activities": ACTIVITIES,
    "exclusions": EXCLUSIONS,
    "margins": MARGINS,
    "signal": SIGNAL,
    "windows": WINDOWS,
    "samples": (SAMPLE, TIME, QUALITY),
    "events": (EVENT_TIME, EVENT_SAMPLE),
    "channels": CHANNELS,
}
"""Name of a table -> the columns that `schemas` gives it; others, such as channels, are as the file says."""


def columns_of(made: Made, folder: Path) -> tuple[Column, ...]:
    """Columns of the file of one table, in the file's order.

    A column that `schemas` knows is described by it; any other by its own metadata in the Parquet file or,
    for a CSV file, in that of the Parquet file that it was made from.

    Parameters
    ----------
    made : Made
        A Parquet or CSV file with a ``table``.
    folder : Path
        What its path is relative to.
    """
    known = {column.name: column for column in TABLES.get(made.table, ())}
    if made.media_type == PARQUET:
        return tuple(_of_parquet(pq.read_schema(folder / made.path), known))
    origins = [path for path in made.made_from if path.endswith(".parquet")]
    inherited = [column for path in origins for column in _of_parquet(pq.read_schema(folder / path), known)]
    by_name = {column.name: column for column in inherited} | known
    with (folder / made.path).open(encoding="utf-8", newline="") as file:
        head = next(csv.reader(file), [])
    return tuple(_bounded(by_name.get(name, Column(name, "string", "", nullable=True))) for name in head)


def _bounded(column: Column) -> Column:
    """A share is between 0 and 1."""
    if column.name.endswith("_fraction") and column.minimum is None and column.maximum is None:
        return replace(column, minimum=0, maximum=1)
    return column


def texts_of(metadata: Mapping[bytes, bytes] | None) -> dict[str, str]:
    """What a Parquet file says of itself or of a column, as text."""
    return {key.decode(): value.decode() for key, value in (metadata or {}).items()}


def n_rows(path: Path) -> int:
    """Rows of a Parquet file, by its footer."""
    return int(pq.read_metadata(path).num_rows)


def line_end_of(path: Path) -> str:
    """What ends the lines of a CSV file."""
    with path.open("rb") as file:
        return "\r\n" if file.readline().endswith(b"\r\n") else "\n"


def session_of(path: str, codes: Collection[str]) -> str:
    """Code of the session that a file belongs to, by its folder or its name; empty where it is of none."""
    parts = path.replace(".", "/").split("/")
    return next((part for part in parts if part in codes), "")


def of_any_session(path: str, codes: Collection[str]) -> str:
    """Path with ``SESSION`` where the code of one stands as a folder or as the name of the file."""
    code = session_of(path, codes)
    return re.sub(rf"(?<![^/.]){re.escape(code)}(?![^/.])", "SESSION", path) if code else path


def _channel(name: str, said: Mapping[str, str]) -> Column:
    """A column by its own metadata; its range is that of the converter, where both ends are stated."""
    column = Column(name, "string", said.get("description", ""), said.get("unit", ""))
    try:
        counts = [float(said["adc_min"]), float(said["adc_max"])]
        ends = sorted(count * float(said["scale"]) + float(said["offset"]) for count in counts)
    except (KeyError, ValueError):
        return column
    if not np.isfinite(ends).all():
        return column
    low, high = (_as_written(end) for end in ends)
    return replace(column, minimum=min(low), maximum=max(high))


def _as_written(value: float) -> tuple[float, float, float]:
    """A value as it is, as a float32 holds it, and as the fewest digits write that."""
    held = np.float32(value)
    return value, float(held), float(str(held))


def _of_parquet(schema: pa.Schema, known: dict[str, Column]) -> Sequence[Column]:
    columns = []
    for field in schema:
        said = texts_of(field.metadata)
        dtype = {"double": "float64", "float": "float32"}.get(str(field.type), str(field.type))
        column = known.get(field.name) or _channel(field.name, said)
        kind: DType = dtype if dtype in get_args(DType) else "string"  # type: ignore[assignment]
        columns.append(_bounded(replace(column, dtype=kind, nullable=field.nullable)))
    return columns
