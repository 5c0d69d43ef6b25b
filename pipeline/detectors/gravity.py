"""Whether the accelerometer measures gravity as it should: length, unit, axes, gain and offset."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.detectors.acceleration import SensorTrack
from pipeline.detectors.axes import Doubled, doubled_axes
from pipeline.detectors.calibration import (
    WINDOW_S,
    Calibration,
    calibrate,
    gravity_error_m_s2,
    still_means,
)
from pipeline.detectors.evidence import Evidence
from pipeline.detectors.findings import Detected, Finding, Measure, Severity
from pipeline.detectors.stuck import axis_runs
from pipeline.detectors.tracks import Settings
from pipeline.layouts.units import STANDARD_GRAVITY

SHORTEST_STILL_S = 3
"""Still seconds needed before anything is said of rest."""

SHORTEST_S = 10
"""Seconds needed before anything is said of what gravity lacks."""

MISTAKES = (
    (1 / STANDARD_GRAVITY, "[g]", "m/s2"),
    (STANDARD_GRAVITY, "m/s2", "[g]"),
    (1000 / STANDARD_GRAVITY, "m[g]", "m/s2"),
    (1000.0, "m[g]", "[g]"),
    (0.001, "[g]", "m[g]"),
    (STANDARD_GRAVITY / 1000, "m/s2", "m[g]"),
)
"""By how much gravity comes out too long, the unit in which the device writes, and the one in the layout."""

UNIT_TOLERANCE = 0.1
STEADY = 0.05
"""How near to such a factor the length must lie; what share of it the spread of a steady second may have."""

STANDS_STILL = 0.1
"""Share of the recording in which an axis stands still, from which lengths say nothing of gravity."""

MEASURES = ("gravity_m_s2", "gravity_error_m_s2", "gravity_error_calibrated_m_s2")


@dataclass(frozen=True)
class _Sensor:
    """One accelerometer. ``at`` begins its sentences, ``name`` is that of its measures, if it has one."""

    evidence: Evidence
    track: SensorTrack
    title: str
    name: str | None


def detect(recordings: Sequence[Evidence], settings: Settings) -> Detected:
    """Measure the length of the acceleration vector in still seconds against 9.80665 m/s2 (UCUM [g]).

    Still: a spread below 13 mg on every axis (van Hees et al. 2014). Of a sensor with an axis that measures
    nothing of its own, or a unit that is not the device's, nothing is said of gain and offset; an axis that
    stands still is told of by :mod:`.stuck`.
    """
    found = [(e, name, track) for e in recordings for name, track in e.tracks.sensors.items()]
    if not found:
        absent = "no accelerometer in the dump"
        return Detected((), tuple(Measure(name, None, "m/s2", None, absent) for name in MEASURES))
    several = len(found) > 1
    return Detected.united(
        _detect_sensor(
            _Sensor(evidence, track, name if several else "the accelerometer", name if several else None),
            settings,
        )
        for evidence, name, track in found
    )


def _detect_sensor(sensor: _Sensor, settings: Settings) -> Detected:
    track, still_m_s2 = sensor.track, settings["movement.still_m_s2"]
    still = track.axis_spread < still_m_s2
    value = float(np.median(track.length[still])) if still.sum() >= SHORTEST_STILL_S else None
    means = still_means(track, still_m_s2)
    doubled = doubled_axes(track, settings["movement.body_m_s2"])
    spoilt = bool(doubled) or _stands_still(sensor)
    cause = None if spoilt else _wrong_unit(sensor) or _missing(sensor, settings)
    calibration: Calibration | str = "its axes are not sound" if spoilt else "gravity is not in its unit"
    if not spoilt and cause is None:
        calibration = calibrate(means, track.axes)
    measures = _measures(sensor, value, means, calibration)
    findings = [_of_axes(sensor, one) for one in doubled]
    if cause is not None:
        findings.append(cause)
    elif value is not None and not spoilt and _is_off(value, settings):
        findings.append(_off(sensor, value))
    if isinstance(calibration, Calibration):
        findings += _calibrated(sensor, calibration, settings)
    return Detected(tuple(findings), measures)


def _stands_still(sensor: _Sensor) -> bool:
    """Whether one of the axes repeats one value for a good part of the recording."""
    least = STANDS_STILL * sensor.evidence.recording.n_rows
    return any(axis_runs(sensor.evidence, axis).spans.n_samples > least for axis in sensor.track.axes)


def _measures(
    sensor: _Sensor, value: float | None, means: np.ndarray, calibration: Calibration | str
) -> tuple[Measure, ...]:
    gravity, before, after = MEASURES
    never = "" if value is not None else "the wearer was never still"
    error = gravity_error_m_s2(means) if means.shape[1] else None
    short = "" if error is not None else f"the wearer was never still for {WINDOW_S} s"
    if isinstance(calibration, str):
        last = Measure(after, None, "m/s2", sensor.name, short or calibration)
    else:
        last = Measure(after, calibration.calibrated_m_s2, "m/s2", sensor.name)
    return (
        Measure(gravity, value, "m/s2", sensor.name, never),
        Measure(before, error, "m/s2", sensor.name, short),
        last,
    )


def _wrong_unit(sensor: _Sensor) -> Finding | None:
    """A length that is steady and wrong by what two units are apart."""
    length, rms = sensor.track.length, sensor.track.rms
    steady = length[rms < STEADY * length]
    if len(steady) < SHORTEST_S:
        return None
    low, value, high = np.percentile(steady, [25, 50, 75]).tolist()
    if high - low > UNIT_TOLERANCE * value:
        return None
    for factor, device, layout in MISTAKES:
        if abs(value / (factor * STANDARD_GRAVITY) - 1) <= UNIT_TOLERANCE:
            return _finding(
                sensor,
                "gravity_m_s2",
                value,
                STANDARD_GRAVITY,
                f"{_first(sensor.title)} shows a steady {value:.4g} m/s2 where gravity is "
                f"{STANDARD_GRAVITY:.2f}, as one does that writes {device} under a layout of {layout}: "
                "correct the unit there; until then nothing said of movement holds.",
            )
    return None


def _missing(sensor: _Sensor, settings: Settings) -> Finding | None:
    """A worn accelerometer whose mean vector is far shorter than gravity, whatever the wearer does."""
    length = sensor.track.length[~np.isnan(sensor.track.length)]
    limit = settings["gravity.missing_fraction"] * STANDARD_GRAVITY
    if len(length) < SHORTEST_S:
        return None
    # Arms that swing hard make up for gravity in most seconds, but not in all.
    value = float(np.percentile(length, 25))
    if value >= limit:
        return None
    return _finding(
        sensor,
        "gravity_m_s2",
        value,
        limit,
        f"In a quarter of all seconds the mean of {sensor.title} is at most {value:.2f} m/s2 long, where "
        f"gravity alone makes {STANDARD_GRAVITY:.2f}: correct the scale in the layout, unless the device "
        "takes gravity out: then posture and calibration cannot be had from it.",
    )


def _of_axes(sensor: _Sensor, doubled: Doubled) -> Finding:
    track, (one, other) = sensor.track, doubled.axes
    text = (
        f"{one} and {other} are {doubled.kind} count by count while moving by {doubled.beside:.2f} m/s2: the "
        "layout reads one axis twice, or the device does; look where it reads them, one direction is missing."
    )
    return Finding(
        "gravity",
        None,
        float(track.start_s[doubled.start]),
        float(track.stop_s[doubled.stop - 1]),
        "warning",
        f"axis_{doubled.kind}_m_s2",
        doubled.spread,
        float(track.step[0]),
        "m/s2",
        text,
    )


def _is_off(value: float, settings: Settings) -> bool:
    return abs(value / STANDARD_GRAVITY - 1) > settings["gravity.tolerance_fraction"]


def _off(sensor: _Sensor, value: float) -> Finding:
    at = f"{sensor.name}: at" if sensor.name else "At"
    text = (
        f"{at} rest the accelerometer shows {value:.2f} m/s2 where gravity is {STANDARD_GRAVITY:.2f}: check "
        "scale and unit in the layout, or calibrate the sensor: what is said of movement rests on it."
    )
    return _finding(sensor, "gravity_m_s2", value, STANDARD_GRAVITY, text)


def _calibrated(sensor: _Sensor, found: Calibration, settings: Settings) -> list[Finding]:
    """A note where gain and offset would bring the sensor much nearer to gravity."""
    limit = settings["gravity.error_m_s2"]
    if found.error_m_s2 <= limit or found.calibrated_m_s2 > found.error_m_s2 / 2:
        return []
    axes = ", ".join(
        f"{name} {gain:.4f} and {offset:+.3f} m/s2"
        for name, gain, offset in zip(
            sensor.track.axes, found.gain.tolist(), found.offset_m_s2.tolist(), strict=True
        )
    )
    milli_g = 1000 / STANDARD_GRAVITY
    text = (
        f"{_first(sensor.title)} is off by {milli_g * found.error_m_s2:.0f} m[g] in {found.n_windows} still "
        f"windows; gain and offset of {axes} would leave {milli_g * found.calibrated_m_s2:.1f} m[g]: put "
        "them into the layout, or calibrate it."
    )
    note = _finding(sensor, "gravity_error_m_s2", found.error_m_s2, limit, text, "note")
    return [note]


def _first(title: str) -> str:
    return title[0].upper() + title[1:]


def _finding(
    sensor: _Sensor, measure: str, value: float, limit: float, text: str, severity: Severity = "warning"
) -> Finding:
    ends_s = sensor.evidence.recording.ends_s
    return Finding("gravity", None, *ends_s, severity, measure, value, limit, "m/s2", text)
