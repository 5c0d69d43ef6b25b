"""The samples of a session as its page is to show them: blank where the bundle does not hold them."""

import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from pipeline.bundle.fields import TABLES
from pipeline.bundle.names import Names
from pipeline.bundle.parquet import recoded_schema, rows_inside
from pipeline.bundle.recoded import RecodedSession
from schemas.columns import TIME

_SHOWN = frozenset(column.name for column in TABLES["samples"])
"""Columns that are no channels: they are shown of every sample."""


def samples_to_show(
    session: RecodedSession, sources: Mapping[str, Path], names: Names, data: Path, scratch: Path
) -> Path:
    """The file of samples that the page is drawn from; others stand beside it, as in the results.

    Parameters
    ----------
    session : RecodedSession
        The session.
    sources : mapping
        Suffix -> file of samples in the results; empty where nothing could be read.
    names : Names
        Codes.
    data : Path
        The bundle's ``data``: its recordings are there.
    scratch : Path
        An empty folder: gets a copy, recoded, where the bundle does not hold every sample.

    Returns
    -------
    Path
        It need not exist: then there is nothing to show.
    """
    folder = data / "recordings" / session.code
    if session.has_recording and session.parts is None:
        return folder / "samples.parquet"
    parts = (session.parts or ()) if session.has_recording else ()
    for suffix, source in sources.items():
        schema = recoded_schema(pq.read_schema(source), session, names, "samples")
        write_blanked(source, scratch / f"samples{suffix}.parquet", schema, parts)
    if (folder / "events.parquet").exists():
        shutil.copyfile(folder / "events.parquet", scratch / "events.parquet")
    return scratch / "samples.parquet"


def write_blanked(source: Path, out: Path, schema: pa.Schema, parts: Sequence[tuple[float, float]]) -> None:
    """Copy a file row group by row group; channels are null outside the parts, quality stays.

    Parameters
    ----------
    source, out : Path
        File of samples, and its copy.
    schema : pa.Schema
        Of the copy: columns as in `source`, under the names and with the words that may be shown.
    parts : sequence of (float, float)
        Ascending, disjoint stretches [start, stop) in seconds; none to blank all.
    """
    file = pq.ParquetFile(source, pre_buffer=False)
    with pq.ParquetWriter(out, schema) as writer:
        for i in range(file.num_row_groups):
            table = file.read_row_group(i)
            inside = pa.array(rows_inside(table.column(TIME.name).to_numpy(), parts))
            columns = [
                column if name in _SHOWN else pc.if_else(inside, column, pa.scalar(None, column.type))
                for name, column in zip(table.column_names, table.columns, strict=True)
            ]
            writer.write_table(pa.Table.from_arrays(columns, schema=schema))
