"""What happens within a stretch: jump upon jump, mains that leaps or ramps, movement that fades.

Each is one number for each stretch, 0 where there is nothing of it or it is not known.
"""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from pipeline.detectors.beside import CONTEXT_S, LEAST_MAINS_S, NEAR_S, Sums, sides
from pipeline.detectors.signs import Signs, filled
from pipeline.detectors.stretches import Stretches
from pipeline.detectors.windows import Floats

LEAP_OCTAVES = 2.2
"""Mains that changes by so much from one window to the next leaps."""

OF_EDGES, BY_CHANCE, OCTAVES_FULL = 2.0, 0.7, 3.0
"""Two are those of the edges; so many more come by chance; eight times as many as beside is 1."""

BACK_WITHIN_S = 6.0
BIT_BY_BIT_S = 8.0
"""Shorter stretches have no bits; what changes bit by bit comes back within a few seconds."""

UNHEARD = 0.6
"""What a fading counts where nobody moves behind it."""

STEP_BACK, LEAST_PART = -0.3, 0.08
"""Octaves by which a quarter may go the other way; each goes on by so much of the whole change at least."""

LARGEST_PART, SLACK = 1.5, 0.2
"""The largest step may not be nearly all of the change."""


def restless(signs: Signs, stretches: Stretches) -> Floats:
    """How much more often the level jumps inside than beside the stretch, 0 to 1; rails are no jumps."""
    jumps = (signs.jump > 0) & ~ndimage.binary_dilation(signs.driven)
    begins = np.diff(jumps.astype(np.int64), prepend=0) > 0
    return _more_often(signs, stretches, begins)


def flips(signs: Signs, stretches: Stretches) -> Floats:
    """How much more often mains leaps inside than beside the stretch, 0 to 1."""
    if not signs.mains_visible:
        return np.zeros(len(stretches))
    mains = filled(signs.mains)
    return _more_often(signs, stretches, np.abs(np.diff(mains, prepend=mains[:1])) > LEAP_OCTAVES)


def unusual(signs: Signs, stretches: Stretches) -> Floats:
    """Octaves by which mains is farther from the recording's usual than beside, -2 to 2.

    What lies between two losses differs from both sides, too; but there the sides are unusual.
    """
    if not signs.mains_visible:
        return np.zeros(len(stretches))
    usual = float(np.nanmedian(signs.mains))
    return np.clip(_above(signs, stretches, np.abs(signs.mains - usual)), -2.0, 2.0)


def ramp(signs: Signs, stretches: Stretches) -> Floats:
    """Octaves by which mains changes bit by bit, up or down, and comes back at once, 0 to 2."""
    quarters = _quarters(signs, stretches, signs.mains)
    return _bit_by_bit(signs, stretches, quarters, np.sign(quarters.means[3] - quarters.means[0]))


def fades(signs: Signs, stretches: Stretches) -> Floats:
    """Octaves by which movement shows less and less, and then at once as before, 0 to 2."""
    quarters = _quarters(signs, stretches, signs.silence)
    unknown = np.isnan(quarters.after)
    after = np.where(unknown, quarters.means[0], quarters.after)
    told = _bit_by_bit(signs, stretches, quarters._replace(after=after), np.full(len(stretches), -1.0))
    return np.where(unknown, UNHEARD * told, told)


def leaping(signs: Signs, stretches: Stretches) -> Floats:
    """Octaves by which the windows inside jump, on the whole, beyond twice what those beside do, 0 to 1.5.

    Half a second at either end belongs to the edges.
    """
    jumps = np.where(ndimage.binary_dilation(signs.driven), 0.0, np.clip(signs.jump, 0.0, 3.0))
    sums, edge = Sums(jumps), signs.n(0.6)
    middle = np.maximum(stretches.stop - edge, stretches.start + edge)
    within = np.nan_to_num(sums.mean(np.minimum(stretches.start + edge, middle), middle))
    first, before, behind, last = sides(signs, stretches, 2 * CONTEXT_S)
    beside = np.fmax(sums.mean(first, before), sums.mean(behind, last))
    return np.asarray(np.clip(within - 2 * np.nan_to_num(beside), 0.0, 1.5))


def _more_often(signs: Signs, stretches: Stretches, happens: npt.NDArray[np.bool_]) -> Floats:
    count = np.concatenate(([0], np.cumsum(happens)))
    first, before, behind, last = sides(signs, stretches, 2 * CONTEXT_S)
    inside = count[stretches.stop] - count[stretches.start]
    beside = count[before] - count[first] + count[last] - count[behind]
    length = stretches.stop - stretches.start
    expected = (beside + 0.5) / np.maximum(before - first + last - behind, 1) * length
    octaves = np.log2(np.maximum(inside - OF_EDGES, 0.1) / (expected + BY_CHANCE))
    return np.asarray(np.clip(octaves / OCTAVES_FULL, 0.0, 1.0))


def _above(signs: Signs, stretches: Stretches, values: Floats) -> Floats:
    """Mean inside less the larger one of those on either side; 0 where it is not known."""
    sums, least = Sums(values), signs.n(LEAST_MAINS_S)
    inside = sums.mean(stretches.inner_start, stretches.inner_stop, 2)
    first, before, behind, last = sides(signs, stretches, CONTEXT_S)
    return np.nan_to_num(inside - np.fmax(sums.mean(first, before, least), sums.mean(behind, last, least)))


class _Quarters(NamedTuple):
    """Means of the quarters, shape (4, n), unknown ones like their neighbour; of what follows; n known."""

    means: Floats
    after: Floats
    known: npt.NDArray[np.int64]


def _quarters(signs: Signs, stretches: Stretches, values: Floats) -> _Quarters:
    sums, least = Sums(values), signs.n(LEAST_MAINS_S)
    length = stretches.stop - stretches.start
    ends = [stretches.start + length * k // 4 for k in range(5)]
    means = np.stack([sums.mean(ends[k], ends[k + 1], least) for k in range(4)])
    known = (~np.isnan(means)).sum(axis=0)
    for k in (1, 2, 3):
        means[k] = np.where(np.isnan(means[k]), means[k - 1], means[k])
    for k in (2, 1, 0):
        means[k] = np.where(np.isnan(means[k]), means[k + 1], means[k])
    behind = np.minimum(stretches.stop + signs.n(NEAR_S), len(signs))
    after = sums.mean(behind, np.minimum(behind + signs.n(BACK_WITHIN_S), len(signs)), least)
    return _Quarters(means, after, known)


def _bit_by_bit(signs: Signs, stretches: Stretches, quarters: _Quarters, way: Floats) -> Floats:
    """Octaves that values go the way of `way` (1 up, -1 down) by steps, and come back behind the stretch."""
    means, after, known = quarters
    steps = np.diff(means, axis=0) * way
    gone, back = (means[3] - means[0]) * way, (means[3] - after) * way
    lasts = (stretches.stop - stretches.start) * signs.window_s > BIT_BY_BIT_S
    goes_on = np.sum(steps >= LEAST_PART * gone, axis=0) >= known - 1
    even = np.all(steps > STEP_BACK, axis=0) & goes_on & (known >= 2) & lasts
    gone = np.minimum(gone, LARGEST_PART * (gone - np.max(np.nan_to_num(steps), axis=0)) + SLACK)
    return np.where(even, np.clip(np.nan_to_num(np.minimum(gone, back)), 0.0, 2.0), 0.0)
