"""Noise too low to have been measured, too high for fingers, and that of rest. Signals are invented.

Limits: a converter makes q / sqrt(12) (Bennett, BSTJ 27:446, 1948, from memory), a resistor at a capacitance
sqrt(k T / C), with the exact k of the SI (SI Brochure, 9th edition, 2019).
"""

from dataclasses import replace
from functools import partial

import numpy as np
import pytest
from make import (
    FIELD,
    SETTINGS,
    absent_of,
    counts_of,
    detected_in,
    evidence_of,
    findings_of,
    judged,
    recording_of,
    value_of,
)
from scipy import signal
from wearing import HZ, Wearing, put, record_wearing

from pipeline.detectors import noise_floor
from pipeline.layouts.units import thermal_noise_v

WIDE = replace(FIELD, scale=0.6 / 2**24, adc_max=2**24 - 1)
"""24 bits over the same 0.6 V: 36 nV a count, so that other noise shows."""


@pytest.fixture
def record(tmp_path):
    return partial(recording_of, tmp_path / "r.parquet")


def white(volts: float, channel=WIDE, seconds: int = 60) -> np.ndarray:
    return counts_of(volts * np.random.default_rng(1).standard_normal(seconds * HZ), channel)


@pytest.mark.parametrize(
    ("farad", "microvolt"), [(1e-12, 64.36), (5e-12, 28.78), (10e-12, 20.35), (100e-12, 6.436), (1e-9, 2.035)]
)
def test_the_thermal_noise_of_a_capacitance_is_as_published(farad, microvolt):
    """At 300 K; computed from the exact constant with other means."""
    assert thermal_noise_v(farad) * 1e6 == pytest.approx(microvolt, rel=3e-4)


@pytest.mark.parametrize(("volts", "told"), [(4e-6, False), (1e-6, True)])
def test_less_than_the_thermal_noise_of_the_input_was_not_measured(record, volts, told):
    detected = detected_in(record([WIDE], [white(volts)], HZ))
    findings = findings_of(detected, "noise_floor")
    assert [f.severity for f in findings] == ["warning"] * told
    if told:
        assert findings[0].limit == pytest.approx(2.035e-6, rel=1e-3)
        assert "thermal noise of its input" in findings[0].explanation


def test_the_limit_is_that_of_the_study(record):
    settings = {**SETTINGS, "noise_floor.input_farad": 10e-12}
    evidence = evidence_of(record([WIDE], [white(4e-6)], HZ), settings=settings)
    (finding,) = noise_floor.detect(evidence, settings).findings
    assert finding.limit == pytest.approx(20.35e-6, rel=1e-3)


def test_a_coarse_converter_decides_by_its_steps(record):
    (finding,) = findings_of(detected_in(record([FIELD], [np.full(60 * HZ, 2050)], HZ)), "noise_floor")
    assert finding.limit == pytest.approx(0.1 * FIELD.scale)
    assert "its converter can be" in finding.explanation


@pytest.mark.parametrize(("share", "told"), [(0.003, False), (0.008, True)])
def test_noise_above_half_of_a_movement_is_told(record, share, told):
    detected = detected_in(record([FIELD], [white(share * 0.6, FIELD)], HZ))
    findings = findings_of(detected, "noise_floor")
    assert [(f.measure, f.severity) for f in findings] == [("noise_v", "warning")] * told
    if told:
        assert findings[0].limit == pytest.approx(0.005 * 4095 * FIELD.scale)


def test_a_stuck_value_is_no_quiet_channel(tmp_path):
    recording = record_wearing(tmp_path / "r.parquet", Wearing(), put(40, 70, 2100))
    detected = detected_in(recording)
    assert findings_of(detected, "noise_floor") == []
    assert value_of(detected, "noise_v") == pytest.approx(1e-3, rel=0.15)


def test_noise_at_rest_is_that_of_the_band_of_movement(tmp_path):
    """White noise of 1 mV at 250 Hz: of 125 Hz the band 0.5 to 10 Hz holds what its filter lets through."""
    detected = detected_in(record_wearing(tmp_path / "r.parquet", Wearing(walks=((60, 120),))))
    filtered = signal.butter(2, (0.5, 10.0), "bandpass", fs=HZ, output="sos")
    _, gain = signal.sosfreqz(filtered, 4096, fs=HZ)
    expected = 1e-3 * np.sqrt((np.abs(gain) ** 2).mean())
    assert value_of(detected, "rest_noise_v") == pytest.approx(expected, rel=0.25)


@pytest.mark.parametrize(
    ("wearing", "accelerometer", "why"),
    [
        (Wearing(), False, "no accelerometer tells when the wearer keeps still"),
        (Wearing(walks=((0, 120),)), True, "the wearer was not still for 5 s in all"),
    ],
    ids=["alone", "never still"],
)
def test_without_rest_its_noise_is_not_claimed(tmp_path, wearing, accelerometer, why):
    recording = record_wearing(tmp_path / "r.parquet", wearing, accelerometer=accelerometer)
    detected = detected_in(recording)
    assert value_of(detected, "rest_noise_v") is None
    assert absent_of(detected, "rest_noise_v").startswith(why)
    assert value_of(detected, "noise_v") > 0


def test_a_channel_that_nothing_reaches_is_told_and_no_fault(tmp_path):
    """Nothing but its own noise while the wearer walks, and no mains."""
    dead = record_wearing(tmp_path / "r.parquet", Wearing(steps_v=0.0, mains_v=0.0))
    (finding,) = findings_of(detected_in(dead), "noise_floor")
    assert (finding.measure, finding.severity) == ("movement_rms_v", "warning")
    assert finding.value < finding.limit
    assert "nothing reaches the amplifier" in finding.explanation


@pytest.mark.parametrize("alive", [{"steps_v": 0.002, "mains_v": 0.0}, {"steps_v": 0.0, "mains_v": 0.001}])
def test_a_little_movement_or_mains_shows_that_a_channel_lives(tmp_path, alive):
    recording = record_wearing(tmp_path / "r.parquet", Wearing(**alive))
    assert findings_of(detected_in(recording), "noise_floor") == []


def test_noise_as_usual_is_accepted(tmp_path):
    recording = record_wearing(tmp_path / "r.parquet", Wearing())
    detected = detected_in(recording)
    assert findings_of(detected, "noise_floor") == []
    assert judged(detected, recording).name == "accept"
