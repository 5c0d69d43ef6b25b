"""Values that stand still longer than the signal can, on any converter and at any rate. Signals are invented.

That a run of one code is no chance is told by what stands beside it; each test says what it is most easily
mistaken for.
"""

from dataclasses import replace
from functools import partial

import numpy as np
import pytest
from make import (
    FIELD,
    SETTINGS,
    acceleration_axes,
    counts_of,
    detected_in,
    findings_of,
    n_marked,
    recording_of,
    value_of,
)
from repeating import found_alone

from pipeline.detectors.runs import BESIDE_S, RunFinder, Runs, log_chance

SECONDS = 60


@pytest.fixture
def record(tmp_path):
    return partial(recording_of, tmp_path / "r.parquet")


def noise(hz: float, sd_counts: float, seed: int = 1, seconds: int = SECONDS) -> np.ndarray:
    """Noise about the middle of 10 bits, as an ideal converter codes it."""
    values = 512 + sd_counts * np.random.default_rng(seed).standard_normal(round(seconds * hz))
    return np.rint(values).astype(np.int64)


def ten_bits(hz: float):
    return replace(FIELD, sample_hz=hz, adc_max=1023, scale=3.0 / 1024 / 5)


def stuck_rows(detected) -> list[tuple[int, int]]:
    spans = detected.marks["stuck"]
    return list(zip(spans.start.tolist(), spans.stop.tolist(), strict=True))


@pytest.mark.parametrize("hz", [50.0, 250.0, 1000.0])
@pytest.mark.parametrize("lasts_s", [0.6, 3.0])
def test_edges_are_told_to_a_sample_or_two(record, hz, lasts_s):
    codes = noise(hz, 2.0)
    start, stop = round(20 * hz), round((20 + lasts_s) * hz)
    codes[start:stop] = codes[start]
    ((first, last),) = stuck_rows(found_alone(record([ten_bits(hz)], [codes], hz)))
    # A neighbour has the same code by chance in one of five cases.
    assert start - 3 <= first <= start
    assert stop <= last <= stop + 3


@pytest.mark.parametrize("hz", [50.0, 250.0, 1000.0])
@pytest.mark.parametrize("sd_counts", [0.2, 0.5])
def test_a_quiet_stretch_between_movement_is_not_stuck(record, hz, sd_counts):
    """Coarse codes stand still at rest: what matters is how often they change there, not in movement."""
    codes = noise(hz, sd_counts)
    t = np.arange(len(codes)) / hz
    swings = np.sin(2 * np.pi * 1.9 * t) * (np.clip(20 - t, 0, 1) + np.clip(t - 40, 0, 1))
    codes += np.rint(60 * swings).astype(np.int64)
    # Coming to rest is no step: the input settles, here with a second.
    codes += np.rint(40 * np.exp(-np.maximum(t - 20, 0)) * (t >= 20)).astype(np.int64)
    axes = [np.rint(900 * swings + noise(hz, 3.0, seed)).astype(np.int64) for seed in (2, 3, 4)]
    recording = record([ten_bits(hz), *acceleration_axes(hz)], [codes, *axes], hz)
    assert n_marked(found_alone(recording), "stuck") == 0
    alone = record([ten_bits(hz)], [codes], hz)
    assert n_marked(found_alone(alone), "stuck") == 0


def test_a_stuck_value_is_found_across_losses(record):
    codes, here = noise(250.0, 2.0), np.ones(SECONDS * 250, bool)
    codes[5000:5200] = 530
    here[5050:5150] = False
    detected = found_alone(record([ten_bits(250.0)], [codes], 250.0, here))
    # 0.4 s of it arrived: too little.
    assert n_marked(detected, "stuck") == 0
    codes[5000:5300] = 530
    detected = found_alone(record([ten_bits(250.0)], [codes], 250.0, here))
    assert stuck_rows(detected) == [(5000, 5050), (5150, 5300)]
    assert value_of(detected, "stuck_fraction") == pytest.approx(200 / (SECONDS * 250 - 100))


@pytest.mark.parametrize("bits", [10, 16, 24])
def test_every_width_is_judged(record, bits):
    field = replace(FIELD, adc_max=2**bits - 1, scale=0.6 / 2**bits)
    codes = counts_of(0.002 * np.random.default_rng(3).standard_normal(SECONDS * 250), field)
    codes[2500:2700] = codes[2500]
    detected = found_alone(record([field], [codes], 250.0))
    ((start, stop),) = stuck_rows(detected)
    assert (start, stop) == pytest.approx((2500, 2700), abs=2)
    (finding,) = findings_of(detected, "stuck")
    assert (finding.severity, finding.limit) == ("fault", SETTINGS["stuck.shortest_s"])
    assert finding.value == pytest.approx(0.8, abs=0.01)


def test_an_end_of_an_amplifier_that_nobody_stated_is_no_stuck_value(record):
    """Driven for a second beyond an end that lies inside the converter's: the top is flat."""
    t = np.arange(SECONDS * 250) / 250
    values = 300 * np.sin(2 * np.pi * 0.3 * t) + np.random.default_rng(4).normal(0, 1.0, len(t))
    codes = 512 + np.rint(np.clip(values, -220, 220)).astype(np.int64)
    detected = detected_in(record([ten_bits(250.0)], [codes], 250.0))
    assert findings_of(detected, "stuck") == []


def axes_of(moving: bool, sd_counts: float) -> list[np.ndarray]:
    t, rng = np.arange(SECONDS * 250) / 250, np.random.default_rng(5)
    sway = 900 * np.sin(2 * np.pi * 1.9 * t) * moving
    return [
        np.rint(level + sway + sd_counts * rng.standard_normal(len(t))).astype(np.int64)
        for level in (0.3, 800.0, 4000.0)
    ]


def test_an_axis_that_stands_still_while_others_move_is_told_and_marks_nothing(record):
    axes = axes_of(True, 3.0)
    axes[1][5000:6000] = axes[1][5000]
    channels, codes = [ten_bits(250.0), *acceleration_axes()], [noise(250.0, 2.0), *axes]
    detected = found_alone(record(channels, codes, 250.0))
    (finding,) = findings_of(detected, "stuck")
    assert (finding.channel, finding.severity) == ("acc_y", "warning")
    assert (finding.start_s, finding.stop_s) == pytest.approx((20.0, 24.0), abs=0.02)
    assert n_marked(detected, "stuck") == 0
    assert value_of(detected, "stuck_fraction") == 0


@pytest.mark.parametrize(("hz", "is_told"), [(64.0, True), (100.0, False)])
def test_a_short_run_among_its_neighbours_is_rest_only_where_mains_beats_with_the_rate(record, hz, is_told):
    """Noise keeps the field from standing still; 50 Hz at 100 Hz folds to half the rate and may hide it."""
    codes = noise(hz, 1.5)
    start, stop = round(20.5 * hz), round(21.95 * hz)
    codes[start - 1], codes[start:stop], codes[stop] = 511, 512, 513
    assert (n_marked(found_alone(record([ten_bits(hz)], [codes], hz)), "stuck") > 0) == is_told


def test_axes_whose_noise_is_below_a_count_stand_still_at_rest(record):
    """One lies between two codes and flickers, the others do not: no sign that they are stuck."""
    axes = axes_of(False, 0.15)
    axes[0] = np.rint(0.45 + 0.15 * np.random.default_rng(6).standard_normal(SECONDS * 250)).astype(np.int64)
    channels, codes = [ten_bits(250.0), *acceleration_axes()], [noise(250.0, 2.0), *axes]
    assert findings_of(found_alone(record(channels, codes, 250.0)), "stuck") == []


def test_an_axis_that_flickers_at_times_may_stand_still_at_others(record):
    """Noise of 0.13 counts: between two codes it flickers, in the middle of one it stands for seconds."""
    axes = axes_of(False, 0.13)
    level = np.where(np.arange(SECONDS * 250) // 2500 % 2, 10.0, 10.45)
    axes[0] = np.rint(level + 0.13 * np.random.default_rng(7).standard_normal(len(level))).astype(np.int64)
    channels, codes = [ten_bits(250.0), *acceleration_axes()], [noise(250.0, 2.0), *axes]
    assert findings_of(found_alone(record(channels, codes, 250.0)), "stuck") == []


@pytest.mark.parametrize("at", [-32768, 0, 4000])
@pytest.mark.parametrize("from_s", [0, 40])
def test_an_axis_that_is_dead_is_told_wherever_it_stands(record, at, from_s):
    """Its end codes are no overload: no acceleration stays there."""
    axes = axes_of(True, 3.0)
    axes[2][from_s * 250 :] = at
    channels, codes = [ten_bits(250.0), *acceleration_axes()], [noise(250.0, 2.0), *axes]
    (finding,) = findings_of(found_alone(record(channels, codes, 250.0)), "stuck")
    assert (finding.channel, finding.severity) == ("acc_z", "warning")
    assert (finding.start_s, finding.stop_s) == pytest.approx((from_s, SECONDS), abs=0.02)


def test_a_sensor_that_lies_still_beside_one_that_moves_is_not_stuck(record):
    """Without any noise at all, as of few bits: at the ankle of a wearer who sits and wedges clay."""
    wrist, ankle = axes_of(True, 3.0), axes_of(False, 0.0)
    for axis in ankle:
        axis[:2500] += np.rint(900 * np.sin(2 * np.pi * 1.9 * np.arange(2500) / 250)).astype(np.int64)
    both = [
        replace(axis, name=axis.name.replace("acc", place))
        for place in ("wrist", "ankle")
        for axis in acceleration_axes()
    ]
    codes = [noise(250.0, 2.0), *wrist, *ankle]
    assert findings_of(found_alone(record([ten_bits(250.0), *both], codes, 250.0)), "stuck") == []


# ---- runs and chance --------------------------------------------------------------------------------------


@pytest.mark.parametrize("p", [0.1, 0.5, 0.9])
def test_runs_by_chance_are_as_many_as_their_law_says(p):
    """N (1 - p) p^(n - 1) runs of n or more (geometric lengths; Feller, vol. 1, ch. XIII, from memory)."""
    n_samples, length = 400_000, 1 + round(np.log(1e-3) / np.log(p))
    changes = np.random.default_rng(7).random(n_samples) >= p
    changes[0] = True
    values = np.cumsum(changes).astype(np.float64)
    finder = RunFinder(1, length)
    for first in range(0, n_samples, 70_000):
        rows = np.arange(first, min(first + 70_000, n_samples))
        finder.feed(rows, [values[rows]], np.flatnonzero(changes[rows]))
    runs = finder.all()
    expected = n_samples * (1 - p) * p ** (length - 1)
    assert len(runs) == pytest.approx(expected, abs=4 * np.sqrt(expected))
    # Blocks change nothing: each run is as long as the changes say.
    edges = np.append(np.flatnonzero(changes), n_samples)
    long = np.flatnonzero(np.diff(edges) >= length)
    assert runs.start.tolist() == edges[long].tolist()
    assert runs.stop.tolist() == edges[long + 1].tolist()
    assert (runs.n == runs.stop - runs.start).all()


def test_chance_is_that_of_the_quieter_side():
    n_window = 100
    pairs, changes = np.full(40, n_window), np.full(40, 90)
    changes[:20] = 10
    edges = np.array([[1990], [2010]]), np.empty((1, 1))
    (at_border,) = log_chance(_one_run(*edges), changes, pairs, n_window)
    changes[20:] = 10
    (in_quiet,) = log_chance(_one_run(*edges), changes, pairs, n_window)
    assert at_border == pytest.approx(in_quiet, abs=1.5)
    changes[:] = 90
    (in_movement,) = log_chance(_one_run(*edges), changes, pairs, n_window)
    assert in_movement < in_quiet - 30
    assert BESIDE_S * n_window < 2000


def _one_run(edges: np.ndarray, value: np.ndarray) -> Runs:
    return Runs(edges[0], edges[1], edges[1] - edges[0], value, value, value)
