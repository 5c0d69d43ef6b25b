"""Looks into the foot of a Parquet file: its columns and rows."""

import io
from dataclasses import dataclass

import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.verify.tree import Tree

_MAGIC = b"PAR1"
_TAIL = 8
LARGEST_FOOT = 64 << 20


@dataclass(frozen=True)
class Table:
    """Columns of a Parquet file, as name -> Arrow type in words, and the number of its rows."""

    columns: dict[str, str]
    n_rows: int


def look(tree: Tree, path: str) -> Table:
    """Columns and rows of a Parquet file. What its pages hold is a matter of its checksum.

    Raises
    ------
    ValueError
        Where it is no whole Parquet file.
    OSError
        Where it cannot be read.
    """
    with tree.opened(path) as file:
        size = file.seek(0, io.SEEK_END)
        foot = _foot(file, size)
    try:
        # The library gets no path and no file of ours: only these bytes, so that it cannot go elsewhere.
        metadata = pq.read_metadata(pa.BufferReader(_MAGIC + foot))
        schema = metadata.schema.to_arrow_schema()
        columns = {field.name: str(field.type) for field in schema}
        if len(columns) != len(schema):
            raise ValueError("two columns of one name")
        n_rows = metadata.num_rows
        # Columns of a row group are not asked for: some damaged ones end the whole program in pyarrow 26.0.1.
        if sum(metadata.row_group(i).num_rows for i in range(metadata.num_row_groups)) != n_rows:
            raise ValueError("row groups that do not add up to its rows")
    except (pa.ArrowException, OSError, UnicodeDecodeError) as error:
        why = str(error).partition("\n")[0]
        raise ValueError(f"a foot that cannot be read ({why})") from error
    return Table(columns, n_rows)


def _foot(file: io.FileIO, size: int) -> bytes:
    """Metadata, their length and the mark at the end."""
    if size < len(_MAGIC) + _TAIL:
        raise ValueError(f"{size} bytes, too few for a Parquet file")
    file.seek(0)
    if _all(file, len(_MAGIC)) != _MAGIC:
        raise ValueError("another beginning than that of a Parquet file")
    file.seek(size - _TAIL)
    tail = _all(file, _TAIL)
    if tail[4:] != _MAGIC:
        raise ValueError("another end than that of a Parquet file, as when it was cut short")
    length = int.from_bytes(tail[:4], "little")
    if length > min(LARGEST_FOOT, size - len(_MAGIC) - _TAIL):
        raise ValueError(f"a foot of {length} bytes in a file of {size}")
    file.seek(size - _TAIL - length)
    return _all(file, length + _TAIL)


def _all(file: io.FileIO, n_bytes: int) -> bytes:
    parts = []
    while n_bytes and (part := file.read(n_bytes)):
        parts.append(part)
        n_bytes -= len(part)
    if n_bytes:
        raise ValueError("a file that became shorter while it was read")
    return b"".join(parts)
