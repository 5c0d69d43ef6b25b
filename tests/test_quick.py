"""Steps and lines told within two cycles of mains: worked values."""

import numpy as np
import pytest

from pipeline.detectors.linefit import fit_for
from pipeline.detectors.lines import Line
from pipeline.detectors.quick import Quick, leak_of
from pipeline.layouts import Channel

HZ = 250.0
CHANNEL = Channel("field", "field", "V", 1e-3, -0.5, HZ, 0, 999)


def quick(hz: float = HZ, folded_hz: float = 50.0) -> Quick:
    line = Line("field", 50.0, 1, folded_hz, True, found_hz=50.0, rms=0.1)
    return Quick(fit_for((line,), CHANNEL, hz, round(0.2 * hz)), line, hz)


def wave(n: int, peak: float, hz: float = HZ) -> np.ndarray:
    return peak * np.sin(2 * np.pi * 50 * np.arange(n) / hz + 0.3)


def test_a_line_makes_no_step_and_a_step_no_line():
    n = 500
    step = np.where(np.arange(n) < 262, 0.0, 0.4)
    steps, peaks = quick().take(wave(n, 0.02) + step)
    assert peaks == pytest.approx(np.full(10, 0.02), rel=1e-6)
    assert steps[5] == pytest.approx(0.4, rel=1e-6)
    assert np.delete(steps, 5) == pytest.approx(np.zeros(9), abs=1e-9)


def test_in_parts_as_in_one_piece():
    rng = np.random.default_rng(1)
    value = wave(1000, 0.02) + np.cumsum(rng.normal(0, 1e-3, 1000))
    whole, parted = quick(), quick()
    pieces = [parted.take(value[at : at + 250]) for at in range(0, 1000, 250)]
    for i, track in enumerate(whole.take(value)):
        assert np.concatenate([piece[i] for piece in pieces]) == pytest.approx(track)


def test_what_a_mean_leaves_of_a_line():
    """The step of two means of n samples: 2 sin^2(n w / 2) / (n sin(w / 2))."""
    assert leak_of(2 * np.pi * 50 / 250, 5) == pytest.approx(0, abs=1e-12)
    turn = 2 * np.pi * 50 / 128
    steps, _ = quick(128.0).take(wave(1280, 1.0, 128.0))
    assert steps.max() == pytest.approx(leak_of(turn, 3), rel=0.02)


def test_lost_samples_are_no_step_and_have_no_peak():
    value = np.full(500, 0.3)
    value[100:140] = np.nan
    value[:3] = np.nan
    steps, peaks = quick().take(value)
    assert steps == pytest.approx(np.zeros(10))
    assert np.isnan(peaks[2])
    assert quick().take(np.full(100, np.nan))[0] == pytest.approx(np.zeros(2))
