"""How many bits it takes to tell numbers that go on from one to the next."""

import numpy as np
import numpy.typing as npt

_MOST_DIFFERENCES = 2
_SPREAD_BITS = 3.3
"""Of numbers with a two-sided exponential spread: entropy less mean logarithm of the size, in bits."""


def coded(steps: npt.NDArray[np.float64], most: float) -> npt.NDArray[np.float64]:
    """Bits that a step takes, the mean of each column; `most` where they are spread over everything.

    For a two-sided exponential spread of mean size b the entropy is log2(2 e b), and the mean of log2 of the
    size log2(b) less 0.83; the mean logarithm bears with single wild steps, where the mean size does not.

    Parameters
    ----------
    steps : float64, shape (n,) or (n, columns)
        Of any sign.
    most : float
        Bits of the number itself.
    """
    if not len(steps):
        return np.full(steps.shape[1:], most)
    size = np.log2(1.0 + np.abs(steps)).mean(axis=0)
    return np.asarray(np.minimum(size + _SPREAD_BITS * (1.0 - np.exp2(-size)), most))


def going_on(rows: npt.NDArray[np.int64], most: float, bits: int = 0) -> npt.NDArray[np.float64]:
    """Bits that a number takes beside the ones before it, the mean of each column.

    Told by its step from the last one, or by the change of that step, whichever is less on the whole.

    Parameters
    ----------
    rows : int64, shape (n, columns)
        Numbers that go on from row to row.
    most : float
        Bits of the number itself.
    bits : int
        Where given, steps go round at that width, so that signs do not matter.
    """
    best, steps = np.full(rows.shape[1], most), rows
    for _ in range(_MOST_DIFFERENCES):
        steps = np.diff(steps, axis=0)
        if bits:
            half = 1 << (bits - 1)
            steps = ((steps + half) & ((1 << bits) - 1)) - half
        cost = coded(steps.astype(np.float64), most)
        if cost.sum() < best.sum():
            best = cost
    return best


def told_bits(rows: npt.NDArray[np.uint8]) -> npt.NDArray[np.float64]:
    """Bits that each column of bytes takes by itself, by its steps or as it stands, whichever is less."""
    steps = (rows[1:] - rows[:-1]).view(np.int8).astype(np.float64)
    changed = 8.0 * (rows[1:] != rows[:-1]).mean(axis=0) if len(rows) > 1 else np.full(rows.shape[1], 8.0)
    return np.asarray(np.minimum(coded(steps, 8.0), changed))
