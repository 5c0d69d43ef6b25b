"""Smooth pieces out of which movement is put together."""

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


def ramp(position: Array) -> Array:
    """0 below 0, 1 above 1, a smooth rise between (any shape)."""
    clipped = np.clip(position, 0.0, 1.0)
    squared = clipped * clipped
    clipped *= -2
    clipped += 3
    squared *= clipped
    return np.asarray(squared, dtype=np.float64)


def window(time_s: Array, start_s: float, stop_s: float, edge_s: float) -> Array:
    """1 within [start_s, stop_s], falling to 0 within `edge_s` inside both ends."""
    return ramp((time_s - start_s) / edge_s) * ramp((stop_s - time_s) / edge_s)


def slow_noise(time_s: Array, knot_s: float, rng: np.random.Generator) -> Array:
    """Noise of about unit deviation that changes from one knot to the next, `knot_s` apart (shape (n,))."""
    position = (time_s - time_s[0]) / knot_s
    before = position.astype(np.int64)
    knots = rng.standard_normal(int(before[-1]) + 2)
    between = ramp(position - before)
    between *= np.diff(knots)[before]
    between += knots[before]
    return np.asarray(between, dtype=np.float64)


def paced(start_s: float, stop_s: float, rate_hz: float, jitter: float, rng: np.random.Generator) -> Array:
    """Times of a rhythm in [start_s, stop_s): intervals of 1 / `rate_hz` with relative deviation `jitter`."""
    n = int((stop_s - start_s) * rate_hz * 1.5) + 2
    gaps = np.maximum(1 + jitter * rng.standard_normal(n), 0.5) / rate_hz
    times = start_s + np.cumsum(gaps)
    return times[times < stop_s]


def cycles(time_s: Array, beats_s: Array) -> Array:
    """How many beats have gone by at each time, growing evenly between two beats (shape (n,))."""
    return np.interp(time_s, beats_s, np.arange(len(beats_s), dtype=np.float64))
