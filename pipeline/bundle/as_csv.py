"""Tables of a bundle as CSV, too: for who has no reader of Parquet."""

import csv
import io
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import BinaryIO

import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq

from pipeline.bundle.fields import CSV, texts_of
from pipeline.bundle.format_notes import CSV_NOTES
from pipeline.bundle.recoded import Made, Recoded
from pipeline.progress import Watch, unwatched
from pipeline.recording import BLOCK_ROWS
from pipeline.writing import write_text, written_aside
from schemas.columns import CHANNELS

TABLES = ("sessions", "findings", "activities")
"""Tables of the whole study, which stand beside the recordings."""

_OF_CHANNEL = tuple(column.name for column in CHANNELS[3:])


def write_csv(recoded: Recoded, folder: Path, watch: Watch = unwatched) -> tuple[Made, ...]:
    """Write every Parquet file of tables and recordings as ``csv/...``, the same columns in the same order.

    Parameters
    ----------
    recoded : Recoded
        The study; nothing is written unless it was asked for.
    folder : Path
        The bundle's ``data``, with the Parquet files in place.
    watch : callable
        Called with the number of bytes of Parquet files that were done since it was called last.

    Returns
    -------
    tuple of Made
        ``csv/README.md``, ``csv/channels.csv``, ``csv/sessions.csv`` ..., ``csv/<session>/samples.csv`` ...
    """
    if "csv" not in recoded.wishes.formats:
        return ()
    pairs = [(f"{name}.parquet", f"csv/{name}.csv", name) for name in TABLES]
    for session in recoded.recorded:
        names = [(f"samples{suffix}", "samples") for suffix in session.suffixes]
        names += [("events", "events")] if session.has_events else []
        pairs += [
            (f"recordings/{session.code}/{name}.parquet", f"csv/{session.code}/{name}.csv", table)
            for name, table in names
        ]
    write_text(folder / "csv/README.md", CSV_NOTES)
    made = [Made("csv/README.md", "text/markdown", "how the CSV files are written")]
    made += _write_channels(recoded, folder)
    for source, target, table in pairs:
        if (folder / source).exists():
            as_csv(folder / source, folder / target, watch)
            made.append(Made(target, CSV, f"{source} as CSV", (source,), table))
    return tuple(made)


def _write_channels(recoded: Recoded, folder: Path) -> list[Made]:
    """What CSV has no place for beside a column: by which the counts come back."""
    rows: list[Sequence[object]] = [[column.name for column in CHANNELS]]
    sources = []
    for session in recoded.recorded:
        for suffix in session.suffixes:
            sources.append(f"recordings/{session.code}/samples{suffix}.parquet")
            own = (session.code, f"samples{suffix}.csv")
            for column in pq.read_schema(folder / sources[-1]):
                said = texts_of(column.metadata)
                if "scale" in said:
                    rows.append((*own, column.name, *(said.get(key, "") for key in _OF_CHANNEL)))
    target = folder / "csv/channels.csv"
    with written_aside(target) as aside:
        aside.write_bytes(_lines(rows))
    return [Made("csv/channels.csv", CSV, "scale and offset of each channel", tuple(sources), "channels")]


def as_csv(source: Path, target: Path, watch: Watch = unwatched) -> None:
    """Write one Parquet file as CSV by RFC 4180: UTF-8 without a mark, CR LF, one header line, '.' as point.

    A missing value is an empty field. Each number has the fewest digits that give it back exactly in its own
    type (float32 or float64). Memory is that of a block of rows.
    """
    with written_aside(target) as aside, aside.open("wb") as file:
        parquet = pq.ParquetFile(source, pre_buffer=False)
        schema = parquet.schema_arrow
        file.write(_lines([schema.names]))
        is_text = any(
            pa.types.is_string(column) or pa.types.is_large_string(column) for column in schema.types
        )
        row_bytes = source.stat().st_size / max(parquet.metadata.num_rows, 1)
        for batch in parquet.iter_batches(BLOCK_ROWS):
            if is_text:
                file.write(_lines(zip(*(column.to_pylist() for column in batch.columns), strict=True)))
            else:
                _write_numbers(batch, file)
            watch(int(row_bytes * batch.num_rows))


def _lines(rows: Iterable[Sequence[object]]) -> bytes:
    text = io.StringIO()
    csv.writer(text, lineterminator="\r\n").writerows(rows)
    return text.getvalue().encode()


def _write_numbers(batch: pa.RecordBatch, file: BinaryIO) -> None:
    """Numbers alone, by Arrow: many times as fast. It ends lines with one character, here made two."""
    text = pa.BufferOutputStream()
    pa.csv.write_csv(batch, text, pa.csv.WriteOptions(include_header=False))
    file.write(text.getvalue().to_pybytes().replace(b"\n", b"\r\n"))
