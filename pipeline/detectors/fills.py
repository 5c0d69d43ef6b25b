"""Runs of equal rows that a writer put in for what it had not got, told by their codes."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from pipeline.detectors.runs import Floats, Runs
from pipeline.layouts import Channel

JUMP_COUNTS = 8
"""A step into and out of a run that no quiet signal makes (common practice, no source)."""

Mask = npt.NDArray[np.bool_]


def are_fills(runs: Runs, channels: Sequence[Channel], unlikely: Mask | None = None) -> Mask:
    """Which runs of rows are a filling: codes that stand for nothing, and steps on both sides.

    Such are 0, -1 and the ends of the converter in every channel, its middle in every channel, and any other
    row that comes back in runs that chance does not explain (``unlikely``). In a channel by itself the ends,
    and levels that come back, are rails of the converter and of its amplifier.

    Returns
    -------
    bool, shape (runs,)
    """
    if not len(runs):
        return np.zeros(0, bool)
    codes, before, after = (_codes(values, channels) for values in (runs.value, runs.before, runs.after))
    low, high = (np.array([getattr(channel, end) for channel in channels]) for end in ("adc_min", "adc_max"))
    middle = (low + high + 1) // 2
    special = (
        (codes == 0).all(axis=1)
        | (codes == -1).all(axis=1)
        | (codes == low).all(axis=1)
        | (codes == high).all(axis=1)
        | (codes == middle).all(axis=1)
    )
    if len(channels) == 1:
        special &= (codes[:, 0] != low[0]) & (codes[:, 0] != high[0])
    elif unlikely is not None:
        special |= unlikely & _comes_back(codes, unlikely)
    into, out = _jumps(codes, before), _jumps(codes, after)
    return np.asarray(special & into & out & ~(_unknown(before) & _unknown(after)))


def _codes(values: Floats, channels: Sequence[Channel]) -> Floats:
    """Counts as floating-point numbers, for some may be missing."""
    scale, offset = (np.array([getattr(channel, of) for channel in channels]) for of in ("scale", "offset"))
    return np.asarray(np.rint((values - offset) / scale))


def _jumps(codes: Floats, beside: Floats) -> Mask:
    """Whether a run is left by a wide step in some channel; nothing beside it does not speak against it."""
    return np.asarray(_unknown(beside) | (np.abs(codes - beside) > JUMP_COUNTS).any(axis=1))


def _unknown(beside: Floats) -> Mask:
    return np.asarray(np.isnan(beside).any(axis=1))


def _comes_back(codes: Floats, among: Mask) -> Mask:
    """Whether the same codes stand in more than one of the runs `among`."""
    _, which, n = np.unique(codes, axis=0, return_inverse=True, return_counts=True)
    which = which.reshape(-1)
    n_among = np.bincount(which[among], minlength=len(n))
    return np.asarray(n_among[which] > 1)
