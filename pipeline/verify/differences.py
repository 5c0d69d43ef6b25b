"""How far the tables and recordings of two folders are apart: session by session, column by column."""

import csv
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.bundle.names import WITHHELD

ROUNDING = 1e-9
"""Share of the larger of two numbers by which they may be apart and be the same: another processor may add
in another order."""

_TABLES = (
    *("sessions.parquet", "findings.parquet", "activities.parquet", "trace.parquet"),
    *("exclusions.csv", "margins.csv"),
)
_SHORT = 60

Row = Mapping[str, Any]


def differences(old: Path, new: Path, codes: Sequence[str]) -> Iterator[str]:
    """What is apart between the data of a bundle and what was done again, for some of its sessions.

    Parameters
    ----------
    old, new : Path
        Folders as ``data`` of a bundle; they are read only.
    codes : sequence of str
        The sessions that are in both.

    Yields
    ------
    str
        Session, file and column, and how far.
    """
    for code in codes:
        for name in _TABLES:
            before, after = (_rows(folder / name, code) for folder in (old, new))
            for said in _of_rows(before, after):
                yield f"{code}, {name}{said}"
        yield from _of_recordings(old / "recordings" / code, new / "recordings" / code, code)


def _rows(path: Path, code: str) -> list[dict[str, Any]]:
    """Rows of one session in a table; of a long table only the groups of rows that have some are read."""
    if not path.is_file():
        return []
    if path.suffix == ".csv":
        with path.open(encoding="utf-8", newline="") as file:
            return [row for row in csv.DictReader(file) if row.get("session") == code]
    rows: list[dict[str, Any]] = pq.read_table(path, filters=[("session", "==", code)]).to_pylist()
    return rows


def _of_rows(old: Sequence[Row], new: Sequence[Row]) -> Iterator[str]:
    if len(old) != len(new):
        yield f": {_counted(old)} in the bundle, {_counted(new)} now{_by_detector(old, new)}"
        return
    for column in dict.fromkeys(name for row in (*old[:1], *new[:1]) for name in row):
        pairs = [(a.get(column), b.get(column)) for a, b in zip(old, new, strict=True)]
        apart = [(a, b) for a, b in pairs if not _same(a, b)]
        if apart:
            of_all = f" in {len(apart)} of {len(pairs)} rows" if len(pairs) > 1 else ""
            yield f", {column}: {_gravest(apart)}{of_all}"


def _counted(rows: Sequence[Row]) -> str:
    return f"{len(rows)} row{'' if len(rows) == 1 else 's'}"


def _by_detector(old: Sequence[Row], new: Sequence[Row]) -> str:
    """Which detectors found more or less."""
    before, after = (Counter(row["detector"] for row in rows if "detector" in row) for rows in (old, new))
    moved = [
        f"{name} {before[name]}, now {after[name]}"
        for name in sorted(before | after)
        if before[name] != after[name]
    ]
    return f" ({'; '.join(moved)})" if moved else ""


def _same(a: Any, b: Any) -> bool:
    if isinstance(a, float) and isinstance(b, float):
        return a == b or abs(a - b) <= ROUNDING * max(abs(a), abs(b))
    # Which sentences hold a name depends on all names of a study, of which a part may be at hand.
    return bool(a == b) or WITHHELD in (a, b)


def _gravest(apart: Sequence[tuple[Any, Any]]) -> str:
    """The pair that is furthest apart, or the first where they are no numbers."""
    numbers = [(a, b) for a, b in apart if isinstance(a, float | int) and isinstance(b, float | int)]
    a, b = max(numbers, key=lambda pair: abs(pair[0] - pair[1])) if len(numbers) == len(apart) else apart[0]
    return f"{_word(a)} in the bundle, {_word(b)} now"


def _word(value: Any) -> str:
    if value is None:
        return "nothing"
    text = f"{value:.9g}" if isinstance(value, float) else str(value)
    return text if len(text) <= _SHORT else f"{text[:_SHORT]}..."


def _of_recordings(old: Path, new: Path, code: str) -> Iterator[str]:
    before, after = ({path.name for path in folder.glob("*.parquet")} for folder in (old, new))
    for name in sorted(before ^ after):
        yield f"{code}, {name}: only {'in the bundle' if name in before else 'now'}"
    for name in sorted(before & after):
        try:
            for said in _of_samples(old / name, new / name):
                yield f"{code}, {name}{said}"
        except pa.ArrowException as error:
            yield f"{code}, {name}: cannot be compared: {' '.join(str(error).split())}"


@dataclass
class _Apart:
    """How far a column is apart so far."""

    n: int = 0
    one_sided: int = 0
    furthest: float = 0.0
    first: int = -1


def _of_samples(old: Path, new: Path) -> Iterator[str]:
    """Two files of samples or events, held against each other by the column ``sample``, block by block."""
    before, after = pq.ParquetFile(old, pre_buffer=False), pq.ParquetFile(new, pre_buffer=False)
    names = [name for name in before.schema_arrow.names if name in after.schema_arrow.names]
    for name in sorted(set(before.schema_arrow.names) ^ set(after.schema_arrow.names)):
        yield f", {name}: only {'in the bundle' if name in before.schema_arrow.names else 'now'}"
    apart, n_both = {name: _Apart() for name in names}, 0
    for i in range(before.num_row_groups):
        ours = before.read_row_group(i, columns=names)
        first, last = ours.column("sample")[0].as_py(), ours.column("sample")[-1].as_py()
        theirs = pq.read_table(new, columns=names, filters=[("sample", ">=", first), ("sample", "<=", last)])
        a, b = _both(ours.column("sample").to_numpy(), theirs.column("sample").to_numpy())
        n_both += len(a)
        for name in names:
            _compare(ours.column(name).take(a), theirs.column(name).take(b), apart[name], ours, a)
    n_old, n_new = before.metadata.num_rows, after.metadata.num_rows
    if n_both != n_old or n_both != n_new:
        yield f": {n_old} rows in the bundle, {n_new} now, {n_both} in both"
    for name, found in apart.items():
        if found.n:
            missing = f", {found.one_sided} of them missing on one side" if found.one_sided else ""
            far = f", by up to {found.furthest:.3g}" if found.furthest else ""
            yield f", {name}: {found.n} of {n_both} values{far}, first at sample {found.first}{missing}"


def _both(ours: npt.NDArray[Any], theirs: npt.NDArray[Any]) -> tuple[npt.NDArray[Any], npt.NDArray[Any]]:
    """Places of rows that both have; of several with one number the first goes with the first."""
    if len(ours) == len(theirs) and np.array_equal(ours, theirs):
        return np.arange(len(ours)), np.arange(len(ours))
    _, a, b = np.intersect1d(ours, theirs, return_indices=True)
    return a, b


def _compare(
    ours: pa.ChunkedArray, theirs: pa.ChunkedArray, found: _Apart, table: pa.Table, rows: npt.NDArray[Any]
) -> None:
    a, b = (np.asarray(column.to_numpy(), dtype=np.float64) for column in (ours, theirs))
    none = np.isnan(a) != np.isnan(b)
    far = np.where(np.isnan(a) | np.isnan(b), 0.0, np.abs(a - b))
    off = none | (far > ROUNDING * np.maximum(np.abs(np.nan_to_num(a)), np.abs(np.nan_to_num(b))))
    if not off.any():
        return
    if found.first < 0:
        found.first = int(table.column("sample")[int(rows[np.argmax(off)])].as_py())
    found.n += int(np.count_nonzero(off))
    found.one_sided += int(np.count_nonzero(none))
    found.furthest = max(found.furthest, float(far[off].max()))
