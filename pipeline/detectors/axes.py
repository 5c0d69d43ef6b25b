"""Axes of an accelerometer that measure nothing of their own: two that are one, count by count."""

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from pipeline.detectors.acceleration import SensorTrack

LEAST_MOVING_S = 10
"""Seconds of movement in which an axis must repeat another to say so."""

MOSTLY = 0.95
"""Share of the moving seconds in which one axis is another."""

PLAIN_STEPS = 5.0
"""Counts of movement: less than that a coarse converter may show alike on two axes."""


@dataclass(frozen=True)
class Doubled:
    """Two axes that are 'equal' or 'opposite' in the seconds [start, stop) of the track.

    ``spread`` is that of their difference or sum, ``beside`` that of the axes, in m/s2, medians over the
    moving seconds.
    """

    kind: str
    axes: tuple[str, str]
    start: int
    stop: int
    spread: float
    beside: float


def doubled_axes(track: SensorTrack, body_m_s2: float) -> tuple[Doubled, ...]:
    """Pairs of axes equal or opposite count by count.

    Which of three sound axes is which cannot be told: a sensor does not know how it is worn.
    """
    pairs = combinations(range(len(track.axes)), 2)
    return tuple(found for one, other in pairs for found in _doubled(track, one, other, body_m_s2))


def _plain(track: SensorTrack, body_m_s2: float) -> float:
    """From what spread on a wearer moves, in m/s2, also where the layout has the unit wrong."""
    typical = float(np.nanmedian(track.length)) if np.any(~np.isnan(track.length)) else np.inf
    return max(min(body_m_s2, 0.1 * typical), PLAIN_STEPS * float(track.step.max()))


def _doubled(track: SensorTrack, one: int, other: int, body_m_s2: float) -> list[Doubled]:
    """Means and spreads of a second that agree to a hundredth of a count, second after second."""
    moving = np.nan_to_num(track.rms) > _plain(track, body_m_s2)
    if moving.sum() < LEAST_MOVING_S:
        return []
    pair = [one, other]
    steps = track.step[pair, np.newaxis]
    mean, spread = (values[pair][:, moving] / steps for values in (track.mean, track.spread))
    # Rounding of float32, of which a mean of many has a few.
    slack = 0.01 + 1e-6 * np.abs(mean).max(axis=0)
    same_spread = np.abs(spread[0] - spread[1]) <= slack + 1e-4 * spread[0]
    found = []
    for kind, sign in (("equal", 1.0), ("opposite", -1.0)):
        apart = mean[0] - sign * mean[1]
        same = same_spread & (np.abs(apart - np.median(apart)) <= slack)
        if same.mean() >= MOSTLY and np.median(spread[0]) > 1.0:
            names = (track.axes[one], track.axes[other])
            seconds = np.flatnonzero(moving)
            off = float(np.median(np.abs(spread[0] - spread[1]))) * float(steps[0, 0])
            size = float(np.median(track.spread[one][moving]))
            found.append(Doubled(kind, names, int(seconds[0]), int(seconds[-1]) + 1, off, size))
    return found
