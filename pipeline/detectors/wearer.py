"""What the wearer does in each window of 0.2 s, by the accelerometer."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from pipeline.detectors.tracks import Settings, Tracks
from pipeline.detectors.windows import Floats

Mask = npt.NDArray[np.bool_]

QUICK = 0.88
"""Change within 0.1 s over the spread of the acceleration: about 2 sin(0.1 pi f) for f movements a second.
Above it are steps (1.35 to 2.3 a second, Tudor-Locke and Rowe 2012), below it strokes (about 1)."""

BUSY_M_S2 = 0.3
"""Spread of the acceleration from which the wearer does something."""

BUSY_REACH_S = 1.2


@dataclass(frozen=True)
class Wearer:
    """What the accelerometer says of each window; ``acceleration`` is None without one.

    ``body`` moves more than fingers, by steps where ``steps``; ``moving`` and ``quick`` are those that
    do so all along, ``busy`` what lies near to any movement, ``still`` where nothing is felt.
    """

    acceleration: Floats | None
    moving: Mask
    quick: Mask
    busy: Mask
    still: Mask
    body: Mask
    steps: Mask


def wearer_of(tracks: Tracks, n: int, window_s: float, settings: Settings) -> Wearer:
    """What is done in each of `n` windows; without an accelerometer anything may be."""
    nothing = np.zeros(n, bool)
    if tracks.acceleration_rms is None or not len(tracks.acceleration_rms):
        return Wearer(None, nothing, nothing, ~nothing, nothing, nothing, nothing)
    second = np.minimum(np.arange(n) * tracks.n_fast // tracks.n_slow, len(tracks.acceleration_rms) - 1)
    acceleration = tracks.acceleration_rms[second]
    known = np.nan_to_num(acceleration)
    per_s, reach = max(1, round(1 / window_s)), max(1, round(BUSY_REACH_S / window_s))
    # The first and the last second of a movement are only in part of it.
    moving = ndimage.binary_erosion(
        known > settings["movement.body_m_s2"], np.ones(2 * per_s + 1, bool), border_value=1
    )
    busy = ndimage.binary_dilation(known > BUSY_M_S2, np.ones(2 * reach + 1, bool))
    still, body = known < settings["movement.still_m_s2"], known > settings["movement.body_m_s2"]
    steps = quick_seconds(tracks)[second]
    return Wearer(acceleration, moving, moving & steps, busy, still, body, body & steps)


def quick_seconds(tracks: Tracks) -> Mask:
    """Seconds in which the acceleration changes as quickly as by steps; all, where that was not measured."""
    rms, change = tracks.acceleration_rms, tracks.acceleration_change
    if rms is None or change is None or not len(rms):
        return np.ones(0 if rms is None else len(rms), bool)
    about, about_change = (
        np.sqrt(np.maximum(ndimage.uniform_filter1d(np.nan_to_num(one) ** 2, 3, mode="nearest"), 0.0))
        for one in (rms, change)
    )
    return np.asarray(about_change > QUICK * about)
