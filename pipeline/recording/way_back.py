"""From a file of samples back to the bytes of the dump, frame by frame.

Beside the samples the file's metadata says of each placed frame where it stood, which rows it fills, its
counters as they were read, and the bytes that no part of the layout gives a meaning to. Counts, these, and
the layout are what a frame is made of: made again, it must be byte for byte what stood in the dump.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
import numpy.typing as npt

from pipeline.layouts import Frame, Layout, Part, Stream
from pipeline.recording.account import Account, Bytes, Ints, Telling, packed, unpacked
from pipeline.recording.compose import Pieces, compose, on_the_wire
from pipeline.recording.files_back import edf_records, of_files, wav_rows
from pipeline.recording.lines_back import spelt_lines
from pipeline.recording.recording import FRAMES, Block, Recording, open_recording
from pipeline.recording.spelling import Spelling, Words, write_lines
from pipeline.recording.units import to_counts

if TYPE_CHECKING:
    from pipeline.timebase.grid import Grid

_FRAMES_AT_ONCE = 1 << 12
MOST_BYTES = 1 << 24
"""What is kept of frames that are no samples, for each kind. It stands in the file's footer, which whoever
opens the file reads whole, and which libraries refuse from 100 MB on."""

_Column = Callable[[slice], Ints]
"""Numbers of some of the placed frames."""

_COUNTERS = ("sequence", "ticks", "received")

FrameBytes = tuple[int, int, bytes]
"""Index of the dump, offset in it, and the frame as it stands there."""


class OfParts(Protocol):
    """A grid, or several that are joined to one."""

    @property
    def parts(self) -> "tuple[Grid, ...]":
        """What it is made of."""


def frames_metadata(grid: OfParts, paths: Mapping[str, Path]) -> dict[str, str]:
    """What a file of samples has to say of its frames, for the file's metadata.

    Parameters
    ----------
    grid : Grid
        Whose samples the file holds.
    paths : mapping
        Where each dump is, by its name in the study. Text needs it: its lines are held against the dumps for
        how they are spelt.

    Returns
    -------
    dict
        An entry for each kind of frame that the grid is made of, whose key names the layout and the kind:
        1 to 100 kB for an hour at 25 frames a second. A kind of which more than `MOST_BYTES` is no samples
        has none, and cannot be made again.
    """
    told = dict[str, str]()
    for part in grid.parts:
        account = _account(part, paths)
        text = packed(account, MOST_BYTES) if account else ""
        if text:
            told[_key(part.frames.layout, part.frames.stream.frame)] = text
    return told


def _account(grid: "Grid", paths: Mapping[str, Path]) -> Telling | None:
    """What is known of the frames; None where it is too much to be kept."""
    table, placed, stream = grid.frames.table, grid.placed, grid.frames.stream

    def of(column: npt.NDArray[np.integer]) -> _Column:
        return lambda block: column[placed[block]].astype(np.int64)

    n_bytes, n_rows = of(table.n_bytes), of(table.n_samples)
    columns: dict[str, _Column] = {
        "dump": of(table.dump),
        "n_bytes": n_bytes,
        "skipped": lambda block: _beyond_the_last(of(table.offset), n_bytes, block),
        "n_rows": n_rows,
        "lost": lambda block: _beyond_the_last(lambda rows: grid.start_row[rows], n_rows, block),
    }
    stated = {part.is_ for part in stream.frame.parts}
    counters = {
        "sequence": of(table.sequence),
        "ticks": of(table.ticks),
        "received": of(table.received),
    }
    columns |= {name: column for name, column in counters.items() if name in stated}
    extra, blobs = grid.frames.extra, dict[str, bytes]()
    facts: dict[str, Any] = {"channels": [channel.name for channel in stream.channels]}
    if extra is not None:
        if extra.n_channels * len(placed) > MOST_BYTES:
            return None
        facts["extra"] = extra.n_channels
        blobs["extra"] = np.ascontiguousarray(extra.read(0, len(table))[placed].T).tobytes()
    if grid.frames.layout.framing == "text":
        spelt = spelt_lines(grid, [paths[dump.name] for dump in grid.frames.dumps], MOST_BYTES)
        if spelt is None:
            return None
        facts |= spelt.facts()
        columns["kept"] = lambda block: spelt.kept[block].astype(np.int64)
        blobs |= {"lines": spelt.lines} | {f"other{i}": words for i, words in enumerate(spelt.others)}
    elif grid.frames.layout.framing in ("wav", "edf"):
        files, passed_over = of_files(grid, [paths[dump.name] for dump in grid.frames.dumps], MOST_BYTES)
        if passed_over is None:
            return None
        facts["files"], blobs["passed_over"] = files, passed_over
    return Telling(facts, len(placed), columns, blobs, table.room)


def encode_frames(samples_file: Path, layout: Layout) -> Iterator[FrameBytes]:
    """Make every intact frame of a file of samples, and of its fellows of other rates, again.

    Parameters
    ----------
    samples_file : Path
        ``samples.parquet``; files beside it whose names go on with ``_<rate>hz`` are read with it.
    layout : Layout
        By which the dumps were read.

    Yields
    ------
    (dump index, offset, bytes)
        The index is that among the dumps of this layout. Kind by kind, each in the order of its rows.
        Frames without samples are none of a file of samples.
    """
    others = sorted(samples_file.parent.glob(f"{samples_file.stem}_*hz{samples_file.suffix}"))
    recordings = [open_recording(path) for path in (samples_file, *others)]
    for frame in layout.frames:
        sources = [
            source
            for stream in layout.streams
            if stream.frame is frame
            for recording in recordings
            if (source := _source(recording, layout, stream))
        ]
        if sources:
            write = _lines if layout.framing == "text" else _bodies
            yield from write(layout, frame, sources)


def spelt_otherwise(samples_file: Path) -> int:
    """Lines of text that are not written as most are, and were kept as they stood; 0 in binary frames."""
    metadata = open_recording(samples_file).metadata
    accounts = [unpacked(text) for key, text in metadata.items() if key.startswith(FRAMES)]
    return sum(int(account.facts.get("spelt_otherwise", 0)) for account in accounts)


def _key(layout: Layout, frame: Frame) -> str:
    return f"{FRAMES}{layout.name}:{frame.name}"


def _beyond_the_last(starts: _Column, sizes: _Column, block: slice) -> Ints:
    """How far each span begins behind the end of the one before it; the first, behind 0."""
    begins = starts(block)
    before = slice(max(block.start - 1, 0), max(block.stop - 1, 0))
    ends = starts(before) + sizes(before)
    return begins - (ends if block.start else np.concatenate((np.zeros(1, dtype=np.int64), ends)))


def _starts(beyond: Ints, sizes: Ints) -> Ints:
    """The starts that :func:`_beyond_the_last` was given."""
    return np.asarray(np.cumsum(beyond + sizes) - sizes)


class _Source:
    """The placed frames of one stream, and their counts."""

    def __init__(self, recording: Recording, stream: Stream, account: Account) -> None:
        self.stream, self.facts, self.blobs = stream, account.facts, account.blobs
        self.columns = account.columns
        self.offset = _starts(account.columns["skipped"], account.columns["n_bytes"])
        self.start_row = _starts(account.columns["lost"], account.columns["n_rows"])
        self.n_rows = account.columns["n_rows"]
        self.place = (account.columns["dump"] << 48) + self.offset
        width = int(account.facts.get("extra", 0))
        extra = np.frombuffer(account.blobs.get("extra", b""), dtype=np.uint8)
        self.extra = extra.reshape(width, len(self.n_rows)).T
        self._by_place = np.argsort(self.place, kind="stable")
        self._channels = [c for c in recording.channels if c.name in account.facts["channels"]]
        self._channels.sort(key=lambda channel: account.facts["channels"].index(channel.name))
        self._recording = recording
        self._blocks: Iterator[Block] = iter(())
        self._held, self._held_from = np.zeros((0, len(self._channels)), dtype=np.int64), 0

    def passed_over(self, which: Ints) -> Bytes:
        """Bytes of the signals without a channel, shape (records, k); the dumps may have different ones."""
        signals = self.facts["files"]
        widths = np.array([sum(2 * n for name, n in own if not name) for own in signals], dtype=np.int64)
        sizes = widths[self.columns["dump"]]
        at, width = (np.cumsum(sizes) - sizes)[which], int(sizes[which[0]])
        data: Bytes = np.frombuffer(self.blobs["passed_over"], dtype=np.uint8)
        rows: Bytes = data[at[:, np.newaxis] + np.arange(width)]
        return rows

    def find(self, places: Ints) -> Ints:
        """Index of the frame at each place, -1 where there is none."""
        at = np.searchsorted(self.place, places, sorter=self._by_place)
        found: Ints = self._by_place[np.minimum(at, len(self.place) - 1)]
        found[self.place[found] != places] = -1
        return found

    def counts(self, which: Ints) -> Ints:
        """Counts of frames of one size, int64 of shape (frames, rows, channels)."""
        n_rows = int(self.n_rows[which[0]])
        start = self.start_row[which]
        self._hold(int(start.min()), int(start.max()) + n_rows)
        index = start[:, np.newaxis] - self._held_from + np.arange(n_rows)
        rows: Ints = self._held[index.reshape(-1)]
        return rows.reshape(len(which), n_rows, -1)

    def _hold(self, start: int, stop: int) -> None:
        """Have the rows [start, stop) at hand; earlier ones go."""
        if start < self._held_from or self._held_from + len(self._held) == 0:
            self._blocks = self._recording.blocks([channel.name for channel in self._channels])
            self._held, self._held_from = self._held[:0], 0
        while self._held_from + len(self._held) < stop:
            block = next(self._blocks)
            made = [to_counts(np.nan_to_num(block.columns[c.name]), c) for c in self._channels]
            first = min(max(start - self._held_from, 0), len(self._held))
            self._held_from += first
            self._held = np.concatenate((self._held[first:], np.stack(made, axis=1)))


def _source(recording: Recording, layout: Layout, stream: Stream) -> _Source | None:
    text = recording.metadata.get(_key(layout, stream.frame))
    account = unpacked(text) if text else None
    if account is None or account.facts["channels"] != [channel.name for channel in stream.channels]:
        return None
    return _Source(recording, stream, account) if len(account.columns["dump"]) else None


def _bodies(layout: Layout, frame: Frame, sources: Sequence[_Source]) -> Iterator[FrameBytes]:
    """Frames that are no lines: those of one size together."""
    main, others = sources[0], sources[1:]
    dump, n_bytes = main.columns["dump"], main.columns["n_bytes"]
    for start in range(0, len(dump), _FRAMES_AT_ONCE):
        mine = np.arange(start, min(start + _FRAMES_AT_ONCE, len(dump)))
        index = np.stack([mine, *(source.find(main.place[mine]) for source in others)], axis=1)
        sizes = [np.where(index[:, i] < 0, 0, s.n_rows[index[:, i]]) for i, s in enumerate(sources)]
        filler = _filler(layout, frame, main, mine)
        alike, made = np.stack([dump[mine], filler, *sizes], axis=1), dict[int, bytes]()
        for one in np.unique(alike, axis=0):
            same = np.flatnonzero(np.all(alike == one, axis=1))
            if layout.framing in ("wav", "edf"):
                bodies = _of_a_file(layout, sources, index[same])
            else:
                pieces = _pieces(frame, sources, index[same], int(one[1]))
                bodies = compose(frame, pieces) if pieces else None
            for k, body in zip(same.tolist(), bodies if bodies is not None else (), strict=False):
                made[k] = on_the_wire(layout, body.tobytes(), int(n_bytes[start + k]))
        for k in sorted(made):
            yield int(dump[start + k]), int(main.offset[start + k]), made[k]


def _of_a_file(layout: Layout, sources: Sequence[_Source], index: Ints) -> Bytes | None:
    """Rows of WAV, or records of EDF; None where a rate is not there."""
    main = sources[0]
    how = main.facts["files"][int(main.columns["dump"][index[0, 0]])]
    if layout.framing == "wav":
        counts = main.counts(index[:, 0])
        width = int(main.columns["n_bytes"][index[0, 0]]) // (counts.shape[1] * counts.shape[2])
        return wav_rows(counts, width, how, main.stream.channels)
    if np.any(index < 0):
        return None
    by_channel = dict[str, Ints]()
    for i, source in enumerate(sources):
        rows = source.counts(index[:, i])
        by_channel |= {channel.name: rows[:, :, j] for j, channel in enumerate(source.stream.channels)}
    if not by_channel.keys() >= {name for name, _ in how if name}:
        return None
    return edf_records(how, by_channel, main.passed_over(index[:, 0]))


def _filler(layout: Layout, frame: Frame, main: _Source, mine: Ints) -> Ints:
    """Bytes of filler within each frame, up to the end of its sector; 0 where it stands behind the frame."""
    if layout.framing != "sectors" or all(part.count for part in frame.all("samples")):
        return np.zeros(len(mine), dtype=np.int64)
    n_bytes = main.columns["n_bytes"][mine]
    return np.where(main.extra[mine, -2] > 0, layout.sector_bytes - n_bytes, 0)


def _pieces(frame: Frame, sources: Sequence[_Source], index: Ints, n_filler: int = 0) -> Pieces | None:
    """What is in frames of one size; None where the samples of a rate that they must have are not there."""
    main, by_part = sources[0], dict[int, Ints]()
    for i, source in enumerate(sources):
        if index[0, i] >= 0:
            by_part |= _of_parts(source.stream.parts, source.counts(index[:, i]))
    counts = list[Ints]()
    for part in frame.all("samples"):
        rows = by_part.get(id(part))
        if rows is None and part.count:
            return None
        counts.append(np.zeros((len(index), 0, len(part.channels)), np.int64) if rows is None else rows)
    mine = index[:, 0]
    counters = {name: main.columns[name][mine] for name in _COUNTERS if name in main.columns}
    return Pieces(counters, tuple(counts), main.extra[mine], n_filler)


def _of_parts(parts: Sequence[Part], counts: Ints) -> dict[int, Ints]:
    """The counts of each part, by its identity."""
    found, first = dict[int, Ints](), 0
    for part in parts:
        found[id(part)] = counts[:, :, first : first + len(part.channels)]
        first += len(part.channels)
    return found


def _lines(layout: Layout, frame: Frame, sources: Sequence[_Source]) -> Iterator[FrameBytes]:
    source = sources[0]
    dump, n_bytes = source.columns["dump"], source.columns["n_bytes"]
    kept, lines, at = source.columns["kept"], source.blobs["lines"], 0
    others = [blob.split(b"\n") for name, blob in source.blobs.items() if name.startswith("other")]
    spellings = {int(k): Spelling.of(v) for k, v in source.facts["spellings"].items()}
    for start in range(0, len(dump), _FRAMES_AT_ONCE):
        stop = min(start + _FRAMES_AT_ONCE, len(dump))
        for mine in np.split(np.arange(start, stop), np.flatnonzero(np.diff(dump[start:stop])) + 1):
            words = _words(source, others, mine)
            written = write_lines(spellings[int(dump[mine[0]])], words)
            for i, k in enumerate(mine.tolist()):
                line = written.flat[written.starts[i] : written.stops[i]].tobytes()
                if kept[k] == 1:
                    line, at = lines[at : at + int(n_bytes[k])], at + int(n_bytes[k])
                yield int(dump[k]), int(source.offset[k]), line


def _words(source: _Source, others: Sequence[list[bytes]], mine: Ints) -> Words:
    counters: Mapping[str, Ints] = {
        name: source.columns[name][mine] for name in _COUNTERS if name in source.columns
    }
    own = [column[int(mine[0]) : int(mine[-1]) + 1] for column in others]
    values = source.counts(mine)
    return Words(counters, values.reshape(len(mine), -1), own)
