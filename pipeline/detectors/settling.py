"""How long the AC coupling takes to recover: by the corner that the layout states, or as recoveries show."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.detectors.findings import Spans
from pipeline.layouts import Channel
from pipeline.recording import Recording

Floats = npt.NDArray[np.float64]

SHORTEST_OVERLOAD_S, SHORTEST_RECOVERY_S, LONGEST_RECOVERY_S = 0.2, 0.5, 30.0
"""Overloads and the time after them in which a recovery is looked for."""

MOST_RECOVERIES = 24
"""The longest overloads are enough."""

MEAN_S = 0.02
"""Samples are averaged over a cycle of 50 Hz."""

TAUS_S = np.geomspace(0.04, 30.0, 80)
"""Time constants that are tried: corners from 4 Hz down to 5 mHz."""

REACH = 4.0
"""A recovery is fitted over so many time constants; after these it is below 2 %."""

LEAST_EXPLAINED = 0.9
LEAST_LENGTH = 1.5
FROM_RAIL = (0.75, 1.33)
"""A clear recovery is explained to nine tenths, lasts for so many time constants, and begins at the rail."""

LEAST_MEANS = 8
LEAST_APART = 0.7
LEAST_GAIN = 0.3
LEAST_LEFT = 0.01
"""A second exponential differs by this logarithm, and leaves at most this part of what one leaves
unexplained, which is a hundredth at least."""

LEAST_CLEAR = 2
MOST_SPREAD = 0.3
"""So many clear recoveries must agree, with this deviation of the logarithm at most."""


@dataclass(frozen=True)
class TimeConstant:
    """Time constant of the AC coupling from `n` recoveries, with its standard uncertainty, in seconds.

    ``tau_s`` is None where there is none, and ``absent`` says why.
    """

    tau_s: float | None = None
    uncertainty_s: float | None = None
    n: int = 0
    absent: str = ""


def settling_s(channel: Channel, residue: float) -> float | None:
    """Time until `residue` of an overload is left; None where no AC coupling is stated or known."""
    if channel.ac_corner_hz is None or not 0 < residue < 1:
        return None
    return -math.log(residue) / (2 * math.pi * channel.ac_corner_hz)


def fit_time_constant(
    recording: Recording, channel: Channel, low: Spans, high: Spans, rest: float
) -> TimeConstant:
    """Fit ``rest + a exp(-t / tau)`` to what follows overloads at either rail.

    Each recovery gives a time constant by least squares; their median counts, and its uncertainty comes
    from their spread (median absolute deviation), so that a recovery in which the wearer moves decides
    nothing.
    """
    n_long = SHORTEST_OVERLOAD_S * recording.sample_hz
    runs = Spans.merged(low, high)
    lengths = runs.stop - runs.start
    if not np.any(lengths >= n_long):
        return TimeConstant(absent="no overload was long enough to tell the AC coupling's time constant")
    following = np.append(runs.start[1:], recording.n_rows)
    room = following - runs.stop >= SHORTEST_RECOVERY_S * recording.sample_hz
    usable = np.flatnonzero((lengths >= n_long) & room)
    usable = usable[np.argsort(-lengths[usable], kind="stable")][:MOST_RECOVERIES]
    fitted = [
        tau_s
        for k in usable.tolist()
        if (tau_s := _one(recording, channel, int(runs.stop[k]), int(following[k]), rest)) is not None
    ]
    if len(fitted) < LEAST_CLEAR:
        absent = f"of {len(usable)} recoveries {len(fitted)} show a clear decay; it takes {LEAST_CLEAR}"
        return TimeConstant(n=len(fitted), absent=absent)
    logs = np.log(fitted)
    spread = 1.4826 * float(np.median(np.abs(logs - np.median(logs))))
    if spread > MOST_SPREAD:
        absent = f"{len(fitted)} recoveries disagree about the AC coupling's time constant"
        return TimeConstant(n=len(fitted), absent=absent)
    tau_s = float(np.exp(np.median(logs)))
    # The median of n values is uncertain by 1.25 of their deviation over sqrt(n), and by half a step of what
    # was tried.
    deviation = max(spread, float(np.std(logs, ddof=1)), float(np.log(TAUS_S[1] / TAUS_S[0])) / 2)
    return TimeConstant(tau_s, tau_s * 1.25 * deviation / math.sqrt(len(fitted)), len(fitted))


def _one(recording: Recording, channel: Channel, start: int, stop: int, rest: float) -> float | None:
    """Time constant of one recovery, None where it is not clear."""
    hz = recording.sample_hz
    stop = min(stop, start + round(LONGEST_RECOVERY_S * hz))
    values = recording.read([channel.name], start, stop)[channel.name].astype(np.float64)
    n_mean = max(1, round(MEAN_S * hz))
    values = values[: len(values) // n_mean * n_mean].reshape(-1, n_mean).mean(axis=1) - rest
    time_s = (np.arange(len(values)) + 0.5) * n_mean / hz
    here = ~np.isnan(values)
    values, time_s = values[here], time_s[here]
    first = recording.read([channel.name], start - 1, start)[channel.name][0] - rest
    if len(values) < LEAST_MEANS:
        return None
    tau_s = float(TAUS_S[-1])
    # What lies behind the recovery blurs it: each pass looks at less of that.
    for _ in range(4):
        near = time_s <= REACH * tau_s
        if near.sum() < LEAST_MEANS:
            return None
        decay = _Decay.of(time_s[near], values[near])
        tau_s = decay.tau_s
    clear = (
        decay.explained >= LEAST_EXPLAINED
        and FROM_RAIL[0] * abs(first) <= decay.amplitude * np.sign(first) <= FROM_RAIL[1] * abs(first)
        and time_s[near][-1] >= LEAST_LENGTH * tau_s
        and TAUS_S[1] < tau_s < TAUS_S[-2]
    )
    return tau_s if clear else None


@dataclass(frozen=True)
class _Decay:
    """The decay that fits best: its slower time constant, where it begins, and the share explained."""

    tau_s: float
    amplitude: float
    explained: float

    @staticmethod
    def of(time_s: Floats, values: Floats) -> "_Decay":
        """Fit one exponential, or two of opposite sign where these leave far less unexplained.

        Two high-passes in a row, the body's leakage before the amplifier's coupling, swing through rest:
        what they give is the difference of both exponentials, and the slower one is what has to settle.
        """
        decays = np.exp(-time_s[:, None] / TAUS_S)
        products, along = decays.T @ decays, values @ decays
        # Of the fastest nothing may be left by the first mean.
        size, whole = np.maximum(np.diag(products), 1e-30), max(float(values @ values), 1e-200)
        one = along**2 / (size * whole)
        k = int(np.argmax(one))
        best = _Decay(_between(one, k), float(along[k] / size[k]), float(one[k]))
        if 1 - best.explained < LEAST_LEFT:
            return best
        determinant = np.outer(size, size) - products**2
        apart = np.abs(np.log(TAUS_S[:, None] / TAUS_S)) >= LEAST_APART
        determinant = np.where(apart & (determinant > 1e-12 * np.outer(size, size)), determinant, np.inf)
        first = (np.outer(along, size) - along[None, :] * products) / determinant
        explained = (first * along[:, None] + first.T * along[None, :]) / whole
        explained = np.where(apart & (first * first.T < 0), explained, 0.0)
        i, j = np.unravel_index(int(np.argmax(explained)), explained.shape)
        if 1 - explained[i, j] > LEAST_GAIN * (1 - best.explained):
            return best
        slow = max(int(i), int(j))
        return _Decay(float(TAUS_S[slow]), float(first[i, j] + first[j, i]), float(explained[i, j]))


def _between(explained: Floats, k: int) -> float:
    """The time constant at the top of the parabola through three that were tried."""
    if not 0 < k < len(TAUS_S) - 1:
        return float(TAUS_S[k])
    before, at, after = explained[k - 1 : k + 2]
    bend = before - 2 * at + after
    shift = float(np.clip(0.5 * (before - after) / bend, -0.5, 0.5)) if bend < 0 else 0.0
    return float(TAUS_S[k] * (TAUS_S[1] / TAUS_S[0]) ** shift)
