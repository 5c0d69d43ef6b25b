"""A receiver's stamps without the delays of their frames, and the fastest of many frames."""

from collections.abc import Callable

import numpy as np

from pipeline.frames.room import AT_ONCE, MEMORY, Room, blocks_of
from pipeline.timebase.sequence import Bools, Floats, Ints, TickRate, typical_of

_LEAST_FRAMES = 32
_LEAST_S = 2.0
_MOST_FRAMES = 1 << 12
_MOST_KEPT = 1 << 18


def without_delays(
    stamps: Ints, n_samples: Ints, follows: Bools, rate: TickRate, stamp_hz: float, room: Room = MEMORY
) -> Ints:
    """Stamps of frames as if each had come as fast as the fastest near it that it hangs together with.

    Parameters
    ----------
    stamps, n_samples : int64, shape (n,)
        In the order of arrival; wraps are undone.
    follows : bool, shape (n - 1,)
        Whether frame i + 1 follows frame i by its number.
    rate : TickRate
        Stamps per sample.
    stamp_hz : float
        Stamps per second.

    Returns
    -------
    int64, shape (n,)
        The least delay of 2 s (and of 32 frames at least) to either side, as far as frames follow each
        other, is taken for all of them: what is left of the delays is that of the fastest.
    """
    frame = typical_of(n_samples) * rate.per_sample
    n_near = int(max(_LEAST_FRAMES, min(_LEAST_S * stamp_hz / frame, _MOST_FRAMES) if frame > 0 else 0))
    found: Ints = room.zeros(len(stamps))
    for block in blocks_of(len(stamps)):
        first, stop = max(block.start - n_near, 0), min(block.stop + n_near, len(stamps))
        together = follows[first : stop - 1]
        fastest = _as_the_fastest(stamps[first:stop], n_samples[first:stop], together, rate, n_near)
        found[block] = fastest[block.start - first : block.stop - first]
    return found


def _as_the_fastest(stamps: Ints, n_samples: Ints, follows: Bools, rate: TickRate, n_near: int) -> Ints:
    expected = np.cumsum(n_samples, dtype=np.float64)
    expected -= n_samples
    expected *= rate.per_sample
    delay = stamps - stamps[0] - expected
    broken = np.concatenate((np.zeros(1, dtype=np.int32), np.cumsum(~follows, dtype=np.int32)))
    ahead, behind = delay, delay.copy()
    step = 1
    while step < min(n_near, len(delay)):
        together = broken[step:] == broken[:-step]
        ahead[:-step] = np.where(together, np.minimum(ahead[:-step], ahead[step:]), ahead[:-step])
        behind[step:] = np.where(together, np.minimum(behind[step:], behind[:-step]), behind[step:])
        step *= 2
    expected += np.minimum(ahead, behind)
    return np.asarray(stamps[0] + np.rint(expected).astype(np.int64))


Delay = Callable[[int, int], Floats]
"""Delays of the frames [start, stop), up to a constant and to a slow drift."""


def fastest_of(n: int, delay: Delay) -> Ints:
    """The fastest of every few of `n` frames, 262 144 at most: those that a line under all can touch."""
    together = -(-n // _MOST_KEPT)
    if together <= 1:
        return np.arange(n)
    kept = list[Ints]()
    for block in blocks_of(n, AT_ONCE // together * together):
        n_here = block.stop - block.start
        padded = np.full(-(-n_here // together) * together, np.inf)
        padded[:n_here] = delay(block.start, block.stop)
        groups = padded.reshape(-1, together)
        kept.append(block.start + np.arange(len(groups)) * together + groups.argmin(axis=1))
    return np.concatenate(kept)


def exact_place(delay: Delay, before: int, behind: int, size: float) -> int:
    """Which of the frames behind `before`, up to `behind`, is the first after a step of that size."""
    if behind - before < 2:
        return behind
    jumps = np.diff(delay(before, behind + 1))
    return before + 1 + int(np.argmax(jumps if size > 0 else -jumps))
