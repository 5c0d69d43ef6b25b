"""What the detectors of dropouts and of stuck values find by themselves, without any track of the field."""

from types import SimpleNamespace
from typing import Any

from make import SETTINGS

from pipeline.detectors import Conversion, Detected, Evidence, dropout, held, stuck
from pipeline.detectors.acceleration import measure_sensors, rms_on, window_edges_s
from pipeline.detectors.repeats import measure_repeats
from pipeline.recording import Recording


def evidence_alone(recording: Recording, settings: dict[str, float] = SETTINGS) -> Evidence:
    """Evidence whose tracks know of repeats and of the accelerometer alone."""
    repeats, n = measure_repeats(recording, settings["stuck.shortest_s"]), recording.n_rows
    sensors = measure_sensors([repeats.hiding(recording)])[0]
    edges_s = window_edges_s(recording, repeats.n_window)
    spread = rms_on(*edges_s, list(sensors.values()))
    tracks: Any = SimpleNamespace(repeats=repeats, acceleration_rms=spread, field={})
    conversion = Conversion(n, n, 0, 0, 0, 0, 0, 2 * n, "nominal", None, None, recording.sample_hz)
    return Evidence(recording, tracks, conversion, 50.0).without_filled()


def found_alone(recording: Recording, settings: dict[str, float] = SETTINGS) -> Detected:
    """What the detectors of dropouts and of stuck values find together."""
    evidence = evidence_alone(recording, settings)
    return Detected.united(one.detect(evidence, settings) for one in (dropout, held, stuck))
