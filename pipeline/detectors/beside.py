"""Means of values over stretches of windows, and over the windows before and behind each of them."""

import numpy as np

from pipeline.detectors.signs import Signs
from pipeline.detectors.stretches import Places, Stretches
from pipeline.detectors.windows import Floats

CONTEXT_S = 10.0
"""Reach of the seconds on either side that a stretch is held against."""

NEAR_S = 0.4
"""What lies so near to an edge belongs to neither side; a jump so near to it belongs to it."""

LEAST_MAINS_S = 1.0
"""Windows on a side that are needed to know what is usual there."""


class Sums:
    """Means of values over any stretch of windows, unknown ones left out."""

    def __init__(self, values: Floats) -> None:
        known = ~np.isnan(values)
        self.total = np.concatenate(([0.0], np.cumsum(np.where(known, values, 0.0))))
        self.number = np.concatenate(([0], np.cumsum(known)))

    def known(self, start: Places, stop: Places) -> Places:
        """How many windows are known."""
        return np.asarray(self.number[stop] - self.number[start])

    def mean(self, start: Places, stop: Places, least: int = 1) -> Floats:
        """NaN where fewer than `least` windows are known."""
        number = self.known(start, stop)
        total = self.total[stop] - self.total[start]
        return np.where(number >= least, total / np.maximum(number, 1), np.nan)


def sides(signs: Signs, stretches: Stretches, reach_s: float) -> tuple[Places, Places, Places, Places]:
    """The windows before each stretch and behind it: [start, stop) of either."""
    n, gap, reach = len(signs), signs.n(NEAR_S), signs.n(reach_s)
    before, behind = np.maximum(stretches.start - gap, 0), np.minimum(stretches.stop + gap, n)
    return np.maximum(before - reach, 0), before, behind, np.minimum(behind + reach, n)


def largest(values: Floats, start: Places, stop: Places) -> Floats:
    """The largest value of each stretch [start, stop), cut to what there is; stretches must not be empty."""
    n = len(values)
    start, stop = np.clip(start, 0, n - 1), np.clip(stop, 1, n)
    ends = np.stack([start, np.maximum(stop, start + 1)], axis=1).reshape(-1)
    return np.asarray(np.maximum.reduceat(np.append(values, -np.inf), ends)[::2])
