"""Noise behind a rail: the amplifier's own stops there (common practice, no source)."""

from pathlib import Path

import numpy as np
import pytest
from make import recording_of

from pipeline.detectors.rail_noise import noise_share
from pipeline.detectors.rails import Rails
from pipeline.detectors.soft_rails import find_soft_rails
from pipeline.detectors.visits import Band
from pipeline.layouts import Channel

HZ, N = 200.0, 12_000
CHANNEL = Channel("field", "field", "V", 1e-6, -0.5, HZ, 0, 999_999, ac_corner_hz=0.05)
NOISE_V, CONVERTER_V = 2e-4, 5e-5


def signal(rng: np.random.Generator, clips: bool) -> np.ndarray:
    """Steps down to a level three times, the last of them for 4 s: cut there, or come to rest there."""
    t = np.arange(N) / HZ
    volts = 0.1 * np.sin(2 * np.pi * 0.9 * t)
    for start_s, stop_s in ((12.0, 12.6), (30.0, 30.9), (50.0, 54.0)):
        volts[(t >= start_s) & (t < stop_s)] = -0.3 if clips else -0.2
    volts += NOISE_V * rng.standard_normal(N)
    if clips:
        volts = np.maximum(volts, -0.2)
    return volts + CONVERTER_V * rng.standard_normal(N)


def recorded(folder: Path, volts: np.ndarray):
    codes = np.rint((volts - CHANNEL.offset) / CHANNEL.scale).astype(np.int64)
    return recording_of(folder / "r.parquet", (CHANNEL,), [codes], HZ)


@pytest.mark.parametrize(("clips", "low", "high"), [(True, 0.15, 0.4), (False, 0.9, 1.3)])
def test_noise_where_values_pile_up(tmp_path, clips, low, high):
    """The converter's 0.05 mV alone over the root of both squares, 0.206 mV: 0.24; else all of it: 1.

    Somewhat more, since the quiet fifth of all windows is what it is held against.
    """
    recording = recorded(tmp_path, signal(np.random.default_rng(5), clips))
    assert low < noise_share(recording, CHANNEL, Band(-1, -0.2012, 0.003)) < high


def test_a_level_with_the_noise_of_everywhere_is_no_rail(tmp_path):
    rails = Rails(CHANNEL.adc_low, CHANNEL.adc_high)
    for seed in range(5):
        rng = np.random.default_rng(seed)
        cut = find_soft_rails(recorded(tmp_path, signal(rng, True)), CHANNEL, rails, 0.05)
        assert cut.low is not None
        assert cut.low.level == pytest.approx(-0.2, abs=5e-4)
        rests = find_soft_rails(recorded(tmp_path, signal(rng, False)), CHANNEL, rails, 0.05)
        assert rests.low is None
    assert "with as much noise as elsewhere" in rests.doubt
