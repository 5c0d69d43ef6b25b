"""The lag between the steps of field and acceleration on simulated wearings, with lags planted.

The model is :mod:`pipeline.simulate`. What its waveforms make of a step lies hundredths of a second apart
with no lag at all (a fact of the model, common practice, no source); planted lags come on top of that.
"""

from pathlib import Path

import numpy as np
import pytest
from make import (
    SETTINGS,
    absent_of,
    acceleration_axes,
    counts_of,
    evidence_together,
    findings_of,
    recording_of,
    value_of,
)

from pipeline.detectors import Detected, run_detectors
from pipeline.layouts import Channel
from pipeline.recording import Recording
from pipeline.simulate import Activity, Scenario, simulate

MODEL_HZ = 250.0
FIELD = Channel(
    "field", "field", "V", 3.0 / 4096 / 5, -0.3, MODEL_HZ, 0, 4095,
    amplifier_low=-0.28, amplifier_high=0.28, ac_corner_hz=0.16, lowpass_hz=40.0,
)  # fmt: skip
AXES = acceleration_axes(MODEL_HZ)
BOARDS = (("rest", 10), ("body", 130), ("rest", 140))
SHIFT = (("rest", 10), ("body", 50), ("arm", 90), ("hand", 100), ("body", 150))


def wearing(work=BOARDS, seed: int = 1) -> tuple[np.ndarray, list[np.ndarray]]:
    """Field in V and axes in m/s2, at the model's rate."""
    starts = [0, *(stop for _, stop in work)]
    activities = tuple(
        Activity(start, stop, "carrying boards", kind, 1.05 if kind == "arm" else 1.93)
        for start, (kind, stop) in zip(starts, work, strict=False)
    )
    made = Scenario(float(work[-1][1]), MODEL_HZ, (FIELD, *AXES), activities)
    counts = simulate(made, np.random.default_rng(seed)).counts
    axes = [counts[:, i + 1] * axis.scale + axis.offset for i, axis in enumerate(AXES)]
    return counts[:, 0] * FIELD.scale + FIELD.offset, axes


def resampled(values: np.ndarray, hz: float, late_s: float = 0.0) -> np.ndarray:
    """The same at another rate, `late_s` later."""
    t = np.arange(int(len(values) / MODEL_HZ * hz)) / hz
    return np.interp(t - late_s, np.arange(len(values)) / MODEL_HZ, values)


def recorded(
    folder: Path,
    field: np.ndarray,
    axes: list[np.ndarray],
    late_s: float = 0.0,
    field_hz: float = 250.0,
    axes_hz: float = 50.0,
) -> list[Recording]:
    """Field and axes in files of their own, the faster one first."""
    codes = counts_of(resampled(field, field_hz), FIELD)
    moved = [counts_of(resampled(a, axes_hz, late_s), axis) for a, axis in zip(axes, AXES, strict=True)]
    made = [
        recording_of(folder / "field.parquet", [FIELD], [codes], field_hz),
        recording_of(folder / "axes.parquet", AXES, moved, axes_hz),
    ]
    return sorted(made, key=lambda recording: -recording.sample_hz)


def detected_in(recordings: list[Recording]) -> Detected:
    return run_detectors(evidence_together(recordings), SETTINGS)[0]


def lag_of(recordings: list[Recording]) -> float:
    lag_s = value_of(detected_in(recordings), "step_lag_s")
    assert lag_s is not None
    return lag_s


@pytest.mark.parametrize("work", [BOARDS, SHIFT], ids=["boards", "shift"])
@pytest.mark.parametrize("seed", [1, 2])
def test_planted_lags_come_back_to_a_few_milliseconds(tmp_path, work, seed):
    field, axes = wearing(work, seed)
    own_s = lag_of(recorded(tmp_path, field, axes))
    assert abs(own_s) < 0.15
    for late_s in (0.04, -0.1, 0.5, 1.0, -2.0):
        found_s = lag_of(recorded(tmp_path, field, axes, late_s))
        assert found_s - own_s == pytest.approx(late_s, abs=0.005)


@pytest.mark.parametrize(
    ("field_hz", "axes_hz"), [(250.0, 250.0), (50.0, 250.0), (125.0, 31.25), (31.25, 25.0)]
)
def test_the_lag_is_the_same_at_other_rates(tmp_path, field_hz, axes_hz):
    field, axes = wearing()
    own_s = lag_of(recorded(tmp_path, field, axes))
    for late_s in (0.0, 0.04):
        found_s = lag_of(recorded(tmp_path, field, axes, late_s, field_hz, axes_hz))
        assert found_s - own_s == pytest.approx(late_s, abs=0.01)


@pytest.mark.parametrize(
    ("late_s", "warned"), [(0.0, False), (0.04, False), (0.5, True), (-0.5, True), (1.0, True)]
)
def test_a_lag_that_no_body_makes_is_warned_of(tmp_path, late_s, warned):
    detected = detected_in(recorded(tmp_path, *wearing(), late_s))
    told = [f for f in findings_of(detected, "clock", "warning") if f.measure == "step_lag_s"]
    assert bool(told) == warned
    if told:
        assert told[0].value == pytest.approx(late_s, abs=0.15)
        assert ("after" if late_s > 0 else "before") in told[0].explanation


def test_the_uncertainty_covers_what_the_model_gives_by_another_seed(tmp_path):
    """Standard uncertainties: differences of two wearings stay within three of both together."""
    found = [detected_in(recorded(tmp_path, *wearing(seed=seed))) for seed in (1, 2, 3)]
    lags = np.array([value_of(one, "step_lag_s") for one in found])
    widths = np.array([value_of(one, "step_lag_uncertainty_s") for one in found])
    assert 0.0002 < widths.max() < 0.02
    for i, j in ((0, 1), (0, 2), (1, 2)):
        assert abs(lags[i] - lags[j]) < 3 * np.hypot(widths[i], widths[j])


def test_steps_of_another_wearer_have_no_lag(tmp_path):
    # The labels were mixed up: both walk, but not the same steps.
    for seed in (1, 2, 3):
        field, _ = wearing((("body", 140),), seed)
        _, axes = wearing((("body", 140),), seed + 50)
        detected = detected_in(recorded(tmp_path, field, axes))
        assert value_of(detected, "step_lag_s") is None
        assert "not those of one wearer" in absent_of(detected, "step_lag_s")


def test_nothing_is_said_where_nothing_moves_or_no_accelerometer_is_there(tmp_path):
    field, axes = wearing((("rest", 60),))
    still = detected_in(recorded(tmp_path, field, axes))
    assert value_of(still, "step_lag_s") is None
    assert "did not move together" in absent_of(still, "step_lag_s")
    alone = detected_in(recorded(tmp_path, *wearing())[:1])
    assert absent_of(alone, "step_lag_s") == "no accelerometer in the dump"
    assert findings_of(still, "clock", "warning") == findings_of(alone, "clock", "warning") == []
