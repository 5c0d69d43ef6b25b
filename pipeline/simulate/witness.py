"""How plainly a loss of contact shows: what anybody could hold against the field while it lasts."""

import numpy as np

from pipeline.simulate.body import Array
from pipeline.simulate.contact import Lapse
from pipeline.simulate.scenario import Scenario, Signals

PLAIN_MOVING_S = 3.0
"""So much walking within a loss shows it, since the field should move and does not; strokes count half."""

PLAIN_RATIO = 2.5
"""A change of mains by 8 dB shows a loss (lead-off practice: 10 to 30 dB, from memory)."""

BESIDE_S = 10.0
"""Mains within a loss is held against this much before and after it."""

WINDOW_S = 0.2


def plainness(scenario: Scenario, signals: Signals, lapse: Lapse) -> float:
    """From 0, where nothing shows a lapse, to 1: by movement or by mains, whichever shows it more."""
    return max(by_movement(scenario, lapse), by_mains(scenario, signals, lapse))


def by_movement(scenario: Scenario, lapse: Lapse) -> float:
    """Walking and strokes in a lapse, in parts of what makes it plain, at most 1; 0 if nothing feels them."""
    if not scenario.wears_accelerometer:
        return 0.0
    weights = {"body": 1.0, "arm": 0.5}
    seconds = sum(
        weights.get(one.intensity, 0.0)
        * max(0.0, min(one.stop_s, lapse.stop_s) - max(one.start_s, lapse.start_s))
        for one in scenario.activities
    )
    return min(1.0, seconds / PLAIN_MOVING_S)


def by_mains(scenario: Scenario, signals: Signals, lapse: Lapse) -> float:
    """How much the line at the electrode changes with a lapse, in parts of what makes it plain, at most 1.

    Nothing, where the line is smaller than the noise or folds to where its size cannot be known.
    """
    line_hz, hz, front = scenario.mains.nominal_hz, scenario.sample_hz, scenario.amplifier
    folded_hz = abs(line_hz - hz * round(line_hz / hz))
    if not 1.0 < folded_hz < hz / 2 - 1.0:
        return 0.0
    peaks_v = _peaks_v(signals.line_v, hz * scenario.oversampling)
    at_s = signals.time_s[0] + WINDOW_S * np.arange(len(peaks_v))
    inside = (at_s >= lapse.start_s) & (at_s + WINDOW_S <= lapse.stop_s)
    beside = (at_s >= lapse.start_s - BESIDE_S) & (at_s < lapse.stop_s + BESIDE_S)
    beside &= (at_s + WINDOW_S < lapse.start_s) | (at_s > lapse.stop_s)
    if not inside.any() or not beside.any():
        return 0.0
    within_v = float(np.quantile(peaks_v[inside], 0.8 if lapse.kind == "intermittent" else 0.5))
    outside_v = float(np.median(peaks_v[beside]))
    passing = 1.0
    if front.lowpass_hz is not None:
        passing = 1 / float(np.hypot(1, (line_hz / front.lowpass_hz) ** front.lowpass_order))
    if max(within_v, outside_v) * passing < front.noise_v or not min(within_v, outside_v):
        return 0.0
    return min(1.0, abs(float(np.log(within_v / outside_v))) / float(np.log(PLAIN_RATIO)))


def _peaks_v(line_v: Array, step_hz: float) -> Array:
    n = round(WINDOW_S * step_hz)
    return np.asarray(np.abs(line_v[: len(line_v) // n * n]).reshape(-1, n).max(axis=1), dtype=np.float64)
