"""Lines told from noise and from steps, and how exactly they are measured, against published values.

Steps are invented; their pace wanders by 3 % (MacDougall and Moore 2005: 2.00 Hz, SD 0.13) where nothing else
is said.
"""

import math
from dataclasses import dataclass

import numpy as np
import pytest
from make import (
    FIELD,
    absent_of,
    acceleration_axes,
    counts_of,
    detected_in,
    findings_of,
    n_marked,
    recording_of,
    value_of,
)
from scipy import stats
from test_published_lines import gait, noise_of
from wheels import ecg_codes

from pipeline.detectors.line_coherence import LookedFor, measure_lines
from pipeline.detectors.line_frequency import amplitude_bound, frequency_bound_hz
from pipeline.detectors.line_test import critical_f, line_f
from pipeline.detectors.lines import Line, Spectra, spectrum


@dataclass
class InMemory:
    """A recording that stands in memory."""

    values: np.ndarray
    sample_hz: float

    @property
    def n_rows(self) -> int:
        return len(self.values)

    @property
    def duration_s(self) -> float:
        return len(self.values) / self.sample_hz

    def blocks(self, names):
        for start in range(0, len(self.values), 50_000):
            columns = dict.fromkeys(names, self.values[start : start + 50_000])
            yield type("Block", (), {"start": start, "columns": columns})


def lines_of(values: np.ndarray, sample_hz: float, nominal_hz: float = 50.0) -> tuple[Line, ...]:
    """The line of one grid and its harmonics, without an accelerometer."""
    recording = InMemory(values, sample_hz)
    spectra = Spectra(FIELD, sample_hz, spectrum(recording, "field"), None)  # type: ignore[arg-type]
    wanted = LookedFor((nominal_hz, 110.0 - nominal_hz), 5.0, 1.0)
    return measure_lines(recording, spectra, wanted, None)[0].lines  # type: ignore[arg-type]


@pytest.fixture
def detect(tmp_path):
    """What is detected in a field, and in the accelerometer beside it where there is one."""

    def run(field_v, sample_hz, mains_hz=60, acceleration=None):
        axes = () if acceleration is None else acceleration_axes(sample_hz)
        counts = [counts_of(one, axis) for one, axis in zip(acceleration or (), axes, strict=bool(axes))]
        recording = recording_of(
            tmp_path / "r.parquet", [FIELD, *axes], [counts_of(field_v, FIELD), *counts], sample_hz
        )
        return detected_in(recording, mains_hz)

    return run


# ---- whether a line is there -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("n_tapers", "critical"),
    [
        (3, (6.944, 18.000, 61.246)), (5, (4.459, 8.649, 18.494)),
        (7, (3.885, 6.927, 12.974)), (9, (3.634, 6.226, 10.971)),
    ],
)  # fmt: skip
def test_critical_values(n_tapers, critical):
    # F(2, 2K - 2) at .05, .01, .001 (Thomson, Proc. IEEE 70:1055, 1982; closed form computed).
    found = [critical_f(p, n_tapers) for p in (0.05, 0.01, 0.001)]
    assert found == pytest.approx(critical, abs=6e-4)
    assert critical_f(0.01, n_tapers, 1) == pytest.approx(stats.f.isf(0.01, 2, 2 * n_tapers - 2))


@pytest.mark.parametrize("n_segments", [1, 5])
def test_false_alarms_of_the_test_on_white_noise(n_segments):
    # N = 1000, NW = 4, K = 7 (Thomson 1982): a share p of independent frequencies passes, within the limits
    # of 99.9 % of binomial counts.
    rng, offsets = np.random.default_rng(1), np.arange(20, 490, 9) / 1000
    n_runs = 150 if n_segments == 1 else 40
    f = np.array([line_f(rng.standard_normal((n_segments, 1000)), offsets) for _ in range(n_runs)])
    for p in (0.01, 0.001):
        n_alarms = int((f > critical_f(p, n_segments=n_segments)).sum())
        low, high = stats.binom.interval(0.999, f.size, p)
        assert low <= n_alarms <= high, (p, n_alarms, f.size)


@pytest.mark.parametrize(("amplitude", "share"), [(0.1, 0.03), (0.15, 0.12), (0.2, 0.36), (0.3, 0.89)])
def test_lines_that_the_test_finds(amplitude, share):
    # Shares found at p = .001 on a bin-centred line in unit noise, N = 1000, NW = 4, K = 7 (computed with
    # another program, 400 runs).
    rng, t = np.random.default_rng(2), np.arange(1000)
    wave = amplitude * np.cos(2 * np.pi * 0.2 * t + 0.5)
    f = [line_f((wave + rng.standard_normal(1000))[None], np.array([0.2]))[0] for _ in range(200)]
    found = float(np.mean(np.array(f) > critical_f(0.001)))
    assert found == pytest.approx(share, abs=3.3 * math.sqrt(share * (1 - share) * 3 / 400))


@pytest.mark.parametrize("seconds", [5, 20, 120])
def test_noise_makes_no_line_that_keeps_its_phase(seconds):
    found = sum(
        line.rms is not None
        for seed in range(40)
        for line in lines_of(noise_of(7000 + seed, seconds * 250), 250.0)
    )
    assert found <= 1  # 200 lines, 1e-4 each


# ---- how exactly it is measured ----------------------------------------------------------------------------


def test_bounds():
    # Rife and Boorstyn, IEEE Trans. IT-20:591, 1974 (real form from memory): A = sigma, 250 Hz, N = 2500.
    density = 2 / 250.0
    assert frequency_bound_hz(1.0, density, 10.0) == pytest.approx(1.5594e-3, rel=1e-4)
    assert frequency_bound_hz(0.1, density, 10.0) == pytest.approx(15.6e-3, rel=1e-3)
    assert frequency_bound_hz(1.0, density, 1.0) == pytest.approx(49.3e-3, rel=1e-3)
    assert amplitude_bound(density, 10.0) == pytest.approx(0.028284, rel=1e-4)
    assert frequency_bound_hz(0.156, density, 10.0) == pytest.approx(10e-3, rel=2e-3)


@pytest.mark.parametrize(
    ("sample_hz", "n", "true_hz", "amplitude"),
    [
        (250, 2500, 50.013, 1.0),
        (250, 2500, 50.013, 0.3),
        (250, 15000, 50.013, 0.3),
        (64, 3840, 50.02, 0.5),
        (90, 1800, 59.99, 0.7),
        (128, 5120, 60.01, 0.3),
        (1000, 10000, 49.98, 0.3),
    ],
)
def test_frequency_and_amplitude_reach_the_bound(sample_hz, n, true_hz, amplitude):
    # Standard deviation within 1.15 of the Cramer-Rao bound (Rife and Boorstyn 1974), folded lines among
    # them; and what is said of the uncertainty is what it is.
    t, rng = np.arange(n) / sample_hz, np.random.default_rng(n)
    nominal_hz = 50.0 if true_hz < 55 else 60.0
    found = []
    for _ in range(120):
        wave = amplitude * np.cos(2 * np.pi * true_hz * t + rng.uniform(0, 2 * np.pi))
        found.append(lines_of(wave + rng.standard_normal(n), float(sample_hz), nominal_hz)[0])
    assert all(line.found_hz is not None for line in found)
    hz = np.array([line.found_hz for line in found])
    peak = math.sqrt(2) * np.array([line.rms for line in found])
    bound_hz = sample_hz / (2 * np.pi) * math.sqrt(24 / (amplitude**2 * n * (n**2 - 1)))
    assert hz.std() <= 1.15 * bound_hz
    assert hz.mean() == pytest.approx(true_hz, abs=4 * bound_hz / math.sqrt(120))
    assert peak.std() <= 1.15 * math.sqrt(2 / n)
    said_hz = np.sqrt(np.mean([line.found_uncertainty_hz**2 for line in found]))
    assert 0.85 < said_hz / hz.std() < 1.3
    said = math.sqrt(2) * np.mean([line.rms_uncertainty for line in found])
    assert 0.85 < said / peak.std() < 1.25


def wandering(t: np.ndarray, mean_hz: float, sd_hz: float, seed: int, order: int = 1) -> np.ndarray:
    """A line whose frequency wanders from one 10 s to the next about its mean."""
    knots_s = np.arange(0, t[-1] + 10, 10.0)
    away = sd_hz * noise_of(seed, len(knots_s))
    hz = np.interp(t, knots_s, away)
    phase = 2 * np.pi * np.cumsum(mean_hz + hz - hz.mean()) * (t[1] - t[0])
    return np.sin(order * phase)


@pytest.mark.parametrize("sample_hz", [64, 100, 125, 250, 1000])
@pytest.mark.parametrize("sd_hz", [0.003, 0.03])
def test_a_wandering_line_is_followed_with_its_harmonics(sample_hz, sd_hz):
    # EN 50160 lets mains wander; harmonics at 5 % are its limits (read in a meter's manual).
    t = np.arange(300 * sample_hz) / sample_hz
    wave = wandering(t, 60.03, sd_hz, 3) + 0.05 * wandering(t, 60.03, sd_hz, 3, 3)
    first, _, third, *_ = lines_of(wave + noise_of(4, len(t), 0.3), float(sample_hz), 60.0)
    assert first.found_hz == pytest.approx(60.03, abs=3 * first.found_uncertainty_hz)
    assert first.found_uncertainty_hz < 0.2 * sd_hz + 1e-4
    assert first.rms == pytest.approx(1 / math.sqrt(2), rel=0.02)
    if sample_hz == 100:  # where 120 and 180 Hz fall on one place
        assert not third.assessable
    elif sample_hz > 64:
        assert third.found_hz == pytest.approx(180.09, abs=0.02)
        assert third.rms == pytest.approx(0.05 / math.sqrt(2), rel=0.1)


def test_measures_carry_their_uncertainty(detect):
    t = np.arange(120 * 250) / 250
    detected = detect(0.01 * np.sin(2 * np.pi * 49.98 * t) + noise_of(1, len(t), 0.002), 250.0, 50)
    hz, uncertainty_hz = (value_of(detected, name) for name in ("mains_hz", "mains_hz_uncertainty_hz"))
    assert hz == pytest.approx(49.98, abs=4 * uncertainty_hz)
    # A = 5 sigma in 120 s: fs / (2 pi) sqrt(24 / (A^2 N^3)).
    assert uncertainty_hz == pytest.approx(250 / (2 * np.pi) * math.sqrt(24 / (25 * 30000**3)), rel=0.25)
    rms, uncertainty = (value_of(detected, name) for name in ("mains_rms_v", "mains_rms_uncertainty_v"))
    assert rms == pytest.approx(0.01 / math.sqrt(2), abs=0.005 * 0.01 + 4 * uncertainty)
    assert uncertainty < 0.01 * rms
    line = detected.lines[0]
    assert line.found_uncertainty_hz == uncertainty_hz
    assert 0 < line.rms_uncertainty < 0.01 * line.rms


@pytest.mark.parametrize("every", [1, 2, 4, 5])
def test_mains_of_a_real_recording_at_four_rates(every):
    # Record 208 of the MIT-BIH Arrhythmia Database (see wheels), 360 Hz, and every 2nd, 4th and 5th sample
    # without a filter: mains at 59.986 Hz, 11 to 14 uV in pieces of 10 s (Hann, another program). At 72 Hz
    # it folds to 12.0 Hz, into what the heart makes: found or not, nothing else may be named.
    millivolt = (ecg_codes()[::every] - 1024) / 200
    first = lines_of(millivolt, 360.0 / every, 60.0)[0]
    if every == 5 and first.found_hz is None:
        return
    assert first.found_hz == pytest.approx(59.986, abs=0.05 if every == 5 else 0.01)
    assert 5e-4 < first.found_uncertainty_hz < 0.01
    if every < 5:
        assert 0.011 < first.rms * math.sqrt(2) < 0.0145
        assert all(line.rms is None for line in lines_of(millivolt, 360.0 / every, 50.0))


# ---- mains and steps at one place --------------------------------------------------------------------------


def even(t: np.ndarray, step_hz: float, amplitude: float) -> np.ndarray:
    """Steps as even as a metronome."""
    phase = 2 * np.pi * step_hz * t
    return amplitude * (np.sin(phase) + 0.5 * np.sin(2 * phase + 1) + 0.25 * np.sin(3 * phase + 2))


def sweeping(t: np.ndarray, amplitude: float) -> np.ndarray:
    """Steps that go from 1.6 to 2.4 a second and back, over the folded line twice."""
    hz = 2.0 - 0.4 * np.cos(2 * np.pi * t / t[-1])
    phase = 2 * np.pi * np.cumsum(hz) * (t[1] - t[0])
    return amplitude * (np.sin(phase) + 0.5 * np.sin(2 * phase + 1) + 0.25 * np.sin(3 * phase + 2))


def felt(t: np.ndarray, steps: np.ndarray, still: np.ndarray) -> list[np.ndarray]:
    """What an accelerometer feels of steps, in m/s2."""
    noise = np.random.default_rng(8).standard_normal((3, len(t)))
    return [60 * steps * ~still + 0.02 * one + 9.8 * (i == 2) for i, one in enumerate(noise)]


STEPS = {
    "even": lambda t: even(t, 2.0, 0.03),
    "nearly": lambda t: even(t, 2.003, 0.03),
    "wandering": lambda t: gait(t, 2.0, 0.03, 2),
    "sweeping": lambda t: sweeping(t, 0.03),
}


@pytest.mark.parametrize("steps", STEPS)
@pytest.mark.parametrize("accelerometer", [False, True])
def test_steps_on_a_folded_line_are_no_mains(detect, steps, accelerometer):
    # At 64 Hz, 60 Hz folds to 4 Hz, twice 2.0 steps a second; the wearer is still in the first 40 s.
    t = np.arange(200 * 64) / 64
    still = t < 40
    walk = STEPS[steps](t) * ~still
    acceleration = felt(t, walk, still) if accelerometer else None
    detected = detect(walk + noise_of(11, len(t), 0.001), 64.0, 60, acceleration)
    assert n_marked(detected, "mains") == 0
    assert value_of(detected, "mains_hz") is None
    assert absent_of(detected, "mains_rms_v")
    assert findings_of(detected, "mains", "warning") == findings_of(detected, "mains", "fault") == []


@pytest.mark.parametrize("steps", STEPS)
@pytest.mark.parametrize("accelerometer", [False, True])
def test_mains_is_found_under_steps_that_share_its_place(detect, steps, accelerometer):
    t = np.arange(200 * 64) / 64
    still = t < 40
    walk = STEPS[steps](t) * ~still
    acceleration = felt(t, walk, still) if accelerometer else None
    mains = 0.045 * wandering(t, 60.02, 0.01, 5)
    detected = detect(walk + mains + noise_of(12, len(t), 0.001), 64.0, 60, acceleration)
    if value_of(detected, "mains_hz") is None:
        # Even steps beside mains: without an accelerometer nothing tells, and that is said.
        assert not accelerometer
        assert steps in ("even", "nearly")
        assert "keeps its phase" in absent_of(detected, "mains_rms_v")
        return
    assert value_of(detected, "mains_hz") == pytest.approx(60.02, abs=0.02)
    assert value_of(detected, "mains_rms_v") == pytest.approx(0.045 / math.sqrt(2), rel=0.15)
    # 45 mV is 7.5 % of the range; where steps keep their phase as well, only stillness is sure.
    assert n_marked(detected, "mains") > (0.3 if steps in ("even", "nearly") else 0.6) * len(t)


@pytest.mark.parametrize(("line_v", "share"), [(0.012, 0.0), (0.03, 1.0)])
def test_jolts_astride_two_windows_do_not_lift_mains_above_its_limit(detect, line_v, share):
    # At 64 Hz, 50 Hz folds to 14 Hz, and a window has 13 samples; the limit is 24 mV.
    rng = np.random.default_rng(3)
    t = np.arange(240 * 64) / 64
    edges_s = (13 * np.arange(2, 1180, 4) + rng.uniform(-1, 1, 295)) / 64
    jolts = sum(
        size * np.exp(-(((t - at_s) / 0.02) ** 2))
        for at_s, size in zip(edges_s, 0.1 * rng.choice([-1, 1], 295), strict=True)
    )
    detected = detect(jolts + line_v * wandering(t, 50.02, 0.01, 5) + noise_of(4, len(t), 2e-4), 64.0, 50)
    assert n_marked(detected, "mains") / len(t) == pytest.approx(share, abs=0.02)
    assert len(findings_of(detected, "mains", "fault")) == round(share)


@pytest.mark.parametrize("seed", range(4))
def test_few_jolts_are_no_line_of_the_other_grid(detect, seed):
    rng = np.random.default_rng(seed)
    t = np.arange(240 * 64) / 64
    field = noise_of(seed, len(t), 2e-4) + 0.002 * wandering(t, 50.02, 0.01, 5)
    for at_s in rng.uniform(100, 110, 12):
        field += 0.2 * rng.choice([-1, 1]) * np.exp(-np.maximum(t - at_s, 0) / 0.1) * (t >= at_s)
    still = np.ones(len(t), bool)
    detected = detect(field, 64.0, 50, felt(t, np.zeros(len(t)), still))
    assert n_marked(detected, "mains") == 0
    assert findings_of(detected, "mains", "warning") == []


@pytest.mark.parametrize(("nominal_hz", "other_hz"), [(50, 60), (60, 50)])
def test_at_55_hz_the_grids_cannot_be_told_apart(detect, nominal_hz, other_hz):
    t = np.arange(120 * 55) / 55
    detected = detect(0.03 * np.sin(2 * np.pi * 50.01 * t) + noise_of(1, len(t), 0.001), 55.0, nominal_hz)
    assert value_of(detected, "mains_hz") is None
    assert "50 Hz and 60 Hz both fold to 5 Hz" in absent_of(detected, "mains_hz")


# ---- mains in the band of movement -------------------------------------------------------------------------


def test_mains_outside_the_band_of_movement_needs_no_notch(detect):
    t = np.arange(120 * 250) / 250
    detected = detect(even(t, 1.9, 0.05) + 0.03 * np.sin(2 * np.pi * 50 * t), 250.0, 50)
    assert value_of(detected, "mains_in_movement_v") == value_of(detected, "mains_notch_fraction") == 0.0
    (fault,) = findings_of(detected, "mains", "fault")
    assert "None of it folds into the movement band" in fault.explanation


@pytest.mark.parametrize(("step_hz", "saved"), [(1.7, True), (1.99, False)])
def test_whether_a_notch_could_save_the_movement(detect, step_hz, saved):
    # 60 Hz at 64 Hz stands at 4 Hz: between multiples of 1.7 steps a second (3.4 and 5.1), on one of 1.99.
    t = np.arange(240 * 64) / 64
    still = t < 60
    walk = gait(t, step_hz, 0.03, 7) * ~still
    field = walk + 0.012 * np.sin(2 * np.pi * 60.0 * t) + noise_of(3, len(t), 0.001)
    detected = detect(field, 64.0, 60, felt(t, walk, still))
    assert value_of(detected, "mains_in_movement_v") == pytest.approx(0.012 / math.sqrt(2), rel=0.1)
    (finding,) = [f for f in findings_of(detected, "mains") if f.measure == "mains_in_movement_v"]
    assert finding.severity == ("note" if saved else "warning")
    taken = value_of(detected, "mains_notch_fraction")
    if saved:
        assert 0 < taken < 0.1
        assert "a notch there of" in finding.explanation
    else:
        assert taken is None
        assert "sits on the cadence's 2-fold" in absent_of(detected, "mains_notch_fraction")


# ---- clipping ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("always", [True, False])
def test_harmonics_of_a_clipped_line_are_not_the_mains_own(detect, always):
    # A sine of twice the rail has a third harmonic of a fifth of its fundamental (Fourier series of a clipped
    # sine: 0.2068 / 1.2180; computed).
    t = np.arange(60 * 500) / 500
    size = np.where(always | (t > 30), 0.6, 0.05)
    wave = size * np.sin(2 * np.pi * 50.02 * t) + noise_of(2, len(t), 0.001)
    detected = detect(wave, 500.0, 50)
    first, _, third, *_ = detected.lines
    assert first.rms is not None
    assert third.rms is None
    assert "a clipped line has harmonics of its own" in third.why


def test_harmonics_away_from_the_rails_are_the_mains_own(detect):
    t = np.arange(60 * 500) / 500
    wave = 0.1 * np.sin(2 * np.pi * 50.02 * t) + 0.005 * np.sin(2 * np.pi * 150.06 * t + 1)
    detected = detect(wave + noise_of(2, len(t), 0.001), 500.0, 50)
    assert detected.lines[2].rms == pytest.approx(0.005 / math.sqrt(2), rel=0.03)
