"""Events of a session: what came at no rate, in units, one row for each."""

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.layouts import Channel
from pipeline.recording.recording import channel_column, channel_metadata
from pipeline.recording.units import stored_type, to_units
from pipeline.timebase import Events
from pipeline.writing import written_aside
from schemas.columns import EVENT_SAMPLE, EVENT_TIME, Column
from schemas.tables import arrow_schema, pandera_schema


def write_events(events: Sequence[Events], metadata: Mapping[str, str], path: Path) -> None:
    """Write all events in the order of time; a channel that an event does not carry is null in its row."""
    channels = {channel.name: channel for kind in events for channel in kind.channels}
    time_s = np.concatenate([kind.time_s for kind in events])
    order = np.argsort(time_s, kind="stable")
    arrays = [pa.array(time_s[order]), pa.array(np.concatenate([kind.row for kind in events])[order])]
    arrays += [_column(events, channel, order) for channel in channels.values()]
    columns, about = event_columns(tuple(channels.values())), channel_metadata(tuple(channels.values()))
    for own in about.values():
        del own["sample_hz"]  # events come at no rate
    schema = arrow_schema(columns, metadata, about)
    with written_aside(path) as aside:
        pq.write_table(pa.Table.from_arrays(arrays, schema=schema), aside, compression="zstd")


def copy_events(source: Path, metadata: Mapping[str, str], path: Path) -> int:
    """Hold a file of events against its schema and write it with further metadata; give their number."""
    table = pq.read_table(source)
    schema = table.schema
    names = (EVENT_TIME.name, EVENT_SAMPLE.name)
    own = pandera_schema((EVENT_TIME, EVENT_SAMPLE))
    own.validate(pd.DataFrame({name: table.column(name).to_numpy() for name in names}), lazy=True)
    joined = {**(schema.metadata or {}), **{key.encode(): value.encode() for key, value in metadata.items()}}
    with written_aside(path) as aside:
        pq.write_table(table.replace_schema_metadata(joined), aside, compression="zstd")
    return int(table.num_rows)


def event_columns(channels: Sequence[Channel]) -> tuple[Column, ...]:
    """The columns of a file of events."""
    return (EVENT_TIME, EVENT_SAMPLE, *map(channel_column, channels))


def _column(events: Sequence[Events], channel: Channel, order: np.ndarray) -> pa.Array:
    values, absent = [], []
    for kind in events:
        names = [own.name for own in kind.channels]
        here = channel.name in names
        counts = kind.counts[:, names.index(channel.name)] if here else np.zeros(len(kind.time_s), np.int64)
        values.append(to_units(counts, channel))
        absent.append(np.full(len(counts), not here))
    mask = np.concatenate(absent)[order]
    return pa.array(np.concatenate(values)[order].astype(stored_type(channel)), mask=mask)
