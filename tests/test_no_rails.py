"""Where values pile up at the extreme of a signal and no rail is: held rows, a stuck value, one flat top.

Signals are invented.
"""

from functools import partial

import numpy as np
import pytest
from make import FIELD, acceleration_axes, counts_of, detected_in, n_marked, recording_of, value_of

HZ, SPAN = 250.0, FIELD.adc_high - FIELD.adc_low
N = round(120 * HZ)
TIME_S = np.arange(N) / HZ


@pytest.fixture
def record(tmp_path):
    return partial(recording_of, tmp_path / "r.parquet", [FIELD, *acceleration_axes()], sample_hz=HZ)


def walking(seed: int = 2) -> list[np.ndarray]:
    """Steps at about 2 Hz, each of another height, with noise of 3 counts, and axes that move with them."""
    rng = np.random.default_rng(seed)
    beats = np.arange(0, TIME_S[-1] + 1, 0.5)
    height = np.interp(TIME_S, beats, rng.uniform(0.5, 1.0, len(beats)))
    swing = height * np.sin(4 * np.pi * TIME_S + 0.3 * np.sin(0.7 * TIME_S))
    field = 0.3 * SPAN * swing
    axes = [
        level + size * swing + 5 * rng.standard_normal(N)
        for level, size in ((0, 800), (1200, 500), (4000, 900))
    ]
    codes = counts_of(field, FIELD) + np.rint(3 * rng.standard_normal(N)).astype(np.int64)
    return [codes, *(np.rint(axis).astype(np.int64) for axis in axes)]


def rails_in(detected) -> tuple[float | None, float | None]:
    return value_of(detected, "rail_low_v"), value_of(detected, "rail_high_v")


def test_rows_held_at_a_beat_pile_up_at_no_rail(record):
    """Each of the highest samples stands eight times there."""
    codes = walking()
    start, stop = 10000, 16000
    rows = np.arange(start, stop)
    codes = [np.concatenate((one[:start], one[start + (rows - start) // 8 * 8], one[stop:])) for one in codes]
    detected = detected_in(record(codes))
    assert rails_in(detected) == (None, None)
    assert n_marked(detected, "saturated") == 0
    assert n_marked(detected, "stuck") >= 0.98 * (stop - start)


def test_a_value_that_sticks_at_the_highest_peaks_is_stuck_and_no_rail(record):
    codes = walking()
    start = int(np.argmax(codes[0][10000:12000])) + 10000
    codes[0][start : start + 2000] = np.sort(codes[0])[-30]
    detected = detected_in(record(codes))
    assert rails_in(detected) == (None, None)
    assert n_marked(detected, "saturated") == 0
    assert 1995 <= n_marked(detected, "stuck") <= 2010


def test_one_flat_top_among_three_of_a_height_is_no_rail(record):
    """One peak stands for twelve samples, two others come as high by chance."""
    codes = walking()
    codes[0] = counts_of(0.5 * (codes[0] - np.median(codes[0])) * FIELD.scale, FIELD)
    top = round(0.35 * SPAN / FIELD.scale) + int(np.median(codes[0]))
    shape = np.rint(800 * np.cos(np.linspace(-np.pi / 2, np.pi / 2, 61))).astype(np.int64)
    for at in (5000, 5600, 6200):
        codes[0][at - 30 : at + 31] = top - 800 + shape
    codes[0][5594:5606] = top - np.arange(12) % 3
    assert rails_in(detected_in(record(codes))) == (None, None)
