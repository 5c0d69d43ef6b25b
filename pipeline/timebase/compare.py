"""Whether frames hold the same samples: copies are told from frames that only count alike."""

from collections.abc import Callable

import numpy as np

from pipeline.frames import Frames

Compare = Callable[[int, int], bool | None]
"""Whether two frames hold the same samples; None where these do not vary, so that this says little."""


def comparison(frames: Frames) -> Compare:
    """How samples of two frames of the table are compared."""
    table = frames.table

    def compare(first: int, second: int) -> bool | None:
        n = int(table.n_samples[first])
        if n != table.n_samples[second]:
            return False
        rows = [int(table.first_row[i]) for i in (first, second)]
        one, other = (frames.counts.read(row, row + n) for row in rows)
        if not np.array_equal(one, other):
            return False
        return True if n < 2 or bool(np.any(one != one[:1])) else None

    return compare
