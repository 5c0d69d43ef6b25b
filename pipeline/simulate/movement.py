"""What the wearer does: how it changes capacitance and charge, and how it moves the wrist."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from pipeline.simulate.body import Array, Body
from pipeline.simulate.shapes import cycles, paced, ramp, slow_noise, window

Intensity = Literal["rest", "hand", "arm", "body"]

SWING_SHARE = 0.38
"""Part of a stride during which a foot is off the ground (common practice, no source)."""
LIFT_S = 0.07
"""How long a sole takes to leave the ground or to meet it (common practice, no source)."""


@dataclass(frozen=True)
class Activity:
    """One stretch of a session.

    Attributes
    ----------
    rate_hz : float
        Steps (intensity 'body') or strokes ('arm') per second. Walking: 1.95 Hz (SD 0.19, Murray 1964) and
        2.00 Hz (SD 0.13, MacDougall and Moore 2005); strokes of about 1 Hz are common practice, no source.
    vigour : float
        Scales charge and acceleration; 1 is usual.
    """

    start_s: float
    stop_s: float
    name: str
    intensity: Intensity
    rate_hz: float = 1.95
    vigour: float = 1.0


@dataclass(frozen=True)
class Moves:
    """What all activities together do; arrays of shape (n,), `wrist` and `tilt` of shape (n, 3) and (n, 2).

    ``capacitance`` is body to surroundings in farad, ``charge`` what comes in during each step in coulomb,
    ``wrist`` the acceleration without gravity in m/s2 (along the forearm, across, out of the hand), ``tilt``
    pitch and roll of the forearm in rad.
    """

    capacitance: Array
    charge: Array
    wrist: Array
    tilt: Array


def move(body: Body, activities: tuple[Activity, ...], time_s: Array, rng: np.random.Generator) -> Moves:
    """Put the activities together over `time_s` (equally spaced); what no activity covers is rest."""
    n, step_s = len(time_s), float(time_s[1] - time_s[0])
    quiet = 0.02e-12 * np.sin(2 * np.pi * 0.25 * time_s) + 0.03e-12 * slow_noise(time_s, 2.0, rng)
    drift = body.drift_coulomb * np.sqrt(0.5) * step_s / 0.5 * slow_noise(time_s, 0.5, rng)
    wrist = np.zeros((n, 3))
    tilt = np.stack([0.03 * slow_noise(time_s, 20.0, rng), 0.05 * slow_noise(time_s, 20.0, rng)], axis=1)
    moves = Moves(np.full(n, body.standing_farad) + quiet, drift, wrist, tilt)
    for activity in activities:
        start, stop = np.searchsorted(time_s, [activity.start_s, activity.stop_s])
        if stop - start < 2:
            continue
        within = Moves(*(array[start:stop] for array in (moves.capacitance, moves.charge, wrist, tilt)))
        posture = window(time_s[start:stop], activity.start_s, activity.stop_s, 1.5)
        within.tilt[:] += posture[:, np.newaxis] * rng.normal(0.0, 0.2, 2)
        if body.posture_farad:
            within.capacitance[:] += posture * np.clip(rng.normal(), -2, 2) * body.posture_farad
        if activity.intensity == "hand":
            _fingers(activity, time_s[start:stop], within, rng)
        elif activity.intensity == "arm":
            _strokes(body, activity, time_s[start:stop], within, rng)
        elif activity.intensity == "body":
            _steps(body, activity, time_s[start:stop], within, rng)
    return moves


def _fingers(activity: Activity, time_s: Array, moves: Moves, rng: np.random.Generator) -> None:
    """Fingers change what the body holds by a few femtofarad and shake the wrist a little."""
    busy = window(time_s, activity.start_s, activity.stop_s, 0.5) * activity.vigour
    moves.capacitance[:] += 0.15e-12 * busy * slow_noise(time_s, 0.15, rng)
    for axis in range(3):
        moves.wrist[:, axis] += 0.12 * busy * slow_noise(time_s, 0.08, rng)
    for axis in range(2):
        moves.tilt[:, axis] += 0.05 * busy * slow_noise(time_s, 0.4, rng)


def _strokes(body: Body, activity: Activity, time_s: Array, moves: Moves, rng: np.random.Generator) -> None:
    """Wedging clay: the upper body rocks, weight goes from heel to toe, sleeves rub on the apron."""
    busy = window(time_s, activity.start_s, activity.stop_s, 0.5) * activity.vigour
    beats_s = paced(activity.start_s, activity.stop_s, activity.rate_hz, 0.04, rng)
    if len(beats_s) < 2:
        return
    turn = 2 * np.pi * cycles(time_s, beats_s)
    swing = 0.5 * (1 - np.cos(turn))
    moves.capacitance[:] += busy * (0.12 * body.sole_farad * swing + 4e-12 * np.cos(turn + 0.7))
    for beat_s in beats_s:
        _bring(
            moves.charge,
            time_s,
            beat_s,
            0.3,
            0.4 * body.step_coulomb * activity.vigour * rng.uniform(0.7, 1.3),
        )
    push = np.sin(turn) + 0.4 * np.sin(2 * turn + 0.5)
    for axis, reach in enumerate((3.0, 0.8, 1.6)):
        moves.wrist[:, axis] += busy * (reach * push + 0.15 * slow_noise(time_s, 0.05, rng))
    moves.tilt[:, 0] += busy * 0.25 * np.cos(turn)


def _steps(body: Body, activity: Activity, time_s: Array, moves: Moves, rng: np.random.Generator) -> None:
    """Carrying boards: each foot in turn leaves the ground, and takes charge with it."""
    busy = window(time_s, activity.start_s, activity.stop_s, 0.3)
    lifts_s = paced(activity.start_s, activity.stop_s, activity.rate_hz, 0.03, rng)
    if len(lifts_s) < 2:
        return
    swing_s = SWING_SHARE * 2 / activity.rate_hz
    for lift_s in lifts_s:
        near = slice(*np.searchsorted(time_s, [lift_s, lift_s + swing_s + LIFT_S]))
        since_s = time_s[near] - lift_s
        raised = ramp(since_s / LIFT_S) * ramp((swing_s + LIFT_S - since_s) / LIFT_S)
        moves.capacitance[near] -= (body.sole_farad - body.raised_sole_farad) * raised * rng.uniform(0.7, 1.0)
        _bring(
            moves.charge, time_s, lift_s, LIFT_S, body.step_coulomb * activity.vigour * rng.uniform(0.6, 1.4)
        )
    turn = 2 * np.pi * cycles(time_s, lifts_s)
    bounce = np.sin(turn) + 0.35 * np.sin(2 * turn + 0.4) + 0.2 * np.sin(3 * turn + 1.1)
    for axis, reach in enumerate((0.9, 0.5, 2.0)):
        moves.wrist[:, axis] += (
            busy * activity.vigour * (reach * bounce + 0.1 * slow_noise(time_s, 0.04, rng))
        )
    moves.wrist[:, 0] += busy * activity.vigour * 0.5 * np.sin(turn / 2)
    moves.tilt[:, 0] += busy * 0.06 * np.sin(turn / 2)


def _bring(charge: Array, time_s: Array, start_s: float, lasts_s: float, coulomb: float) -> None:
    """Spread a charge evenly over the time steps in [start_s, start_s + lasts_s)."""
    near = slice(*np.searchsorted(time_s, [start_s, start_s + lasts_s]))
    n = near.stop - near.start
    if n:
        charge[near] += coulomb / n


def moving(activities: tuple[Activity, ...], time_s: Array, *intensities: Intensity) -> npt.NDArray[np.bool_]:
    """Whether something moves at each of `time_s`: arms or the whole body, where nothing else is asked."""
    mask = np.zeros(len(time_s), dtype=bool)
    for activity in activities:
        if activity.intensity in (intensities or ("arm", "body")):
            mask |= (time_s >= activity.start_s) & (time_s < activity.stop_s)
    return mask
