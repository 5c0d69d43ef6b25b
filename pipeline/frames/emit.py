"""Good binary frames of one kind, taken apart: counters, counts of each stream, and what else stood there."""

from dataclasses import dataclass

import numpy as np

from pipeline.frames.checksum import Bytes, rows_at
from pipeline.frames.packing import Counts, has_pad, pad_masks, unpack
from pipeline.frames.shape import Ints, Place, Shape
from pipeline.frames.sinks import FrameSink


@dataclass(frozen=True)
class Found:
    """Good frames of one kind; all arrays have length n.

    Attributes
    ----------
    starts, stops : int64
        In the buffer that holds their bytes as they were before any stuffing.
    inner : int64
        Bytes of the samples whose number is open.
    offset, n_bytes : int64
        Where they stand in the dump, and how long they are there.
    """

    starts: Ints
    stops: Ints
    inner: Ints
    offset: Ints
    n_bytes: Ints


def emit(
    buffer: Bytes, found: Found, shape: Shape, dump: int, sink: FrameSink, more: Bytes | None = None
) -> None:
    """Hand frames of one kind to their sink; ``more`` is put behind the extra bytes of each."""
    starts, stops = found.starts, found.stops
    if not len(starts):
        return
    rows = shape.rows_in(found.inner)
    by_part = {
        id(place.part): _counts(buffer, found, place, shape, rows)
        for place in shape.places
        if place.part.is_ == "samples"
    }
    counts, sizes = list[Counts](), list[Ints]()
    for stream in sink.streams:
        pieces = [by_part[id(part)] for part in stream.parts]
        counts.append(pieces[0] if len(pieces) == 1 else np.concatenate(pieces, axis=-1))
        fixed = next((p.n_rows for p in shape.places if p.part is stream.parts[0]), 0)
        sizes.append(np.broadcast_to(np.int64(fixed), len(starts)) if fixed else rows)
    sequence, ticks, received = (
        number.read(buffer, starts, stops) if number else None
        for number in (shape.sequence, shape.ticks, shape.received)
    )
    extra = _extra(buffer, found, shape, rows, more)
    sink.add(dump, found.offset, found.n_bytes, (sequence, ticks, received), counts, sizes, extra)


def _at(found: Found, place: Place) -> Ints:
    return found.starts + place.at if place.at >= 0 else found.stops + place.at


def _counts(buffer: Bytes, found: Found, place: Place, shape: Shape, rows: Ints) -> Counts:
    """Counts of one samples part, shape (frames, rows, channels), or (rows of all frames, channels)."""
    part, at = place.part, _at(found, place)
    if place.n_rows:
        return unpack(rows_at(buffer, at, part.samples_bytes(place.n_rows)), part, place.n_rows)
    sizes = np.unique(found.inner)
    if len(sizes) == 1:
        return unpack(rows_at(buffer, at, int(sizes[0])), part, int(rows[0]))
    if part.bits % 8 == 0 and part.arrangement == "interleaved":
        return unpack(_end_to_end(buffer, at, at + found.inner)[np.newaxis], part, int(rows.sum()))
    out = np.empty((int(rows.sum()), len(part.channels)), dtype=np.int64)
    first = np.cumsum(rows) - rows
    for size in sizes.tolist():
        which = np.flatnonzero(found.inner == size)
        n_rows = int(rows[which[0]])
        into = (first[which][:, np.newaxis] + np.arange(n_rows)).reshape(-1)
        out[into] = unpack(rows_at(buffer, at[which], size), part, n_rows).reshape(-1, out.shape[1])
    return out


def _end_to_end(buffer: Bytes, starts: Ints, stops: Ints) -> Bytes:
    """The bytes of spans that rise and do not overlap, one behind the other."""
    first, last = int(starts[0]), int(stops[-1])
    steps = np.zeros(last - first + 1, dtype=np.int8)
    full = stops > starts
    # where one span ends the next may begin: both steps count
    steps[starts[full] - first] += 1
    steps[stops[full] - first] -= 1
    inside = np.cumsum(steps[:-1], dtype=np.int8).view(np.bool_)
    return buffer[first:last][inside]


def _extra(buffer: Bytes, found: Found, shape: Shape, rows: Ints, more: Bytes | None) -> Bytes | None:
    """The bytes that `Frames.extra` keeps, shape (n, extra_bytes), and `more` behind them."""
    n, pieces = len(found.starts), list[Bytes]()
    for place in shape.places:
        part, at = place.part, _at(found, place)
        if part.is_ == "ignored":
            pieces.append(rows_at(buffer, at, part.n_bytes))
        elif has_pad(part, part.count):
            n_rows = np.broadcast_to(np.int64(place.n_rows), n) if place.n_rows else rows
            n_bytes = (n_rows * part.row_bits + 7) // 8
            last = buffer[np.maximum(at + n_bytes - 1, 0)]
            pieces.append((last & pad_masks(part, n_rows))[:, np.newaxis])
    if more is not None:
        pieces.append(more)
    return np.concatenate(pieces, axis=1) if pieces else None
