"""The clock by the device's ticks, against certified data and against clocks of known error."""

from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from encode import encode_frames
from shapes import read_bytes, sync_layout

from pipeline.layouts import Layout
from pipeline.timebase import Grid, place_frames
from pipeline.timebase.knots import fit_line


def _grid(pieces: list[bytes], layout: Layout, folder: Path) -> Grid:
    return place_frames(read_bytes(b"".join(pieces), layout, folder))


def _session(
    layout: Layout, seconds_of_row: np.ndarray, first_tick: int = 0, first_sequence: int = 0
) -> list[bytes]:
    """Frames of 10 samples; row k is sampled at ``seconds_of_row[k]`` by the device's crystal."""
    pieces = []
    for i in range(len(seconds_of_row) // 10):
        tick = first_tick + int(np.floor(seconds_of_row[10 * i] * 32768))
        counts = np.full((10, 2), i % 1000)
        pieces += encode_frames(layout, counts, first_sequence=first_sequence + i, first_tick=tick)
    return pieces


def test_line_fit_against_certified_values() -> None:
    """NIST Statistical Reference Datasets, Norris: certified slope and intercept (values from memory)."""
    text = (files("scipy.stats.tests") / "data/nist_linregress/Norris.dat").read_text(encoding="ascii")
    rows = [line.split() for line in text.splitlines()[60:] if line.strip()]
    y, x = np.array(rows, dtype=float).T
    assert len(x) == 36
    slope, intercept = fit_line(x, y)
    assert slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert intercept == pytest.approx(-0.262323073774029, rel=1e-10)


@pytest.mark.parametrize("ppm", [-20.0, 0.0, 20.0, 100.0])
def test_a_fast_or_slow_sample_clock_is_measured(tmp_path: Path, ppm: float) -> None:
    """20 ppm are 72 ms in an hour (arithmetic); the usual tolerance of tuning-fork crystals by data sheet."""
    layout = sync_layout()
    rate_hz = 250.0 * (1 + ppm * 1e-6)
    grid = _grid(_session(layout, np.arange(250 * 600) / rate_hz), layout, tmp_path)
    clock = grid.clock
    assert clock.source == "ticks"
    assert clock.rate_hz == pytest.approx(rate_hz, rel=0.2e-6)
    assert clock.residual_s is not None
    # stamps are whole ticks: at most one tick from a line
    assert clock.residual_s <= 1 / 32768
    rows = np.arange(grid.n_rows)
    assert np.abs(clock.time_s(rows) - rows / rate_hz).max() < 1 / 32768
    hour = clock.time_s(np.array([3600 * 250]))[0]
    assert 3600 - hour == pytest.approx(3600 * ppm * 1e-6, abs=1e-3)


@pytest.mark.parametrize("ticks", ["u16", "u24", "u32"])
def test_wraps_of_the_tick_counter_leave_no_trace(tmp_path: Path, ticks: str) -> None:
    """A 16-bit counter at 32768 Hz wraps every 2 s, one of 24 bits every 512 s (arithmetic)."""
    layout = sync_layout(ticks=ticks)
    pieces = _session(layout, np.arange(250 * 100) / 250.0, first_tick=2**32 - 32768 * 30)
    del pieces[100:170]
    grid = _grid(pieces, layout, tmp_path)
    assert grid.n_rows == 25_000
    assert np.allclose(grid.clock.time_s(np.arange(25_000)), np.arange(25_000) / 250.0, atol=2 / 32768)
    assert len(grid.clock.knot_row) <= 3


def test_a_clock_that_warms_up_is_followed(tmp_path: Path) -> None:
    """A tuning-fork crystal that goes from 25 to 60 degrees runs 41.65 ppm slow: -0.034 ppm/K2 (from memory).

    Exaggerated 100 times here, so that no single line fits within a sample period.
    """
    layout = sync_layout()
    nominal = np.arange(250 * 400) / 250.0
    drift = np.where(nominal < 200, 0.0, (nominal - 200) * 41.65e-4)
    grid = _grid(_session(layout, nominal + drift), layout, tmp_path)
    seconds = grid.clock.time_s(np.arange(grid.n_rows))
    assert len(grid.clock.knot_row) > 10
    # only within the span between two knots where the rate changes may the clock be off
    off = np.abs(seconds - nominal - drift)
    assert off.max() < 0.012
    assert np.median(off) < 1 / 32768
    assert np.all(np.diff(seconds) > 0)


def test_a_pause_of_the_device_is_in_the_clock_and_not_in_the_rows(tmp_path: Path) -> None:
    layout = sync_layout()
    nominal = np.arange(250 * 40) / 250.0
    nominal[5000:] += 7.3
    grid = _grid(_session(layout, nominal), layout, tmp_path)
    assert (grid.n_rows, grid.n_lost_frames, grid.restarts) == (10_000, 0, ())
    assert np.abs(grid.clock.time_s(np.arange(10_000)) - nominal).max() < 2 / 32768
    assert [pause.row for pause in grid.breaks] == [5000]
    assert grid.breaks[0].gap_s == pytest.approx(7.3, abs=0.01)


def test_pauses_are_told_from_jitter_losses_and_wrong_stamps(tmp_path: Path) -> None:
    layout = sync_layout(check="")
    nominal = np.arange(250 * 60) / 250.0
    nominal += np.repeat(np.random.default_rng(3).uniform(0, 0.1, 1500), 10)
    nominal[4000:] += 0.3
    nominal[8000:] += 40.0
    nominal[8010:] += 1.0
    pieces = _session(layout, nominal)
    wrong = bytearray(pieces[300])
    wrong[7] ^= 0x10
    pieces[300] = bytes(wrong)
    del pieces[500:560]
    grid = _grid(pieces, layout, tmp_path)
    assert (grid.n_rows, grid.n_lost_frames, grid.restarts) == (15_000, 60, ())
    # the second follows within a frame: both are one pause
    assert [pause.row for pause in grid.breaks] == [8000]
    assert grid.breaks[0].gap_s == pytest.approx(41.0, abs=0.15)


def test_after_a_restart_time_goes_on_by_one_period(tmp_path: Path) -> None:
    layout = sync_layout()
    first = _session(layout, np.arange(2000) / 250.0, first_tick=900_000, first_sequence=500)
    second = _session(layout, np.arange(1000) / 250.0)
    grid = _grid(first + second, layout, tmp_path)
    assert [restart.row for restart in grid.restarts] == [2000]
    seconds = grid.clock.time_s(np.arange(3000))
    assert seconds[0] == 0
    assert np.abs(np.diff(seconds) - 0.004).max() < 1e-4


def test_a_wrong_stamp_does_not_bend_the_clock(tmp_path: Path) -> None:
    layout = sync_layout(check="")
    pieces = _session(layout, np.arange(250 * 60) / 250.0)
    wrong = bytearray(pieces[700])
    wrong[7] ^= 0x10
    pieces[700] = bytes(wrong)
    grid = _grid(pieces, layout, tmp_path)
    assert (grid.n_rows, grid.restarts) == (15_000, ())
    assert np.allclose(grid.clock.time_s(np.arange(15_000)), np.arange(15_000) / 250.0, atol=2 / 32768)


def test_without_ticks_the_nominal_rate_holds(tmp_path: Path) -> None:
    layout = sync_layout(ticks="")
    grid = _grid(encode_frames(layout, np.zeros((100, 2), dtype=int)), layout, tmp_path)
    assert (grid.clock.source, grid.clock.rate_hz, grid.clock.residual_s) == ("nominal", None, None)
    assert grid.clock.time_s(np.array([0, 99, 250])).tolist() == [0.0, 99 / 250, 1.0]


def test_a_single_frame_has_a_clock(tmp_path: Path) -> None:
    layout = sync_layout()
    grid = _grid(encode_frames(layout, np.zeros((10, 2), dtype=int), first_tick=77), layout, tmp_path)
    assert grid.clock.source == "nominal"
    assert grid.clock.time_s(np.arange(3)).tolist() == [0.0, 0.004, 0.008]
