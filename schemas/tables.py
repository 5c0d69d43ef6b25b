"""From columns to Arrow schemas, pandera schemas, tables and the data dictionary."""

from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any

import numpy as np
import pyarrow as pa

from schemas.columns import Column

_ARROW = {
    "int64": pa.int64(),
    "uint32": pa.uint32(),
    "float32": pa.float32(),
    "float64": pa.float64(),
    "string": pa.string(),
}


def arrow_schema(
    columns: Sequence[Column],
    file_metadata: Mapping[str, str] | None = None,
    field_metadata: Mapping[str, Mapping[str, str]] | None = None,
) -> pa.Schema:
    """Arrow schema whose fields carry unit and description.

    Parameters
    ----------
    columns : sequence of Column
        In file order.
    file_metadata : mapping, optional
        Key-value metadata of the file.
    field_metadata : mapping, optional
        Column name -> further metadata of that column, such as scale and offset.
    """
    fields = []
    for column in columns:
        metadata = {"unit": column.unit, "description": column.description}
        metadata.update((field_metadata or {}).get(column.name, {}))
        fields.append(pa.field(column.name, _ARROW[column.dtype], column.nullable, metadata))
    return pa.schema(fields, dict(file_metadata or {}))


def arrow_table(
    columns: Sequence[Column],
    rows: Sequence[Mapping[str, Any]],
    file_metadata: Mapping[str, str] | None = None,
) -> pa.Table:
    """A small table from rows; absent keys become nulls."""
    schema = arrow_schema(columns, file_metadata)
    return pa.Table.from_pylist([dict(row) for row in rows], schema=schema)


@cache
def pandera_schema(columns: tuple[Column, ...]) -> Any:
    """Pandera schema of the same columns; nothing is coerced, at most ten failures of a check are listed.

    Whole-column checks return one truth value: they stay cheap on millions of rows. That a column holds text
    is left to Arrow's schema: pandera asks every value, at three times the cost of all other checks.
    """
    import pandera.pandas as pandera  # costs 0.4 s, and not every step validates

    return pandera.DataFrameSchema(
        {
            column.name: pandera.Column(
                None if column.dtype == "string" else column.dtype,
                _checks(column, pandera),
                nullable=column.nullable,
            )
            for column in columns
        },
        strict=True,
        ordered=True,
        coerce=False,
    )


def _checks(column: Column, pandera: Any) -> list[Any]:
    # The truth of a whole column needs no copy without nulls: minima and maxima pass over them.
    checks = []
    if column.choices:
        checks.append(pandera.Check.isin(column.choices, n_failure_cases=10))
    if column.minimum is not None:
        low = column.minimum
        checks.append(pandera.Check(lambda s: not s.min() < low, error=f"at least {low:g}", ignore_na=False))
    if column.maximum is not None:
        high = column.maximum
        checks.append(pandera.Check(lambda s: not s.max() > high, error=f"at most {high:g}", ignore_na=False))
    if column.increasing:
        checks.append(pandera.Check(_increases, error="increasing", ignore_na=False))
    if column.dtype in ("float32", "float64"):
        checks.append(pandera.Check(lambda s: not _has_infinity(s), error="finite", ignore_na=False))
    return checks


def _increases(series: Any) -> bool:
    values = series.to_numpy()
    return bool((values[1:] > values[:-1]).all())


def _has_infinity(series: Any) -> bool:
    return bool(np.isinf(series.to_numpy()).any())
