"""Gain and offset of each axis of an accelerometer, from where it lay still in many orientations."""

from dataclasses import dataclass

import numpy as np

from pipeline.detectors.acceleration import SensorTrack
from pipeline.detectors.findings import Spans
from pipeline.detectors.windows import Floats
from pipeline.layouts.units import STANDARD_GRAVITY

WINDOW_S = 10
"""Length of a window without movement (van Hees et al., J Appl Physiol 117:738, 2014; from memory)."""

LEAST_WINDOWS = 12
"""Twice as many still windows as there are unknowns."""

REACH = 0.3
"""Share of gravity that every axis must have shown upwards and downwards (from memory)."""

MOST_ROUNDS = 50


@dataclass(frozen=True)
class Calibration:
    """What brings the still windows nearest to the sphere of gravity: ``true = gain * measured + offset``.

    ``gain`` and ``offset_m_s2`` have shape (3,); the errors are the mean distance of the vector's length
    from gravity over ``n_windows`` still windows, before and after.
    """

    gain: Floats
    offset_m_s2: Floats
    error_m_s2: float
    calibrated_m_s2: float
    n_windows: int


def still_means(track: SensorTrack, still_m_s2: float) -> Floats:
    """Mean of each axis in the windows of 10 s in which every axis lies still, shape (axes, windows).

    Windows stand end to end within each stretch of stillness, wherever that begins. The spread over a window
    is what is within its seconds and what is between them.
    """
    known = ~np.isnan(track.length)
    mean, spread = (np.where(known, values, 0.0) for values in (track.mean, track.spread))
    n_known = _over_window(known[np.newaxis].astype(np.float64))[0]
    middle = _over_window(mean) / WINDOW_S
    variance = _over_window(spread**2 + mean**2) / WINDOW_S - middle**2
    still = (variance < still_m_s2**2).all(axis=0) & (n_known > WINDOW_S - 0.5)
    begins = Spans.of_mask(still)
    starts = [np.arange(a, b, WINDOW_S) for a, b in zip(begins.start, begins.stop, strict=True)]
    picked = np.concatenate(starts) if starts else np.empty(0, np.int64)
    return np.asarray(middle[:, picked], dtype=np.float64)


def _over_window(values: Floats) -> Floats:
    """Sums over the windows of 10 s that begin with each second, last axis."""
    until = np.cumsum(values, axis=-1)
    until = np.concatenate((np.zeros((*values.shape[:-1], 1)), until), axis=-1)
    return np.asarray(until[..., WINDOW_S:] - until[..., :-WINDOW_S], dtype=np.float64)


def gravity_error_m_s2(means: Floats) -> float:
    """Mean distance of the vector's length from gravity over windows, `means` of shape (axes, windows)."""
    return float(np.abs(np.linalg.norm(means, axis=0) - STANDARD_GRAVITY).mean())


def calibrate(means: Floats, axes: tuple[str, ...]) -> Calibration | str:
    """Fit gain and offset to the still windows, or say why that cannot be done.

    The sum of squared distances to the nearest points of the sphere is made smallest, as van Hees et al.
    (2014) do point by point; Gauss and Newton's steps come to the same place in fewer rounds.

    Parameters
    ----------
    means : shape (axes, windows)
        Mean acceleration of each still window in m/s2.
    axes : tuple of str
        Names of the axes, for the reason.
    """
    if len(axes) != 3:
        return f"an accelerometer of {len(axes)} axes has no sphere of gravity"
    if means.shape[1] < LEAST_WINDOWS:
        n = means.shape[1]
        return f"{n} still window{'' if n == 1 else 's'} of {WINDOW_S} s, {LEAST_WINDOWS} are needed"
    measured = means / STANDARD_GRAVITY
    for name, low, high in zip(axes, measured.min(axis=1), measured.max(axis=1), strict=True):
        if low > -REACH or high < REACH:
            return (
                f"still in too few orientations: {name} shows {low:.2f} to {high:.2f} of gravity, "
                f"{-REACH:g} to {REACH:g} are needed of every axis"
            )
    gain, offset = _fit(measured)
    if not np.all((gain > 0.5) & (gain < 2.0) & (np.abs(offset) < 1.0)):
        return "gain and offset of this kind do not explain the lengths"
    after = gain[:, np.newaxis] * means + offset[:, np.newaxis] * STANDARD_GRAVITY
    errors = gravity_error_m_s2(means), gravity_error_m_s2(after)
    return Calibration(gain, offset * STANDARD_GRAVITY, *errors, means.shape[1])


def _fit(measured: Floats) -> tuple[Floats, Floats]:
    """Gain and offset of shape (3,) for vectors of shape (3, n), all in units of gravity."""
    fitted = np.concatenate((np.ones(3), np.zeros(3)))
    for _ in range(MOST_ROUNDS):
        brought = fitted[:3, np.newaxis] * measured + fitted[3:, np.newaxis]
        length = np.maximum(np.linalg.norm(brought, axis=0), 1e-9)
        upwards = brought / length
        slope = np.concatenate((upwards * measured, upwards))
        step = np.linalg.lstsq(slope.T, 1 - length, rcond=None)[0]
        fitted = fitted + step
        if np.abs(step).max() < 1e-9:
            break
    return fitted[:3], fitted[3:]
