"""A recording on disk: what it is, and its samples block by block."""

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, get_args

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.layouts import Channel
from pipeline.machine import give_back_memory
from pipeline.recording.units import stored_type
from pipeline.timebase.grid import Clock, ClockSource
from schemas.columns import QUALITY, SAMPLE, TIME, Column, DType

BLOCK_ROWS = 1 << 18
"""Rows of a block and of a Parquet row group: 4.4 minutes at 1 kHz, a few MB in memory."""

FRAMES = "frames:"
"""How keys of the file's metadata begin that say where its rows stood in the dumps; see :mod:`.way_back`."""

_ARROWS_SCHEMA = b"ARROW:schema"

_BYTES_OF_ROW = 16
"""About so many, of a few channels."""

_FEW_ROWS = 1 << 14
"""Rows that are decoded at a time where a few seconds are wanted."""

KEPT_ROWS = 1 << 20
"""Recordings of up to so many rows keep the columns that were read: several detectors ask for the same."""

_TEXT_KEYS = frozenset({"kind", "unit", "description", "label"})
_NUMBER_KEYS = frozenset(Channel.__dataclass_fields__) - _TEXT_KEYS - {"name", "from_header"}


@dataclass(frozen=True)
class Block:
    """Consecutive rows: `start` is the first sample, each column has the block's length, NaN where lost."""

    start: int
    columns: Mapping[str, npt.NDArray[Any]]

    def __len__(self) -> int:
        return len(next(iter(self.columns.values())))


@dataclass(frozen=True)
class Recording:
    """A Parquet file of samples, opened for reading.

    Attributes
    ----------
    path : Path
        The file.
    channels : tuple of Channel
        In file order, with scale, offset and rails.
    sample_hz : float
        Rate by which detectors reckon: measured where the dump had a clock, else nominal.
    n_rows : int
        Rows, lost samples included.
    clock : Clock
        When each row was sampled.
    duration_s : float
        From the first sample to one step after the last.
    metadata : mapping
        The file's key-value metadata.
    keeps : bool
        Whether columns of a short recording stay in memory once read.
    hidden : int64, shape (n, 2)
        Rows [start, stop) that are read as lost, though something stands there.
    first_row : int
        Row of the file that is row 0 here: a part of a long recording, see :meth:`part`.
    """

    path: Path
    channels: tuple[Channel, ...]
    sample_hz: float
    n_rows: int
    clock: Clock
    metadata: Mapping[str, str]
    keeps: bool = False
    hidden: npt.NDArray[np.int64] = field(default_factory=lambda: np.empty((0, 2), np.int64), compare=False)
    first_row: int = 0
    _kept: dict[str, npt.NDArray[Any]] = field(default_factory=dict, repr=False, compare=False)

    @property
    def nominal_hz(self) -> float:
        """The rate by the layout."""
        return float(self.metadata.get("nominal_hz", self.sample_hz))

    @property
    def delays_s(self) -> Mapping[str, float]:
        """By how many seconds samples of single channels come after the time of their row, where they do."""
        delays: dict[str, float] = json.loads(self.metadata.get("delays_s", "{}"))
        return delays

    @property
    def start_s(self) -> float:
        """When the first row was sampled, in seconds since the session's first; 0 where there is none."""
        return self.at_s(0) if self.n_rows else 0.0

    @property
    def stop_s(self) -> float:
        """One step after the last row; 0 where there is none."""
        return self.until_s(self.n_rows) if self.n_rows else 0.0

    @property
    def ends_s(self) -> tuple[float, float]:
        """Where what concerns all of it begins and ends."""
        return self.start_s, self.stop_s

    @property
    def duration_s(self) -> float:
        """Length of the recording."""
        return self.stop_s - self.start_s

    def at_s(self, row: int) -> float:
        """When a row was sampled, in seconds since the session's first."""
        return float(self.clock.time_s(np.array([row], dtype=np.int64))[0])

    def until_s(self, stop: int) -> float:
        """End of the rows before `stop`: one step after the last of them, even where a pause follows."""
        return self.at_s(stop - 1) + 1 / self.sample_hz

    def rows_at(self, time_s: npt.NDArray[np.float64]) -> npt.NDArray[np.int64]:
        """The first row sampled at each time or after it, same shape; `n_rows` where there is none."""
        if not self.n_rows:
            return np.zeros(len(time_s), np.int64)
        knots = self._ends_of_clock()
        row = np.interp(time_s, knots[1], knots[0], left=0.0, right=float(self.n_rows))
        # What rounding adds to a row that was sampled just then must not skip it.
        first: npt.NDArray[np.int64] = np.ceil(row - 1e-6).astype(np.int64)
        return first

    def _ends_of_clock(self) -> npt.NDArray[np.float64]:
        """Rows and times between which the clock is straight, from row 0 to the last, shape (2, knots)."""
        inner = self.clock.knot_row[(self.clock.knot_row > 0) & (self.clock.knot_row < self.n_rows - 1)]
        rows = np.unique(np.concatenate(([0.0], inner, [self.n_rows - 1.0])))
        return np.stack((rows, self.clock.time_s(rows.astype(np.int64))))

    def part(self, start: int, stop: int) -> "Recording":
        """The rows [start, stop) as a recording of their own, whose seconds are still the session's."""
        clock = replace(self.clock, knot_row=self.clock.knot_row - start)
        hidden = np.clip(self.hidden - start, 0, stop - start)
        return replace(
            self,
            n_rows=stop - start,
            clock=clock,
            hidden=hidden[hidden[:, 1] > hidden[:, 0]],
            first_row=self.first_row + start,
            keeps=False,
            _kept={},
        )

    def of_kind(self, kind: str) -> tuple[Channel, ...]:
        """The channels of that kind, in file order."""
        return tuple(channel for channel in self.channels if channel.kind == kind)

    def blocks(self, columns: Sequence[str], block_rows: int = BLOCK_ROWS) -> Iterator[Block]:
        """Yield the named columns block by block; lost samples are NaN."""
        if not self.n_rows:
            return
        if self.keeps and self.n_rows <= KEPT_ROWS:
            arrays = {name: self._column(name) for name in columns}
            for start in range(0, self.n_rows, block_rows):
                part = {name: a[start : start + block_rows] for name, a in arrays.items()}
                yield Block(start, self._shown(part, start))
            return
        start = 0
        for batch in self._batches(columns, 0, self.n_rows, block_rows):
            arrays = {name: batch.column(name).to_numpy(zero_copy_only=False) for name in columns}
            yield Block(start, self._shown(arrays, start))
            start += batch.num_rows

    def read(self, columns: Sequence[str], start: int, stop: int) -> dict[str, npt.NDArray[Any]]:
        """The named columns in the rows [start, stop); lost samples are NaN."""
        if self.keeps and self.n_rows <= KEPT_ROWS:
            return self._shown({name: self._column(name)[start:stop] for name in columns}, start)
        parts = list(self._batches(columns, start, stop, _FEW_ROWS, use_threads=False))
        nothing = None if parts else pq.read_schema(self.path).remove_metadata()
        table = pa.Table.from_batches(parts, nothing)
        return self._shown({name: table.column(name).to_numpy() for name in columns}, start)

    def _batches(
        self, columns: Sequence[str], start: int, stop: int, rows: int, use_threads: bool = True
    ) -> Iterator[pa.RecordBatch]:
        """The named columns in the rows [start, stop), at most `rows` at a time, and no more than these."""
        # A path, not a Python file object: Arrow may abort at exit on the latter (arrow#50482).
        # Without a buffer ahead: that would hold the whole file in memory.
        file = pq.ParquetFile(self.path, pre_buffer=False)
        start, stop = start + self.first_row, min(stop, self.n_rows) + self.first_row
        sizes = [file.metadata.row_group(i).num_rows for i in range(file.metadata.num_row_groups)]
        ends = np.cumsum(sizes)
        first, last = (int(np.searchsorted(ends, row, side="right")) for row in (start, max(stop - 1, start)))
        groups = range(first, min(last + 1, len(sizes)))
        at = int(ends[first] - sizes[first]) if first < len(sizes) else stop
        for batch in file.iter_batches(rows, groups, list(columns), use_threads=use_threads):
            if at + batch.num_rows > start and at < stop:
                yield batch.slice(max(start - at, 0), stop - max(start, at))
            at += batch.num_rows
            if at >= stop:
                return

    def _shown(self, columns: dict[str, npt.NDArray[Any]], start: int) -> dict[str, npt.NDArray[Any]]:
        """The columns from row `start` on, without what is hidden."""
        stop = start + len(next(iter(columns.values()), []))
        inside = self.hidden[(self.hidden[:, 1] > start) & (self.hidden[:, 0] < stop)]
        if not len(inside):
            return columns
        edges = np.clip(inside - start, 0, stop - start)
        steps = np.zeros(stop - start + 1, np.int32)
        np.add.at(steps, edges[:, 0], 1)
        np.add.at(steps, edges[:, 1], -1)
        is_hidden = np.cumsum(steps[:-1]) > 0
        return {
            name: np.where(is_hidden, column.dtype.type(np.nan), column) for name, column in columns.items()
        }

    def _column(self, name: str) -> npt.NDArray[Any]:
        """A whole column of a short recording, read once; not to be written to."""
        if name not in self._kept:
            table = pq.read_table(self.path, columns=[name], use_threads=False)
            array = table.column(name).to_numpy()
            array.flags.writeable = False
            self._kept[name] = array
        return self._kept[name]


def sample_columns(channels: Sequence[Channel], with_quality: bool) -> tuple[Column, ...]:
    """The columns of a file of samples; without quality, before any finding, of the channels alone."""
    of_channels = tuple(map(channel_column, channels))
    return (SAMPLE, TIME, *of_channels, QUALITY) if with_quality else of_channels


def channel_column(channel: Channel) -> Column:
    """The column of one channel."""
    kind: DType = "float32" if stored_type(channel) == "float32" else "float64"
    described = channel.description or f"{channel.kind} channel"
    return Column(channel.name, kind, described, channel.unit, nullable=True)


def channel_metadata(channels: Sequence[Channel]) -> dict[str, dict[str, str]]:
    """What stands beside each column so that counts come back: ``count = (value - offset) / scale``."""
    return {
        channel.name: {
            key: value if key in _TEXT_KEYS else json.dumps(value)
            for key, value in asdict(channel).items()
            if value not in (None, "") and key in _TEXT_KEYS | _NUMBER_KEYS
        }
        for channel in channels
    }


def open_recording(path: Path, keeps: bool = False) -> Recording:
    """Open a file of samples that this project wrote; `keeps` is for who reads columns several times.

    Raises
    ------
    ValueError
        Where the file lacks our metadata.
    """
    give_back_memory(path.stat().st_size // _BYTES_OF_ROW)  # what was done before is done
    metadata, channels, n_rows = _described(path)
    give_back_memory(n_rows)  # reading long metadata took ten times as much
    if "sample_hz" not in metadata:
        raise ValueError(f"{path}: expected a file of samples with its metadata; found none")
    sample_hz = float(metadata["sample_hz"])
    clock = _clock_of(metadata, sample_hz)
    return Recording(path, channels, sample_hz, n_rows, clock, metadata, keeps)


def _described(path: Path) -> tuple[dict[str, str], tuple[Channel, ...], int]:
    """Metadata, channels and number of rows of a file of samples."""
    with pq.ParquetFile(path, pre_buffer=False) as file:
        schema, n_rows, told = file.schema_arrow, file.metadata.num_rows, file.metadata.metadata or {}
    metadata = {key.decode(): value.decode() for key, value in told.items() if key != _ARROWS_SCHEMA}
    channels = list[Channel]()
    for column in schema:
        own = {key.decode(): value.decode() for key, value in (column.metadata or {}).items()}
        if "scale" in own:
            numbers = {key: json.loads(own[key]) for key in own.keys() & _NUMBER_KEYS}
            texts = {key: own.get(key, "") for key in _TEXT_KEYS}
            channels.append(Channel(**numbers, **texts, name=column.name))
    return metadata, tuple(channels), n_rows


def clock_metadata(clock: Clock) -> dict[str, str]:
    """The clock in the file's metadata: rows, and the second at which each was sampled."""
    rows, seconds = clock.knot_row.tolist(), clock.knot_s.tolist()
    return {"clock_source": clock.source, "clock_rows": json.dumps(rows), "clock_s": json.dumps(seconds)}


def _clock_of(metadata: Mapping[str, str], sample_hz: float) -> Clock:
    rows = json.loads(metadata.get("clock_rows", "[]"))
    seconds = json.loads(metadata.get("clock_s", "[]"))
    if len(rows) < 2:
        rows, seconds = [0.0, sample_hz], [0.0, 1.0]
    stated = metadata.get("clock_source", "nominal")
    source: ClockSource = next((known for known in get_args(ClockSource) if known == stated), "nominal")
    return Clock(source, np.array(rows, np.float64), np.array(seconds, np.float64), sample_hz, None)
