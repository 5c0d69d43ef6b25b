"""What the detectors of dropouts and of stuck values find by themselves, without measuring the field."""

from types import SimpleNamespace
from typing import Any

from make import SETTINGS

from pipeline.detectors import Conversion, Detected, Evidence, dropout, held, stuck
from pipeline.detectors.acceleration import measure_sensors, rms_on, window_edges_s
from pipeline.detectors.held_rows import look_for_held
from pipeline.detectors.rails import rails
from pipeline.detectors.repeats import measure_repeats
from pipeline.recording import Recording


def evidence_alone(recording: Recording, settings: dict[str, float] = SETTINGS) -> Evidence:
    """Evidence whose tracks know of repeats, of stated rails and of the accelerometer alone."""
    repeats, n = measure_repeats(recording, settings["stuck.shortest_s"]), recording.n_rows
    sensors = measure_sensors([repeats.hiding(recording)])[0]
    edges_s = window_edges_s(recording, repeats.n_window)
    spread = rms_on(*edges_s, list(sensors.values()))
    margins = settings["saturation.rail_margin_fraction"], settings["saturation.rail_margin_counts"]
    field = {
        channel.name: SimpleNamespace(
            channel=channel, overloads=SimpleNamespace(rails=rails(channel, *margins))
        )
        for channel in recording.of_kind("field")
    }
    parts = {"held": look_for_held(recording, repeats, settings), "acceleration_rms": spread}
    tracks: Any = SimpleNamespace(repeats=repeats, field=field, sensors=sensors, **parts)
    conversion = Conversion(n, n, 0, 0, 0, 0, 0, 2 * n, "nominal", None, None, recording.sample_hz)
    return Evidence(recording, tracks, conversion, 50.0).without_filled()


def found_alone(recording: Recording, settings: dict[str, float] = SETTINGS) -> Detected:
    """What the detectors of dropouts and of stuck values find together."""
    evidence = evidence_alone(recording, settings)
    return Detected.united(one.detect(evidence, settings) for one in (dropout, held, stuck))
