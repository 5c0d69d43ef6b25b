"""Where the oldest sector of a circular log stands, by the sequence numbers of its frames."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from pipeline.frames.sinks import FrameSink

Ints = npt.NDArray[np.int64]

_FEWEST = 3
_SLACK = 2


def turn_to_oldest(
    sinks: Sequence[FrameSink], firsts: Sequence[int], n_bytes: int, sector_bytes: int
) -> None:
    """Put the frames of the dump read last in the order of time, where its log had come round.

    Parameters
    ----------
    sinks : sequence of FrameSink
        One for each kind of frame.
    firsts : sequence of int
        Where the frames of that dump begin in each of them.
    n_bytes, sector_bytes : int
        Size of the dump, and of its sectors.
    """
    offset, sequence, bits = _numbered(sinks, firsts)
    at = oldest(sequence, offset, bits, n_bytes, sector_bytes)
    if at > 0:
        for sink, first in zip(sinks, firsts, strict=True):
            sink.turn(first, int(np.searchsorted(sink.offsets(first), offset[at])))


def _numbered(sinks: Sequence[FrameSink], firsts: Sequence[int]) -> tuple[Ints, Ints, int]:
    """Offsets, sequence numbers and their bits, of all kinds that share them, else of the commonest."""
    some = list[tuple[Ints, Ints]]()
    bits, is_shared = 0, False
    for sink, first in zip(sinks, firsts, strict=True):
        part = sink.frame.part("sequence")
        if part is None:
            continue
        own = sink.offsets(first), sink.sequences(first)
        if is_shared and part.shared:
            some.append(own)
        elif not some or len(own[0]) > len(some[0][0]):
            some, bits, is_shared = [own], part.wraps_at_bits, part.shared
    if not some:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64), 0
    offset, sequence = (np.concatenate(columns) for columns in zip(*some, strict=True))
    order = np.argsort(offset, kind="stable")
    return offset[order], sequence[order], bits


def oldest(sequence: Ints, offset: Ints, bits: int, n_bytes: int, sector_bytes: int) -> int:
    """Index of the oldest frame of a log; 0 where it is the first, or where that cannot be told.

    It stands behind the only break in the sequence, when the sequence goes on from the last frame to the
    first one.

    Parameters
    ----------
    sequence, offset : int64, shape (n,)
        Of the frames, by rising offset.
    bits : int
        Width at which the sequence wraps, 0 for none.
    n_bytes, sector_bytes : int
        Size of the dump, and of its sectors.
    """
    if len(sequence) < _FEWEST:
        return 0
    modulus = 1 << (bits or 62)
    mask = np.int64(modulus - 1) if bits < 64 else np.int64(-1)
    step = np.diff(sequence) & mask
    places = np.rint(np.diff(offset) / sector_bytes).astype(np.int64)
    unit = max(int(np.median(step)), 1)
    backward = np.flatnonzero((step >= modulus // 2) | (step < 0))
    broken = np.flatnonzero((step < 1) | (step > unit * (places + _SLACK)))
    breaks = backward if len(backward) == 1 else broken
    if len(breaks) != 1:
        return 0
    around = (n_bytes - int(offset[-1]) + int(offset[0])) // sector_bytes
    seam = int(np.int64(sequence[0] - sequence[-1]) & mask)
    return int(breaks[0]) + 1 if 1 <= seam <= unit * (around + _SLACK) else 0
