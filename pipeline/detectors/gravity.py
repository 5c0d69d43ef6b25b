"""Whether the accelerometer measures gravity while it lies still."""

import numpy as np

from pipeline.detectors.evidence import Evidence
from pipeline.detectors.findings import Detected, Finding, Measure
from pipeline.detectors.tracks import Settings
from pipeline.layouts.units import STANDARD_GRAVITY

SHORTEST_STILL_S = 3
"""Still seconds needed before anything is said."""


def detect(evidence: Evidence, settings: Settings) -> Detected:
    """Measure the length of the acceleration vector in still seconds against 9.80665 m/s2 (UCUM [g]).

    Still: a spread below 13 mg (van Hees et al. 2014).
    """
    tracks = evidence.tracks
    if tracks.acceleration_rms is None or tracks.gravity is None:
        return Detected((), (Measure("gravity_m_s2", None, "m/s2", None, "no accelerometer in the dump"),))
    still = tracks.acceleration_rms < settings["movement.still_m_s2"]
    if still.sum() < SHORTEST_STILL_S:
        return Detected((), (Measure("gravity_m_s2", None, "m/s2", None, "the wearer was never still"),))
    value = float(np.median(tracks.gravity[still]))
    tolerance = settings["gravity.tolerance_fraction"]
    measure = Measure("gravity_m_s2", value, "m/s2")
    if abs(value / STANDARD_GRAVITY - 1) <= tolerance:
        return Detected((), (measure,))
    text = (
        f"At rest the accelerometer shows {value:.2f} m/s2 where gravity is {STANDARD_GRAVITY:.2f}: check "
        "scale and unit in the layout, or calibrate the sensor; field and verdict are not affected."
    )
    finding = Finding(
        "gravity",
        None,
        0.0,
        evidence.recording.duration_s,
        "warning",
        "gravity_m_s2",
        value,
        STANDARD_GRAVITY,
        "m/s2",
        text,
    )
    return Detected((finding,), (measure,))
