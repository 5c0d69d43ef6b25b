"""Where the parts of a binary frame stand, worked out once from the layout, for each kind of frame."""

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from pipeline.frames.checksum import Bytes, numbers_at
from pipeline.layouts import Frame, Layout, Part

LONGEST_FRAME = 1 << 20
"""No stated length above this is believed, whatever the layout allows: memory stays bounded."""

CountedBy = Literal["frame", "after_length", "samples", "rows"]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Number:
    """A number within the frame; ``at`` counts from its first byte, or from its end where negative."""

    at: int
    n_bytes: int
    big: bool

    def read(self, block: Bytes, starts: Ints, stops: Ints) -> Ints:
        """The number in each frame [start, stop) of the block, int64; of 64 bits, by its bit pattern."""
        at = starts + self.at if self.at >= 0 else stops + self.at
        return numbers_at(block, at, self.n_bytes, self.big).view(np.int64)


@dataclass(frozen=True)
class Place:
    """Where a part stands; ``at`` as that of a `Number`. ``n_rows`` is 0 for samples of open count."""

    part: Part
    at: int
    n_rows: int = 0


@dataclass(frozen=True)
class Shape:
    """Sizes and places in bytes, of one kind of frame.

    Attributes
    ----------
    frame : Frame
        The kind.
    middle : Part
        The samples whose number is open; of frames of one size the first samples.
    head, tail : int
        Bytes before and behind it.
    n_rows : int
        Its rows, 0 where they are open.
    min_bytes, max_bytes : int
        Between these a length is believed.
    places : tuple of Place
        Of the samples and of the ignored parts, in order.
    kind : Number or None
        Where ``kind_value`` stands.
    length, counted_by, other_samples :
        The length part, what it counts, and the bytes of samples beside the middle ones.
    covered_from : int
        Where the checksum's bytes begin.
    """

    frame: Frame
    sync: bytes
    middle: Part
    head: int
    tail: int
    n_rows: int
    min_bytes: int
    max_bytes: int
    places: tuple[Place, ...]
    kind: Number | None
    kind_value: int
    length: Number | None
    counted_by: CountedBy
    other_samples: int
    sequence: Number | None
    ticks: Number | None
    received: Number | None
    checksum: Part | None
    covered_from: int
    n_bytes: int = field(default=0)

    @property
    def row_bytes(self) -> int:
        """Bytes of one row of the middle samples, where that is a whole number."""
        return self.middle.row_bits // 8

    @property
    def length_is_behind(self) -> bool:
        """Whether the length can only be read once the frame's end is known."""
        return self.length is not None and self.length.at < 0

    def rows_in(self, inner: Ints) -> Ints:
        """Rows that `inner` bytes of the middle samples hold; -1 where they hold no whole number."""
        rows = inner * 8 // self.middle.row_bits
        fits = (inner >= 0) & ((rows * self.middle.row_bits + 7) // 8 == inner)
        return np.where(fits, rows, -1)

    def whole(self, stated: Ints) -> Ints:
        """Bytes of the whole frame by what its length part says."""
        if self.length is None or self.counted_by == "frame":
            return stated
        if self.counted_by == "after_length":
            # from behind the samples this says nothing of them
            return stated + self.length.at + self.length.n_bytes if self.length.at >= 0 else stated * 0
        if self.counted_by == "samples":
            return stated - self.other_samples + self.head + self.tail
        # more rows than any frame has would overflow
        rows = np.minimum(stated, 8 * self.max_bytes)
        return np.where(stated < 0, -1, (rows * self.middle.row_bits + 7) // 8 + self.head + self.tail)

    def believed(self) -> tuple[int, int]:
        """What the length part says at least and at most, where it can be believed."""
        if self.counted_by == "frame":
            return self.min_bytes, self.max_bytes
        if self.counted_by == "samples":
            around = self.head + self.tail - self.other_samples
            return self.min_bytes - around, self.max_bytes - around
        inner = self.max_bytes - self.head - self.tail
        return 0, inner * 8 // self.middle.row_bits

    def stated(self, block: Bytes, starts: Ints) -> Ints:
        """Bytes of the whole frame by its length part, for frames whose beginning lies in the block."""
        if self.length is None:
            return np.full(len(starts), self.n_bytes)
        return self.whole(self.length.read(block, starts, starts))

    def believes(self, n_bytes: Ints) -> Bools:
        """Whether frames of that many bytes can be."""
        if self.n_rows:
            return np.asarray(n_bytes == self.n_bytes)
        fits = self.rows_in(n_bytes - self.head - self.tail) >= 0
        return (n_bytes >= self.min_bytes) & (n_bytes <= self.max_bytes) & fits

    def spans(self, block: Bytes, starts: Ints) -> tuple[Ints, Bools, Bools]:
        """Where the frame at each start would end, where its size follows from its beginning.

        Returns
        -------
        stops : int64
            One past the last byte; may lie beyond the block; ``start + max_bytes`` where not believable.
        believable : bool
            Whether a stated length fits the rest of the layout.
        headless : bool
            Whether the block ends before the length can be read.
        """
        none = np.zeros(len(starts), dtype=bool)
        if self.length is None:
            return starts + self.n_bytes, ~none, none
        headless = starts + self.head > len(block)
        if len(block) < self.head:
            return starts + self.max_bytes, none, ~none
        stated = self.stated(block, np.where(headless, 0, starts))
        believable = self.believes(stated) & ~headless
        return np.where(believable, starts + stated, starts + self.max_bytes), believable, headless

    def is_kind(self, block: Bytes, starts: Ints, stops: Ints) -> Bools:
        """Whether frames that lie in the block say that they are of this kind."""
        if self.kind is None:
            return np.ones(len(starts), dtype=bool)
        return np.asarray(self.kind.read(block, starts, stops) == self.kind_value)

    def fits(self, block: Bytes, starts: Ints, stops: Ints) -> Bools:
        """Whether frames that begin and end there can be of the kind, by size, length, kind and sync."""
        fits = self.believes(stops - starts)
        which = np.flatnonzero(fits)
        starts, stops = starts[which], stops[which]
        right = self.is_kind(block, starts, stops)
        for i, byte in enumerate(self.sync):
            right &= block[starts + i] == byte
        if self.length is not None:
            stated = self.length.read(block, starts, stops)
            if self.length.at < 0 and self.counted_by == "after_length":
                right &= stated == -self.length.at - self.length.n_bytes
            else:
                right &= self.whole(stated) == stops - starts
        fits[which] = right
        return fits


def shapes_of(layout: Layout) -> tuple[Shape, ...]:
    """The shape of each kind of frame of a binary layout, in its order."""
    return tuple(shape_of(frame, layout) for frame in layout.frames)


def shape_of(frame: Frame, layout: Layout) -> Shape:
    """The shape of one kind of frame of the layout.

    Raises
    ------
    ValueError
        Where the frame has no samples, which no layout that was checked has.
    """
    rows = _rows_of_parts(frame, layout)
    samples = frame.all("samples")
    if not samples:
        raise ValueError(f"frame '{frame.name}' has no samples")
    middle = next((part for part in samples if not rows[id(part)]), samples[0])
    widths = [
        part.samples_bytes(rows[id(part)]) if part.is_ == "samples" else part.n_bytes for part in frame.parts
    ]
    at = next(i for i, part in enumerate(frame.parts) if part is middle)
    n_rows = rows[id(middle)]
    head, tail = sum(widths[:at]), sum(widths[at + 1 :])

    def place(part: Part) -> int:
        i = next(i for i, other in enumerate(frame.parts) if other is part)
        return sum(widths[:i]) if n_rows or i <= at else -sum(widths[i:])

    def number(part: Part | None) -> Number | None:
        return Number(place(part), part.n_bytes, part.byte_order == "big") if part else None

    sync, kind, length, checksum = (frame.part(is_) for is_ in ("sync", "kind", "length", "checksum"))
    # without a check an empty frame is not believed: any pattern would be one
    least = head + tail + middle.samples_bytes(n_rows or (0 if checksum else 1))
    most = layout.sector_bytes or frame.max_bytes
    pattern = sync.sync if sync else b""
    return Shape(
        frame=frame,
        sync=pattern,
        middle=middle,
        head=head,
        tail=tail,
        n_rows=n_rows,
        min_bytes=least,
        max_bytes=least if n_rows else max(least, min(most, LONGEST_FRAME)),
        places=tuple(
            Place(part, place(part), rows.get(id(part), 0))
            for part in frame.parts
            if part.is_ in ("samples", "ignored")
        ),
        kind=number(kind),
        kind_value=kind.value if kind and isinstance(kind.value, int) else 0,
        length=number(length),
        counted_by=length.counts if length else "frame",
        other_samples=sum(part.samples_bytes(rows[id(part)]) for part in samples if part is not middle),
        sequence=number(frame.part("sequence")),
        ticks=number(frame.part("ticks")),
        received=number(frame.part("received")),
        checksum=checksum,
        covered_from=0 if checksum and checksum.covers == "frame" else len(pattern),
        n_bytes=least if n_rows else 0,
    )


def _rows_of_parts(frame: Frame, layout: Layout) -> dict[int, int]:
    """Rows of each samples part by its identity, 0 where open; parts of one stream have the same number."""
    rows = {id(part): part.count for part in frame.all("samples")}
    for stream in layout.streams:
        if stream.frame is frame:
            known = next((part.count for part in stream.parts if part.count), 0)
            rows.update({id(part): known for part in stream.parts if not part.count})
    return rows
