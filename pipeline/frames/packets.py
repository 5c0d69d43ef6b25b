"""Binary frames in packets: a delimiter between them, and bytes stuffed so that none stands within.

- What stands between two delimiters is a packet. A packet without its stuffing that is exactly one frame of
  one kind (its size, length, kind, sync bytes and checksum) is decoded, with the delimiter that ends it. At
  the end of the file that delimiter may be missing.
- A single delimiter more, before a frame, counts with it (RFC 1055 allows one at both ends); other
  delimiters of empty packets are padding, and so are runs of 16 or more fill bytes in a packet that is no
  frame. What stands before the first and behind the last of these runs may be a frame by itself.
- Otherwise a packet (or its piece before or behind such a run) is damaged, with its delimiter, unless it is
  longer than two frames, or lacks the sync bytes that all kinds begin with: then it is unrecognised.

The frames found do not depend on the size of the blocks in which the file is read.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import BinaryIO

import numpy as np

from pipeline.frames.blocks import BlockReader
from pipeline.frames.checksum import Bytes
from pipeline.frames.emit import Found, emit
from pipeline.frames.kinds import UNKNOWN, Kinds, checked
from pipeline.frames.pieces import KEPT_OF_RUN, Carried, Pieces, are_among, pieces_of, settle_within
from pipeline.frames.seen import Seen, SeenKind
from pipeline.frames.shape import Bools, Ints
from pipeline.frames.sinks import FrameSink
from pipeline.frames.unstuffed import Unstuffed


@dataclass(frozen=True)
class Stuffing:
    """A way to stuff bytes: the delimiter, how it is undone, and the most bytes that a frame takes by it."""

    delimiter: int
    unstuff: Callable[[Bytes, Ints, Ints], Unstuffed]
    most_bytes: Callable[[int], int]


@dataclass(frozen=True)
class _Spans:
    """Packets, or pieces of them: [start, stop), and whether a delimiter that is theirs stands behind."""

    starts: Ints
    stops: Ints
    ended: Bools

    def those(self, which: Ints | Bools) -> "_Spans":
        """Some of them."""
        return _Spans(self.starts[which], self.stops[which], self.ended[which])

    @property
    def n_bytes(self) -> Ints:
        """Bytes of each, with its delimiter."""
        return self.stops - self.starts + self.ended


@dataclass(frozen=True)
class _Matched:
    """Spans without their stuffing, and which kind of frame each is; `UNKNOWN` where it is none."""

    spans: _Spans
    bare: Unstuffed
    kind: Ints

    def frames(self) -> "_Matched":
        """Those that are frames."""
        good = self.kind != UNKNOWN
        if np.all(good):
            return self
        bare = self.bare
        bare = Unstuffed(bare.buffer, bare.starts[good], bare.stops[good], bare.intact[good])
        return _Matched(self.spans.those(good), bare, self.kind[good])


class PacketReader:
    """Reads one dump of packets.

    Parameters
    ----------
    kinds : Kinds
        What frames look like.
    stuffing : Stuffing
        How they are stuffed.
    dump : int
        Its index, for the table.
    sinks : sequence of FrameSink
        Get the frames and their counts, one for each kind.
    """

    def __init__(self, kinds: Kinds, stuffing: Stuffing, dump: int, sinks: Sequence[FrameSink]) -> None:
        self._kinds, self._stuffing = kinds, stuffing
        self._dump, self._sinks = dump, sinks
        self._seen = Seen(kinds=[SeenKind() for _ in sinks])
        self._carried = Carried()
        self._base = 0
        self._empty_before = np.zeros(2, dtype=bool)
        self._longest = stuffing.most_bytes(kinds.max_bytes)
        # two frames whose delimiter was lost are one damaged packet
        self._recognisable = 2 * self._longest + 1
        self._held = self._recognisable + 64

    def read(self, source: BinaryIO, block_bytes: int) -> Seen:
        """Read an open file from its beginning to its end; the ledger sums to its size."""
        reader, limit, is_last = BlockReader(source, max(block_bytes, 1)), 0, False
        while not is_last:
            block, is_last = reader.advance(limit)
            limit = self._read_block(block, is_last)
            self._base += limit
        self._seen.n_bytes, self._seen.sha256 = reader.n_bytes, reader.sha256
        return self._seen

    def _read_block(self, block: Bytes, is_last: bool) -> int:
        """Take the frames of a block; return how many bytes are settled."""
        packets, tail = _cut(block, self._stuffing.delimiter, is_last)
        sizes = packets.stops - packets.starts
        whole = (sizes > 0) & (sizes <= self._longest)
        if len(whole) and not self._carried.is_fresh:
            whole[0] = False
        which = np.flatnonzero(whole)
        matched = self._match(block, packets.those(which), is_seen=True)
        failed = sizes > 0
        failed[which[matched.kind != UNKNOWN]] = False
        good, limit, carried = matched.frames(), tail, self._carried if tail == 0 else Carried()
        is_unfinished = not is_last and len(block) - tail > self._held
        if is_unfinished or np.any(failed):
            pieces = self._pieces(block, packets.those(failed), tail if is_unfinished else len(block))
            if is_unfinished:
                limit, carried = settle_within(block, tail, self._held, pieces, self._carried)
            good = self._settle_failed(block, pieces, limit, packets.those(failed), good)
        self._emit(good)
        self._tally_empty(packets, sizes == 0, (sizes > 0) & ~failed)
        tally = self._seen.tally
        tally.decoded += int(good.spans.n_bytes.sum())
        settled = self._base + limit
        tally.unrecognised = settled - tally.decoded - tally.damaged - tally.padding
        self._seen.n_sync += int(np.count_nonzero(sizes))
        self._carried = carried
        return limit

    def _match(self, block: Bytes, spans: _Spans, is_seen: bool = False) -> _Matched:
        """Find the kind of each span."""
        bare = self._stuffing.unstuff(block, spans.starts, spans.stops)
        kind = np.full(len(spans.starts), UNKNOWN)
        for k, shape in enumerate(self._kinds.shapes):
            fits = bare.intact & shape.fits(bare.buffer, bare.starts, bare.stops)
            if is_seen:
                self._seen.kinds[k].keep(bare.buffer, bare.starts, bare.stops, fits)
            which = np.flatnonzero(fits & (kind == UNKNOWN))
            if shape.checksum is not None:
                which = which[checked(bare.buffer, bare.starts[which], bare.stops[which], shape)]
            kind[which] = k
        return _Matched(spans, bare, kind)

    def _pieces(self, block: Bytes, failed: _Spans, tail: int) -> Pieces:
        """The pieces of the failed packets, and of the unfinished one that begins at `tail`."""
        starts, stops = failed.starts, failed.stops
        is_whole = np.ones(len(starts) + (tail < len(block)), dtype=bool)
        if tail < len(block):
            starts, stops = np.append(starts, tail), np.append(stops, len(block))
            is_whole[-1] = False
        return pieces_of(block, starts, stops, is_whole, self._carried, self._recognisable)

    def _settle_failed(
        self, block: Bytes, pieces: Pieces, limit: int, failed: _Spans, good: _Matched
    ) -> _Matched:
        """Find frames among the pieces, and account for the rest; return all frames of the block."""
        spans = _Spans(pieces.starts, pieces.stops, are_among(pieces.stops, failed.stops[failed.ended]))
        found, is_frame = self._frames_among(block, pieces, spans, limit)
        damaged = ~is_frame & (pieces.is_first | pieces.is_last) & ~pieces.is_long & (pieces.stops <= limit)
        damaged &= self._are_recognised(block, pieces, spans)
        tally = self._seen.tally
        tally.damaged += int(spans.n_bytes[damaged].sum())
        tally.n_damaged_frames += int(damaged.sum())
        in_runs = np.minimum(pieces.run_stops, limit) - np.minimum(pieces.run_starts, limit)
        behind_runs = are_among(failed.stops[failed.ended], pieces.run_stops)
        tally.padding += int(in_runs.sum()) + int(behind_runs.sum())
        if not np.any(is_frame):
            return good
        # some may have taken bytes of the runs before them
        tally.padding -= int(found.n_bytes.sum() - spans.n_bytes[is_frame].sum())
        return self._together(block, good, found)

    def _frames_among(self, block: Bytes, pieces: Pieces, spans: _Spans, limit: int) -> tuple[_Spans, Bools]:
        """Frames that a run of fill bytes stands beside; one behind it may begin with bytes of it."""
        is_frame = np.zeros(len(pieces.starts), dtype=bool)
        found = [spans.those(is_frame)]
        # without a check, bytes of the run would make any frame whole
        for n_more in range(KEPT_OF_RUN if np.all(self._kinds.are_checked) else 1):
            may = pieces.is_last & ~pieces.is_first
            if n_more == 0:
                may |= pieces.is_first & ~pieces.is_last & (pieces.stops <= limit)
            may &= ~is_frame & ~pieces.is_long & (pieces.starts >= n_more)
            may &= spans.stops - spans.starts + n_more <= self._longest
            which = np.flatnonzero(may)
            some = _Spans(spans.starts[which] - n_more, spans.stops[which], spans.ended[which])
            fits = self._match(block, some).kind != UNKNOWN
            is_frame[which[fits]] = True
            found.append(some.those(fits))
        return _joined(found), is_frame

    def _are_recognised(self, block: Bytes, pieces: Pieces, spans: _Spans) -> Bools:
        """Whether pieces begin as frames do, where all frames begin with sync bytes."""
        shapes = self._kinds.shapes
        if not all(shape.sync for shape in shapes):
            return np.ones(len(pieces.starts), dtype=bool)
        which = np.flatnonzero(pieces.is_first & ~pieces.is_long)
        bare = self._stuffing.unstuff(block, spans.starts[which], spans.stops[which])
        begins = np.zeros(len(pieces.starts), dtype=bool)
        for pattern in self._kinds.patterns:
            same = bare.stops - bare.starts >= len(pattern)
            for i, byte in enumerate(pattern):
                same &= bare.buffer[np.minimum(bare.starts + i, len(bare.buffer) - 1)] == byte
            begins[which[same]] = True
        return begins

    def _together(self, block: Bytes, good: _Matched, found: _Spans) -> _Matched:
        """Frames among packets and those among pieces, in their order."""
        spans = _joined([good.spans, found])
        return self._match(block, spans)

    def _tally_empty(self, packets: _Spans, empty: Bools, is_frame: Bools) -> None:
        """Delimiters that end no packet: a single one before a frame is the frame's, others are padding.

        Of a packet that began before the block a delimiter at its beginning is the end.
        """
        if not len(empty):
            return
        n = int(packets.ended[empty].sum())
        if empty[0] and self._carried.is_long:
            n -= 1
        counts = empty.copy()
        counts[0] &= self._carried.is_fresh
        before = np.concatenate((self._empty_before, counts))
        n_theirs = int((is_frame & before[1:-1] & ~before[:-2]).sum())
        self._seen.tally.padding += n - n_theirs
        self._seen.tally.decoded += n_theirs
        self._empty_before = before[-2:]

    def _emit(self, good: _Matched) -> None:
        """Hand the frames of each kind to its sink."""
        bare, spans = good.bare, good.spans
        for k, (shape, sink) in enumerate(zip(self._kinds.shapes, self._sinks, strict=True)):
            which = slice(None) if len(self._sinks) == 1 else np.flatnonzero(good.kind == k)
            starts, stops = bare.starts[which], bare.stops[which]
            offset, n_bytes = self._base + spans.starts[which], spans.n_bytes[which]
            inner = stops - starts - (shape.head + shape.tail)
            emit(bare.buffer, Found(starts, stops, inner, offset, n_bytes), shape, self._dump, sink)
            self._seen.kinds[k].n_frames += len(starts)


def _cut(block: Bytes, delimiter: int, is_last: bool) -> tuple[_Spans, int]:
    """The packets of a block that are whole, and where an unfinished one begins."""
    stops = np.flatnonzero(block == delimiter)
    starts = np.zeros(len(stops), dtype=np.int64)
    starts[1:] = stops[:-1] + 1
    tail = int(stops[-1]) + 1 if len(stops) else 0
    ended = np.ones(len(stops), dtype=bool)
    if is_last and tail < len(block):
        starts, stops, ended = np.append(starts, tail), np.append(stops, len(block)), np.append(ended, False)
        tail = len(block)
    return _Spans(starts, stops, ended), tail


def _joined(some: Sequence[_Spans]) -> _Spans:
    """All spans by rising start."""
    starts, stops, ended = (
        np.concatenate(columns) for columns in zip(*((s.starts, s.stops, s.ended) for s in some), strict=True)
    )
    order = np.argsort(starts, kind="stable")
    return _Spans(starts[order], stops[order], ended[order])
