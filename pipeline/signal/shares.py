"""Shares with their 95 % intervals, and why something cannot be had."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

Z = 1.959963984540054
"""Normal quantile of 0.975: all intervals are at 95 %."""

LEAST = 5
"""Windows of a class without which nothing is said of it: a share of four says next to nothing."""


@dataclass(frozen=True)
class Measured:
    """A measure with its interval.

    Attributes
    ----------
    n : int
        What was counted.
    value, low, high : float or None
        None where it cannot be had.
    interval : str
        How the interval was made.
    absent : str
        Why there is no value, or, beside a value, no interval.
    least, most : float or None
        Range over the sessions, of a value over several of them; it is no interval.
    """

    n: int
    value: float | None = None
    low: float | None = None
    high: float | None = None
    interval: str = ""
    absent: str = ""
    least: float | None = None
    most: float | None = None

    def over(self, values: Sequence[float]) -> "Measured":
        """The same, with the range of what the sessions have; none of a single one."""
        values = [float(value) for value in values]
        return replace(self, least=min(values), most=max(values)) if len(values) > 1 else self


def poisson(n: int) -> tuple[float, float]:
    """Ends of the exact interval of a count of independent events (Garwood, Biometrika 28:437, 1936).

    >>> [round(end, 2) for end in poisson(13)]
    [6.92, 22.23]
    """
    from scipy.special import gammaincinv  # pages without a comparator need none

    low = float(gammaincinv(n, 0.025)) if n else 0.0
    return low, float(gammaincinv(n + 1, 0.975))


def wilson(n_true: int, n: int) -> Measured:
    """A share with its interval by Wilson (1927), which holds near 0 and 1, too.

    >>> share = wilson(15, 148)
    >>> round(share.low, 4), round(share.high, 4)
    (0.0624, 0.1605)
    """
    if not n:
        return Measured(0, absent="nothing was counted")
    low, high = wilson_ends(np.array([n_true]), n)
    return Measured(n, n_true / n, float(low[0]), float(high[0]), "Wilson 1927")


def wilson_ends(n_true: npt.NDArray[Any], n: int) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Ends of Wilson's interval of each of several shares of `n`."""
    share, z2 = n_true / n, Z * Z
    middle = (share + z2 / (2 * n)) / (1 + z2 / n)
    half = Z * np.sqrt(share * (1 - share) / n + z2 / (4 * n * n)) / (1 + z2 / n)
    return np.where(n_true == 0, 0.0, middle - half), np.where(n_true == n, 1.0, middle + half)
