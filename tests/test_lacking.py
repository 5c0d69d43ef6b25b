"""Recordings that lack something: a channel, a sensor, time, or nearly everything."""

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from make import (
    FIELD,
    SETTINGS,
    absent_of,
    acceleration_axes,
    counts_of,
    detected_in,
    evidence_of,
    findings_of,
    judged,
    recording_of,
    value_of,
)
from wearing import HZ, Wearing, conditions_in, faults_in, put, record_wearing

from pipeline.detectors import run_detectors
from pipeline.recording import Recording


@pytest.fixture
def record(tmp_path: Path) -> Callable[..., Recording]:
    return partial(record_wearing, tmp_path / "r.parquet")


# ---- recordings that lack something -----------------------------------------------------------------------


def test_a_recording_of_the_field_alone(record):
    recording = record(Wearing(), accelerometer=False)
    detected = detected_in(recording)
    assert conditions_in(detected) == set()
    for measure in ("low_coupling_fraction", "moving_fraction", "uncorroborated_fraction", "gravity_m_s2"):
        assert value_of(detected, measure) is None
        assert "no accelerometer" in absent_of(detected, measure)
    assert judged(detected, recording).name == "accept"


def test_a_recording_of_the_accelerometer_alone(tmp_path):
    axes = acceleration_axes()
    counts = [counts_of(a, axis) for a, axis in zip(Wearing().acceleration(), axes, strict=True)]
    recording = recording_of(tmp_path / "r.parquet", axes, counts, HZ)
    detected = detected_in(recording)
    assert conditions_in(detected) == set()
    assert value_of(detected, "gravity_m_s2") == pytest.approx(9.80665, abs=0.01)
    assert judged(detected, recording).name == "accept"


def test_two_field_channels_are_judged_each_for_itself(tmp_path):
    other = replace(FIELD, name="ankle")
    one, two = (counts_of(Wearing().field_v(), channel) for channel in (FIELD, other))
    two = two.copy()
    put(60, 62, 2222)(two)
    detected = detected_in(recording_of(tmp_path / "r.parquet", [FIELD, other], [one, two], HZ))
    assert value_of(detected, "stuck_fraction", "field") == 0
    assert value_of(detected, "stuck_fraction", "ankle") == pytest.approx(2 / 120, rel=0.01)
    assert {f.channel for f in findings_of(detected, "stuck")} == {"ankle"}


@pytest.mark.parametrize("n", [1, 2, 7, 50, 249, 250, 251, 1000])
@pytest.mark.parametrize("accelerometer", [True, False])
def test_recordings_of_a_moment_are_too_short_and_no_more(tmp_path, n, accelerometer):
    whole = Wearing(seconds=10)
    axes = acceleration_axes() if accelerometer else ()
    more = [counts_of(a, axis)[:n] for a, axis in zip(whole.acceleration(), axes, strict=bool(axes))]
    codes = counts_of(whole.field_v(), FIELD)[:n]
    recording = recording_of(tmp_path / "r.parquet", [FIELD, *axes], [codes, *more], HZ)
    detected = detected_in(recording)
    assert faults_in(detected) == set()
    verdict = judged(detected, recording)
    assert verdict.name == "reject"
    assert [reason.measure for reason in verdict.reasons] == ["duration_s"]
    for measure in detected.measures:
        assert measure.value is None or np.isfinite(measure.value)
        assert measure.value is not None or measure.absent


@pytest.mark.parametrize("accelerometer", [True, False])
def test_no_window_without_a_loss(tmp_path, accelerometer):
    # Every 40th sample is lost: no window of 0.2 s is whole, and yet 97.5 % of the samples are there.
    wearing = Wearing()
    axes = acceleration_axes() if accelerometer else ()
    more = [counts_of(a, axis) for a, axis in zip(wearing.acceleration(), axes, strict=bool(axes))]
    present = np.arange(120 * HZ) % 40 != 39
    codes = counts_of(wearing.field_v(), FIELD)
    recording = recording_of(tmp_path / "r.parquet", [FIELD, *axes], [codes, *more], HZ, present)
    detected = detected_in(recording)
    assert value_of(detected, "lost_fraction") == pytest.approx(1 / 40)
    assert value_of(detected, "mains_rms_v") is None
    assert "whole" in absent_of(detected, "mains_rms_v")
    assert faults_in(detected) == {"lost"}


def test_everything_lost(tmp_path):
    axes = acceleration_axes()
    nothing = np.zeros(60 * HZ, np.int64)
    recording = recording_of(
        tmp_path / "r.parquet", [FIELD, *axes], [nothing] * 4, HZ, np.zeros(60 * HZ, bool)
    )
    detected = detected_in(recording)
    assert value_of(detected, "lost_fraction") == 1.0
    assert faults_in(detected) == {"lost"}
    assert judged(detected, recording).name == "reject"
    for measure in detected.measures:
        assert measure.value is None or np.isfinite(measure.value)
        assert measure.value is not None or measure.absent


@pytest.mark.parametrize("hz", [8, 10, 20, 32, 1000])
def test_slow_and_fast_recordings(tmp_path, hz):
    codes = counts_of(0.02 * np.random.default_rng(3).standard_normal(60 * hz), FIELD)
    recording = recording_of(tmp_path / "r.parquet", [FIELD], [codes], hz)
    (detected,) = run_detectors([evidence_of(recording)], SETTINGS)
    assert faults_in(detected) == set()
    assert judged(detected, recording).name == "accept"
