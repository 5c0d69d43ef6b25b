"""Smallest and largest count of every bin of rows, and how they become bytes that a page can carry."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.layouts import Channel
from pipeline.recording import Block

REACH = 1 << 31
"""Counts between the ends of a channel from which on its counts are rounded: what 32 bits carry."""
QUIET_SHARE, QUIET_STEPS = 0.05, 256
"""Bounds of bins are rounded outwards, so that what they enclose stays inside, to steps of which even the
bins of the quietest twentieth span so many: less than a pixel, though the picture be as high as such a bin.
Of most devices that is less than a count, and nothing is rounded.
"""

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass
class Layer:
    """Bins of `step` rows each, a power of two, from row `first` on, filled block by block.

    Attributes
    ----------
    low, high : float64, shape (channels, bins)
        Smallest and largest value of the bin in the channel's unit; NaN where no sample is there. One array
        where a bin is a single sample.
    bits : uint8, shape (bins,)
        Conditions that any sample of the bin is in.
    """

    channels: Sequence[Channel]
    first: int
    stop: int
    step: int

    def __post_init__(self) -> None:
        n = -(-(self.stop - self.first) // self.step)
        self.low = np.full((len(self.channels), n), np.nan)
        self.high = self.low if self.step == 1 else self.low.copy()
        self.bits = np.zeros(n, np.uint8)

    def add(self, block: Block) -> None:
        """Take from the block what lies in the layer."""
        start, stop = max(self.first, block.start), min(self.stop, block.start + len(block))
        if stop <= start:
            return
        part = slice(start - block.start, stop - block.start)
        begin = (start - self.first) // self.step
        bins = slice(begin, -(-(stop - self.first) // self.step))
        edges = np.arange(bins.start, bins.stop) * self.step + (self.first - start)
        edges[0] = 0
        for i, channel in enumerate(self.channels):
            values = block.columns[channel.name][part]
            if self.step == 1:
                self.low[i, bins] = values
                continue
            low, high = _least(np.fmin, values, edges, self.step), _least(np.fmax, values, edges, self.step)
            self.low[i, bins] = np.fmin(self.low[i, bins], low)
            self.high[i, bins] = np.fmax(self.high[i, bins], high)
        bits = block.columns["quality"][part].astype(np.uint8)
        self.bits[bins] |= bits if self.step == 1 else np.bitwise_or.reduceat(bits, edges)

    def coarser(self) -> "Layer":
        """The same with two bins in each of its own."""
        layer = Layer(self.channels, self.first, self.stop, self.step * 2)
        pairs = np.arange(0, len(self.bits), 2)
        layer.low = np.fmin.reduceat(self.low, pairs, axis=1)
        layer.high = np.fmax.reduceat(self.high, pairs, axis=1)
        layer.bits = np.bitwise_or.reduceat(self.bits, pairs)
        return layer

    def part(self, start: int, stop: int) -> "Layer":
        """Rows [start, stop) of single samples."""
        layer = Layer(self.channels, start, stop, 1)
        rows = slice(start - self.first, stop - self.first)
        layer.low = layer.high = self.low[:, rows]
        layer.bits = self.bits[rows]
        return layer

    def packed(self) -> tuple[dict[str, Any], bytes]:
        """What a reader needs to know, and the bytes.

        First ``bits``; then for each channel: a bit for each bin that holds a sample, the lows, and, where a
        bin is more than a sample, by how much the highs lie above them. Numbers stand in planes, the lowest
        bytes of all of them first: like stands beside like, and deflates to less.
        """
        parts, facts = [self.bits.tobytes()], []
        for i, channel in enumerate(self.channels):
            fact, own = _packed_channel(channel, self.low[i], self.high[i], self.step == 1)
            facts.append(fact)
            parts += own
        head = {"first": self.first, "step": self.step, "n": len(self.bits), "channels": facts}
        return head, b"".join(parts)


def _least(how: np.ufunc, values: npt.NDArray[Any], edges: Ints, step: int) -> npt.NDArray[Any]:
    """`how` over each bin; over whole bins by halves, as steps are powers of two: many times faster."""
    if len(values) == len(edges) * step:
        while step > 1:
            values, step = how(values[::2], values[1::2]), step // 2
        return values
    parts: npt.NDArray[Any] = how.reduceat(values, edges)
    return parts


def _packed_channel(
    channel: Channel, low: Floats, high: Floats, exact: bool
) -> tuple[dict[str, int], list[bytes]]:
    there = ~np.isnan(low)
    presence = np.packbits(there).tobytes()
    if not there.any():
        return {"base": 0, "shift": 0, "order": 0, "planes": 0, "more": 0}, [presence]
    # What lacks takes the count before it: that costs no bytes.
    known = np.maximum.accumulate(np.where(there, np.arange(len(low)), np.argmax(there)))
    least = _counts(low[known], channel)
    most = least if exact else _counts(high[known], channel)
    if channel.scale < 0:
        least, most = most, least
    base = int(least.min())
    least, most, reach = least - base, most - base, int(most.max()) - base
    shift = max((reach // REACH).bit_length(), 0 if exact else _shift((most - least)[there]))
    if shift:
        least, most = least >> shift, -(-most >> shift)
    step = np.diff(least, prepend=0)
    order = int(float(step[1:].std()) < float(least.std())) if len(least) > 1 else 0
    own = _planes((step << 1) ^ (step >> 63) if order else least)
    more = [] if exact else _planes(most - least)
    fact = {"base": base, "shift": shift, "order": order, "planes": len(own), "more": len(more)}
    return fact, [presence, *own, *more]


def _shift(heights: Ints) -> int:
    """By how many bits bounds can be rounded and still be exact to less than a pixel."""
    nth = int(len(heights) * QUIET_SHARE)
    return max((int(np.partition(heights, nth)[nth]) // QUIET_STEPS).bit_length() - 1, 0)


def _counts(values: Floats, channel: Channel) -> Ints:
    counts: Ints = np.rint((values - channel.offset) / channel.scale).astype(np.int64)
    return counts


def _planes(numbers: Ints) -> list[bytes]:
    """The bytes of numbers from 0 to 2^32, lowest first; no more planes than the largest needs."""
    n_bytes = (int(numbers.max()).bit_length() + 7) // 8
    return [((numbers >> (8 * i)) & 255).astype(np.uint8).tobytes() for i in range(n_bytes)]
