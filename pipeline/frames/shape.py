"""Where the parts of a binary frame stand, worked out once from the layout."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from pipeline.frames.checksum import Bytes
from pipeline.layouts import Layout, Part

LONGEST_FRAME = 1 << 20
"""No stated length above this is believed, whatever the layout allows: memory stays bounded."""

CountedBy = Literal["frame", "after_length", "samples", "rows"]


@dataclass(frozen=True)
class Number:
    """A number within the frame; ``at`` counts from its first byte, or from its end where negative."""

    at: int
    n_bytes: int
    big: bool

    def read(
        self, block: Bytes, starts: npt.NDArray[np.int64], stops: npt.NDArray[np.int64]
    ) -> npt.NDArray[np.int64]:
        """The number in each frame [start, stop) of the block, int64."""
        at = starts + self.at if self.at >= 0 else stops + self.at
        value = np.zeros(len(starts), dtype=np.int64)
        places = range(self.n_bytes) if self.big else reversed(range(self.n_bytes))
        for place in places:
            value = (value << 8) | block[at + place]
        return value


@dataclass(frozen=True)
class Shape:
    """Sizes and places in bytes. ``n_rows`` is 0 where the frame states its own length."""

    sync: bytes
    head: int
    tail: int
    row_bytes: int
    n_rows: int
    min_bytes: int
    max_bytes: int
    samples: Part
    length: Number | None
    counted_by: CountedBy
    sequence: Number | None
    ticks: Number | None
    checksum: Part | None
    covered_from: int

    @property
    def n_bytes(self) -> int:
        """Length of every frame, 0 where they differ."""
        return self.head + self.tail + self.n_rows * self.row_bytes if self.n_rows else 0

    def stated(self, block: Bytes, starts: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """Bytes of the whole frame by its length part, for frames whose beginning lies in the block."""
        if self.length is None:
            return np.full(len(starts), self.n_bytes)
        stated = self.length.read(block, starts, starts)
        if self.counted_by == "after_length":
            return stated + self.length.at + self.length.n_bytes
        return stated + self.head + self.tail if self.counted_by == "samples" else stated

    def spans(
        self, block: Bytes, starts: npt.NDArray[np.int64]
    ) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
        """Where the frame at each start would end.

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
        safe = np.where(headless, 0, starts)
        if len(block) < self.head:
            return starts + self.max_bytes, none, ~none
        stated = self.stated(block, safe)
        inner = stated - self.head - self.tail
        believable = (stated >= self.min_bytes) & (stated <= self.max_bytes) & (inner % self.row_bytes == 0)
        if self.n_rows:
            believable &= stated == self.n_bytes
        believable &= ~headless
        return np.where(believable, starts + stated, starts + self.max_bytes), believable, headless


def shape_of(layout: Layout) -> Shape:
    """The shape of the layout's frames (framing 'sync')."""
    frame = layout.frame
    samples = frame.part("samples")
    sync = frame.part("sync")
    if samples is None or sync is None:
        raise ValueError("a layout with framing 'sync' has a sync and a samples part")
    row_bytes = samples.row_bits // 8
    widths = [part.n_bytes for part in frame.parts]
    middle = frame.parts.index(samples)
    head, tail = sum(widths[:middle]), sum(widths[middle:])

    def number(is_: Literal["length", "sequence", "ticks"]) -> Number | None:
        part = frame.part(is_)
        if part is None:
            return None
        i = frame.parts.index(part)
        at = sum(widths[:i]) if i < middle else -sum(widths[i:])
        return Number(at, part.n_bytes, part.byte_order == "big")

    length, length_part = number("length"), frame.part("length")
    if length is not None and length.at < 0 and samples.count:
        length = Number(length.at + head + tail + samples.count * row_bytes, length.n_bytes, length.big)
    checksum = frame.part("checksum")
    least = head + tail + max(samples.count, 0 if checksum else 1) * row_bytes
    return Shape(
        sync=sync.sync,
        head=head,
        tail=tail,
        row_bytes=row_bytes,
        n_rows=samples.count,
        min_bytes=least,
        max_bytes=least if samples.count else max(least, min(frame.max_bytes, LONGEST_FRAME)),
        samples=samples,
        length=length,
        counted_by=length_part.counts if length_part else "frame",
        sequence=number("sequence"),
        ticks=number("ticks"),
        checksum=checksum,
        covered_from=0 if checksum and checksum.covers == "frame" else len(sync.sync),
    )


def counts_of(values: Bytes, samples: Part) -> npt.NDArray[np.integer]:
    """Counts from the bytes of samples.

    Parameters
    ----------
    values : uint8, any shape
        Whole values, in the order of the dump.
    samples : Part
        Number type and channels.

    Returns
    -------
    integers, shape (rows, channels)
    """
    flat = np.ascontiguousarray(values).reshape(-1)
    order, n_channels = (">" if samples.byte_order == "big" else "<"), len(samples.channels)
    signed = samples.form == "signed"
    if samples.bits != 24:
        kind = "i" if signed else "u"
        return flat.view(f"{order}{kind}{samples.bits // 8}").reshape(-1, n_channels)
    triples = flat.reshape(-1, 3)
    if samples.byte_order == "big":
        triples = triples[:, ::-1]
    wide = np.zeros((len(triples), 4), dtype=np.uint8)
    wide[:, 1:] = triples
    whole = wide.view("<i4" if signed else "<u4")[:, 0] >> 8
    return whole.astype(np.int32).reshape(-1, n_channels)
