"""Frames in the order of their places, part by part: most arrive in order, and few are late by much."""

from collections.abc import Iterator
from itertools import accumulate, pairwise

import numpy as np
import numpy.typing as npt

from pipeline.frames.room import blocks_of, let_go
from pipeline.timebase.sequence import Ints

Runs = npt.NDArray[np.int32]

_Key = tuple[int, int]
"""Run and position."""


def in_order(run: Runs, position: Ints) -> bool:
    """Whether every frame comes behind the one before it."""
    for block in blocks_of(len(run) - 1):
        runs, places = run[block.start : block.stop + 1], position[block.start : block.stop + 1]
        later = runs[1:] > runs[:-1]
        if not np.all(later | ((runs[1:] == runs[:-1]) & (places[1:] > places[:-1]))):
            return False
    return True


def sorted_parts(run: Runs, position: Ints) -> Iterator[slice]:
    """Parts that follow each other, so that frames sorted within each are sorted as a whole.

    Every frame of a part has a later place than all of the parts before. A part is as long as is looked at
    together where that can be; a recording that stands in the dumps twice is one part.

    Parameters
    ----------
    run, position : int32 and int64, shape (n,)
        The places; frames may share one.
    """
    blocks = list(blocks_of(len(run)))
    ends = [_ends(run[block], position[block]) for block in blocks_of(len(run))]
    behind = list(accumulate((low for low, _ in reversed(ends)), min))[::-1]
    before = list(accumulate((high for _, high in ends), max))
    cuts = [blocks[k].start for k in range(1, len(ends)) if before[k - 1] < behind[k]]
    for start, stop in pairwise([0, *cuts, len(run)]):
        yield slice(start, stop)
        let_go()


def _ends(run: Runs, position: Ints) -> tuple[_Key, _Key]:
    """The first and the last place of some frames."""
    low, high = int(run.min()), int(run.max())
    return (low, int(position[run == low].min())), (high, int(position[run == high].max()))
