"""Samples of two sorts in a frame, one behind the other: where the second ones begin."""

from dataclasses import dataclass
from math import gcd

import numpy as np
import numpy.typing as npt

from pipeline.finder.cost import coded
from pipeline.finder.samples import Reading, read_samples, values_of
from pipeline.frames.checksum import Bytes
from pipeline.layouts.layout import ByteOrder

_BITS = (8, 10, 12, 16, 24, 32)
_ORDERS: tuple[ByteOrder, ByteOrder] = ("little", "big")
_MOST_CHANNELS = 8
_MOST_FRAMES = 96
_MOST_BYTES = 256
_FEWEST_ROWS = 2
_CLEARLY_LESS = 0.9

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class _Sums:
    """Costs of a width, an order and a number of channels from one byte on.

    ``costs[i]`` is the sum over the first i steps; a step goes over ``lag`` values of ``bits`` bits.
    """

    start: int
    bits: int
    lag: int
    costs: Floats


def read_parts(rows: Bytes) -> tuple[tuple[int, Reading], ...]:
    """The way to read the bytes of samples, as one part or as two: where each begins, and how it is read.

    Parameters
    ----------
    rows : uint8, shape (n, bytes)
        What stands between counters and check, in frames of one size.
    """
    whole = read_samples(rows)
    if whole is None:
        return ()
    if rows.shape[1] <= _MOST_BYTES and (at := _best_split(rows[:_MOST_FRAMES])):
        first, second = read_samples(rows[:, :at], 0), read_samples(rows[:, at:], 0)
        if first is not None and second is not None:
            both = first.bits_left + second.bits_left
            if both < _CLEARLY_LESS * whole.bits_left and {first.spare, second.spare} == {0}:
                return ((0, first), (at, second))
    return ((0, whole),)


def _best_split(rows: Bytes) -> int:
    """The byte at which the second part begins, if there are two; 0 where no place is possible."""
    n_bytes = rows.shape[1]
    before, behind = np.full(n_bytes + 1, np.inf), np.full(n_bytes + 1, np.inf)
    for sums in _all_sums(rows):
        unit = sums.bits * sums.lag
        for n_rows in range(_FEWEST_ROWS, (len(sums.costs) - 1) // sums.lag + 2):
            # a part from the first byte on, and one up to the last byte
            stop = sums.start + -(-n_rows * unit // 8)
            n_steps = (n_rows - 1) * sums.lag
            if stop > n_bytes or n_steps >= len(sums.costs):
                break
            cost = float(sums.costs[n_steps]) / n_steps * n_rows * sums.lag
            if sums.start == 0:
                before[stop] = min(before[stop], cost)
            if stop == n_bytes:
                behind[sums.start] = min(behind[sums.start], cost)
    both = before + behind
    at = int(np.argmin(both))
    return at if np.isfinite(both[at]) else 0


def _all_sums(rows: Bytes) -> "list[_Sums]":
    """Every width, order and number of channels, from every byte on."""
    found = list[_Sums]()
    for bits in _BITS:
        for order in _ORDERS if bits > 8 else _ORDERS[:1]:
            period = bits // gcd(bits, 8)  # after so many bytes numbers begin on a whole byte again
            for first in range(min(period, rows.shape[1])):
                n_values = (rows.shape[1] - first) * 8 // bits
                if n_values < 2:
                    continue
                values = values_of(rows[:, first:], bits, order, n_values)
                per_period = period * 8 // bits
                for lag in range(1, min(_MOST_CHANNELS, n_values // _FEWEST_ROWS) + 1):
                    found += _from_each_period(values, bits, lag, first, period, per_period)
    return found


def _from_each_period(
    values: npt.NDArray[np.int64], bits: int, lag: int, first: int, period: int, per_period: int
) -> "list[_Sums]":
    half = 1 << (bits - 1)
    steps = ((values[:, lag:] - values[:, :-lag] + half) & ((1 << bits) - 1)) - half
    costs = np.concatenate((np.zeros(1), np.cumsum(coded(steps.astype(np.float64), bits))))
    return [
        _Sums(first + k * period, bits, lag, costs[k * per_period :] - costs[k * per_period])
        for k in range(len(costs) // per_period)
    ]
