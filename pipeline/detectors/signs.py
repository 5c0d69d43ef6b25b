"""One field channel in windows of 0.2 s as contact is judged by: mains, noise, level and movement.

Seconds are too coarse for an electrode that is off for two of them.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from pipeline.detectors.settling import settling_s
from pipeline.detectors.tracks import FieldTrack, Settings, Tracks
from pipeline.detectors.windows import Floats

Mask = npt.NDArray[np.bool_]

JUMP = 0.1
"""Step of the level from one window to the next, in input ranges, that no movement makes."""

QUICK = 0.94
"""Change within 0.1 s over the spread of the acceleration: about 2 sin(0.1 pi f) for f movements a second.
Above it are steps (1.35 to 2.3 a second, Tudor-Locke and Rowe 2012), below it strokes (about 1)."""

SMOOTHED_S = 0.6
"""Over what single windows are smoothed by their median."""


@dataclass(frozen=True)
class Signs:
    """All arrays have one element for each window of ``window_s``; NaN where nothing was measured.

    Attributes
    ----------
    mains, overtones : float64
        Peak of line and harmonics, and of the harmonics alone, at the electrode, in the channel's unit.
    noise : float64
        What level, slope, curvature and lines leave, rms.
    level : float64
        Level in the middle of the window.
    movement : float64
        By how much the level bends from window to window (twice its middle less both neighbours), median
        over a second: steps do, while the exponential of an AC coupling that recovers hardly does.
    jump : float64
        By how much the level differs from the window before.
    abrupt : bool
        Windows at a rail, or behind a jump.
    settling : bool
        Windows at a rail or within the recovery of the AC coupling from an abrupt change.
    acceleration : float64 or None
        Spread of the acceleration over the second in which the window lies.
    moving, quick : bool or None
        Whether that is movement of arm or body, and whether it is as quick as steps are.
    input_range, noise_floor, recovery_s : float
        Span of the converter; the channel's usual noise; how long the AC coupling takes to settle.
    """

    window_s: float
    mains: Floats
    overtones: Floats
    noise: Floats
    level: Floats
    movement: Floats
    jump: Floats
    abrupt: Mask
    settling: Mask
    acceleration: Floats | None
    moving: Mask | None
    quick: Mask | None
    input_range: float
    noise_floor: float
    noise_peak: float
    recovery_s: float
    tau_s: float | None
    n_fast: int
    n_slow: int

    def __len__(self) -> int:
        return len(self.mains)

    def n(self, seconds: float) -> int:
        """So many windows, at least one."""
        return max(1, round(seconds / self.window_s))

    def at(self, second: int) -> int:
        """The window in which a second begins."""
        return round(second * self.n_slow / self.n_fast)


def signs_of(tracks: Tracks, track: FieldTrack, settings: Settings) -> Signs:
    """Bring what is known of a field channel to windows of 0.2 s."""
    channel = track.channel
    span = channel.adc_high - channel.adc_low
    window_s = tracks.n_fast / tracks.sample_hz
    n = min(len(track.mains_peak), len(track.level_fast))
    second = np.minimum(np.arange(n) * tracks.n_fast // tracks.n_slow, max(len(track.at_rail) - 1, 0))
    level = track.level_fast[:n]
    jump = _jumps(level)
    railed = np.zeros(n, bool)
    if len(track.at_rail) and not track.n_beyond:
        middle = (channel.adc_high + channel.adc_low) / 2
        ends = np.nanpercentile(np.abs(level - middle), 100) if np.any(~np.isnan(level)) else 0.0
        railed = (track.at_rail[second] > 0) & (np.nan_to_num(np.abs(level - middle)) > 0.9 * ends)
    abrupt = railed | (np.nan_to_num(jump) > JUMP * span)
    recovery_s = settling_s(channel, settings["saturation.settled_residue"]) or 0.0
    acceleration = moving = quick = None
    if tracks.acceleration_rms is not None and len(tracks.acceleration_rms):
        acceleration = tracks.acceleration_rms[np.minimum(second, len(tracks.acceleration_rms) - 1)]
        moving = np.nan_to_num(acceleration) > settings["movement.body_m_s2"]
        # The first and the last second of a movement are only in part of it.
        per_s = max(1, round(1 / window_s))
        moving = ndimage.binary_erosion(moving, np.ones(2 * per_s + 1, bool), border_value=1)
        if tracks.acceleration_change is not None:
            change = tracks.acceleration_change[np.minimum(second, len(tracks.acceleration_change) - 1)]
            quick = np.nan_to_num(change) > QUICK * np.nan_to_num(acceleration)
    noise = track.residue_rms[:n]
    floor = float(np.nanmedian(noise)) if np.any(~np.isnan(noise)) else 0.0
    # Where lines do not lead and the rest is loud, it is the rest that has power there.
    loud = ~track.mains_leads[:n] & ~(np.nan_to_num(noise) < 2 * floor)
    return Signs(
        window_s,
        np.where(loud, np.nan, track.mains_peak[:n]),
        track.overtones_peak[:n],
        noise,
        level,
        _bend(level, max(3, round(1.0 / window_s))),
        jump,
        abrupt,
        _followed(abrupt, round(recovery_s / window_s)),
        acceleration,
        moving,
        quick,
        span,
        floor,
        # The fit of a line to noise alone gives a peak of about noise * sqrt(pi / n) a line.
        floor * float(np.sqrt(np.pi / tracks.n_fast)),
        recovery_s,
        1 / (2 * np.pi * channel.ac_corner_hz) if channel.ac_corner_hz else None,
        tracks.n_fast,
        tracks.n_slow,
    )


def smoothed(values: Floats, n: int) -> Floats:
    """Running median over `n` windows, unknown ones standing in for the last known."""
    known = ~np.isnan(values)
    if not known.any():
        return np.full(len(values), np.nan)
    last = np.maximum.accumulate(np.where(known, np.arange(len(values)), -1))
    filled = values[np.where(last < 0, np.argmax(known), last)]
    return np.asarray(ndimage.median_filter(filled, n | 1, mode="nearest"))


def _jumps(level: Floats) -> Floats:
    """From the last known level to each; 0 where it is not known."""
    known = ~np.isnan(level)
    if not known.any():
        return np.zeros(len(level))
    at = np.arange(len(level))
    last = np.maximum.accumulate(np.where(known, at, -1))
    before = np.concatenate(([-1], last[:-1]))
    jump = np.abs(level - level[np.maximum(before, 0)])
    return np.where(known & (before >= 0), jump, 0.0)


def _bend(level: Floats, n: int) -> Floats:
    bend = np.full(len(level), np.nan)
    if len(level) > 2:
        bend[1:-1] = np.abs(level[2:] - 2 * level[1:-1] + level[:-2])
        bend[0], bend[-1] = bend[1], bend[-2]
    known = ~np.isnan(bend)
    return np.where(ndimage.minimum_filter1d(known.astype(np.uint8), 1) > 0, smoothed(bend, n), np.nan)


def _followed(windows: Mask, n_after: int) -> Mask:
    """The windows given, and so many after each of them."""
    steps = np.cumsum(np.concatenate(([0], windows.astype(np.int64))))
    first = np.maximum(np.arange(len(windows)) - n_after, 0)
    return np.asarray(steps[1:] > steps[first])
