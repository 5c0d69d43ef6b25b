"""Where one of two clocks was set: the floor of the delays shifts, and stays there."""

from itertools import pairwise

import numpy as np

from pipeline.timebase.sequence import Floats, Ints
from pipeline.timebase.skew import lines_under

LEAST_STEP_S = 0.1
"""Smaller steps are not looked for; clocks that are disciplined over a network slew what is below 0.128 s."""

_FLOOR_S = 10.0
_FEWEST = 16
_NOISE = 8.0
_MOST_OF_IT = 0.7
_QUIET = 0.3
_QUIET_IS = 0.385
_DRIFT = 2e-4
_STRAY = 8
_LARGE_S = 1.0
_LONGEST_JAM_S = 600.0
_MOST_STEPS = 200


def find_steps(x: Floats, y: Floats) -> tuple[Ints, Ints]:
    """Points at which the line under the delays jumps, after Zhang, Liu and Xia (INFOCOM 2002).

    The floor of the delays over 10 s (16 points at least) on either side of a point is compared. A step is
    believed where the lines under all points of the two stretches are apart as well. A floor that rises and
    comes back within 10 minutes is a jam on the way, not a step.

    Parameters
    ----------
    x, y : float64, shape (n,)
        Seconds of the one clock and stamps of the other one, in seconds; x does not fall.

    Returns
    -------
    int64
        The first point after each step.
    int64
        Strays: points that are early for a moment, whose stamps are wrong.
    """
    n = len(x)
    strays = np.zeros(0, dtype=np.int64)
    if n < 2 * _FEWEST:
        return strays, strays
    period = float(np.median(np.diff(x))) or (float(x[-1] - x[0]) or 1.0) / n
    width = max(_FEWEST, min(int(_FLOOR_S / max(period, 1e-9)), n // 8))
    run, rise = x[width:] - x[:-width], y[width:] - y[:-width]
    slope = float(np.median(rise[run > 0] / run[run > 0])) if np.any(run > 0) else 1.0
    cuts, strays = _floor_shifts(x, y - slope * x, width)
    kept = np.delete(np.arange(n), strays)
    at = _believed(x[kept], y[kept], np.searchsorted(kept, cuts).tolist())
    return kept[np.array(at, dtype=np.int64)], strays


def _floor_shifts(x: Floats, excess: Floats, width: int) -> tuple[Ints, Ints]:
    """Where the least value of the points behind is far from that of the points before; and strays."""
    n = len(x)
    least = _sliding_least(excess, width)
    shift = np.zeros(n)
    shift[1:] = least[width + 1 : width + n] - least[1:n]
    # a step shifts as many points as the floor is wide: the quieter ones tell the noise
    noise = _NOISE * float(np.quantile(np.abs(shift), _QUIET)) / _QUIET_IS
    most = max(LEAST_STEP_S, noise) + _DRIFT * np.diff(x, prepend=x[0])
    found = list[tuple[int, float]]()
    for up in (True, False):
        which = np.flatnonzero(shift > most if up else shift < -most)
        begins = np.flatnonzero(np.diff(which, prepend=-2) > 1)
        for group in np.split(which, begins[1:]) if len(which) else []:
            size = np.abs(shift[group])
            large = group[size >= _MOST_OF_IT * size.max()]
            # a floor rises with the first point behind a step; it falls as long as none of these is behind
            i = int(large[0] if up else large[-1])
            found.append((i, float(shift[i])))
    found.sort()
    strays, cuts, k = list[int](), list[int](), 0
    while k < len(found):
        here, then = found[k], found[k + 1] if k + 1 < len(found) else None
        k += 1
        if then and here[1] < 0 < then[1] and then[0] - here[0] <= _STRAY:
            strays += range(here[0], then[0])
            k += 1
        elif (_STRAY if abs(here[1]) > _LARGE_S else 4 * _STRAY) <= min(here[0], n - here[0]):
            cuts.append(here[0])
        elif (here[1] > 0) == (here[0] < n / 2):
            # too few to be borne out: points that are late are delayed, those that are early are wrong
            strays += range(here[0]) if here[1] > 0 else range(here[0], n)
    return np.array(cuts[:_MOST_STEPS], dtype=np.int64), np.array(strays, dtype=np.int64)


def _sliding_least(values: Floats, width: int) -> Floats:
    """Entry i: the least of ``values[i - width : i]``, which is cut off at both ends; shape (n + width,)."""
    n = len(values)
    n_blocks = -(-(n + 2 * width) // width)
    padded = np.full(n_blocks * width, np.inf)
    padded[width : width + n] = values
    blocks = padded.reshape(n_blocks, width)
    before = np.minimum.accumulate(blocks, axis=1).reshape(-1)
    behind = np.minimum.accumulate(blocks[:, ::-1], axis=1)[:, ::-1].reshape(-1)
    # values[i - width : i] are padded[i : i + width]
    return np.minimum(behind[: n + width], before[width - 1 : n + 2 * width - 1])


def _believed(x: Floats, y: Floats, cuts: list[int]) -> list[int]:
    """Cuts at which the lines under either side are apart; the smallest of the others goes first."""
    while cuts:
        edges = [0, *cuts, len(x)]
        stretches = [(x[a:b], y[a:b]) for a, b in pairwise(edges)]
        lines = lines_under(stretches)
        if lines is None:
            return []
        sizes = np.diff(lines.intercept)
        jam = next((k for k in range(len(cuts) - 1) if _is_jam(x, sizes[k : k + 2], cuts[k : k + 2])), None)
        least = int(np.argmin(np.abs(sizes)))
        if abs(sizes[least]) < LEAST_STEP_S:
            del cuts[least]
        elif jam is not None:
            del cuts[jam : jam + 2]
        else:
            return cuts
    return cuts


def _is_jam(x: Floats, sizes: Floats, cuts: list[int]) -> bool:
    """Whether the line rises and comes back to where it was before long."""
    returns = sizes[0] > 0 > sizes[1] and abs(sizes[0] + sizes[1]) < max(LEAST_STEP_S, 0.1 * sizes[0])
    return bool(returns and x[cuts[1]] - x[cuts[0]] < _LONGEST_JAM_S)
