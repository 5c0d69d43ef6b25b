"""Whether values stand several times each: a sensor that was sampled more slowly than its rows say."""

import numpy as np

from pipeline.detectors.repeats import SPACINGS, Repeats, Spacing
from pipeline.detectors.runs import Ints

LEAST_CHANGES = 50
"""Changes from which their spacing is told from chance."""

REGULAR = 0.95
"""Share of distances that keep to the beat: the rest are values that came out alike."""

WIDE = 0.2
"""Share of changes by more than a count: a slow slope changes at a beat, too, but by one count at a time."""


def slow_channels(repeats: Repeats) -> dict[str, float]:
    """Channel -> how many rows stand for each of its samples, where they are more than one."""
    of_rows = slow_factor(repeats.row_spacing) if len(repeats.channels) > 1 else None
    if of_rows is not None:  # whole rows say it best: single channels repeat by chance as well
        return dict.fromkeys(repeats.spacing, of_rows)
    factors = {name: slow_factor(spacing) for name, spacing in repeats.spacing.items()}
    return {name: factor for name, factor in factors.items() if factor is not None}


def slow_factor(spacing: Spacing) -> float | None:
    """How many rows stand for each sample; None where values do not repeat at a beat.

    Where each sample stands k times, all distances between changes are multiples of k. Where the rates do not
    divide, distances are one of two neighbours k and k + 1, and so are those between repeats where k is 1.
    """
    n_changes = int(spacing.changes.sum())
    if n_changes < LEAST_CHANGES or spacing.n_wide < WIDE * spacing.n_steps:
        return None
    beat = _beat(spacing.changes)
    if beat is not None and beat >= 2:
        return beat
    between = _beat(spacing.repeats)
    # Of every `between` rows one repeats.
    return between / (between - 1) if between is not None and between > 2 else None


def _beat(counts: Ints) -> float | None:
    """The distance that nearly all keep to, in whole multiples or as the mean of two neighbours."""
    total = counts.sum()
    if total < LEAST_CHANGES or counts[SPACINGS - 1] > (1 - REGULAR) * total:
        return None
    first = int(np.argmax(counts))
    multiples = np.arange(first, SPACINGS - 1, max(first, 1))
    if counts[multiples].sum() >= REGULAR * total:
        return float(first)
    for low in (first - 1, first):
        two = counts[low : low + 2]
        if low >= 1 and two.sum() >= REGULAR * total:
            return float((two * (low, low + 1)).sum() / two.sum())
    return None
