"""``dictionary.md``: every column of every table of a bundle, from `schemas` and the files themselves."""

from collections.abc import Collection, Sequence
from dataclasses import replace
from pathlib import Path

from pipeline.bundle.fields import PARQUET, columns_of, of_any_session
from pipeline.bundle.recoded import Made, Recoded
from schemas.columns import Column
from schemas.conditions import CONDITIONS
from schemas.dictionary import markdown_table

_RANGES = {"float32": "finite", "float64": "finite", "int64": "whole numbers", "uint32": "0 to 4294967295"}
_ABOUT = {
    "sessions": "One row for each session of the study, also those whose samples are not here.",
    "findings": "One row for each thing that a detector saw.",
    "activities": "One row for each stretch of the activity log.",
    "exclusions": "One row for each stretch, or whole session, that was left out, with the reason.",
    "margins": "Six rows for each session: its verdict, reached again with every limit moved.",
    "signal": "How well the field tells the classes of the activity log apart.",
    "samples": (
        "One row for each sample time. A lost sample keeps its row, with nulls. The count of the converter "
        "is `round((value - offset) / scale)`, with the two from the column's metadata in the Parquet file. "
        "Files named `samples_<rate>hz` hold the channels of a further rate, on the same clock, with a "
        "`quality` of their own samples."
    ),
    "trace": "One row for each stretch of samples that came from frames that follow each other in one dump.",
    "events": "One row for each event: what comes at no rate. A channel that it does not carry is null.",
    "channels": "One row for each channel of each file: what its Parquet column has as metadata.",
}


def dictionary(recoded: Recoded, made: Sequence[Made], folder: Path) -> str:
    """Text of ``dictionary.md``: meaning, unit, type, range and missing values of every column.

    Parameters
    ----------
    recoded : Recoded
        The study.
    made : sequence of Made
        What the writers of tables made.
    folder : Path
        The bundle's ``data``.
    """
    parts = [
        "# Data dictionary",
        "Units are UCUM codes; `1` is a pure number, and a column without a unit has none. Times called "
        "`..._s` are seconds from the session's first sample. Instants are by RFC 3339. Intervals hold their "
        "start and not their stop. In Parquet a missing value is a null; no number and no text stands for "
        "one. In CSV, where there is any, it is an empty field; a text that is never missing may be empty. "
        "`SESSION` in the name of a file stands for the code of any session.",
    ]
    tables = dict.fromkeys(one.table for one in made if one.table)
    codes = {session.code for session in recoded.sessions}
    for table in sorted(tables, key=lambda name: (list(_ABOUT).index(name) if name in _ABOUT else 99, name)):
        files = [one for one in made if one.table == table]
        parts += [
            f"## {table}",
            f"Files: {_places(files, codes)}. {_ABOUT.get(table, files[0].description)}",
        ]
        parts.append(_rows(_united(files, folder)))
        if table == "samples":
            parts += ["### Bits of `quality`", _bits()]
    return "\n\n".join(parts) + "\n"


def _places(files: Sequence[Made], codes: Collection[str]) -> str:
    """The files of a table; those of sessions under one pattern."""
    patterns = {of_any_session(one.path, codes) for one in files}
    return ", ".join(f"`{pattern}`" for pattern in sorted(patterns))


def _united(files: Sequence[Made], folder: Path) -> list[Column]:
    """Columns of all files of a table, each once unless its meaning differs; ``quality`` comes last.

    The range of a column is that of all files together.
    """
    of_parquet = [one for one in files if one.media_type == PARQUET] or list(files)
    columns: dict[Column, Column] = {}
    for one in of_parquet:
        for column in columns_of(one, folder):
            alike = replace(column, minimum=None, maximum=None)
            columns[alike] = _wider(columns.get(alike, column), column)
    return sorted(columns.values(), key=lambda column: column.name == "quality")


def _wider(one: Column, other: Column) -> Column:
    lows = [column.minimum for column in (one, other) if column.minimum is not None]
    highs = [column.maximum for column in (one, other) if column.maximum is not None]
    low = min(lows) if len(lows) == 2 else None
    return replace(one, minimum=low, maximum=max(highs) if len(highs) == 2 else None)


def _rows(columns: Sequence[Column]) -> str:
    rows = [
        (
            f"`{one.name}`",
            one.description or "not described: free text was left out",
            one.unit,
            one.dtype,
            _range(one),
            "null" if one.nullable else "never missing",
        )
        for one in columns
    ]
    return markdown_table(("column", "meaning", "unit", "type", "range", "missing"), rows)


def _range(column: Column) -> str:
    if column.choices:
        return ", ".join(f"`{choice}`" for choice in column.choices)
    if column.minimum is not None and column.maximum is not None:
        return f"{column.minimum:g} to {column.maximum:g}"
    if column.minimum is not None:
        return f"{column.minimum:g} or more"
    if column.maximum is not None:
        low = "0 to " if column.dtype == "uint32" else "at most "
        return f"{low}{column.maximum:g}"
    return _RANGES.get(column.dtype, "text")


def _bits() -> str:
    rows = [
        (
            one.bit,
            one.mask,
            f"`{one.name}`",
            f"the sample {one.description}",
            "fault" if one.fault else "note",
        )
        for one in CONDITIONS
    ]
    return markdown_table(("bit", "value", "name", "meaning", "kind"), rows)
