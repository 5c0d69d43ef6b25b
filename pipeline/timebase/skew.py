"""How a clock runs against the stamps of another: the line under delays, steps of the other clock, jitter.

A stamp at reception is never early: it lies above the line of the clocks by a delay that varies. The best
line is therefore not the one through the points but the highest one under them, by the sum of distances: a
linear program (Moon, Skelly, Towsley, INFOCOM 1999) whose answer is the edge of the lower convex hull above
the mean of x (Zhang, Liu, Xia, INFOCOM 2002). Least squares follow every stretch in which delays grow.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.timebase.sequence import Floats, Ints

_FEW_POINTS = 256
_MOST_ROUNDS = 40
_SUBSETS = 8
_TOGETHER = 16
_JITTER_BLOCK = 256


@dataclass(frozen=True)
class LinesUnder:
    """Lines of one slope, each under the points of one stretch: ``y >= slope * x + intercept[k]``."""

    slope: float
    intercept: Floats


def lower_hull(x: Floats, y: Floats) -> Ints:
    """Indices of the vertices of the lower convex hull, from left to right.

    Parameters
    ----------
    x, y : float64, shape (n,)
        Points; x does not fall. At least one.

    Notes
    -----
    A point that is not below the chord between its neighbours is no vertex. Such points are dropped all at
    once, over and over, which leaves few for Andrew's walk (Information Processing Letters 9, 1979).
    """
    at = _lowest_of_equal(x, y)
    for _ in range(_MOST_ROUNDS):
        if len(at) <= _FEW_POINTS:
            break
        px, py = x[at], y[at]
        run, rise = np.diff(px), np.diff(py)
        below = np.concatenate(([True], run[:-1] * rise[1:] > run[1:] * rise[:-1], [True]))
        if np.all(below):
            break
        at = at[below]
    hull = list[int]()
    for i in at.tolist():
        while len(hull) > 1 and _not_below(x, y, hull[-2], hull[-1], i):
            hull.pop()
        hull.append(i)
    return np.array(hull, dtype=np.int64)


def _lowest_of_equal(x: Floats, y: Floats) -> Ints:
    """One index for each value of x: that of its lowest point."""
    begins = np.flatnonzero(np.diff(x, prepend=-np.inf) > 0)
    if len(begins) == len(x):
        return begins
    lowest = np.repeat(np.minimum.reduceat(y, begins), np.diff(np.append(begins, len(x))))
    at = np.flatnonzero(y == lowest)
    return at[np.diff(x[at], prepend=-np.inf) > 0]


def _not_below(x: Floats, y: Floats, left: int, middle: int, right: int) -> bool:
    return bool(
        (x[middle] - x[left]) * (y[right] - y[middle]) <= (x[right] - x[middle]) * (y[middle] - y[left])
    )


def lines_under(stretches: Sequence[tuple[Floats, Floats]]) -> LinesUnder | None:
    """Lines of one slope under the points of several stretches, with the least sum of distances.

    Parameters
    ----------
    stretches : sequence of (x, y)
        float64, shape (n,), n at least 1; x does not fall in a stretch. Stretches differ by an unknown
        amount: one clock was set, or the other began anew, between them.

    Returns
    -------
    LinesUnder or None
        None where no stretch has points at two values of x.

    Notes
    -----
    The sum of distances is convex in the slope. It changes its slope where the lowest point of a stretch
    changes, at the slopes of the hulls' edges, by the edge's width times the stretch's points.
    """
    middle = sum(float(x.sum()) for x, _ in stretches) / max(sum(len(x) for x, _ in stretches), 1)
    slopes, widths, gradient, corners = list[Floats](), list[Floats](), 0.0, list[tuple[Floats, Floats]]()
    for x, y in stretches:
        at = lower_hull(x, y)
        px, py = x[at] - middle, y[at]
        corners.append((px, py))
        slopes.append(np.diff(py) / np.diff(px))
        widths.append(np.diff(px) * len(x))
        gradient += float(px[0]) * len(x) - float((x - middle).sum())
    slope, width = np.concatenate(slopes), np.concatenate(widths)
    if not len(slope):
        return None
    order = np.argsort(slope, kind="stable")
    reached = gradient + np.cumsum(width[order])
    best = float(slope[order[min(int(np.searchsorted(reached, 0.0)), len(order) - 1)]])
    intercept = [float((py - best * px).min()) - best * middle for px, py in corners]
    return LinesUnder(best, np.array(intercept))


def slope_uncertainty(stretches: Sequence[tuple[Floats, Floats]], resolution: float) -> float | None:
    """Standard uncertainty of the slope of :func:`lines_under`; None where there are too few points.

    The points are dealt out to eight subsets, each from end to end, and each gives a slope of its own; the
    standard error of their mean is taken. Points whose delays hang together, up to 16 of them, stay
    together. Where delays near the least one are common (exponential, half-normal) the line under all
    points is better than that: its error falls with the number of points, that of a mean with its root.

    Parameters
    ----------
    stretches : sequence of (x, y)
        As in :func:`lines_under`.
    resolution : float
        Of y, whose stamps are whole units: no slope is known better than two of them, each off by up to a
        unit, tell over all of x.
    """
    n = sum(len(x) for x, _ in stretches)
    together = min(max(n // (_SUBSETS * 64), 1), _TOGETHER)
    slopes = list[float]()
    for k in range(_SUBSETS):
        subset, before = list[tuple[Floats, Floats]](), 0
        for x, y in stretches:
            mine = (np.arange(before, before + len(x)) // together) % _SUBSETS == k
            before += len(x)
            if np.any(mine):
                subset.append((x[mine], y[mine]))
        lines = lines_under(subset) if subset else None
        if lines is None:
            return None
        slopes.append(lines.slope)
    span = max(float(x[-1] - x[0]) for x, _ in stretches)
    error = float(np.std(slopes, ddof=1)) / np.sqrt(_SUBSETS)
    return float(max(error, resolution / np.sqrt(6) / span))


def interarrival_jitter(transit: Floats, first: float = 0.0) -> Floats:
    """The running estimate of RFC 3550, 6.4.1 and A.8: ``J += (|D| - J) / 16``, one value for each packet.

    Parameters
    ----------
    transit : float64, shape (n,)
        Time of reception less time of sending, in the order of arrival; any constant may be in it.
    first : float
        The estimate at the first packet.

    Returns
    -------
    float64, shape (n,)
        In the unit of `transit`, beginning with `first`.
    """
    jitter = np.full(len(transit), first)
    kept = 15 / 16
    power = kept ** np.arange(1, _JITTER_BLOCK + 1)
    for start in range(1, len(transit), _JITTER_BLOCK):
        stop = min(start + _JITTER_BLOCK, len(transit))
        fresh = np.abs(np.diff(transit[start - 1 : stop])) / 16
        falling = power[: stop - start]
        jitter[start:stop] = falling * (jitter[start - 1] + np.cumsum(fresh / falling))
    return jitter
