"""Whether the accelerometer measures gravity while it lies still."""

from collections.abc import Sequence

import numpy as np

from pipeline.detectors.evidence import Evidence
from pipeline.detectors.findings import Detected, Finding, Measure
from pipeline.detectors.tracks import Settings
from pipeline.layouts.units import STANDARD_GRAVITY

SHORTEST_STILL_S = 3
"""Still seconds needed before anything is said."""


def detect(recordings: Sequence[Evidence], settings: Settings) -> Detected:
    """Measure the length of the acceleration vector in still seconds against 9.80665 m/s2 (UCUM [g]).

    Still: a spread below 13 mg on every axis (van Hees et al. 2014).
    """
    sensors = {name: track for evidence in recordings for name, track in evidence.tracks.sensors.items()}
    if not sensors:
        return Detected((), (Measure("gravity_m_s2", None, "m/s2", None, "no accelerometer in the dump"),))
    values = {}
    for sensor, track in sensors.items():
        still = track.axis_spread < settings["movement.still_m_s2"]
        if still.sum() >= SHORTEST_STILL_S:
            values[sensor] = float(np.median(track.length[still]))
    if not values:
        return Detected((), (Measure("gravity_m_s2", None, "m/s2", None, "the wearer was never still"),))
    several = len(sensors) > 1
    measures = tuple(
        Measure("gravity_m_s2", value, "m/s2", sensor if several else None)
        for sensor, value in values.items()
    )
    findings = tuple(
        _finding(recordings[0], f"{sensor}: at" if several else "At", value)
        for sensor, value in values.items()
        if abs(value / STANDARD_GRAVITY - 1) > settings["gravity.tolerance_fraction"]
    )
    return Detected(findings, measures)


def _finding(evidence: Evidence, at: str, value: float) -> Finding:
    text = (
        f"{at} rest the accelerometer shows {value:.2f} m/s2 where gravity is {STANDARD_GRAVITY:.2f}: check "
        "scale and unit in the layout, or calibrate the sensor: what is said of movement rests on it."
    )
    duration_s = evidence.recording.duration_s
    return Finding(
        "gravity", None, 0.0, duration_s, "warning", "gravity_m_s2", value, STANDARD_GRAVITY, "m/s2", text
    )
