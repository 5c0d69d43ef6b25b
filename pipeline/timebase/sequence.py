"""Counters that wrap: differences, extension, and how many ticks a sample takes.

Sources: RFC 1982 (serial number arithmetic), RFC 3550 A.1 (extended sequence numbers, probation of jumps).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.frames.room import MEMORY, Room, blocks_of, let_go

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_ENOUGH_STEPS = 8
_TOGETHER = 64
_MOST_LOOKED_AT = 1 << 20
_N_PIECES = 64


def signed_difference(new: Ints, old: Ints, bits: int) -> Ints:
    """``new - old`` on a counter of `bits` bits, in [-2^(bits-1), 2^(bits-1)); plain where bits is 0.

    Exactly half the range apart is undefined in RFC 1982 (3.2); here it counts as behind.
    """
    if not 0 < bits < 63:
        return np.asarray(new - old)
    half = 1 << (bits - 1)
    return np.asarray(((new - old + half) & ((1 << bits) - 1)) - half)


def follows_by(counter: Ints, bits: int, step: int, room: Room = MEMORY) -> Bools:
    """Whether each value is `step` behind the one before it, shape (n - 1,)."""
    found: Bools = room.zeros(max(len(counter) - 1, 0), bool)
    for block in blocks_of(len(found)):
        values = counter[block.start : block.stop + 1]
        found[block] = signed_difference(values[1:], values[:-1], bits) == step
    return found


def extend(counter: Ints, bits: int, room: Room = MEMORY) -> Ints:
    """Counter values with their wraps undone, beginning at the first value as it was read."""
    if not 0 < bits < 63 or not len(counter):
        return counter
    extended: Ints = room.zeros(len(counter))
    extended[0] = counter[0]
    for block in blocks_of(len(counter) - 1):
        values = counter[block.start : block.stop + 1]
        steps = signed_difference(values[1:], values[:-1], bits)
        extended[block.start + 1 : block.stop + 1] = extended[block.start] + np.cumsum(steps)
    return extended


def pieces_of(n: int) -> Iterator[slice]:
    """Where to look at `n` things of which there are many: at all of a million, else at 64 stretches."""
    if n <= _MOST_LOOKED_AT:
        yield slice(0, n)
        return
    size = _MOST_LOOKED_AT // _N_PIECES
    for start in np.linspace(0, n - size, _N_PIECES).astype(int).tolist():
        yield slice(start, start + size)
        let_go()


def typical_of(n_samples: Ints) -> float:
    """The median number of samples of a frame, at least 1."""
    looked_at = [n_samples[piece].copy() for piece in pieces_of(len(n_samples))]
    return max(float(np.median(np.concatenate(looked_at))), 1.0) if len(n_samples) else 1.0


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
        """:meth:`excess` between neighbours of `ticks`, for `n_samples` between them."""
        excess = np.empty(len(n_samples))
        for block in blocks_of(len(excess)):
            steps = np.diff(ticks[block.start : block.stop + 1]).astype(np.float64)
            excess[block] = self.excess(steps, n_samples[block].astype(np.float64))
        return excess


def measure_tick_rate(ticks: Ints, n_samples: Ints, follows: Bools, nominal: float, bits: int) -> TickRate:
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
    step, size = steps_where(ticks, n_samples, follows, TickRate(nominal, modulus))
    n_kept = len(step)
    if n_kept < _ENOUGH_STEPS:
        return TickRate(nominal, modulus)
    step += size * nominal
    middle = float(np.median(step / size))
    near = np.abs(step - size * middle) <= 0.25 * size * abs(middle)
    if middle > 0 and near.sum() >= max(_ENOUGH_STEPS, 0.5 * n_kept):
        return TickRate(float(step[near].sum() / size[near].sum()), modulus)
    begins = np.arange(0, max(n_kept // _TOGETHER, 1) * _TOGETHER, _TOGETHER)
    together = float(np.median(np.add.reduceat(step, begins) / np.add.reduceat(size, begins)))
    return TickRate(together if together > 0 else nominal, modulus)


def steps_where(ticks: Ints, n_samples: Ints, follows: Bools, rate: TickRate) -> tuple[Floats, Floats]:
    """Excess of ticks, and samples, between frames that follow each other; of many, of some stretches."""
    steps, sizes = [np.zeros(0)], [np.zeros(0)]
    for piece in pieces_of(len(follows)):
        size = n_samples[piece]
        excess = rate.excess_of_steps(ticks[piece.start : piece.stop + 1], size)
        kept = follows[piece] & (size > 0)
        steps.append(excess[kept])
        sizes.append(size[kept].astype(np.float64))
    return np.concatenate(steps), np.concatenate(sizes)
