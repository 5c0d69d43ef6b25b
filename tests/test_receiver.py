"""The clock by the receiver's stamps: skew, time off, steps, jams, and layouts that they contradict."""

from pathlib import Path

import numpy as np
import pytest
from encode import encode_frame
from shapes import read_bytes, sync_layout, text_layout

from pipeline.layouts import Layout
from pipeline.timebase import Grid, place_frames


def _grid(pieces: list[bytes], layout: Layout, folder: Path) -> Grid:
    return place_frames(read_bytes(b"".join(pieces), layout, folder))


def _received(
    layout: Layout,
    first_s: np.ndarray,
    *,
    fast: float = 1.0,
    jitter_s: float = 0.02,
    set_by_s: np.ndarray | None = None,
    first_sequence: int = 0,
    first_tick: int = 0,
    seed: int = 0,
) -> list[bytes]:
    """Frames of 10 samples; frame i is begun at true second ``first_s[i]``, full 40 ms later, and delayed.

    Ticks of a crystal that is ``fast`` count from the first frame; ``set_by_s`` is what the receiver's clock
    is off by at each frame.
    """
    rng, frame = np.random.default_rng(seed), layout.frame
    counts = np.random.default_rng(first_sequence + 7).integers(-999, 999, (len(first_s), 10, 1))
    arrival = first_s + 0.04 / fast + rng.exponential(jitter_s, len(first_s))
    arrival += 0.0 if set_by_s is None else set_by_s
    parts = {is_: frame.part(is_) for is_ in ("sequence", "ticks", "received")}
    pieces = []
    for i in range(len(first_s)):
        numbers = {
            "sequence": first_sequence + i,
            "ticks": first_tick + int((first_s[i] - first_s[0]) * fast * (layout.tick_hz or 0)),
            "received": int((1e6 + arrival[i]) * (parts["received"].hz if parts["received"] else 0)),
        }
        for is_, number in numbers.items():
            part = parts[is_]
            bits = (part.wraps_at_bits or part.bits or 62) if part else 62
            numbers[is_] = number % (1 << bits) if part else 0
        pieces.append(encode_frame(layout, frame, [counts[i]], **numbers))
    return pieces


def _radio(**options: object) -> Layout:
    return sync_layout(**{"received": "u32", "check": "", "channels": ("a",), **options})


FRAMES_S = np.arange(15_000) * 0.04
"""Ten minutes of frames."""


@pytest.mark.parametrize("ticks", ["", "u16", "u32"])
@pytest.mark.parametrize("ppm", [-40.0, 0.0, 30.0, 250.0])
def test_skew_against_the_receiver(tmp_path: Path, ticks: str, ppm: float) -> None:
    """Moon, Skelly, Towsley 1999: the line under the delays; here exponential ones of 20 ms."""
    fast = 1 + ppm * 1e-6
    layout = _radio(ticks=ticks)
    clock = _grid(_received(layout, FRAMES_S / fast, fast=fast), layout, tmp_path).clock
    assert clock.source == "receiver"
    assert clock.skew_ppm == pytest.approx(ppm, abs=1.0)
    assert clock.skew_uncertainty_ppm is not None
    assert abs(clock.skew_ppm - ppm) < 3 * clock.skew_uncertainty_ppm < 10
    assert clock.rate_hz == pytest.approx(250 * fast, rel=1e-6)
    rows = np.arange(150_000)
    assert np.abs(clock.time_s(rows) - rows / (250 * fast)).max() < 1e-3
    # the mean |D| of two exponential delays is their mean (arithmetic)
    assert clock.jitter_s == pytest.approx(0.02, rel=0.1)
    assert clock.residual_s is not None
    assert clock.residual_s < 2e-3
    assert clock.tick_hz == (pytest.approx(32768 * fast, rel=1e-6) if ticks else None)
    assert clock.offset_s == pytest.approx(1e6 % (2**32 / 1000), abs=0.05)


@pytest.mark.parametrize("ticks", ["", "u16", "u32"])
@pytest.mark.parametrize("sequence", ["u8", "u16"])
def test_three_minutes_lost_on_a_short_counter(tmp_path: Path, ticks: str, sequence: str) -> None:
    """Eight bits at 25 frames a second wrap every 10.24 s, 16 bits of ticks every 2 s (arithmetic)."""
    layout = _radio(ticks=ticks, sequence=sequence)
    pieces = _received(layout, FRAMES_S)
    del pieces[5000:9500]
    grid = _grid(pieces, layout, tmp_path)
    assert (grid.n_rows, grid.n_lost_frames, grid.restarts, grid.breaks) == (150_000, 4500, (), ())
    assert np.abs(grid.clock.time_s(np.arange(150_000)) - np.arange(150_000) / 250).max() < 2e-3


@pytest.mark.parametrize("ticks", ["", "u16", "u32"])
@pytest.mark.parametrize("sequence", ["u8", "u16"])
@pytest.mark.parametrize("off_s", [0.0, 12.0, 3600.0])
def test_how_long_the_device_was_off(tmp_path: Path, ticks: str, sequence: str, off_s: float) -> None:
    layout = _radio(ticks=ticks, sequence=sequence)
    first = _received(layout, FRAMES_S[:7000], first_sequence=77, first_tick=10_000_000)
    second = _received(layout, FRAMES_S[:3000] + 280 + off_s, seed=1)
    grid = _grid(first + second, layout, tmp_path)
    assert [restart.row for restart in grid.restarts] == [70_000]
    assert grid.restarts[0].off_s == pytest.approx(off_s, abs=5e-3)
    assert (grid.n_rows, grid.n_lost_frames) == (100_000, 0)
    true_s = np.arange(100_000) / 250 + off_s * (np.arange(100_000) >= 70_000)
    assert np.abs(grid.clock.time_s(np.arange(100_000)) - true_s).max() < 5e-3


@pytest.mark.parametrize("ticks", ["", "u16", "u32"])
def test_steps_of_the_receivers_clock_are_told_and_taken_out(tmp_path: Path, ticks: str) -> None:
    layout = _radio(ticks=ticks)
    set_by_s = np.where(FRAMES_S > 400, -3600.0, np.where(FRAMES_S > 200, -0.7, 0.0))
    grid = _grid(_received(layout, FRAMES_S, set_by_s=set_by_s), layout, tmp_path)
    assert (grid.restarts, grid.breaks, grid.n_lost_frames) == ((), (), 0)
    assert [step.of for step in grid.steps] == ["receiver", "receiver"]
    assert [step.step_s for step in grid.steps] == pytest.approx([-0.7, -3599.3], abs=5e-3)
    assert (
        np.abs([step.row - row for step, row in zip(grid.steps, (50_010, 100_010), strict=True)]).max() <= 20
    )
    assert np.abs(grid.clock.time_s(np.arange(150_000)) - np.arange(150_000) / 250).max() < 2e-3


@pytest.mark.parametrize("ticks", ["u16", "u32"])
def test_ticks_tell_a_clock_set_forward_from_a_pause(tmp_path: Path, ticks: str) -> None:
    layout = _radio(ticks=ticks)
    set_by_s = np.where(FRAMES_S > 200, 40.3, 0.0)
    grid = _grid(_received(layout, FRAMES_S, set_by_s=set_by_s), layout, tmp_path)
    assert (grid.breaks, [step.step_s for step in grid.steps]) == ((), pytest.approx([40.3], abs=5e-3))
    first_s = FRAMES_S + 7.3 * (FRAMES_S > 200)
    grid = _grid(_received(layout, first_s), layout, tmp_path)
    assert ([pause.gap_s for pause in grid.breaks], grid.steps) == (pytest.approx([7.3], abs=5e-3), ())


def test_without_ticks_a_jump_of_the_stamps_is_a_pause(tmp_path: Path) -> None:
    layout = _radio(ticks="")
    first_s = FRAMES_S + 7.3 * (FRAMES_S > 200)
    grid = _grid(_received(layout, first_s), layout, tmp_path)
    assert [(pause.row, pause.by) for pause in grid.breaks] == [(50_010, "receiver")]
    assert grid.breaks[0].gap_s == pytest.approx(7.3, abs=5e-3)
    assert np.abs(grid.clock.time_s(np.arange(0, 150_000, 10)) - first_s).max() < 2e-3


@pytest.mark.parametrize("ticks", ["", "u32"])
def test_a_jam_on_the_way_moves_no_clock(tmp_path: Path, ticks: str) -> None:
    layout = _radio(ticks=ticks)
    delay = np.where((FRAMES_S > 100) & (FRAMES_S < 140), 3.0, 0.0)
    delay += np.maximum(0, 20 - (FRAMES_S - 300)) * (FRAMES_S > 300)
    grid = _grid(_received(layout, FRAMES_S, set_by_s=delay), layout, tmp_path)
    assert (grid.breaks, grid.steps, grid.restarts, grid.n_lost_frames) == ((), (), (), 0)
    assert np.abs(grid.clock.time_s(np.arange(150_000)) - np.arange(150_000) / 250).max() < 2e-3


def test_frames_sent_again_are_late_and_lost_no_more(tmp_path: Path) -> None:
    layout = _radio(ticks="", sequence="u8")
    pieces = _received(layout, FRAMES_S[:5000])
    order = list(range(5000))
    for i in range(100, 4800, 97):
        order.insert(order.index(i + 20), order.pop(order.index(i)))
    frame, rows = layout.frame, []
    for k, i in enumerate(order):
        # the stamp is when a frame came, the rest what it is
        stamp = int((1e6 + 0.04 * (k + 1)) * 1000) % 2**32
        counts = np.random.default_rng(i).integers(-999, 999, (10, 1))
        rows.append(encode_frame(layout, frame, [counts], sequence=i % 256, received=stamp))
    grid = _grid(rows, layout, tmp_path)
    assert (grid.n_rows, grid.n_lost_frames, grid.restarts) == (50_000, 0, ())
    assert (grid.n_late, int(grid.duplicate.sum()), len(pieces)) == (49, 0, 5000)


def test_lines_stamped_by_the_receiver_alone(tmp_path: Path) -> None:
    """No counter but the host's stamps in RFC 3339: 250 lines a second, read in batches, 4 s of them lost."""
    layout = text_layout(sequence_bits=None, received="rfc3339")
    rng = np.random.default_rng(1)
    true_s = np.delete(np.arange(30_000), slice(15_000, 16_000)) / 250
    stamp_s = np.ceil(true_s / 0.016) * 0.016 + np.repeat(rng.exponential(0.003, 7250), 4)
    stamp_s = np.maximum.accumulate(stamp_s)
    lines = [
        f"2026-03-02T09:{30 + int(s // 60):02d}:{s % 60:09.6f}Z,{i % 999},{i % 7}\n".encode()
        for i, s in enumerate(stamp_s.tolist())
    ]
    grid = _grid(lines, layout, tmp_path)
    assert grid.clock.source == "receiver"
    assert abs(grid.n_rows - 30_000) <= 5
    # a row more or less in the gap is 33 ppm of two minutes (arithmetic)
    assert grid.clock.skew_ppm == pytest.approx(0, abs=100)
    time_s = grid.clock.time_s(grid.start_row)
    assert np.abs(time_s - true_s).max() < 0.02


def test_stamps_that_stand_still_are_told(tmp_path: Path) -> None:
    layout = _radio()
    frame = layout.frame
    pieces = [
        encode_frame(layout, frame, [np.full((10, 1), i)], sequence=i, ticks=i * 1310) for i in range(200)
    ]
    grid = _grid(pieces, layout, tmp_path)
    assert grid.clock.source == "ticks"
    assert "do not advance" in grid.frames.notes[0]


@pytest.mark.parametrize("seconds", [0.2, 2.0])
def test_over_a_short_stretch_stamps_say_nothing_of_the_rate(tmp_path: Path, seconds: float) -> None:
    layout = _radio()
    clock = _grid(_received(layout, FRAMES_S[: int(seconds / 0.04)]), layout, tmp_path).clock
    assert (clock.source, clock.skew_ppm) == ("receiver", None)
    assert clock.rate_hz == pytest.approx(250.0, rel=1e-3)


# ---- layouts that are wrong -------------------------------------------------------------------------------


@pytest.mark.parametrize("sequence", ["u8", "u16", "samples", ""])
@pytest.mark.parametrize("source", ["ticks", "receiver"])
def test_a_rate_that_the_data_contradict(tmp_path: Path, sequence: str, source: str) -> None:
    """The layout claims 256 Hz; the samples come at 64 Hz, as a library's documentation has it of Daphnet."""
    by_ticks = source == "ticks"
    options: dict = {"sequence": "u16" if sequence == "samples" else sequence, "sample_hz": 256.0}
    layout = sync_layout(ticks="u32" if by_ticks else "", received="" if by_ticks else "u32", **options)
    rng, frame = np.random.default_rng(2), layout.frame
    pieces = []
    for i in range(3000):
        full_s = (i + 1) * 10 / 64 + float(rng.exponential(0.02))
        number = i * 10 if sequence == "samples" else i
        counters = {
            "sequence": number % (256 if sequence == "u8" else 65536),
            "ticks": int(i * 10 / 64 * 32768),
        }
        stamps = {"received": int(full_s * 1000)}
        pieces.append(encode_frame(layout, frame, [rng.integers(-99, 99, (10, 2))], **counters, **stamps))
    lost = set(range(700, 720)) if by_ticks or sequence else set()
    grid = _grid([piece for i, piece in enumerate(pieces) if i not in lost], layout, tmp_path)
    assert grid.clock.source == source
    assert grid.clock.rate_hz == pytest.approx(64.0, rel=1e-5)
    assert (grid.n_rows, grid.restarts, grid.breaks) == (30_000, (), ())
    assert np.abs(grid.clock.time_s(np.arange(30_000)) - np.arange(30_000) / 64).max() < 2e-3


@pytest.mark.parametrize("claimed_hz", [1000.0, 1024.0, 32768.0, 1e6])
def test_a_tick_rate_that_the_receiver_contradicts(tmp_path: Path, claimed_hz: float) -> None:
    layout = _radio()
    pieces = _received(layout, FRAMES_S)
    wrong = _radio(tick_hz=claimed_hz)
    grid = _grid(pieces, wrong, tmp_path)
    clock = grid.clock
    assert (grid.n_rows, grid.restarts, grid.steps) == (150_000, (), ())
    assert clock.tick_hz == pytest.approx(32768.0, rel=2e-6)
    assert clock.skew_ppm == pytest.approx((32768 / claimed_hz - 1) * 1e6, rel=1e-4, abs=2)
    assert clock.rate_hz == pytest.approx(250.0, rel=2e-6)
    assert np.abs(clock.time_s(np.arange(150_000)) - np.arange(150_000) / 250).max() < 2e-3
