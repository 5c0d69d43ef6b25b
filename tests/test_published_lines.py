"""Mains lines against published values: where they fold to, and how large they are."""

import math

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
    n_marked,
    recording_of,
    value_of,
)
from scipy import signal

from pipeline.detectors import lines, mains
from pipeline.detectors.lines import HARMONICS, Line, Spectra, Spectrum, find_mains, fold_hz, spectrum


def lines_in(made: Spectrum, nominal_hz: float, sample_hz: float, ratio: float) -> tuple[Line, ...]:
    return find_mains(Spectra(FIELD, sample_hz, made, made), nominal_hz, ratio, 1.0)


@pytest.fixture
def record(tmp_path):
    """Write one field channel from codes and open it."""
    return lambda channel, codes, hz: recording_of(tmp_path / "recording.parquet", [channel], [codes], hz)


def noise_of(seed: int, n: int, sd: float = 1.0) -> np.ndarray:
    return sd * np.random.default_rng(seed).standard_normal(n)


# ---- where lines fold to ----------------------------------------------------------------------------------

# |f - fs round(f / fs)| for harmonics 1 to 7 of 50 and of 60 Hz (sampling theorem; computed).
FOLDED = {
    50: ([0, 0, 0, 0, 0, 0, 0], [10, 20, 20, 10, 0, 10, 20]),
    64: ([14, 28, 22, 8, 6, 20, 30], [4, 8, 12, 16, 20, 24, 28]),
    100: ([50, 0, 50, 0, 50, 0, 50], [40, 20, 20, 40, 0, 40, 20]),
    125: ([50, 25, 25, 50, 0, 50, 25], [60, 5, 55, 10, 50, 15, 45]),
    128: ([50, 28, 22, 56, 6, 44, 34], [60, 8, 52, 16, 44, 24, 36]),
    200: ([50, 100, 50, 0, 50, 100, 50], [60, 80, 20, 40, 100, 40, 20]),
    250: ([50, 100, 100, 50, 0, 50, 100], [60, 120, 70, 10, 50, 110, 80]),
    256: ([50, 100, 106, 56, 6, 44, 94], [60, 120, 76, 16, 44, 104, 92]),
    400: ([50, 100, 150, 200, 150, 100, 50], [60, 120, 180, 160, 100, 40, 20]),
    500: ([50, 100, 150, 200, 250, 200, 150], [60, 120, 180, 240, 200, 140, 80]),
    512: ([50, 100, 150, 200, 250, 212, 162], [60, 120, 180, 240, 212, 152, 92]),
    1000: ([50, 100, 150, 200, 250, 300, 350], [60, 120, 180, 240, 300, 360, 420]),
}


@pytest.mark.parametrize("sample_hz", FOLDED)
@pytest.mark.parametrize(("row", "nominal_hz"), [(0, 50), (1, 60)])
def test_folding(sample_hz, row, nominal_hz):
    assert [fold_hz(nominal_hz * h, sample_hz) for h in range(1, 8)] == FOLDED[sample_hz][row]


@pytest.mark.parametrize("sample_hz", FOLDED)
@pytest.mark.parametrize("nominal_hz", [50, 60])
def test_a_folded_line_is_found_where_it_was_before_folding(record, sample_hz, nominal_hz):
    t = np.arange(40 * sample_hz) / sample_hz
    true_hz = nominal_hz * 1.0015
    wave = 0.01 * np.sin(2 * np.pi * true_hz * t) + noise_of(3, len(t), 0.002)
    recording = record(FIELD, counts_of(wave, FIELD), float(sample_hz))
    first = lines_in(spectrum(recording, "field"), nominal_hz, sample_hz, 5.0)[0]
    if FOLDED[sample_hz][nominal_hz == 60][0] in (0, sample_hz / 2):
        assert not first.assessable
        assert first.found_hz is None
        assert first.rms is None
    else:
        assert first.found_hz == pytest.approx(true_hz, abs=0.005)
        assert first.rms == pytest.approx(0.01 / math.sqrt(2), rel=0.03)


@pytest.mark.parametrize(
    ("sample_hz", "mains_hz"), [(50, 50), (100, 50), (110, 50), (110, 60), (60, 60), (120, 60)]
)
def test_mains_that_cannot_be_told_is_not_assessed(record, sample_hz, mains_hz):
    # The line folds to 0 Hz or half the rate, or 50 and 60 Hz to one place (110 Hz): no amplitude is claimed.
    t = np.arange(120 * sample_hz) / sample_hz
    wave = 0.1 * np.sin(2 * np.pi * 1.0001 * mains_hz * t + 1) + noise_of(4, len(t), 0.002)
    recording = record(FIELD, counts_of(wave, FIELD), float(sample_hz))
    detected = detected_in(recording, mains_hz)
    for measure in ("mains_fraction", "mains_rms_v", "mains_peak_v", "mains_to_movement", "mains_hz"):
        assert value_of(detected, measure) is None
        assert absent_of(detected, measure).startswith("not assessable: ")
        assert f"{sample_hz} Hz sampling" in absent_of(detected, measure)
    assert n_marked(detected, "mains") == 0
    assert [f.severity for f in findings_of(detected, "mains")] == ["note"]
    verdict = judged(detected, recording)
    assert verdict.name == "accept", verdict.sentence


def test_at_110_hz_the_reason_names_both_grids(record):
    recording = record(FIELD, counts_of(noise_of(5, 6600, 0.002), FIELD), 110.0)
    why = absent_of(detected_in(recording, 50), "mains_rms_v")
    assert "50 Hz and 60 Hz both fold to 50 Hz" in why


def test_a_harmonic_on_the_other_grids_line_is_not_claimed(record):
    # At 90 Hz both 60 Hz and the 3rd harmonic of 50 Hz fold to 30 Hz: the line is 60 Hz, for 50 is not there.
    t = np.arange(9000) / 90
    recording = record(
        FIELD, counts_of(0.02 * np.sin(2 * np.pi * 60 * t) + noise_of(6, 9000, 0.002), FIELD), 90.0
    )
    detected = detected_in(recording, 50)
    third = next(line for line in detected.lines if (line.nominal_hz, line.harmonic) == (50, 3))
    assert not third.assessable
    assert "150 Hz falls on 60 Hz, both at 30 Hz" in third.why
    assert value_of(detected, "mains_hz") == pytest.approx(60.0, abs=0.01)
    assert [f.value for f in findings_of(detected, "mains", "warning")] == [pytest.approx(60.0, abs=0.01)]


# ---- how large a line is ----------------------------------------------------------------------------------


@pytest.mark.parametrize(("sample_hz", "mains_hz"), [(250, 50), (125, 50), (360, 60), (128, 60), (500, 50)])
def test_amplitude_in_windows_reaches_the_bound(record, sample_hz, mains_hz):
    # Cramer-Rao bound for a sinusoid in white noise: sd A = sqrt(2 / N) sigma (Rife and Boorstyn, IEEE Trans.
    # IT-20:591, 1974; real form from memory), N the samples of 10 or 12 cycles (IEC 61000-4-30).
    amplitude, sigma = 0.02, 0.002
    t = np.arange(120 * sample_hz) / sample_hz
    wave = amplitude * np.sin(2 * np.pi * mains_hz * t + 0.3) + noise_of(7, len(t), sigma)
    evidence = evidence_of(record(FIELD, counts_of(wave, FIELD), float(sample_hz)), mains_hz)
    peaks = evidence.tracks.field["field"].mains_peak
    n = evidence.tracks.n_fast
    assert n == round(0.2 * sample_hz)
    bound = math.sqrt(2 / n) * sigma
    assert 0.85 * bound < peaks.std() < 1.2 * bound
    # Harmonics found in noise add their power: at most the mean of |noise|^2 over 2 A for each of five lines.
    assert peaks.mean() == pytest.approx(
        amplitude, abs=5 * bound**2 / amplitude + 4 * bound / math.sqrt(len(peaks))
    )
    detected = mains.detect(evidence, SETTINGS)
    assert value_of(detected, "mains_rms_v") == pytest.approx(amplitude / math.sqrt(2), rel=0.01)
    assert value_of(detected, "mains_fraction") == 0


@pytest.mark.parametrize("sample_hz", [125, 250])
@pytest.mark.parametrize("true_hz", [49.5, 49.6, 50.0, 50.4, 50.5])
def test_lines_off_nominal_are_followed(record, sample_hz, true_hz):
    # EN 50160: 50 Hz +-1 % for 99.5 % of a year (read in a meter's manual).
    t = np.arange(60 * sample_hz) / sample_hz
    wave = 0.03 * np.sin(2 * np.pi * true_hz * t) + noise_of(8, len(t), 0.002)
    detected = detected_in(record(FIELD, counts_of(wave, FIELD), float(sample_hz)))
    assert value_of(detected, "mains_hz") == pytest.approx(true_hz, abs=0.01)
    assert value_of(detected, "mains_rms_v") == pytest.approx(0.03 / math.sqrt(2), rel=0.01)
    assert n_marked(detected, "mains") > 0.99 * len(t)  # 0.03 V peak is 5 % of the range


def test_windows_above_the_limit_are_those_with_the_line(record):
    # 4 % of the range of 0.6 V is 24 mV peak: 20 mV stays below it, 30 mV from 20 to 40 s does not.
    t = np.arange(60 * 250) / 250
    amplitude = np.where((t >= 20) & (t < 40), 0.03, 0.02)
    wave = amplitude * np.sin(2 * np.pi * 50 * t) + noise_of(9, len(t), 0.001)
    detected = detected_in(record(FIELD, counts_of(wave, FIELD), 250.0))
    assert detected.marks["mains"].start.tolist() == [5000]
    assert detected.marks["mains"].stop.tolist() == [10000]
    assert value_of(detected, "mains_fraction") == pytest.approx(1 / 3, abs=0.004)
    assert value_of(detected, "mains_peak_v") == pytest.approx(0.03, rel=0.03)


def gait(t: np.ndarray, step_hz: float, amplitude: float, seed: int) -> np.ndarray:
    """Steps with harmonics; the cadence wanders by 3 % (MacDougall and Moore 2005: 2.00 Hz, SD 0.13)."""
    hz = 1 / (t[1] - t[0])
    n = len(t)
    wander = np.interp(
        t, np.arange(0, t[-1] + 2, 2.0), 0.03 * noise_of(seed, len(np.arange(0, t[-1] + 2, 2.0)))
    )
    phase = 2 * np.pi * np.cumsum(step_hz * (1 + wander)) / hz
    assert len(phase) == n
    return amplitude * (np.sin(phase) + 0.5 * np.sin(2 * phase + 1) + 0.25 * np.sin(3 * phase + 2))


@pytest.mark.parametrize("step_hz", [1.6, 1.94, 2.3])
def test_60_hz_that_folds_into_gait_is_told_from_it(record, step_hz):
    # At 64 Hz, 60 Hz appears at 4 Hz, among the harmonics of steps at 1.2 to 2.3 Hz.
    t = np.arange(180 * 64) / 64
    wave = 0.03 * np.sin(2 * np.pi * 60.01 * t) + gait(t, step_hz, 0.03, 1) + noise_of(10, len(t), 0.002)
    detected = detected_in(record(FIELD, counts_of(wave, FIELD), 64.0), 60)
    assert value_of(detected, "mains_hz") == pytest.approx(60.01, abs=0.02)
    assert detected.lines[0].rms == pytest.approx(0.03 / math.sqrt(2), rel=0.1)
    assert value_of(detected, "mains_rms_v") == pytest.approx(0.03 / math.sqrt(2), rel=0.15)


@pytest.mark.parametrize("step_hz", [1.6, 1.94, 2.0, 2.3])
def test_gait_alone_is_not_taken_for_mains(record, step_hz):
    t = np.arange(180 * 64) / 64
    wave = gait(t, step_hz, 0.03, 2) + noise_of(11, len(t), 0.002)
    detected = detected_in(record(FIELD, counts_of(wave, FIELD), 64.0), 60)
    assert n_marked(detected, "mains") < 0.02 * len(t)
    assert findings_of(detected, "mains", "warning") == []


@pytest.mark.parametrize(("movement_v", "least"), [(0.02, 0.75), (0.04, 0.3)])
def test_a_folded_line_is_not_mixed_with_the_movement_beside_it(record, movement_v, least):
    # Movement fills 0.5 to 10 Hz; the line at 4 Hz has 12 mV peak. Taken with what lies there, it would
    # measure 14 and 46 % too large (power in a Hann window of 3 s); too small it may be.
    t = np.arange(300 * 64) / 64
    band = signal.butter(2, (0.5, 10.0), "bandpass", fs=64.0, output="sos")
    movement = signal.sosfilt(band, noise_of(13, len(t)))
    wave = 0.012 * np.sin(2 * np.pi * 60 * t) + movement_v * movement / movement.std()
    detected = detected_in(record(FIELD, counts_of(wave, FIELD), 64.0), 60)
    assert value_of(detected, "mains_hz") == pytest.approx(60.0, abs=0.02)
    assert detected.lines[0].rms == pytest.approx(0.012 / math.sqrt(2), rel=0.1)
    assert least < value_of(detected, "mains_rms_v") / (0.012 / math.sqrt(2)) < 1.05


@pytest.mark.parametrize(("weak_v", "named"), [(0.002, False), (0.02, True)])
def test_only_a_stronger_line_of_the_other_grid_contradicts_the_study(record, weak_v, named):
    t = np.arange(60 * 250) / 250
    wave = (
        0.01 * np.sin(2 * np.pi * 50 * t) + weak_v * np.sin(2 * np.pi * 60 * t) + noise_of(14, len(t), 0.001)
    )
    detected = detected_in(record(FIELD, counts_of(wave, FIELD), 250.0))
    assert bool(findings_of(detected, "mains", "warning")) == named


@pytest.mark.parametrize(("seconds", "n_seeds"), [(1, 300), (5, 300), (20, 200), (120, 60)])
def test_noise_makes_no_lines(seconds, n_seeds):
    # 1e-4 for each line, ten lines: fewer than one recording in a thousand; 3 of 860 is unlikely.
    found = 0
    for seed in range(n_seeds):
        noise = noise_of(1000 + seed, seconds * 250)
        made = spectrum(_InMemory(noise, 250.0), "field")  # type: ignore[arg-type]
        looked_for = [line for hz in (50, 60) for line in lines_in(made, hz, 250.0, 0.0)]
        assert len(looked_for) == 2 * len(HARMONICS)
        found += any(line.rms is not None for line in looked_for)
    assert found <= 2


@pytest.mark.parametrize("seconds", [16, 60])
def test_the_chance_of_a_line_in_noise_is_what_it_is_said_to_be(monkeypatch, seconds):
    # At 2 % for each line, of 600 lines 12 are expected; the bound for many bins lies on the safe side.
    monkeypatch.setattr(lines, "CHANCE", 0.02)
    found = 0
    for seed in range(300):
        made = spectrum(_InMemory(noise_of(5000 + seed, seconds * 250), 250.0), "field")  # type: ignore[arg-type]
        firsts = [lines_in(made, hz, 250.0, 0.0)[0] for hz in (50, 60)]
        found += sum(line.rms is not None for line in firsts)
    assert 1 <= found <= 20


def test_a_weak_line_is_found_in_noise():
    # 0.1 sigma in 300 s at 250 Hz is 40 times the density beside it: A^2 T fs / (6 sigma^2), T = 64 s.
    t = np.arange(300 * 250) / 250
    hits = 0
    for seed in range(20):
        wave = 0.1 * np.sin(2 * np.pi * 49.97 * t) + noise_of(seed, len(t))
        made = spectrum(_InMemory(wave, 250.0), "field")  # type: ignore[arg-type]
        line = lines_in(made, 50, 250.0, 5.0)[0]
        hits += line.found_hz is not None and abs(line.found_hz - 49.97) < 0.01
    assert hits == 20


class _InMemory:
    """A recording that stands in memory, for spectra of many seeds."""

    def __init__(self, values: np.ndarray, sample_hz: float) -> None:
        self.sample_hz, self.n_rows, self.duration_s = sample_hz, len(values), len(values) / sample_hz
        self._values = values

    def blocks(self, names):
        yield type("Block", (), {"columns": dict.fromkeys(names, self._values)})
