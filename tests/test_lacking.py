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
    evidence_together,
    findings_of,
    judged,
    recording_of,
    value_of,
)
from wearing import HZ, Wearing, conditions_in, faults_in, put, record_wearing

from pipeline.detectors import Detected, run_detectors
from pipeline.recording import Recording
from pipeline.study.study import Activity


@pytest.fixture
def record(tmp_path: Path) -> Callable[..., Recording]:
    return partial(record_wearing, tmp_path / "r.parquet")


def _has_reasons(detected: Detected) -> bool:
    return all(m.absent if m.value is None else np.isfinite(m.value) for m in detected.measures)


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
    assert _has_reasons(detected)


@pytest.mark.parametrize("hz", [1, 64, 250])
@pytest.mark.parametrize("n", [0, 1, 30])
def test_of_next_to_nothing_every_measure_has_its_reason(tmp_path, hz, n):
    axes = acceleration_axes(hz)
    rng = np.random.default_rng(2)
    counts = [rng.integers(0, 4096, n) for _ in range(4)]
    for present in (np.ones(n, bool), np.arange(n) % 2 == 0, np.zeros(n, bool)):
        recording = recording_of(tmp_path / "r.parquet", [FIELD, *axes], counts, hz, present)
        assert _has_reasons(detected_in(recording))


def test_samples_of_a_second_each_with_overloads_and_losses(tmp_path):
    rng = np.random.default_rng(1)
    codes = np.where(np.arange(600) % 50 < 5, FIELD.adc_max, rng.integers(1800, 2200, 600))
    channel = replace(FIELD, sample_hz=1.0, ac_corner_hz=None)
    recording = recording_of(tmp_path / "r.parquet", [channel], [codes], 1.0, rng.random(600) < 0.8)
    assert _has_reasons(detected_in(recording))


def test_codes_of_32_bits_under_a_layout_of_12(tmp_path):
    codes = np.random.default_rng(1).integers(-(2**31), 2**32, 60 * HZ)
    recording = recording_of(tmp_path / "r.parquet", [FIELD], [codes], HZ)
    (finding,) = findings_of(detected_in(recording), "saturation")
    assert "correct bits" in finding.explanation


@pytest.mark.parametrize("other_hz", [1.0, 33.3])
@pytest.mark.parametrize("first_s", [0.0, 20.0, 900.0])
def test_an_accelerometer_of_another_rate_that_begins_elsewhere(tmp_path, other_hz, first_s):
    field = counts_of(Wearing().field_v(), FIELD)
    n = int(60 * other_hz)
    axes = acceleration_axes(other_hz)
    counts = [np.where(np.arange(n) // 7 % 2, -5000, 5000) for _ in axes]
    recordings = [
        recording_of(tmp_path / "r.parquet", [FIELD], [field], HZ),
        recording_of(tmp_path / "s.parquet", axes, counts, other_hz, first_s=first_s),
    ]
    for detected in run_detectors(evidence_together(recordings), SETTINGS):
        assert _has_reasons(detected)


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
    assert _has_reasons(detected)


@pytest.mark.parametrize("hz", [8, 10, 20, 32, 1000])
def test_slow_and_fast_recordings(tmp_path, hz):
    codes = counts_of(0.02 * np.random.default_rng(3).standard_normal(60 * hz), FIELD)
    recording = recording_of(tmp_path / "r.parquet", [FIELD], [codes], hz)
    (detected,) = run_detectors([evidence_of(recording)], SETTINGS)
    assert faults_in(detected) == set()
    assert judged(detected, recording).name == "accept"


ZEROS = ("movement.still_m_s2", "movement.body_m_s2", "noise_floor.input_farad", "dropout.held_share")


@pytest.mark.parametrize("zero", ZEROS)
def test_a_threshold_of_zero_is_no_fault_of_the_program(record, zero):
    recording, settings = record(Wearing(seconds=60)), {**SETTINGS, zero: 0.0}
    log = [Activity(0.0, 20.0, "sitting at the wheel", "rest", 2), Activity(20.0, 60.0, "wedging", "body", 3)]
    (detected,) = run_detectors([evidence_of(recording, settings=settings, activities=log)], settings)
    assert _has_reasons(detected)
