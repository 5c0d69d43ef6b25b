"""Blanks and other bytes around pieces of a block, passed over for all pieces at once."""

import numpy as np
import numpy.typing as npt

from pipeline.frames.checksum import Bytes
from pipeline.frames.leftover import Ints

_ROUNDS = 8


def skip_around(block: Bytes, starts: Ints, stops: Ints, skip: npt.NDArray[np.bool_]) -> tuple[Ints, Ints]:
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


def _outside(block: Bytes, at: Ints, starts: Ints, stops: Ints, skip: npt.NDArray[np.bool_]) -> Ints:
    """Which pieces have a byte that is passed over at one of their ends."""
    which = np.flatnonzero(starts < stops)
    return which[skip[block[at[which]]]]


def _jump(block: Bytes, starts: Ints, stops: Ints, skip: npt.NDArray[np.bool_], forwards: bool) -> None:
    """The same for pieces with many such bytes, whose number costs no time."""
    which = _outside(block, starts if forwards else stops - 1, starts, stops, skip)
    kept = np.flatnonzero(~skip[block])
    if forwards:
        bounded = np.append(kept, len(block))
        starts[which] = np.minimum(bounded[np.searchsorted(kept, starts[which])], stops[which])
    else:
        bounded = np.concatenate((np.full(1, -1), kept))
        stops[which] = np.maximum(bounded[np.searchsorted(kept, stops[which])] + 1, starts[which])
