"""How well one number tells two classes apart: the ROC curve and the area under it, with an interval.

The area is the probability that a window with more movement has the larger number, ties by half (Hanley and
McNeil, Radiology 143:29, 1982). It is not turned round below 0.5.
"""

from math import exp, log, sqrt

import numpy as np

from pipeline.signal.shares import LEAST, Measured, Z, wilson_ends
from pipeline.signal.windows import CLASSES, Bools, Floats, Ints

PAIRS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "rest_hand": (("rest",), ("hand",)),
    "rest_arm": (("rest",), ("arm",)),
    "rest_body": (("rest",), ("body",)),
    "others_body": (("rest", "hand", "arm"), ("body",)),
}
"""Pairs of classes: what is to lie below the threshold, and what above."""


GRID: Floats = np.linspace(0.0, 1.0, 51)
"""False positive shares at which curves and their bands are given."""


def area(below: Floats, above: Floats) -> Measured:
    """Area under the ROC curve of two sets of numbers, with its interval.

    The interval is `Z` standard deviations by :func:`spread` on the logit scale, where it holds what it says
    near 1, too: of 30 and 30 numbers at an area of 0.98 it covers 0.98 of trials, the plain one 0.84. Where
    the sets part fully the spread is 0 and says nothing; there it is that of Newcombe (Statistics in Medicine
    25:559, 2006, method 5). Either takes the numbers as independent of each other.
    """
    m, n = len(above), len(below)
    if min(m, n) < 2:
        return Measured(m + n, absent="fewer than two numbers of a class")
    value = float(_placements(above, below).mean())
    if value in (0.0, 1.0):
        low, high = newcombe(value, m, n)
        return Measured(m + n, value, low, high, "Newcombe 2006")
    middle, reach = log(value / (1 - value)), Z * spread(below, above) / (value * (1 - value))
    low, high = (1 / (1 + exp(-end)) for end in (middle - reach, middle + reach))
    return Measured(m + n, value, low, high, "DeLong et al. 1988, logit")


def spread(below: Floats, above: Floats) -> float:
    """Standard deviation of the area by DeLong, DeLong and Clarke-Pearson (Biometrics 44:837, 1988)."""
    above_placed, below_placed = _placements(above, below), _placements(below, above)
    return sqrt(float(above_placed.var(ddof=1)) / len(above) + float(below_placed.var(ddof=1)) / len(below))


def _placements(ours: Floats, theirs: Floats) -> Floats:
    """For each of `ours` the share of `theirs` that lies below it, ties by half."""
    ordered = np.sort(theirs)
    twice = np.searchsorted(ordered, ours, "left") + np.searchsorted(ordered, ours, "right")
    placed: Floats = twice / (2 * len(theirs))
    return placed


def newcombe(value: float, n_above: int, n_below: int) -> tuple[float, float]:
    """Ends of the interval by Newcombe's method 5: where the value is `Z` standard errors away.

    The standard error is that of Hanley and McNeil at the end itself, with the mean of both numbers for each.
    """
    mean = (n_above + n_below) / 2

    def is_near(end: float) -> bool:
        q1, q2, square = end / (2 - end), 2 * end**2 / (1 + end), end**2
        variance = end - square + (mean - 1) * (q1 + q2 - 2 * square)
        return (value - end) ** 2 * n_above * n_below <= Z * Z * variance

    ends = []
    for outer in (0.0, 1.0):
        inner, beyond = value, outer
        for _ in range(50):
            middle = (inner + beyond) / 2
            inner, beyond = (middle, beyond) if is_near(middle) else (inner, middle)
        ends.append(inner)
    return ends[0], ends[1]


def curve(below: Floats, above: Floats) -> tuple[Floats, Floats]:
    """The ROC curve: shares of `below` and of `above` at or over a threshold that falls from infinity.

    Corners only, in order, from (0, 0) to (1, 1).
    """
    levels = np.unique(np.concatenate((below, above)))[::-1]
    false = np.searchsorted(-np.sort(below)[::-1], -levels, "right") / len(below)
    true = np.searchsorted(-np.sort(above)[::-1], -levels, "right") / len(above)
    x, y = np.concatenate(([0.0], false)), np.concatenate(([0.0], true))
    turn = (np.diff(x, append=2.0) > 0) & (np.diff(y, append=2.0) > 0)
    turn[1:] |= (np.diff(x) > 0) != (np.diff(x, append=2.0)[1:] > 0)
    turn[1:] |= (np.diff(y) > 0) != (np.diff(y, append=2.0)[1:] > 0)
    turn[[0, -1]] = True
    return x[turn], y[turn]


def band(below: Floats, above: Floats) -> tuple[Floats, Floats]:
    """Lower and upper end of a band of the curve at `GRID`, at 95 % for each false positive share or more.

    At every threshold both shares have their interval by Wilson (1927), and the curve passes through the
    rectangle of the two: the ends are the hulls of its lower right and of its upper left corners (common
    practice, no source). The numbers are taken as independent of each other.
    """
    levels = np.append(np.inf, np.unique(np.concatenate((below, above)))[::-1])
    false_low, false_high, true_low, true_high = (
        end
        for own in (below, above)
        for end in wilson_ends(len(own) - np.searchsorted(np.sort(own), levels, "left"), len(own))
    )
    high = at_grid(np.append(false_low, 1.0), np.append(true_high, 1.0))
    low = at_grid(np.append(0.0, false_high), np.append(0.0, true_low))
    return low, high


def at_grid(false: Floats, true: Floats) -> Floats:
    """A curve at the false positive shares of `GRID`; where it rises straight up, its upper end."""
    return np.interp(GRID, false, true)


def members(label: Ints, names: tuple[str, ...]) -> Bools:
    """Which windows are of one of these classes."""
    wanted = np.array([*(name in names for name in CLASSES), False])  # the last is of windows without a class
    is_in: Bools = wanted[label]
    return is_in


def lacking(label: Ints, pair: str) -> str:
    """Why the two sides of a pair cannot be compared; empty where they can."""
    if not len(label):
        return "no window was kept"
    for names in PAIRS[pair]:
        n = int(members(label, names).sum())
        if n < LEAST:
            told = "movement other than of the body" if len(names) > 1 else names[0]
            return f"{n or 'no'} {'window' if n == 1 else 'windows'} of {told}; {LEAST} are needed"
    return ""


def pair_area(amplitude: Floats, label: Ints, pair: str) -> Measured:
    """Area between the two sides of a pair; null with its reason where a side has too few windows."""
    below, above = (members(label, names) for names in PAIRS[pair])
    if why := lacking(label, pair):
        return Measured(int(below.sum() + above.sum()), absent=why)
    return area(amplitude[below], amplitude[above])
