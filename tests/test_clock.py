"""The clock by ticks, against certified data and clocks of known error; what is said of clocks."""

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from encode import encode_frame, encode_frames
from make import detected_in, findings_of, value_of
from shapes import read_bytes, sync_layout
from wearing import Wearing, record_wearing

from pipeline.detectors.crystal import largest_error_ppm, temperature_ppm
from pipeline.layouts import Layout
from pipeline.recording import Recording
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


def test_ticks_that_are_set_back_do_not_stop_the_clock(tmp_path: Path) -> None:
    layout = sync_layout()
    nominal = np.arange(250 * 60) / 250.0 + 100
    nominal[7500:] -= 11.0
    grid = _grid(_session(layout, nominal), layout, tmp_path)
    assert (grid.n_rows, grid.n_lost_frames, grid.restarts, grid.breaks) == (15_000, 0, (), ())
    assert [(step.row, step.of) for step in grid.steps] == [(7500, "ticks")]
    assert grid.steps[0].step_s == pytest.approx(-11.0, abs=0.01)
    assert np.abs(grid.clock.time_s(np.arange(15_000)) - np.arange(15_000) / 250).max() < 1e-3


def test_ticks_of_a_calendar_tell_how_long_the_device_was_off(tmp_path: Path) -> None:
    plain = sync_layout(tick_hz=1000.0)
    parts = [replace(p, epoch_s=1.7e9) if p.is_ == "ticks" else p for p in plain.frame.parts]
    layout = replace(plain, frames=(replace(plain.frame, parts=tuple(parts)),))
    pieces = []
    for i in range(1000):
        second = i * 0.04 + 33.0 * (i >= 400)
        counts = np.random.default_rng(i).integers(-99, 99, (10, 2))
        number = i + 5000 if i < 400 else i - 400
        pieces.append(
            encode_frame(layout, layout.frame, [counts], sequence=number, ticks=round(second * 1000))
        )
    grid = _grid(pieces, layout, tmp_path)
    assert [restart.row for restart in grid.restarts] == [4000]
    assert grid.restarts[0].off_s == pytest.approx(33.0, abs=2e-3)
    true_s = np.arange(10_000) / 250 + 33.0 * (np.arange(10_000) >= 4000)
    assert np.abs(grid.clock.time_s(np.arange(10_000)) - true_s).max() < 2e-3


# ---- what the detector says of it -------------------------------------------------------------------------


@pytest.fixture
def record(tmp_path: Path) -> Callable[..., Recording]:
    return partial(record_wearing, tmp_path / "r.parquet")


@pytest.mark.parametrize(
    ("celsius", "ppm"), [(0, -21.25), (10, -7.65), (15, -3.40), (37, -4.90), (45, -13.6), (60, -41.65)]
)
def test_crystals_at_temperatures(celsius: float, ppm: float) -> None:
    """Worked from -0.034 ppm/K2 about 25 C, which lies between two data sheets and is from memory."""
    assert temperature_ppm(celsius) == pytest.approx(ppm, abs=5e-3)


def test_the_most_that_a_sound_crystal_is_off() -> None:
    """Tolerance 20 ppm, 0 to 60 C, ageing 3 ppm: data sheets of tuning-fork crystals; their sum."""
    assert largest_error_ppm() == pytest.approx(64.65)


@pytest.mark.parametrize(
    ("rate_hz", "skew_ppm", "tick_hz", "said"),
    [
        (250.005, 20.0, 32768.7, []),
        (250.02, 80.0, 32770.6, [("note", "clock_skew_ppm")]),
        (250.05, 200.0, 32774.6, [("warning", "clock_skew_ppm")]),
        (250.05, 200.0, None, [("warning", "clock_skew_ppm")]),
        (64.0, 0.0, 32768.0, [("warning", "rate_error_ppm")]),
        (250.0, -23437.5, 32000.0, [("warning", "clock_skew_ppm")]),
        (64.0, -23437.5, 32000.0, [("warning", "rate_error_ppm"), ("warning", "clock_skew_ppm")]),
    ],
)
def test_what_is_wrong_is_told_once(
    record: Callable[..., Recording],
    rate_hz: float,
    skew_ppm: float,
    tick_hz: float | None,
    said: list[tuple[str, str]],
) -> None:
    """No sound crystal is beyond 65 ppm off; beyond 100 ppm something else is wrong."""
    counted = {"clock_skew_ppm": skew_ppm, "clock_skew_uncertainty_ppm": 0.5, "clock_tick_hz": tick_hz}
    detected = detected_in(
        record(Wearing(seconds=40)), clock_source="receiver", clock_rate_hz=rate_hz, **counted
    )
    assert [(f.severity, f.measure) for f in findings_of(detected, "clock")] == said
    assert value_of(detected, "clock_skew_ppm") == skew_ppm


def test_ticks_alone_say_nothing_of_their_crystal(record: Callable[..., Recording]) -> None:
    detected = detected_in(record(Wearing(seconds=40)), clock_source="ticks", clock_rate_hz=250.0)
    (measure,) = (m for m in detected.measures if m.name == "clock_skew_ppm")
    assert measure.value is None
    assert "share the crystal" in measure.absent


def test_restarts_pauses_steps_and_jitter_are_told(record: Callable[..., Recording]) -> None:
    detected = detected_in(
        record(Wearing(seconds=40)),
        clock_source="receiver",
        clock_rate_hz=250.0,
        clock_skew_ppm=0.0,
        clock_skew_uncertainty_ppm=1.0,
        clock_jitter_s=0.4,
        clock_residual_s=0.2,
        restarts=((2500, "the sequence began anew", 12.0),),
        breaks=((5000, 3.0, "receiver"),),
        steps=((7500, -3600.0, "receiver"), (8000, -5.0, "ticks")),
    )
    found = findings_of(detected, "clock")
    assert [finding.severity for finding in found] == [
        "note",
        "note",
        "warning",
        "warning",
        "note",
        "warning",
    ]
    words = " ".join(finding.explanation for finding in found)
    for saying in (
        "by 400 ms",
        "within 200 ms",
        "after 12.0 s",
        "unless that clock was set",
        "back by 3600.0 s",
    ):
        assert saying in words
