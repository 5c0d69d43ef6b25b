"""Where frames of many sizes state how long they are."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from pipeline.layouts import Part
from pipeline.layouts.layout import ByteOrder

_REACH = 16
_WIDTHS = (2, 1, 3, 4)
_AGREE = 0.95
_MOST_FRAMES = 512
_ORDERS: tuple[ByteOrder, ByteOrder] = ("little", "big")


@dataclass(frozen=True)
class Stated:
    """Where the length stands, and what it counts."""

    at: int
    n_bytes: int
    byte_order: ByteOrder
    counts: Literal["frame", "after_length", "samples", "rows"]

    def part(self) -> Part:
        """As a part of the frame."""
        return Part("length", self.n_bytes, 8 * self.n_bytes, byte_order=self.byte_order, counts=self.counts)


def stated_length(frames: Sequence[bytes], n_sync: int) -> Stated | None:
    """The number in the first bytes that goes with the size of the frames; None where there is none.

    Parameters
    ----------
    frames : sequence of bytes
        Of several sizes, whole.
    n_sync : int
        Sync bytes at their beginning.
    """
    frames = frames[:_MOST_FRAMES]
    sizes = np.array([len(frame) for frame in frames])
    if len(frames) < 8 or len(set(sizes.tolist())) < 2:
        return None
    for at in range(n_sync, n_sync + _REACH):
        for n_bytes in _WIDTHS:
            for order in _ORDERS if n_bytes > 1 else _ORDERS[:1]:
                values = np.array([int.from_bytes(frame[at : at + n_bytes], order) for frame in frames])
                counts = _counted(values, sizes, at + n_bytes)
                if counts:
                    return Stated(at, n_bytes, order, counts)
    return None


def _counted(
    values: np.ndarray, sizes: np.ndarray, behind: int
) -> Literal["frame", "after_length", "samples", "rows", ""]:
    """What the numbers count, where nearly all of them agree with the sizes."""
    rest = sizes - values
    usual, n_of = np.unique(rest, return_counts=True)
    if n_of.max() >= _AGREE * len(sizes):
        left = int(usual[np.argmax(n_of)])
        return "frame" if left == 0 else "after_length" if left == behind else "samples" if left > 0 else ""
    kinds = np.unique(values)
    if len(kinds) < 2 or len(kinds) > len(values) // 2 or int(kinds[-1]) > 1 << 16:
        return ""
    # rows: each makes the frame longer by the same number of bytes
    slope, offset = np.polyfit(values, sizes, 1)
    fits = np.abs(np.rint(slope) * values + np.rint(sizes - np.rint(slope) * values)[0] - sizes) < 1
    return "rows" if slope >= 1 and offset >= behind - 1 and fits.mean() >= _AGREE else ""
