"""Rails that no layout states, one-sided clipping, slew, overdrive, recoveries: planted and mistaken.

Signals are invented. Shares and harmonics of a clipped sine are closed forms, asserted against numerical
integration; the electrocardiogram is that of `wheels`.
"""

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from make import (
    FIELD,
    SETTINGS,
    absent_of,
    counts_of,
    evidence_of,
    findings_of,
    n_marked,
    recording_of,
    value_of,
)
from scipy.signal import lfilter
from wearing import Wearing, put, record_wearing
from wheels import ecg_codes

from pipeline.detectors import Detected, saturation
from pipeline.detectors.findings import MOST_LISTED, Spans
from pipeline.detectors.overdrive import overdrive
from pipeline.layouts import Channel
from pipeline.simulate.front_end import at_rails, high_pass, slewed

Look = Callable[..., Detected]
SPAN = FIELD.adc_high - FIELD.adc_low
MARGIN = 0.004 * SPAN


@pytest.fixture
def look(tmp_path: Path) -> Look:
    """What the detector finds in one channel given in its unit."""

    def looked(
        values: np.ndarray, channel: Channel = FIELD, settings: dict[str, float] = SETTINGS
    ) -> Detected:
        codes = counts_of(values, channel)
        recording = recording_of(tmp_path / "r.parquet", [channel], [codes], channel.sample_hz)
        return saturation.detect(evidence_of(recording, settings=settings), settings)

    return looked


def time_s(seconds: float = 120.0, hz: float = 250.0) -> np.ndarray:
    return np.arange(round(seconds * hz)) / hz


def noise_of(seed: int, n: int, sd: float) -> np.ndarray:
    return sd * np.random.default_rng(seed).standard_normal(n)


def steps_of(t: np.ndarray, peak: float, seed: int = 3) -> np.ndarray:
    """Steps at about 2 Hz, each of another height, between rests; the largest reaches `peak`."""
    rng = np.random.default_rng(seed)
    height = np.interp(
        t, np.arange(0, t[-1] + 1, 0.5), rng.uniform(0.4, 1.0, len(np.arange(0, t[-1] + 1, 0.5)))
    )
    wave = np.sin(4 * np.pi * t + 0.3 * np.sin(0.7 * t)) + 0.4 * np.sin(8 * np.pi * t + 1)
    values = height * wave * ((t % 40) < 25)
    return np.asarray(peak * values / np.abs(values).max())


def rails_in(detected: Detected) -> tuple[float | None, float | None]:
    return value_of(detected, "rail_low_v"), value_of(detected, "rail_high_v")


# ---- rails found in the data ------------------------------------------------------------------------------


@pytest.mark.parametrize("knee", [1e-9, 0.003, 0.012])
@pytest.mark.parametrize(("before", "behind"), [(1e-3, 0.0), (2e-4, 3e-4), (1e-3, 6e-4)])
def test_rails_that_the_layout_does_not_state(look, knee, before, behind):
    t = time_s()
    driven = steps_of(t, 0.4) + noise_of(1, len(t), before)
    detected = look(at_rails(driven, -0.19, 0.21, knee) + noise_of(2, len(t), behind))
    low, high = rails_in(detected)
    assert (low, high) == pytest.approx((-0.19, 0.21), abs=MARGIN)
    # Every sample that noise-free would stand within the margin of a rail is marked, hardly any other.
    true = np.abs(at_rails(driven, -0.19, 0.21, knee) - 0.01) >= 0.2 - MARGIN
    marked = detected.marks["saturated"].mask(0, len(t))
    assert (marked & true).sum() / true.sum() > 0.9
    assert (marked & ~true).sum() / true.sum() < 0.25
    notes = {f.measure: f for f in findings_of(detected, "saturation", "note")}
    code = round((low - FIELD.offset) / FIELD.scale)
    said = notes["rail_low_v"].explanation
    assert "amplifier_low_v" in said
    assert f"adc_min = {code} " in said
    assert notes["rail_high_v"].value == high
    assert {f.severity for f in findings_of(detected, "saturation")} == {"note", "fault"}
    assert value_of(detected, "saturated_fraction") == pytest.approx(true.mean(), rel=0.25)


@pytest.mark.parametrize("hz", [50.0, 250.0, 1000.0])
def test_a_rail_that_is_met_for_a_few_tenths_of_a_second(look, hz):
    channel = replace(FIELD, sample_hz=hz)
    t = time_s(120, hz)
    sparks = sum(0.45 * np.exp(-np.maximum(t - at, 0) / 0.5) * (t >= at) for at in (31.0, 77.0))
    driven = steps_of(t, 0.12) + sparks + noise_of(1, len(t), 3e-4)
    values = at_rails(driven, -0.25, 0.25, 0.003) + noise_of(2, len(t), 1e-4)
    detected = look(values, channel)
    assert rails_in(detected) == (None, pytest.approx(0.25, abs=MARGIN))
    assert 0.3 < n_marked(detected, "saturated") / hz < 0.9
    text = findings_of(detected, "saturation", "fault")[0].explanation
    assert "clips it on the upper side only" in text


@pytest.mark.parametrize("side", [-1, 1])
def test_one_sided_clipping_says_which_side(look, side):
    t = time_s()
    driven = side * (steps_of(t, 0.28) + 0.02) + noise_of(1, len(t), 1e-3)
    detected = look(np.minimum(driven, 0.15) if side > 0 else np.maximum(driven, -0.15))
    found = rails_in(detected)
    assert found[side < 0] is None if side > 0 else found[1] is None
    assert found[1 if side > 0 else 0] == pytest.approx(side * 0.15, abs=MARGIN)
    faults = findings_of(detected, "saturation", "fault")
    assert all(f"on the {'upper' if side > 0 else 'lower'} side only" in f.explanation for f in faults)
    assert n_marked(detected, "settling") > 0


def test_a_stated_rail_is_not_looked_for(look):
    t = time_s()
    values = np.clip(steps_of(t, 0.4), -0.2, 0.2) + noise_of(1, len(t), 3e-4)
    detected = look(values, replace(FIELD, amplifier_low=-0.25, amplifier_high=0.25))
    assert rails_in(detected) == (None, None)
    assert absent_of(detected, "rail_low_v") == "the layout states it: -0.25 V"
    assert n_marked(detected, "saturated") == 0


# ---- what is no rail --------------------------------------------------------------------------------------


def sine(t: np.ndarray, hz: float, size: float = 0.2) -> np.ndarray:
    return size * np.sin(2 * np.pi * hz * t + 0.4)


def filtered_square(t: np.ndarray, corner_hz: float) -> np.ndarray:
    keep = math.exp(-2 * np.pi * corner_hz / 250)
    return np.asarray(lfilter([1 - keep], [1, -keep], np.where(np.sin(2 * np.pi * 0.31 * t) > 0, 0.2, -0.15)))


def pulses(t: np.ndarray) -> np.ndarray:
    return 0.25 * np.maximum(np.sin(2 * np.pi * 0.7 * t), 0.0) ** 8 * (0.8 + 0.2 * np.sin(0.37 * t)) - 0.1


NO_RAILS: dict[str, Callable[[np.ndarray], np.ndarray]] = {
    "steps whose largest is the largest": lambda t: steps_of(t, 0.28),
    "mains": lambda t: sine(t, 50.013),
    "mains in step with the samples": lambda t: sine(t, 50.0),
    "mains of 60 Hz, eighth of whose cycles are in step": lambda t: sine(t, 62.5),
    "mains with steps": lambda t: sine(t, 50.013, 0.1) + steps_of(t, 0.15),
    "mains, its size swinging by a third": lambda t: sine(t, 50.02) * (1 + 0.3 * np.sin(0.4 * t)) / 1.3,
    "a slow wave": lambda t: sine(t, 0.21),
    "steps between two levels": lambda t: np.where(np.sin(2 * np.pi * 0.31 * t) > 0, 0.2, -0.15),
    "slower steps between two levels": lambda t: filtered_square(t, 20.0),
    "the same behind the coupling": lambda t: high_pass(filtered_square(t, 20.0), 0.16, 1 / 250),
    "pulses from a baseline": pulses,
    "a triangle": lambda t: 0.2 * (2 * np.abs((0.9 * t) % 2 - 1) - 1),
}


@pytest.mark.parametrize("name", NO_RAILS)
@pytest.mark.parametrize("sd", [5e-5, 1e-3])
def test_what_has_an_extreme_has_no_rail(look, name, sd):
    t = time_s()
    detected = look(NO_RAILS[name](t) + noise_of(4, len(t), sd))
    assert rails_in(detected) == (None, None)
    assert n_marked(detected, "saturated") == 0
    assert findings_of(detected, "saturation") == []


def test_of_a_signal_that_steps_between_levels_no_rail_can_be_told(look):
    t = time_s()
    detected = look(NO_RAILS["steps between two levels"](t) + noise_of(4, len(t), 1e-3))
    assert "cannot be told" in absent_of(detected, "rail_low_v")


@pytest.mark.parametrize("seed", range(4))
def test_few_codes_of_a_coarse_converter_are_no_rail(look, seed):
    channel = replace(FIELD, scale=0.6 / 1024, adc_max=1023)
    t = time_s()
    assert rails_in(look(steps_of(t, 0.012, seed), channel)) == (None, None)
    assert rails_in(look(steps_of(t, 0.25, seed), channel)) == (None, None)


@pytest.mark.parametrize("code", [2900, 3600])
def test_a_stuck_value_is_no_rail(tmp_path, code):
    recording = record_wearing(tmp_path / "r.parquet", Wearing(), put(60, 63, code))
    detected = saturation.detect(evidence_of(recording), SETTINGS)
    assert rails_in(detected) == (None, None)
    assert n_marked(detected, "saturated") == 0


@pytest.mark.parametrize("stands", [-0.195, -0.19])
def test_a_value_that_stands_while_others_lie_beyond_it_is_no_rail(look, stands):
    # Behind an AC coupling a long stay of one value is a rail's, unless the signal went further out.
    t = time_s()
    values = high_pass(steps_of(t, 0.1, 3), 0.1, 1 / 250) + noise_of(5, len(t), 0.5e-3)
    values[9990:10_000] = -0.2
    values[10_000:14_000] = stands
    assert rails_in(look(values, replace(FIELD, ac_corner_hz=0.1))) == (None, None)


# ---- a real signal ----------------------------------------------------------------------------------------

ECG_CHANNEL = Channel("lead", "field", "V", 5e-6, -5.12e-3, 360.0, 0, 2047)
ECG_RAILS = {(800, 1300): (4256, 2450), (700, 1400): (684, 912), (600, 1500): (59, 431)}
"""Rails -> samples at the lower and at the upper one, counted with other tools than this project's."""


@pytest.mark.parametrize(("rails", "n_at"), ECG_RAILS.items())
def test_rails_put_into_a_real_electrocardiogram_are_found(look, rails, n_at):
    values = (np.clip(ecg_codes(), *rails) * 5e-6) - 5.12e-3
    exact = {**SETTINGS, "saturation.rail_margin_fraction": 0.0, "saturation.rail_margin_counts": 0.0}
    detected = look(values, ECG_CHANNEL, exact)
    found = [round((level + 5.12e-3) / 5e-6) for level in rails_in(detected)]
    assert found == list(rails)
    assert n_marked(detected, "saturated") >= sum(n_at)
    assert n_marked(detected, "saturated") <= 1.05 * sum(n_at)


def test_a_real_electrocardiogram_has_no_rails(look):
    detected = look(ecg_codes() * 5e-6 - 5.12e-3, ECG_CHANNEL)
    assert rails_in(detected) == (None, None)
    assert n_marked(detected, "saturated") == 0


# ---- overdrive --------------------------------------------------------------------------------------------

# Clipped sine, rails at +-c: A / c -> share at both rails, b3 / b1, b5 / b1, b7 / b1 (closed forms).
CLIPPED = {
    1.01: (0.08966, 0.00116, -0.00113, 0.00107),
    1.05: (0.19725, 0.01160, -0.00988, 0.00763),
    1.10: (0.27356, 0.02883, -0.02083, 0.01179),
    1.2: (0.37286, 0.06490, -0.03317, 0.00635),
    1.5: (0.53544, 0.15004, -0.01667, -0.02461),
    2.0: (0.66667, 0.22633, 0.04527, -0.01617),
    5.0: (0.87181, 0.31565, 0.16919, 0.10094),
    10.0: (0.93623, 0.32889, 0.19207, 0.13167),
}


def turning(n: int = 30_000) -> np.ndarray:
    """A sine whose phase never repeats on the samples: 4.33 Hz at 250 Hz."""
    return np.sin(2 * np.pi * 7 * (math.sqrt(5) - 1) / 2 * np.arange(n) / 250)


@pytest.mark.parametrize(("ratio", "of"), CLIPPED.items())
def test_overdrive_and_harmonics_come_from_the_share_at_the_rails(ratio, of):
    wave = ratio * turning()
    drive = overdrive(Spans.of_mask(wave <= -1), Spans.of_mask(wave >= 1))
    assert drive.ratio == pytest.approx(ratio, rel=0.01 if ratio < 5 else 0.05)
    assert drive.harmonics[1::2][:3] == pytest.approx(np.abs(of[1:]), abs=2.5e-3)
    assert max(drive.harmonics[0::2]) < 5e-3  # no even ones where both sides are alike


# One rail alone, A / c -> share, second and fourth harmonic over c (closed forms).
@pytest.mark.parametrize(
    ("ratio", "share", "second", "fourth"),
    [(1.1, 0.13678, 0.01688, 0.01336), (2.0, 0.33333, 0.27566, 0.02757)],
)
def test_one_rail_alone_makes_even_harmonics(ratio, share, second, fourth):
    wave = ratio * turning()
    high = Spans.of_mask(wave >= 1)
    assert high.n_samples / len(wave) == pytest.approx(share, abs=1e-3)
    drive = overdrive(Spans(), high)
    assert drive.ratio == pytest.approx(ratio, rel=0.005)
    first = np.abs(np.fft.rfft(np.minimum(ratio * np.sin(2 * np.pi * np.arange(4096) / 4096), 1)))[1] / 2048
    assert drive.harmonics[0] * first == pytest.approx(second, abs=1e-3)
    assert drive.harmonics[2] * first == pytest.approx(fourth, abs=1e-3)


@pytest.mark.parametrize(
    ("ratio", "one_sided"),
    [*((ratio, False) for ratio in (1.1, 1.2, 1.5, 2.0, 5.0)), *((ratio, True) for ratio in (1.1, 1.5, 2.0))],
)
def test_overdrive_at_rails_that_nobody_stated(look, ratio, one_sided):
    wave = np.clip(0.1 * ratio * turning(), -0.29 if one_sided else -0.1, 0.1) + noise_of(6, 30_000, 1e-4)
    detected = look(wave)
    assert rails_in(detected) == (
        None if one_sided else pytest.approx(-0.1, abs=MARGIN),
        pytest.approx(0.1, abs=MARGIN),
    )
    assert value_of(detected, "overdrive") == pytest.approx(ratio, rel=0.05 if ratio < 5 else 0.2)
    text = findings_of(detected, "saturation", "fault")[0].explanation
    if ratio > 1.15:
        assert ("2nd harmonics" if one_sided else "3rd harmonics") in text
        assert "no harmonics of the mains" in text


def test_of_a_single_overload_no_overdrive_can_be_told(tmp_path):
    recording = record_wearing(tmp_path / "r.parquet", Wearing(), put(60, 62, 4095))
    detected = saturation.detect(evidence_of(recording), SETTINGS)
    assert value_of(detected, "overdrive") is None
    assert absent_of(detected, "overdrive") == "fewer than 3 whole cycles met a rail"


def test_overloads_that_come_irregularly_are_no_sine():
    starts = np.cumsum(np.random.default_rng(2).exponential(200, 60)).astype(np.int64)
    starts = starts[np.diff(starts, prepend=-99) > 30]
    assert "irregularly" in overdrive(Spans(), Spans(starts, starts + 20)).absent


# ---- slew -------------------------------------------------------------------------------------------------


def test_ramps_as_steep_as_the_amplifier_can_go(look):
    t = time_s()
    jumps = 0.15 * np.sign(np.sin(2 * np.pi * 0.11 * t)) * np.exp(-((t % 4.5454) / 1.0))
    driven = slewed(steps_of(t, 0.05) + jumps, 0.02) + noise_of(1, len(t), 3e-4)
    detected = look(driven)
    faults = findings_of(detected, "saturation", "fault")
    assert len(faults) > 10
    assert all("straight ramps" in fault.explanation for fault in faults)
    told = [float(fault.explanation.split(" V/s")[0].split()[-1]) for fault in faults]
    assert told == pytest.approx([0.02 * 250] * len(faults), rel=0.02)
    true = np.abs(np.diff(slewed(steps_of(t, 0.05) + jumps, 0.02))) > 0.0199
    assert n_marked(detected, "saturated") == pytest.approx(true.sum(), rel=0.2)


def test_what_the_amplifier_follows_is_no_ramp(look):
    t = time_s()
    jumps = 0.15 * np.sign(np.sin(2 * np.pi * 0.11 * t)) * np.exp(-((t % 4.5454) / 1.0))
    assert n_marked(look(steps_of(t, 0.05) + jumps + noise_of(1, len(t), 3e-4)), "saturated") == 0


# ---- recoveries -------------------------------------------------------------------------------------------


def recovering(corner_hz: float, n_sparks: int, hz: float = 250.0, moves: float = 0.01) -> np.ndarray:
    """Steps of the input far beyond the converter, each followed by the coupling's recovery."""
    t = time_s(300, hz)
    rng = np.random.default_rng(8)
    at = 300 * (np.arange(n_sparks) + 0.5) / n_sparks
    held = sum(rng.choice([-1, 1]) * 0.8 * (t >= one) for one in at)
    values = high_pass(held, corner_hz, 1 / hz) + moves * np.sin(2 * np.pi * 1.9 * t) * (t % 30 < 10)
    return np.asarray(values + noise_of(9, len(t), 3e-4))


@pytest.mark.parametrize("corner_hz", [0.05, 0.16, 0.5])
def test_the_time_constant_shows_in_recoveries(look, corner_hz):
    # First-order high-pass: tau = 1 / (2 pi f_c), 1 % is left after 4.605 tau (closed form).
    tau_s = 1 / (2 * np.pi * corner_hz)
    detected = look(recovering(corner_hz, 6), replace(FIELD, ac_corner_hz=None))
    found_s = value_of(detected, "settling_tau_s")
    uncertainty_s = value_of(detected, "settling_tau_uncertainty_s")
    assert found_s == pytest.approx(tau_s, rel=0.1)
    assert abs(found_s - tau_s) < 3 * uncertainty_s
    marked = detected.marks["settling"]
    assert ((marked.stop - marked.start) / 250).max() == pytest.approx(4.605 * found_s, abs=0.05)


def test_one_recovery_tells_nothing(look):
    detected = look(recovering(0.16, 1), replace(FIELD, ac_corner_hz=None))
    assert value_of(detected, "settling_tau_s") is None
    assert "it takes 2" in absent_of(detected, "settling_fraction")


def test_recoveries_under_movement_decide_nothing(look):
    values = recovering(0.16, 6) + steps_of(time_s(300), 0.25)
    detected = look(values, replace(FIELD, ac_corner_hz=None))
    assert value_of(detected, "settling_tau_s") == pytest.approx(1 / (2 * np.pi * 0.16), rel=0.1)


def test_recoveries_that_disagree_tell_nothing(look):
    t = time_s(300)
    values = noise_of(9, len(t), 3e-4)
    for k, tau_s in enumerate((0.2, 0.5, 1.3, 3.0, 0.3, 2.0)):
        since = t - 25 - 50 * k
        values += np.where(since >= 0, 0.8 * np.exp(-np.maximum(since, 0) / tau_s), 0.0)
    detected = look(values, replace(FIELD, ac_corner_hz=None))
    assert value_of(detected, "settling_tau_s") is None
    assert "disagree" in absent_of(detected, "settling_tau_s")
    assert n_marked(detected, "settling") == 0


def test_a_stated_corner_is_not_fitted(look):
    detected = look(recovering(0.5, 6), FIELD)
    assert absent_of(detected, "settling_tau_s") == "the layout states it"
    marked = detected.marks["settling"]
    assert ((marked.stop - marked.start) / 250).max() == pytest.approx(4.605 / (2 * np.pi * 0.16), abs=0.05)


# ---- many of them -----------------------------------------------------------------------------------------


def test_a_signal_that_clips_all_day_gives_a_short_list_and_all_of_the_marks(look):
    """Twelve minutes of a spark each two seconds: 360 stretches, of which the list counts the later ones."""
    t = time_s(720.0)
    values = noise_of(1, len(t), 1e-3 * SPAN)
    values[(t % 2 > 1.0) & (t % 2 < 1.1)] = SPAN
    detected = look(values)
    found = findings_of(detected, "saturation", "fault")
    assert len(found) == MOST_LISTED + 1
    last = found[-1]
    assert f"{360 - MOST_LISTED} more of this kind" in last.explanation
    assert (last.start_s, last.stop_s) == pytest.approx((2 * MOST_LISTED + 1.0, 719.1), abs=0.02)
    assert last.value == pytest.approx(0.1, abs=0.01)
    assert len(detected.marks["saturated"]) == 360
