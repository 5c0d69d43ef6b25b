"""Counters that wrap: differences, extension, and how many ticks a sample takes.

Sources: RFC 1982 (serial number arithmetic), RFC 3550 A.1 (extended sequence numbers, probation of jumps).
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

_ENOUGH_STEPS = 8
_TOGETHER = 64
_STEPS_AT_ONCE = 1 << 18


def signed_difference(new: Ints, old: Ints, bits: int) -> Ints:
    """``new - old`` on a counter of `bits` bits, in [-2^(bits-1), 2^(bits-1)); plain where bits is 0.

    Exactly half the range apart is undefined in RFC 1982 (3.2); here it counts as behind.
    """
    if not 0 < bits < 63:
        return np.asarray(new - old)
    half = 1 << (bits - 1)
    return np.asarray(((new - old + half) & ((1 << bits) - 1)) - half)


def extend(counter: Ints, bits: int) -> Ints:
    """Counter values with their wraps undone, beginning at the first value as it was read."""
    if not len(counter):
        return counter.copy()
    steps = signed_difference(counter[1:], counter[:-1], bits)
    return np.concatenate((counter[:1], counter[0] + np.cumsum(steps)))


def wrapped(difference: Floats, modulus: float) -> Floats:
    """Nearest to zero of all that differ by whole wraps; unchanged where the modulus is 0."""
    if not modulus:
        return difference
    return difference - modulus * np.rint(difference / modulus)


@dataclass(frozen=True)
class TickRate:
    """How ticks advance: ticks per sample as measured, and their modulus (0 where they never wrap)."""

    per_sample: float
    modulus: float

    def excess(self, difference: Floats, n_samples: Floats) -> Floats:
        """Ticks that a difference has beyond those of `n_samples`, up to whole wraps."""
        return wrapped(difference - n_samples * self.per_sample, self.modulus)

    def excess_of_steps(self, ticks: Ints, n_samples: Ints) -> Floats:
        """:meth:`excess` between neighbours of `ticks`, for `n_samples` between them; needs little memory."""
        excess = np.empty(len(n_samples))
        for start in range(0, len(excess), _STEPS_AT_ONCE):
            stop = min(start + _STEPS_AT_ONCE, len(excess))
            steps = np.diff(ticks[start : stop + 1]).astype(np.float64)
            excess[start:stop] = self.excess(steps, n_samples[start:stop].astype(np.float64))
        return excess


def measure_tick_rate(
    ticks: Ints, n_samples: Ints, follows: npt.NDArray[np.bool_], nominal: float, bits: int
) -> TickRate:
    """Ticks per sample, from frames that follow each other directly.

    Parameters
    ----------
    ticks, n_samples : int64, shape (n,)
        Of frames in the order of arrival.
    follows : bool, shape (n - 1,)
        Whether frame i + 1 follows frame i directly, as far as is known.
    nominal : float
        Ticks per sample by the layout.
    bits : int
        Width at which ticks wrap, 0 where they do not.

    Returns
    -------
    TickRate
        By the median step, refined by the mean of the steps near it; where few are near, because frames
        were stamped in batches, by the median over 64 steps together; nominal where too few frames follow.
    """
    modulus = float(1 << bits) if 0 < bits < 63 else 0.0
    kept = follows & (n_samples[:-1] > 0)
    n_kept = int(kept.sum())
    if n_kept < _ENOUGH_STEPS:
        return TickRate(nominal, modulus)
    step = TickRate(nominal, modulus).excess_of_steps(ticks, n_samples[:-1])
    step = step if n_kept == len(step) else step[kept]
    size = n_samples[:-1][kept].astype(np.float64)
    step += size * nominal
    middle = float(np.median(step / size))
    near = np.abs(step - size * middle) <= 0.25 * size * abs(middle)
    if middle > 0 and near.sum() >= max(_ENOUGH_STEPS, 0.5 * n_kept):
        return TickRate(float(step[near].sum() / size[near].sum()), modulus)
    begins = np.arange(0, max(n_kept // _TOGETHER, 1) * _TOGETHER, _TOGETHER)
    together = float(np.median(np.add.reduceat(step, begins) / np.add.reduceat(size, begins)))
    return TickRate(together if together > 0 else nominal, modulus)
