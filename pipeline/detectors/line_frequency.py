"""Frequency and size of a line by its phase, with their uncertainty.

Mains wanders by some ten millihertz within seconds, so that no single sinusoid fits minutes of it. Its phase
is followed instead: over stretches short enough for the wander and long enough for the noise, a straight
line through their phases gives the mean frequency.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy import stats

from pipeline.detectors.phase import Baseband, Complexes
from pipeline.detectors.windows import Floats

SURE_RAD = 0.25
"""Noise of a stretch's phase for which going round the circle is never mistaken."""

LEAST_STRETCHES = 8
"""Stretches below which one sinusoid is fitted to all of the recording: nothing has room to wander."""

WANDER_CHANCE, MORE = 0.001, 1.3
"""Probability that noise alone is taken for wander, and by how much its density may exceed what it seems."""

LEAST_MEANS = 3
"""Means of 10 s whose spread tells something."""

STRETCH_S = 16.0
"""Stretches in which a line is first looked for: it wanders within their resolution."""

MEAN_S = 10.0
"""IEC 61000-4-30 and EN 50160 take the frequency of mains over 10 s."""


@dataclass(frozen=True)
class Estimate:
    """A line's mean frequency before unfolding, its amplitude, and their standard uncertainties.

    ``wander_hz`` is the spread of 10 s means beyond that of noise; NaN where nothing tells. ``wander`` is by
    how many cycles the phase at each point leads that of the mean frequency; None where it was not followed.
    """

    at_hz: float
    uncertainty_hz: float
    amplitude: float
    amplitude_uncertainty: float
    wander_hz: float
    wander: Floats | None


def frequency_bound_hz(amplitude: float, density: float, duration_s: float) -> float:
    """Cramer-Rao bound of a sinusoid's frequency in white noise of a one-sided `density` (unit^2/Hz).

    ``fs / (2 pi) sqrt(24 sigma^2 / (A^2 N^3))`` with ``sigma^2 = density fs / 2`` and ``N = fs T``: the
    sampling rate falls out (Rife and Boorstyn, IEEE Trans. IT-20:591, 1974; real form from memory).
    """
    return math.sqrt(3 * density / duration_s**3) / (math.pi * amplitude)


def amplitude_bound(density: float, duration_s: float) -> float:
    """Cramer-Rao bound of a sinusoid's amplitude: ``sqrt(2 / N) sigma``."""
    return math.sqrt(density / duration_s)


def estimate(band: Baseband, density: float, reach_hz: float) -> Estimate | None:
    """Estimate one line.

    Parameters
    ----------
    band : Baseband
        Brought to 0 Hz near the line.
    density : float
        One-sided density of the noise beside the line (unit^2/Hz).
    reach_hz : float
        How far from 0 Hz the line may be.

    Returns
    -------
    Estimate or None
        None where no line stands out of the noise.
    """
    duration_s = band.duration_s
    if not duration_s:
        return None
    offset_hz = _highest_hz(band, reach_hz)
    power = _power(band, offset_hz, MEAN_S, density)
    if power <= 0:
        return None
    needed_s = density / (power * SURE_RAD**2)
    n_each = max(4, math.ceil(needed_s * band.rate_hz))
    if len(band.z) // n_each < LEAST_STRETCHES:
        offset_hz = _refined_hz(band, offset_hz)
        power = _power(band, offset_hz, duration_s, density)
        wander_hz, noise_hz, wander = math.nan, 0.0, None
    else:
        offset_hz, wander_hz, wander = _followed(band, offset_hz, n_each, density)
        power = _power(band.turned(wander), offset_hz, MEAN_S, density)
        noise_hz = wander_hz / math.sqrt(max(duration_s / MEAN_S, 1.0))
    if power <= 0:
        return None
    amplitude = math.sqrt(power)
    bound_hz = frequency_bound_hz(amplitude, density, duration_s)
    return Estimate(
        band.at_hz + offset_hz,
        math.hypot(bound_hz, 0.0 if math.isnan(noise_hz) else noise_hz),
        amplitude,
        amplitude_bound(density, duration_s),
        wander_hz,
        wander,
    )


def estimate_apart(band: Baseband, density: float, reach_hz: float) -> Estimate | None:
    """The same where the line counts only now and then, too far apart to follow its phase in between."""
    duration_s = band.duration_s
    if not duration_s:
        return None
    n = _stretch(band)
    offset_hz = _highest_hz(band, reach_hz)
    power = _power(band, offset_hz, n / band.rate_hz, density)
    if power <= 0:
        return None
    amplitude, each_s = math.sqrt(power), min(n / band.rate_hz, duration_s)
    bound_hz = frequency_bound_hz(amplitude, density, each_s) / math.sqrt(duration_s / each_s)
    noise = amplitude_bound(density, duration_s)
    return Estimate(band.at_hz + offset_hz, bound_hz, amplitude, noise, math.nan, None)


def _stretch(band: Baseband) -> int:
    return min(len(band.z), max(4, round(STRETCH_S * band.rate_hz)))


def _highest_hz(band: Baseband, reach_hz: float) -> float:
    """Where the mean periodogram of stretches of 16 s is highest: finer than its bins by a parabola."""
    n = _stretch(band)
    n_all = max(len(band.z) // n, 1)
    segments = band.z[: n_all * n].reshape(n_all, n)
    n_fine = 8 * n
    power = (np.abs(np.fft.fft(segments, n_fine, axis=1)) ** 2).sum(axis=0)
    frequency = np.fft.fftfreq(n_fine, 1 / band.rate_hz)
    near = np.abs(frequency) <= max(reach_hz, 0.5 * band.rate_hz / n)
    best = int(np.flatnonzero(near)[np.argmax(power[near])])
    low, top, high = power[best - 1], power[best], power[(best + 1) % n_fine]
    curvature = low - 2 * top + high
    shift = 0.5 * (low - high) / curvature if curvature < 0 else 0.0
    return float(frequency[best] + np.clip(shift, -1, 1) * band.rate_hz / n_fine)


def _refined_hz(band: Baseband, offset_hz: float) -> float:
    """The maximum of the periodogram of all points, from a start nearby, by parabolas."""
    t = band.time_s()
    step_hz = 0.25 * band.rate_hz / len(band.z)
    for _ in range(3):
        at = offset_hz + step_hz * np.array([-1.0, 0.0, 1.0])
        low, top, high = np.abs(np.exp(-2j * np.pi * np.outer(at, t)) @ band.z) ** 2
        curvature = low - 2 * top + high
        shift = 0.5 * (low - high) / curvature if curvature < 0 else math.copysign(1.0, high - low)
        offset_hz += step_hz * float(np.clip(shift, -1.0, 1.0))
        step_hz *= 0.3
    return offset_hz


def _power(band: Baseband, offset_hz: float, each_s: float, density: float) -> float:
    """Squared amplitude of the line, stretch by stretch, without what noise adds to it."""
    turned = band.turned(offset_hz * band.time_s())
    sums, weights = turned.segments(max(1, round(each_s * band.rate_hz)))
    total = float(weights.sum())
    found = 4 * float(np.sum(np.abs(sums) ** 2 / np.maximum(weights, 1e-9) * (weights > 0))) / total
    return found - 2 * density * band.sample_hz * int((weights > 0).sum()) / total


def _followed(band: Baseband, offset_hz: float, n_each: int, density: float) -> tuple[float, float, Floats]:
    """Mean offset, spread of the frequency, and the phase's lead in cycles, by the phases of stretches."""
    t = band.time_s()
    sums, weights = band.turned(offset_hz * t).segments(n_each)
    middle = (np.arange(len(sums)) + 0.5) * n_each - 0.5
    size = np.abs(sums)
    # Where the line is gone its phase is anybody's: a stretch goes on from the last one that had it.
    sure = size > 0.3 * np.sqrt(np.mean(size**2))
    cycles = _unwound(sums[sure])
    at_s = t[0] + middle[sure] / band.rate_hz
    noise2 = density * band.sample_hz * weights[sure] / np.maximum(4 * size[sure] ** 2, 1e-300)
    noise2 = noise2 / (2 * np.pi) ** 2
    slope_hz, lead = _line_through(at_s, cycles, 1 / noise2)
    wanders = float(np.sum(lead**2 / noise2)) > MORE * stats.chi2.isf(WANDER_CHANCE, len(lead) - 2)
    wander_hz = _wander_hz(at_s, cycles, float(np.median(noise2))) if wanders else 0.0
    return offset_hz + slope_hz, wander_hz, np.interp(t, at_s, lead)


def _unwound(sums: Complexes) -> Floats:
    """Phase in cycles, the nearest way round from each to the next."""
    steps = np.angle(sums[1:] * sums[:-1].conj()) / (2 * np.pi)
    return np.concatenate(([np.angle(sums[0]) / (2 * np.pi)], steps)).cumsum()


def _line_through(x: Floats, y: Floats, weight: Floats) -> tuple[float, Floats]:
    """Slope of the straight line by least squares, and what it leaves of each y."""
    total = weight.sum()
    x, y = x - (weight @ x) / total, y - (weight @ y) / total
    spread = float(weight @ x**2)
    # A single point has no slope.
    slope = float((weight * x) @ y) / spread if spread > 0 else 0.0
    return slope, y - slope * x


def _wander_hz(at_s: Floats, cycles: Floats, noise2: float) -> float:
    """Spread of the frequency over stretches of 10 s, less what noise of variance `noise2` makes of it."""
    n = int((at_s[-1] - at_s[0]) // MEAN_S)
    edges = at_s[0] + MEAN_S * np.arange(n + 1)
    k = np.searchsorted(at_s, edges[:-1])
    last = np.minimum(np.searchsorted(at_s, edges[1:]), len(at_s) - 1)
    lasted_s = at_s[last] - at_s[k]
    fine = lasted_s > 0.5 * MEAN_S
    if fine.sum() < LEAST_MEANS:
        return math.nan
    mean_hz = (cycles[last] - cycles[k])[fine] / lasted_s[fine]
    noise = 2 * noise2 / float(np.mean(lasted_s[fine] ** 2))
    return math.sqrt(max(float(mean_hz.var(ddof=1)) - noise, 0.0))
