"""Pieces of a block: where they begin and end without blanks, and what they hold; all pieces at once."""

import numpy as np
import numpy.typing as npt

from pipeline.frames.checksum import Bytes
from pipeline.frames.leftover import Ints

Bools = npt.NDArray[np.bool_]

_ROUNDS = 8


def skip_around(block: Bytes, starts: Ints, stops: Ints, skip: Bools) -> tuple[Ints, Ints]:
    """Move both ends of pieces inwards past bytes that do not count; pieces of nothing else become empty.

    Parameters
    ----------
    block : uint8
        In which the pieces stand.
    starts, stops : int64, shape (n,)
        Pieces [start, stop).
    skip : bool, shape (256,)
        Which bytes are passed over.
    """
    starts, stops = starts.copy(), stops.copy()
    for _ in range(_ROUNDS):
        which = _outside(block, starts, starts, stops, skip)
        starts[which] += 1
        if not len(which):
            break
    else:
        _jump(block, starts, stops, skip, forwards=True)
    for _ in range(_ROUNDS):
        which = _outside(block, stops - 1, starts, stops, skip)
        stops[which] -= 1
        if not len(which):
            break
    else:
        _jump(block, starts, stops, skip, forwards=False)
    return starts, stops


def _outside(block: Bytes, at: Ints, starts: Ints, stops: Ints, skip: Bools) -> Ints:
    """Which pieces have a byte that is passed over at one of their ends."""
    which = np.flatnonzero(starts < stops)
    return which[skip[block[at[which]]]]


def _jump(block: Bytes, starts: Ints, stops: Ints, skip: Bools, forwards: bool) -> None:
    """The same for pieces with many such bytes, whose number costs no time."""
    which = _outside(block, starts if forwards else stops - 1, starts, stops, skip)
    kept = np.flatnonzero(~skip[block])
    if forwards:
        bounded = np.append(kept, len(block))
        starts[which] = np.minimum(bounded[np.searchsorted(kept, starts[which])], stops[which])
    else:
        bounded = np.concatenate((np.full(1, -1), kept))
        stops[which] = np.maximum(bounded[np.searchsorted(kept, stops[which])] + 1, starts[which])


def made_of(block: Bytes, starts: Ints, stops: Ints, some: Bools) -> Bools:
    """Whether all bytes of each piece, of which none is empty, are among some (bool, shape (256,))."""
    held, first = _bytes_of(block, starts, stops)
    return np.logical_and.reduceat(some[held], first) if len(first) else np.zeros(0, dtype=bool)


def holds(block: Bytes, starts: Ints, stops: Ints, some: Bools) -> Bools:
    """Whether any byte of each piece, of which none is empty, is among some (bool, shape (256,))."""
    held, first = _bytes_of(block, starts, stops)
    return np.logical_or.reduceat(some[held], first) if len(first) else np.zeros(0, dtype=bool)


def _bytes_of(block: Bytes, starts: Ints, stops: Ints) -> tuple[Bytes, Ints]:
    """The bytes of all pieces end to end, and where each of them begins there."""
    sizes = stops - starts
    first = np.cumsum(sizes) - sizes
    return block[np.arange(int(sizes.sum())) + np.repeat(starts - first, sizes)], first
