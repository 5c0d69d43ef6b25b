"""How ticks run ahead of the rows, frame by frame, in the memory of a block."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from pipeline.frames.room import blocks_of, taken
from pipeline.timebase.sequence import Floats, Ints, TickRate

NEAR = 5
"""Frames to either side of a suspect by which its jump is measured."""

_MOST_KEPT = 1 << 20
_MOST_SUSPECTS = 100_000
_ENOUGH_STEPS = 100_000
_DRIFT = 5e-4


@dataclass(frozen=True)
class Levels:
    """Ticks beyond those of the rows since the first frame, of enough frames to draw a clock through.

    Attributes
    ----------
    frame, row : int64, shape (k,)
        Which of the placed frames, ascending, and their first rows: of many every so many one, and all that
        are near a suspect or a restart.
    level : float64, shape (k,)
        In ticks.
    suspect : int64, shape (s,)
        Frames before which the level jumps by more than a sample and what drift may do in a gap.
    jump, slack : float64, shape (s,)
        By how much it does, and how much would be none, in ticks.
    jitter : float
        The median jump of all frames.
    """

    frame: Ints
    row: Ints
    level: Floats
    suspect: Ints
    jump: Floats
    slack: Floats
    jitter: float


def measure_levels(ticks: Ints, placed: Ints, rows: Ints, begins: Ints, anew: Ints, rate: TickRate) -> Levels:
    """Levels of the placed frames.

    Parameters
    ----------
    ticks : int64, shape (n,)
        Of the frame table.
    placed, rows : int64, shape (m,)
        Frames in the order of rows, and their first rows; at least two.
    begins, anew : int64
        Which of them begin a run, and at which of these ticks begin anew: there the level goes on.
    rate : TickRate
        Ticks per sample.
    """
    m = len(placed)
    found, sample = [np.zeros(0, dtype=np.int64)], list[Floats]()
    jumps, slacks = [np.zeros(0)], [np.zeros(0)]
    for start, excess in _excess(ticks, placed, rows, anew, rate):
        sample.append(np.abs(excess[:: m // _ENOUGH_STEPS + 1]))
        least = rate.per_sample + 2
        which = np.flatnonzero(np.abs(excess) > least)
        gap = rows[which + start + 1] - rows[which + start]
        most = np.asarray(least + gap * (_DRIFT * rate.per_sample), dtype=np.float64)
        far = np.abs(excess[which]) > most
        found.append(which[far] + start + 1)
        jumps.append(excess[which[far]])
        slacks.append(most[far])
    suspect = np.concatenate(found)[:_MOST_SUSPECTS]
    jump, slack = np.concatenate(jumps)[:_MOST_SUSPECTS], np.concatenate(slacks)[:_MOST_SUSPECTS]
    near = [place + np.arange(-NEAR, NEAR) for place in (suspect[:, np.newaxis], begins[:, np.newaxis])]
    every = np.arange(0, m, m // _MOST_KEPT + 1)
    # nearly in order: sorting takes a twentieth of what np.unique does, which hashes whole numbers
    kept = np.sort(np.concatenate((every, *(pieces.reshape(-1) for pieces in near), [m - 1])))
    kept = kept[(kept >= 0) & (kept < m) & (np.diff(kept, prepend=-1) > 0)]
    level, reached = np.zeros(len(kept)), 0.0
    for start, excess in _excess(ticks, placed, rows, anew, rate):
        first, last = np.searchsorted(kept, [start + 1, start + 1 + len(excess)])
        ahead = reached + np.cumsum(excess)
        level[first:last] = ahead[kept[first:last] - start - 1]
        reached = float(ahead[-1])
    jitter = float(np.median(np.concatenate(sample)))
    return Levels(kept, taken(rows, kept), level, suspect, jump, slack, jitter)


def _excess(
    ticks: Ints, placed: Ints, rows: Ints, anew: Ints, rate: TickRate
) -> Iterator[tuple[int, Floats]]:
    """Blocks of the ticks between frames beyond those of the rows: entry i is before frame start + 1 + i."""
    for block in blocks_of(len(placed) - 1):
        start = block.start
        frames, row = placed[start : block.stop + 1], rows[start : block.stop + 1]
        excess = rate.excess_of_steps(ticks[frames], np.diff(row))
        excess[anew[(anew > start) & (anew < start + len(frames))] - 1 - start] = 0
        yield start, excess
