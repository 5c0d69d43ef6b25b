"""The accelerometer against gravity: planted faults, what they are mistaken for, what cannot be told.

Standard gravity is 9.80665 m/s2 (CGPM 1901; UCUM [g]). Recordings are invented where no source is named.
"""

from dataclasses import replace

import numpy as np
import pytest
from make import SETTINGS, absent_of, acceleration_axes, evidence_of, value_of
from wheels import Member, read_member
from worn import activities_by, axes_by, record_axes

from pipeline.detectors import Detected, gravity
from pipeline.layouts import Channel
from pipeline.simulate.accelerometer import Accelerometer

G = 9.80665

BASIC_MOTIONS = Member(
    "aeon==1.6.0",
    "aeon/datasets/data/BasicMotions/BasicMotions_TRAIN.ts",
    "8dc43cc6306cb679c888c01e26f91772ac4441a916da43bac8b79734a538b9d6",
)
"""Smart watch, 10 Hz, three accelerations and three rotations, ten cases of 10 s each of standing, walking,
running and badminton (UEA archive of multivariate time series)."""


@pytest.fixture
def weigh(tmp_path):
    """What the detector says of acceleration in m/s2, shape (3, n)."""

    def run(
        values: np.ndarray, sample_hz: float = 50.0, channels: tuple[Channel, ...] | None = None
    ) -> Detected:
        recording = record_axes(tmp_path / "r.parquet", values, sample_hz, channels)
        return gravity.detect([evidence_of(recording)], SETTINGS)

    return run


def lain(
    n_orientations: int, seed: int = 1, gain=(1, 1, 1), offset=(0, 0, 0), held_s: int = 12
) -> np.ndarray:
    """A sensor laid down in many orientations, turned in a second: m/s2 at 50 Hz, shape (3, n)."""
    rng = np.random.default_rng(seed)
    up = rng.standard_normal((n_orientations, 3))
    up /= np.linalg.norm(up, axis=1)[:, np.newaxis]
    true = np.repeat(G * up, held_s * 50, axis=0).T
    noise = 0.02 * rng.standard_normal(true.shape)
    return (true - np.array(offset)[:, np.newaxis]) / np.array(gain)[:, np.newaxis] + noise


def told(detected: Detected, severity: str = "warning") -> list[str]:
    return [f.measure for f in detected.findings if f.severity == severity]


# ---- gain and offset ------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_gain_and_offset_come_back(weigh, seed):
    """The yardstick is van Hees et al. 2014: 76.7 mg before, 8.0 mg after; here noise alone remains."""
    gain, offset = (1.02, 0.97, 1.01), (0.5, -0.4, 0.6)
    detected = weigh(lain(40, seed, gain, offset))
    before, after = (value_of(detected, m) for m in ("gravity_error_m_s2", "gravity_error_calibrated_m_s2"))
    assert before > 0.02 * G
    assert after < 0.003 * G
    (note,) = [f for f in detected.findings if f.severity == "note"]
    for name, factor, shift in zip(("acc_x", "acc_y", "acc_z"), gain, offset, strict=True):
        words = note.explanation[note.explanation.index(name) :].split()
        assert float(words[1]) == pytest.approx(factor, abs=2e-3)
        assert float(words[3]) == pytest.approx(shift, abs=0.02)


def test_a_good_sensor_needs_no_note(weigh):
    detected = weigh(lain(40))
    assert detected.findings == ()
    assert value_of(detected, "gravity_error_m_s2") < 0.003 * G


def test_too_few_orientations_cover_no_sphere(weigh):
    detected = weigh(np.abs(lain(40, gain=(1.05, 1, 1))))
    assert value_of(detected, "gravity_error_m_s2") is not None
    assert value_of(detected, "gravity_error_calibrated_m_s2") is None
    assert "too few orientations" in absent_of(detected, "gravity_error_calibrated_m_s2")
    few = weigh(lain(8))
    assert "8 still windows of 10 s, 12 are needed" in absent_of(few, "gravity_error_calibrated_m_s2")


def test_a_wearer_who_never_rests_shows_no_gravity_at_rest(weigh):
    values = 0.05 * np.random.default_rng(1).standard_normal((3, 50 * 60))
    values[2] += G + 2 * np.sin(4 * np.pi * np.arange(50 * 60) / 50)
    detected = weigh(values)
    assert detected.findings == ()
    for name in gravity.MEASURES:
        assert value_of(detected, name) is None
        assert "never still" in absent_of(detected, name)


# ---- units and gravity ----------------------------------------------------------------------------------


@pytest.mark.parametrize("moves", [True, False])
@pytest.mark.parametrize(("factor", "device", "layout"), gravity.MISTAKES)
def test_a_wrong_unit_is_named(weigh, factor, device, layout, moves):
    values = axes_by(activities_by(1) if moves else (), 1)
    axes = tuple(replace(axis, scale=axis.scale * factor) for axis in acceleration_axes(50.0))
    detected = weigh(values * factor, channels=axes)
    (finding,) = [f for f in detected.findings if f.severity == "warning"]
    assert finding.value == pytest.approx(factor * G, rel=0.05)
    assert f"writes {device} under a layout of {layout}:" in finding.explanation


@pytest.mark.parametrize("factor", [0.8, 1.3, 2.0])
def test_another_scale_is_no_unit(weigh, factor):
    axes = tuple(replace(axis, scale=axis.scale * factor) for axis in acceleration_axes(50.0))
    (finding,) = weigh(axes_by((), 1) * factor, channels=axes).findings
    assert "check scale and unit" in finding.explanation


@pytest.mark.parametrize("seed", range(4))
def test_missing_gravity_is_named(weigh, seed):
    (finding,) = weigh(axes_by(activities_by(seed), seed, part=Accelerometer(gravity=False))).findings
    assert finding.severity == "warning"
    assert finding.value < finding.limit == pytest.approx(G / 2)
    assert "takes gravity out" in finding.explanation


WATCH = tuple(
    Channel(f"acc_{axis}", "acceleration", "m/s2", 1e-3, 0.0, 10.0, -65536, 65535) for axis in "xyz"
)


def basic_motions() -> dict[str, np.ndarray]:
    """Acceleration by activity, cases end to end, shape (3, n)."""
    lines = read_member(BASIC_MOTIONS).decode().splitlines()
    found: dict[str, list[np.ndarray]] = {}
    for line in lines[next(i for i, line in enumerate(lines) if line.lower() == "@data") + 1 :]:
        *dimensions, label = line.split(":")
        values = np.array([[float(v) for v in d.split(",")] for d in dimensions[:3]])
        found.setdefault(label.strip().lower(), []).append(values)
    return {label: np.concatenate(cases, axis=1) for label, cases in found.items()}


@pytest.mark.parametrize("activity", ["standing", "walking", "badminton"])
def test_a_watch_that_takes_gravity_out(weigh, activity):
    # BasicMotions: the mean length while standing is 0.79, measured on the file by other means.
    values = basic_motions()[activity]
    if activity == "standing":
        assert np.linalg.norm(values, axis=0).mean() == pytest.approx(0.79, abs=0.005)
    (finding,) = weigh(values, 10.0, WATCH).findings
    assert finding.severity == "warning"
    assert "takes gravity out" in finding.explanation


def test_running_swings_harder_than_gravity(weigh):
    """The same watch, on a runner's arm alone: its mean vector is as long as gravity in most seconds."""
    values = basic_motions()["running"]
    assert told(weigh(values, 10.0, WATCH)) == []


# ---- axes -----------------------------------------------------------------------------------------------


def test_of_a_sensor_with_an_axis_that_stands_still_no_gravity_is_told(weigh):
    values = axes_by(activities_by(2), 2)
    values[1, 60 * 50 :] = 0.0
    detected = weigh(values)
    assert detected.findings == ()
    assert absent_of(detected, "gravity_error_calibrated_m_s2") == "its axes are not sound"


def test_a_coarse_converter_at_rest_is_sound(weigh):
    """8 bits over +-8 g: 0.6 m/s2 a count, so that nothing varies while the wearer sits."""
    axes = tuple(
        replace(axis, scale=16 * G / 256, adc_min=-128, adc_max=127) for axis in acceleration_axes(50.0)
    )
    for seed in range(4):
        assert weigh(axes_by(activities_by(seed), seed), channels=axes).findings == ()


def test_an_axis_across_the_movement_is_sound(weigh):
    """Nearly all movement is along one axis: the others show their noise of half a count or more."""
    values = axes_by((), 1)
    values[0] += 3 * np.sin(4 * np.pi * np.arange(values.shape[1]) / 50)
    assert told(weigh(values)) == []


@pytest.mark.parametrize(("sign", "kind"), [(1, "equal"), (-1, "opposite")])
@pytest.mark.parametrize("pair", [(0, 1), (2, 0)])
def test_a_doubled_axis_is_named(weigh, sign, kind, pair):
    values = axes_by(activities_by(3), 3)
    values[pair[1]] = sign * values[pair[0]]
    (finding,) = [f for f in weigh(values).findings if f.severity == "warning"]
    assert finding.measure == f"axis_{kind}_m_s2"
    names = sorted("acc_" + "xyz"[i] for i in pair)
    assert f"{names[0]} and {names[1]} are {kind}" in finding.explanation


def test_axes_that_move_alike_are_not_doubled(weigh):
    """The same movement on two axes, each with noise of its own, as of an arm that swings askew."""
    values = axes_by(activities_by(3), 3)
    values[1] = values[0] + 0.03 * np.random.default_rng(4).standard_normal(values.shape[1])
    assert [measure for measure in told(weigh(values)) if "axis" in measure] == []


def test_two_exchanged_axes_cannot_be_told(weigh):
    """Which axis is which depends on how the strap sits: |a| is the same."""
    values = axes_by(activities_by(3), 3)
    assert weigh(values[[1, 0, 2]]).findings == weigh(values).findings == ()


def test_no_false_word_on_sound_sensors(weigh):
    """Of 40 wearers with sensors off by up to 0.2 m/s2 and 1 %."""
    for seed in range(40):
        rng = np.random.default_rng([seed, 9])
        part = Accelerometer(
            tuple(rng.normal(0, 0.005, 3)), tuple(rng.normal(0, 0.1, 3)), float(rng.uniform(0.01, 0.06))
        )
        assert told(weigh(axes_by(activities_by(seed), seed, part=part))) == [], seed
