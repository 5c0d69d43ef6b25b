"""Axes of an accelerometer that measure nothing of their own: they stand still, or repeat another."""

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from pipeline.detectors.acceleration import SensorTrack
from pipeline.detectors.findings import Spans

Mask = npt.NDArray[np.bool_]

LEAST_MOVING_S = 10
"""Seconds of movement in which an axis must stand still, or repeat another, to say so."""

MOSTLY = 0.95
"""Share of the moving seconds in which one axis is another."""

PLAIN_STEPS = 5.0
"""Counts of movement on the other axes: less than that a coarse converter may not show on this one."""


@dataclass(frozen=True)
class Spoilt:
    """What is wrong with an axis, or with two, in the seconds [start, stop) of the track.

    ``spread`` is that of the axis (stuck) or of the difference of both, ``beside`` that of the other axes
    (stuck) or of the axes themselves, both in m/s2, medians over the moving seconds.
    """

    kind: str
    axes: tuple[str, ...]
    start: int
    stop: int
    spread: float
    beside: float


def spoilt_axes(track: SensorTrack, body_m_s2: float) -> tuple[Spoilt, ...]:
    """Axes without any variance while the others move, and pairs of axes equal or opposite count by count.

    Which of three sound axes is which cannot be told: a sensor does not know how it is worn.
    """
    if len(track.axes) < 2 or not len(track.length):
        return ()
    stuck = [found for axis in range(len(track.axes)) for found in _stuck(track, axis, body_m_s2)]
    stood = {name for found in stuck for name in found.axes}
    pairs = [
        found
        for one, other in combinations(range(len(track.axes)), 2)
        if not stood & {track.axes[one], track.axes[other]}
        for found in _doubled(track, one, other, body_m_s2)
    ]
    return (*stuck, *pairs)


def _plain(track: SensorTrack, body_m_s2: float) -> float:
    """From what spread on a wearer moves, in m/s2, also where the layout has the unit wrong."""
    typical = float(np.nanmedian(track.length)) if np.any(~np.isnan(track.length)) else np.inf
    return max(min(body_m_s2, 0.1 * typical), PLAIN_STEPS * float(track.step.max()))


def _stuck(track: SensorTrack, axis: int, body_m_s2: float) -> list[Spoilt]:
    others = np.sqrt(np.delete(track.spread**2, axis, axis=0).sum(axis=0))
    # The mean of equal float32 values is off by some of their last digits.
    nothing = np.maximum(0.01 * track.step[axis], 1e-6 * np.abs(track.mean[axis]))
    moving = np.nan_to_num(others) > _plain(track, body_m_s2)
    runs = Spans.of_mask(track.spread[axis] <= nothing)
    until = np.concatenate(([0], np.cumsum(moving)))
    long = until[runs.stop] - until[runs.start] >= LEAST_MOVING_S
    return [
        Spoilt(
            "stuck",
            (track.axes[axis],),
            start,
            stop,
            float(np.median(track.spread[axis, start:stop])),
            float(np.median(others[start:stop][moving[start:stop]])),
        )
        for start, stop in zip(runs.start[long].tolist(), runs.stop[long].tolist(), strict=True)
    ]


def _doubled(track: SensorTrack, one: int, other: int, body_m_s2: float) -> list[Spoilt]:
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
            found.append(Spoilt(kind, names, int(seconds[0]), int(seconds[-1]) + 1, off, size))
    return found
