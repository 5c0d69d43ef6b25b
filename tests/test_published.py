"""Detectors against published values and closed forms; the source stands beside each check."""

import math
from dataclasses import replace

import numpy as np
import pytest
from make import (
    FIELD,
    SETTINGS,
    acceleration_axes,
    counts_of,
    detected_in,
    evidence_of,
    findings_of,
    recording_of,
    value_of,
)

from pipeline.detectors import gravity, noise_floor, saturation
from pipeline.layouts import Channel

NO_MARGIN = {**SETTINGS, "saturation.rail_margin_fraction": 0.0, "saturation.rail_margin_counts": 0.0}


@pytest.fixture
def record(tmp_path):
    """Write one field channel from codes and open it."""
    return lambda channel, codes, hz: recording_of(tmp_path / "recording.parquet", [channel], [codes], hz)


def noise_of(seed: int, n: int, sd: float = 1.0) -> np.ndarray:
    return sd * np.random.default_rng(seed).standard_normal(n)


# ---- saturation -------------------------------------------------------------------------------------------

# Clipped sine of amplitude A between rails +-c: share at both rails (2 / pi) acos(c / A), at one rail half of
# it (arcsine law; computed, and asserted against numerical integration).
BOTH_RAILS = {
    1.01: 0.08966,
    1.05: 0.19725,
    1.10: 0.27356,
    1.122: 0.29966,
    1.2: 0.37286,
    1.5: 0.53544,
    2.0: 0.66667,
    5.0: 0.87181,
    10.0: 0.93623,
}
ONE_RAIL = {1.1: 0.13678, 2.0: 0.33333}


def clipped_sine(channel: Channel, amplitude: float) -> np.ndarray:
    """60 s of a sine whose phase never repeats on the samples: 7 times the golden ratio, at 250 Hz."""
    turn = 2 * np.pi * 7 * (math.sqrt(5) - 1) / 2 * np.arange(15000) / 250
    return counts_of(amplitude * np.sin(turn), channel)


@pytest.mark.parametrize(("overdrive", "share"), BOTH_RAILS.items())
def test_share_of_a_clipped_sine_at_both_rails(record, overdrive, share):
    channel = Channel("field", "field", "V", 1 / 32767, 0.0, 250.0, -32767, 32767)
    evidence = evidence_of(record(channel, clipped_sine(channel, overdrive), 250.0), settings=NO_MARGIN)
    found = value_of(saturation.detect(evidence, NO_MARGIN), "saturated_fraction")
    assert found == pytest.approx(share, abs=1.5e-3)
    # The overdrive comes back from the share: A = c / cos(pi share / 2).
    assert 1 / math.cos(math.pi * found / 2) == pytest.approx(overdrive, rel=0.02)


@pytest.mark.parametrize(("overdrive", "share"), ONE_RAIL.items())
def test_share_of_a_clipped_sine_at_one_rail(record, overdrive, share):
    channel = Channel("field", "field", "V", 1 / 32767, 0.0, 250.0, -32767 * 4, 32767)
    evidence = evidence_of(record(channel, clipped_sine(channel, overdrive), 250.0), settings=NO_MARGIN)
    detected = saturation.detect(evidence, NO_MARGIN)
    assert value_of(detected, "saturated_fraction") == pytest.approx(share, abs=1.5e-3)
    assert "on the upper side only" in detected.findings[0].explanation


def test_the_margin_moves_the_rail_inwards(record):
    # 0.4 % of the range is 0.8 % of c: a sine that reaches c (1 - 0.8 %) / 0.99 is clipped there.
    channel = Channel("field", "field", "V", 1 / 32767, 0.0, 250.0, -32767, 32767)
    detected = detected_in(record(channel, clipped_sine(channel, 1.0), 250.0))
    share = 2 / math.pi * math.acos(1 - 0.008)
    assert value_of(detected, "saturated_fraction") == pytest.approx(share, abs=2e-3)


# First-order high-pass: tau = 1 / (2 pi f_c); what is left of an overload is exp(-t / tau) (closed form).
# Corner in Hz -> seconds until 10 %, 1 % and 0.1 % is left.
SETTLING_S = {
    0.01: (36.65, 73.29, 109.94),
    0.05: (7.33, 14.66, 21.99),
    0.1: (3.66, 7.33, 10.99),
    0.16: (2.29, 4.58, 6.87),
    0.5: (0.733, 1.466, 2.199),
    0.67: (0.547, 1.094, 1.641),
    1.0: (0.366, 0.733, 1.099),
}


@pytest.mark.parametrize("corner_hz", SETTLING_S)
@pytest.mark.parametrize(("which", "residue"), [(0, 0.1), (1, 0.01), (2, 0.001)])
def test_settling_is_marked_until_the_published_time(record, corner_hz, which, residue):
    channel = replace(FIELD, ac_corner_hz=corner_hz)
    codes = 2048 + np.rint(noise_of(1, 30_000, 5)).astype(np.int64)
    codes[1000:1450] = 4095
    own = {**SETTINGS, "saturation.settled_residue": residue}
    evidence = evidence_of(record(channel, codes, 250.0), settings=own)
    marked = saturation.detect(evidence, own).marks["settling"]
    seconds = SETTLING_S[corner_hz][which]
    assert marked.start.tolist() == [1450]
    found_s = (marked.stop[0] - 1450) / 250
    rounding_s = 0.005 if seconds > 2 else 0.0005
    assert seconds - rounding_s <= found_s <= seconds + rounding_s + 1 / 250


def test_after_settling_a_simulated_input_has_recovered(record):
    # The same filter step by step: what the mark leaves out is below 1 % of the overload, what it covers not.
    corner_hz, hz = 0.5, 250.0
    keep = math.exp(-2 * math.pi * corner_hz / hz)
    left = keep ** np.arange(2000)
    channel = replace(FIELD, ac_corner_hz=corner_hz)
    codes = 2048 + np.rint(noise_of(2, 3000, 5)).astype(np.int64)
    codes[900:1000] = 4095
    marked = saturation.detect(evidence_of(record(channel, codes, hz)), SETTINGS).marks["settling"]
    n = int(marked.stop[0] - marked.start[0])
    assert left[n] <= 0.01 < left[n - 2]


# ---- noise and gravity ------------------------------------------------------------------------------------


def test_an_ideal_converter_makes_a_twelfth_of_a_count_squared(record):
    # q / sqrt(12) = 0.288675 q (Bennett, BSTJ 27:446, 1948, from memory), here on a ramp without noise.
    ramp = 100 + (math.sqrt(5) - 1) / 2 * np.arange(20 * 250)
    evidence = evidence_of(record(FIELD, np.rint(ramp).astype(np.int64), 250.0))
    residue = evidence.tracks.field["field"].residue_rms / FIELD.scale
    # The residue is divided by its freedom: up to 8 % more, for an error that is not white fills no model.
    assert 0.285 < math.sqrt((residue**2).mean()) < 0.288675 * 1.09
    detected = noise_floor.detect(evidence, SETTINGS)
    assert value_of(detected, "noise_v") / FIELD.scale == pytest.approx(0.288675, rel=0.15)
    assert detected.findings == ()


def test_noise_before_the_converter_adds_to_its_own(record):
    values = 2048 + noise_of(12, 240 * 250)
    evidence = evidence_of(record(FIELD, np.rint(values).astype(np.int64), 250.0))
    residue = evidence.tracks.field["field"].residue_rms / FIELD.scale
    assert (residue**2).mean() == pytest.approx(1 + 1 / 12, rel=0.02)


def test_a_dead_channel_is_quieter_than_its_converter(record):
    detected = detected_in(record(FIELD, np.full(5000, 2048), 250.0))
    assert [f.severity for f in findings_of(detected, "noise_floor")] == ["warning"]


@pytest.mark.parametrize("direction", [(1, 0, 0), (0, -1, 0), (1, 1, 1), (-2, 1, 0.5)])
@pytest.mark.parametrize(
    ("length", "flagged"), [(1.0, False), (1.04, False), (0.94, True), (0.0, True), (2.0, True)]
)
def test_gravity_at_rest_is_standard_gravity(tmp_path, direction, length, flagged):
    # 9.80665 m/s2 (CGPM 1901; UCUM [g]); a sensor with gravity taken out, or a scale off by two, is named.
    axes = acceleration_axes()
    unit = np.array(direction) / np.linalg.norm(direction)
    counts = [
        counts_of(9.80665 * length * unit[i] + noise_of(i, 5000, 0.02), axis) for i, axis in enumerate(axes)
    ]
    recording = recording_of(tmp_path / "r.parquet", axes, counts, 250.0)
    detected = gravity.detect([evidence_of(recording)], SETTINGS)
    assert value_of(detected, "gravity_m_s2") == pytest.approx(9.80665 * length, abs=0.02)
    assert bool(detected.findings) == flagged


# ---- losses -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("lost", "of"), [(1, 5), (200, 1000)])
def test_loss_is_reported_with_its_denominator(tmp_path, lost, of):
    # RFC 3550, 6.4.4: 1 out of 5 packets lost has a lower significance than 200 out of 1000.
    present = np.ones(of * 10, bool)
    present[10 : 10 + 10 * lost] = False
    recording = recording_of(
        tmp_path / "r.parquet", [FIELD], [counts_of(noise_of(1, of * 10, 0.01), FIELD)], 250.0, present
    )
    detected = detected_in(recording, n_lost_frames=lost, n_expected_frames=of)
    assert value_of(detected, "lost_fraction") == pytest.approx(0.2)
    assert f"{lost} of {of} frames" in findings_of(detected, "dropout")[0].explanation
