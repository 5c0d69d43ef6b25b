"""How plainly a loss of contact shows: what anybody could hold against the field while it lasts.

Each mark by itself has an innocent explanation: movement falls silent on damp soles, mains changes when a
lamp is switched, the level jumps with a spark. A loss is plain where two of the three are (common practice,
no source).
"""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pipeline.simulate.body import Array
from pipeline.simulate.contact import Lapse
from pipeline.simulate.movement import Intensity, moving
from pipeline.simulate.scenario import Scenario, Signals

PLAIN_MOVING_S = 3.0
"""So much walking within a loss shows it, since the field should move and does not; strokes count half."""

WEIGHTS: dict[Intensity, float] = {"body": 1.0, "arm": 0.5}

LIKE_MOVING_S = 5.0
"""So much like movement with contact is needed to know how it should show."""

SILENT_SHARE = 0.4
"""Movement is silent where it shows by less than this part of like movement."""

ABOVE_NOISE = 4.0
"""Movement shows where it bends the level by so many times the noise of a window."""

PLAIN_RATIO = 2.5
"""A change of mains by 8 dB shows a loss (lead-off practice: 10 to 30 dB, from memory)."""

PLAIN_JUMP = 2.0
"""A jump so many times as far as the level goes in 19 of 20 like moments shows an edge."""

BESIDE_S = 10.0
"""Mains within a loss is held against this much before and after it."""

WINDOW_S = 0.2
RECOVERY_S = 3.0

Mask = npt.NDArray[np.bool_]


class Levels(NamedTuple):
    """The electrode without its mains and without noise in windows of `WINDOW_S`: start, mean, contact."""

    at_s: Array
    volt: Array
    has_contact: Mask


def plainness(scenario: Scenario, signals: Signals, levels: Levels, lapse: Lapse) -> float:
    """From 0, where nothing shows a lapse, to 1: the second plainest of its three marks."""
    marks = (
        by_movement(scenario, levels, lapse),
        by_mains(scenario, signals, lapse),
        by_jumps(scenario, levels, lapse),
    )
    return sorted(marks)[1]


def levels_of(scenario: Scenario, signals: Signals) -> Levels:
    """The level that a sensor without noise would show, and where nothing is wrong with the contact."""
    n = round(WINDOW_S * scenario.sample_hz * scenario.oversampling)
    bare = signals.electrode_v - signals.line_v
    volt = np.asarray(bare[: len(bare) // n * n].reshape(-1, n).mean(axis=1), dtype=np.float64)
    at_s = signals.time_s[0] + WINDOW_S * np.arange(len(volt))
    off = [*scenario.contact.off]
    off += [(one.start_s, one.stop_s) for one in scenario.contact.lapses if one.kind != "shift"]
    has_contact = np.ones(len(volt), bool)
    for start_s, stop_s in off:
        has_contact &= (at_s < start_s - 1) | (at_s > stop_s + RECOVERY_S)
    return Levels(at_s, volt, has_contact)


def by_movement(scenario: Scenario, levels: Levels, lapse: Lapse) -> float:
    """Walking and strokes that fall silent in a lapse, in parts of what makes it plain, at most 1.

    0 if nothing feels them, or where like movement with contact does not show or is missing.
    """
    if not scenario.wears_accelerometer:
        return 0.0
    bend = np.abs(np.convolve(levels.volt, (1, -2, 1), "same"))
    n = WINDOW_S * scenario.sample_hz
    least_v = ABOVE_NOISE * _noise_v(scenario) / np.sqrt(n)
    within = (levels.at_s >= lapse.start_s) & (levels.at_s + WINDOW_S <= lapse.stop_s)
    seconds = 0.0
    for intensity, weight in WEIGHTS.items():
        during = moving(scenario.activities, levels.at_s, intensity)
        inside, like = during & within, during & levels.has_contact
        if not inside.any() or like.sum() * WINDOW_S < LIKE_MOVING_S:
            continue
        usual_v = float(np.median(bend[like]))
        if usual_v > least_v and np.median(bend[inside]) < SILENT_SHARE * usual_v:
            seconds += weight * WINDOW_S * int(inside.sum())
    return min(1.0, seconds / PLAIN_MOVING_S)


def by_jumps(scenario: Scenario, levels: Levels, lapse: Lapse) -> float:
    """How far the level jumps at both ends of a lapse (of one that dries: at its end), at most 1.

    In parts of what makes it plain beside what like movement does, or the noise.
    """
    far = np.zeros(len(levels.volt))
    far[1:-2] = np.abs(levels.volt[3:] - levels.volt[:-3])
    least_v = max(2.0 * _noise_v(scenario), 0.004 * scenario.amplifier.range_v)
    ends = [lapse.stop_s] if lapse.kind == "drying" else [lapse.start_s, lapse.stop_s]
    told = []
    for end_s in ends:
        if not 1.0 < end_s < scenario.duration_s - 1.0:
            continue
        doing = next((one for one in scenario.activities if one.start_s <= end_s < one.stop_s), None)
        like = levels.has_contact & (np.abs(levels.at_s - end_s) < 2 * BESIDE_S)
        if doing is not None and doing.intensity in WEIGHTS:
            like = levels.has_contact & moving(scenario.activities, levels.at_s, doing.intensity)
        usual_v = float(np.quantile(far[like], 0.95)) if like.any() else 0.0
        here = (levels.at_s > end_s - 0.7) & (levels.at_s < end_s + 0.5)
        told.append(float(far[here].max()) / max(usual_v, least_v) / PLAIN_JUMP)
    return min(1.0, *told) if told else 0.0


def _noise_v(scenario: Scenario) -> float:
    """Of one sample: the amplifier's and that of the steps of the converter."""
    front = scenario.amplifier
    return float(np.hypot(front.noise_v, abs(front.scale_v) / np.sqrt(12)))


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
