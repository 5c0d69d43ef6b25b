"""The smallest fault that is found with 95 % probability: a logistic curve by maximum likelihood."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import binom

PROBABILITY = 0.95
FEWEST = 10
"""Events below which no curve is fitted."""

_PLACES, _SLOPES = 241, 48
_BEYOND = 0.25
_HALF_CHI2 = 1.9207
"""Half of the 95 % quantile of chi-squared with one degree of freedom."""

_UNLIKELY = 0.025
"""Chance of so few found where 95 % are, below which a limit is none: Clopper and Pearson's 95 % interval
ends below 95 % then."""


@dataclass(frozen=True)
class Limit:
    """Where a fitted curve reaches 95 %, with its profile-likelihood interval; None with the reason `why`.

    ``high`` may be known where ``value`` is not: everything was found, so the limit lies below it.
    """

    value: float | None
    low: float | None
    high: float | None
    why: str = ""


def limit_of(sizes: Sequence[float], found: Sequence[bool]) -> Limit:
    """Fit the probability of being found over the logarithm of the size.

    Parameters
    ----------
    sizes : sequence of float
        Strengths or lengths, above zero.
    found : sequence of bool
        Whether each was found.

    Returns
    -------
    Limit
        By the likelihood on a grid of places and slopes (Hosmer and Lemeshow's logistic regression, from
        memory), which also holds where found and missed do not overlap and the slope has no maximum: the
        interval is that of the place alone, over all slopes (profile likelihood).
    """
    n = len(sizes)
    if n < FEWEST:
        return Limit(None, None, None, f"only {n} were planted; {FEWEST} are the least")
    x, hit = np.log(np.asarray(sizes, np.float64)), np.asarray(found, bool)
    spread = float(x.max() - x.min())
    if spread < 1e-6:
        return Limit(None, None, None, "all planted are of one size")
    place = np.linspace(x.min() - _BEYOND * spread, x.max() + _BEYOND * spread, _PLACES)
    profile = _profile(x, hit, place, spread)
    inside = np.flatnonzero(profile >= profile.max() - _HALF_CHI2)
    best = int(np.median(np.flatnonzero(profile >= profile.max() - 1e-3)))
    low = float(np.exp(place[inside[0]])) if inside[0] > 0 else None
    high = float(np.exp(place[inside[-1]])) if inside[-1] < _PLACES - 1 else None
    if hit.all():
        return Limit(None, None, high, f"all {n} were found, down to the smallest")
    if not hit.any():
        return Limit(None, None, None, f"none of {n} was found")
    if place[best] < x.min() and high is not None:
        return Limit(None, None, high, f"{int(hit.sum())} of {n} were found, whatever their size")
    if high is None or place[best] > x.max():
        large = x >= np.quantile(x, 0.75)
        told = f"{int(hit[large].sum())} of the {int(large.sum())} largest were found"
        why = "too few to be certain of 95 %" if hit[large].all() else "95 % is not reached with certainty"
        return Limit(None, low, None, f"{told}; {why}")
    beyond = hit[x >= place[best]]
    if binom.cdf(beyond.sum(), len(beyond), PROBABILITY) < _UNLIKELY:  # a curve that rises does not fit
        told = f"larger ones are not found better: of the {len(beyond)} largest, {beyond.sum()} were"
        return Limit(None, None, None, told)
    return Limit(float(np.exp(place[best])), low, high)


def _profile(
    x: np.ndarray[tuple[int], np.dtype[np.float64]],
    hit: np.ndarray[tuple[int], np.dtype[np.bool_]],
    place: np.ndarray[tuple[int], np.dtype[np.float64]],
    spread: float,
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """The largest log-likelihood over all slopes where the curve reaches 95 % at each place."""
    at = np.log(PROBABILITY / (1 - PROBABILITY))
    sign = np.where(hit, 1.0, -1.0)
    best = np.full(len(place), -np.inf)
    for slope in np.geomspace(2.0, 400.0, _SLOPES) / spread:
        logit = at + slope * (x[np.newaxis, :] - place[:, np.newaxis])
        best = np.maximum(best, -np.logaddexp(0.0, -sign * logit).sum(axis=1))
    return best
