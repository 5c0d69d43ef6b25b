"""How plainly a loss of contact shows in the codes that were recorded, to somebody who knows where it lies.

Each of three marks by itself has an innocent explanation: movement falls silent on damp soles, mains changes
when a lamp is switched, the level jumps with a spark. A loss is as plain as the second plainest of them
(common practice, no source): 1 where two reach what is written beside them here, 2 where both are twice as
far. Marks are taken from the codes, with all noise, rails and folding, and from what was done; no detector is
asked.
"""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pipeline.simulate.body import Array
from pipeline.simulate.contact import Lapse
from pipeline.simulate.movement import Intensity, moving
from pipeline.simulate.scenario import Scenario

PLAIN_MOVING_S = 3.0
"""So much walking within a loss shows it, since the field should move and does not; strokes count half."""

WEIGHTS: dict[Intensity, float] = {"body": 1.0, "arm": 0.5}

LIKE_MOVING_S = 5.0
"""So much like movement with contact is needed to know how it should show."""

SILENT_SHARE = 0.4
"""Movement is silent where it shows by less than this part of like movement."""

ABOVE_NOISE = 6.0
"""Movement shows where it bends the level by so many times the noise of a window's mean."""

PLAIN_RATIO = 2.5
"""A change of mains by 8 dB shows a loss (lead-off practice: 10 to 30 dB, from memory)."""

PLAIN_JUMP = 2.0
"""A jump so many times as far as the level goes in 19 of 20 like moments shows an edge."""

LEAST_JUMP = 0.004
"""Part of the range below which nothing is a jump."""

BESIDE_S = 10.0
"""Mains within a loss is held against this much before and after it."""

CLEAR_HZ = 4.0
"""A line that folds nearer to 0 Hz cannot be told from movement in a window."""

WINDOW_S = 0.2
RECOVERY_S = 3.0

Mask = npt.NDArray[np.bool_]


class Seen(NamedTuple):
    """The recorded field in windows of about `WINDOW_S`.

    ``at_s`` is where each begins, ``window_s`` how long it lasts, ``volt`` its level without the line,
    ``line_v`` the line's peak (None where it folds onto nothing), ``noise_v`` that of a window's mean,
    ``has_contact`` where nothing is wrong with the contact, ``at_rail`` where a sample stands at an end.
    """

    at_s: Array
    window_s: float
    volt: Array
    line_v: Array | None
    noise_v: float
    has_contact: Mask
    at_rail: Mask


def plainness(scenario: Scenario, seen: Seen, lapse: Lapse) -> float:
    """The second plainest of the three marks of a lapse; 0 where nothing shows it, 1 where two are plain."""
    marks = (
        by_movement(scenario, seen, lapse),
        by_mains(seen, lapse),
        by_jumps(scenario, seen, lapse),
    )
    return sorted(marks)[1]


def seen_in(scenario: Scenario, recorded_v: Array) -> Seen:
    """The field as its codes have it, `recorded_v` in volts at the electrode for each sample."""
    hz, front = scenario.sample_hz, scenario.amplifier
    n = round(WINDOW_S * hz)
    cut = recorded_v[: len(recorded_v) // n * n].reshape(-1, n)
    lines = _line_model(scenario, n)
    line_v = None
    volt = np.asarray(cut.mean(axis=1), dtype=np.float64)
    if lines is not None:
        coefficients = cut @ np.linalg.pinv(lines).T
        line_v = np.hypot(coefficients[:, 3], coefficients[:, 4])
        volt = (cut - coefficients[:, 3:] @ lines[:, 3:].T).mean(axis=1)
    low, high = front.ends_v
    near = max(LEAST_JUMP * front.range_v, 2 * abs(front.scale_v))
    at_s = np.arange(len(cut), dtype=np.float64) * (n / hz)
    noise_v = float(np.hypot(front.noise_v, abs(front.scale_v) / np.sqrt(12)) / np.sqrt(n))
    at_rail = np.any((cut <= low + near) | (cut >= high - near), axis=1)
    return Seen(at_s, n / hz, volt, line_v, noise_v, _has_contact(scenario, at_s), at_rail)


def _line_model(scenario: Scenario, n: int) -> Array | None:
    """Level, slope, curvature and the line in a window of `n` samples; None where it folds onto nothing."""
    line_hz, hz = scenario.mains.nominal_hz, scenario.sample_hz
    folded_hz = abs(line_hz - hz * round(line_hz / hz))
    if not CLEAR_HZ * 0.99 < folded_hz < hz / 2 - 1.0:
        return None
    t = (np.arange(n) - (n - 1) / 2) / n
    turn = 2 * np.pi * folded_hz * np.arange(n) / hz
    return np.stack([np.ones(n), t, t**2, np.cos(turn), np.sin(turn)], axis=1)


def _has_contact(scenario: Scenario, at_s: Array) -> Mask:
    off = [*scenario.contact.off]
    off += [(one.start_s, one.stop_s) for one in scenario.contact.lapses if one.kind != "shift"]
    has_contact = np.ones(len(at_s), bool)
    for start_s, stop_s in off:
        has_contact &= (at_s < start_s - 1) | (at_s > stop_s + RECOVERY_S)
    return has_contact


def by_movement(scenario: Scenario, seen: Seen, lapse: Lapse) -> float:
    """Walking and strokes that fall silent in a lapse, in parts of what makes it plain.

    0 if nothing feels them, or where like movement with contact does not show or is missing.
    """
    if not scenario.wears_accelerometer:
        return 0.0
    bend = np.abs(np.convolve(seen.volt, (1, -2, 1), "same"))
    within = (seen.at_s >= lapse.start_s) & (seen.at_s + seen.window_s <= lapse.stop_s)
    seconds = 0.0
    for intensity, weight in WEIGHTS.items():
        during = moving(scenario.activities, seen.at_s, intensity) & ~seen.at_rail
        inside, like = during & within, during & seen.has_contact
        if not inside.any() or like.sum() * seen.window_s < LIKE_MOVING_S:
            continue
        usual_v = float(np.median(bend[like]))
        if usual_v > ABOVE_NOISE * seen.noise_v and np.median(bend[inside]) < SILENT_SHARE * usual_v:
            seconds += weight * seen.window_s * int(inside.sum())
    return seconds / PLAIN_MOVING_S


def by_jumps(scenario: Scenario, seen: Seen, lapse: Lapse) -> float:
    """How far the level jumps at both ends of a lapse (of one that dries: at its end).

    In parts of what makes it plain beside what like movement does, or the noise.
    """
    far = np.zeros(len(seen.volt))
    far[1:-2] = np.abs(seen.volt[3:] - seen.volt[:-3])
    least_v = max(ABOVE_NOISE * seen.noise_v, LEAST_JUMP * scenario.amplifier.range_v)
    ends = [lapse.stop_s] if lapse.kind == "drying" else [lapse.start_s, lapse.stop_s]
    told = []
    for end_s in ends:
        if not 1.0 < end_s < scenario.duration_s - 1.0:
            continue
        doing = next((one for one in scenario.activities if one.start_s <= end_s < one.stop_s), None)
        like = seen.has_contact & (np.abs(seen.at_s - end_s) < 2 * BESIDE_S)
        if doing is not None and doing.intensity in WEIGHTS:
            like = seen.has_contact & moving(scenario.activities, seen.at_s, doing.intensity)
        usual_v = float(np.quantile(far[like], 0.95)) if like.any() else 0.0
        here = (seen.at_s > end_s - 0.7) & (seen.at_s < end_s + 0.5)
        told.append(float(far[here].max()) / max(usual_v, least_v) / PLAIN_JUMP)
    return min(told) if told else 0.0


def by_mains(seen: Seen, lapse: Lapse) -> float:
    """How much the recorded line changes with a lapse, in parts of what makes it plain.

    0 where the line is smaller than noise makes it, or folds to where its size cannot be known.
    """
    if seen.line_v is None:
        return 0.0
    inside = (seen.at_s >= lapse.start_s) & (seen.at_s + seen.window_s <= lapse.stop_s)
    beside = (seen.at_s >= lapse.start_s - BESIDE_S) & (seen.at_s < lapse.stop_s + BESIDE_S)
    beside &= (seen.at_s + seen.window_s < lapse.start_s) | (seen.at_s > lapse.stop_s)
    if not inside.any() or not beside.any():
        return 0.0
    # The amplitude of noise alone at one frequency is about its mean's deviation times the root of pi.
    floor_v = 2 * float(np.sqrt(np.pi)) * seen.noise_v
    within_v = float(np.quantile(seen.line_v[inside], 0.8 if lapse.kind == "intermittent" else 0.5))
    outside_v = float(np.median(seen.line_v[beside]))
    if max(within_v, outside_v) < floor_v:
        return 0.0
    ratio = max(within_v, floor_v) / max(outside_v, floor_v)
    return abs(float(np.log(ratio))) / float(np.log(PLAIN_RATIO))
