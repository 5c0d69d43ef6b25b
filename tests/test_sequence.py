"""Sequence numbers: wraps, losses, repeats, late frames, restarts; published examples and planted truth."""

import tracemalloc
from pathlib import Path

import numpy as np
import pytest
from encode import encode_frame, encode_frames
from shapes import read_bytes, sync_layout, text_layout

from pipeline.layouts import Layout
from pipeline.timebase import Grid, final_ledgers, place_frames
from pipeline.timebase.sequence import extend, signed_difference


def _counts(n_frames: int, per_frame: int = 10, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).integers(-30000, 30000, (n_frames * per_frame, 2))


def _grid(pieces: list[bytes], layout: Layout, folder: Path) -> Grid:
    return place_frames(read_bytes(b"".join(pieces), layout, folder))


def _table(grid: Grid) -> tuple[np.ndarray, np.ndarray]:
    blocks = list(grid.blocks(block_rows=33))
    return np.concatenate([counts for _, counts, _ in blocks]), np.concatenate(
        [p[:, 0] for _, _, p in blocks]
    )


def _expect(grid: Grid, counts: np.ndarray, present: np.ndarray) -> None:
    shown, is_present = _table(grid)
    assert np.array_equal(is_present, present)
    assert np.array_equal(shown, np.where(present[:, None], counts, 0))


def test_worked_wrap_of_rfc_3550_appendix_a3(tmp_path: Path) -> None:
    """RFC 3550 A.1 and A.3: extended highest 65539, expected 10, received 7, lost 3."""
    received = [65530, 65531, 65533, 65535, 0, 1, 3]
    assert extend(np.array(received), 16)[-1] == 65539
    layout = sync_layout(ticks="")
    pieces = encode_frames(layout, _counts(10), first_sequence=65530)
    grid = _grid([pieces[i] for i in (0, 1, 3, 5, 6, 7, 9)], layout, tmp_path)
    assert grid.frames.table.sequence.tolist() == received
    assert (grid.n_expected_frames, len(grid.placed), grid.n_lost_frames) == (10, 7, 3)
    # the fraction lost, in 256ths, as a receiver reports it
    assert (grid.n_lost_frames << 8) // grid.n_expected_frames == 76
    _expect(grid, _counts(10), np.isin(np.arange(100) // 10, (0, 1, 3, 5, 6, 7, 9)))


@pytest.mark.parametrize(
    ("greater", "less"),
    [(1, 0), (44, 0), (100, 0), (100, 44), (200, 100), (255, 200), (0, 255), (100, 255), (0, 200), (44, 200)],
)
def test_comparisons_of_rfc_1982_section_5_2(greater: int, less: int) -> None:
    """Serial numbers of 8 bits; section 5.2, from memory."""
    assert signed_difference(np.array([greater]), np.array([less]), 8)[0] > 0
    assert signed_difference(np.array([less]), np.array([greater]), 8)[0] < 0


@pytest.mark.parametrize(("number", "added", "total"), [(255, 1, 0), (100, 100, 200), (200, 100, 44)])
def test_additions_of_rfc_1982_section_5_2(number: int, added: int, total: int) -> None:
    assert signed_difference(np.array([total]), np.array([number]), 8)[0] == added


@pytest.mark.parametrize("sequence", ["u8", "u16", "u32"])
@pytest.mark.parametrize("ticks", ["", "u16", "u24", "u32"])
def test_losses_repeats_and_late_frames(tmp_path: Path, sequence: str, ticks: str) -> None:
    layout = sync_layout(sequence=sequence, ticks=ticks)
    n = 700
    counts, rng = _counts(n), np.random.default_rng(1)
    data = encode_frames(layout, counts, first_sequence=200, first_tick=2**32 - 5000)
    kept = np.sort(rng.permutation(n)[: n - 60])
    kept[0], kept[-1] = 0, n - 1
    kept = np.unique(kept)
    order = kept.tolist()
    for i in range(20, len(order) - 5, 37):
        order[i], order[i + 2] = order[i + 2], order[i]
    for i in range(30, len(order), 41):
        order.insert(i + 1, order[i])
    grid = _grid([data[i] for i in order], layout, tmp_path)
    _expect(grid, counts, np.isin(np.arange(n * 10) // 10, kept))
    assert grid.n_lost_frames == n - len(kept)
    assert int(grid.duplicate.sum()) == len(order) - len(kept)
    assert grid.n_late > 0
    assert not grid.restarts
    ledger = final_ledgers([grid])[0].ledger
    assert ledger.duplicate == int(grid.duplicate.sum()) * len(data[0])
    assert ledger.total == grid.frames.dumps[0].n_bytes


@pytest.mark.parametrize("lost", [200, 256, 300, 1000, 5120])
def test_ticks_tell_how_often_a_short_counter_wrapped_while_out_of_reach(tmp_path: Path, lost: int) -> None:
    layout = sync_layout(sequence="u8", ticks="u32")
    n = 400 + lost
    counts = _counts(n)
    data = encode_frames(layout, counts)
    grid = _grid(data[:200] + data[200 + lost :], layout, tmp_path)
    assert grid.n_lost_frames == lost
    frame = np.arange(n * 10) // 10
    _expect(grid, counts, (frame < 200) | (frame >= 200 + lost))


@pytest.mark.parametrize("ticks", ["", "u32"])
def test_a_long_loss_on_a_longer_counter(tmp_path: Path, ticks: str) -> None:
    layout = sync_layout(ticks=ticks)
    counts = _counts(12_000, seed=3)
    data = encode_frames(layout, counts)
    grid = _grid(data[:500] + data[11_000:], layout, tmp_path)
    assert (grid.n_lost_frames, grid.restarts) == (10_500, ())


@pytest.mark.parametrize("sequence", ["u8", "u16", "u32"])
@pytest.mark.parametrize("lost_at_restart", [0, 1])
def test_restart_is_found_and_rows_go_on(tmp_path: Path, sequence: str, lost_at_restart: int) -> None:
    layout = sync_layout(sequence=sequence)
    counts = _counts(300)
    first = encode_frames(layout, counts[:2000], first_sequence=77, first_tick=10_000_000)
    second = encode_frames(layout, counts[2000:])
    pieces = first + second[:1] + second[1 + lost_at_restart :]
    grid = _grid(pieces, layout, tmp_path)
    assert [restart.row for restart in grid.restarts] == [2000]
    assert "the sequence went from" in grid.restarts[0].reason
    frame = np.arange(3000) // 10
    _expect(grid, counts, (frame != 201) | (lost_at_restart == 0))
    assert grid.n_lost_frames == lost_at_restart
    seconds = grid.clock.time_s(np.arange(3000))
    assert np.all(np.diff(seconds) > 0.003)


@pytest.mark.parametrize("ticks", ["", "u32"])
@pytest.mark.parametrize("n_first", [60, 300])
def test_a_device_that_begins_with_the_same_numbers_does_not_repeat_itself(
    tmp_path: Path, ticks: str, n_first: int
) -> None:
    layout = sync_layout(ticks=ticks)
    counts = _counts(n_first + 200)
    first = encode_frames(layout, counts[: 10 * n_first])
    second = encode_frames(layout, counts[10 * n_first :])
    grid = _grid(first + second, layout, tmp_path)
    assert [restart.row for restart in grid.restarts] == [10 * n_first]
    _expect(grid, counts, np.ones(len(counts), dtype=bool))
    # what is read twice is a repeat all the same
    grid = _grid(first + first, layout, tmp_path)
    assert (grid.restarts, grid.n_rows, int(grid.duplicate.sum())) == ((), 10 * n_first, n_first)


def test_restart_without_ticks_needs_a_second_frame(tmp_path: Path) -> None:
    """RFC 3550 A.1: a large jump is believed when two frames agree."""
    layout = sync_layout(ticks="")
    counts = _counts(220)
    first = encode_frames(layout, counts[:2000], first_sequence=40_000)
    second = encode_frames(layout, counts[2000:])
    grid = _grid(first + second, layout, tmp_path)
    assert [restart.row for restart in grid.restarts] == [2000]
    grid = _grid(first + second[:1], layout, tmp_path)
    assert not grid.restarts
    assert int(grid.absurd.sum()) == 1
    assert grid.n_rows == 2000


@pytest.mark.parametrize("ticks", ["", "u32"])
@pytest.mark.parametrize("where", [0, 50, 99])
def test_one_absurd_frame_is_left_out_and_counted_damaged(tmp_path: Path, ticks: str, where: int) -> None:
    layout = sync_layout(ticks=ticks)
    counts = _counts(100)
    data = encode_frames(layout, counts, first_sequence=1000, first_tick=1_000_000)
    absurd = encode_frames(layout, _counts(1, seed=9), first_sequence=31_000, first_tick=3_000_000_000)
    grid = _grid(data[:where] + absurd + data[where:], layout, tmp_path)
    assert not grid.restarts
    _expect(grid, counts, np.ones(1000, dtype=bool))
    dump = final_ledgers([grid])[0]
    assert (dump.ledger.damaged, dump.n_damaged_frames) == (len(data[0]), 1)


def test_overlapping_parts_of_a_recording_are_joined(tmp_path: Path) -> None:
    for ticks in ("", "u32"):
        layout = sync_layout(ticks=ticks)
        counts = _counts(9_000, 10)
        data = encode_frames(layout, counts, first_sequence=50_000)
        frames = read_bytes([b"".join(data[:6000]), b"".join(data[500:])], layout, tmp_path)
        grid = place_frames(frames)
        assert (grid.n_rows, grid.n_lost_frames, grid.restarts) == (90_000, 0, ())
        _expect(grid, counts, np.ones(90_000, dtype=bool))
        assert [dump.ledger.duplicate for dump in final_ledgers([grid])] == [0, 5500 * len(data[0])]


@pytest.mark.parametrize("overlap", [0, 300])
@pytest.mark.parametrize("order", [(2, 0, 1), (1, 2, 0), (2, 1, 0)])
def test_parts_in_any_order_without_ticks(tmp_path: Path, order: tuple[int, ...], overlap: int) -> None:
    layout = sync_layout(ticks="")
    counts = _counts(6_000)
    data = encode_frames(layout, counts, first_sequence=62_000)
    parts = [b"".join(data[max(0, 2000 * i - overlap) : 2000 * (i + 1)]) for i in range(3)]
    grid = place_frames(read_bytes([parts[i] for i in order], layout, tmp_path))
    assert (grid.n_rows, grid.n_lost_frames, grid.restarts) == (60_000, 0, ())
    _expect(grid, counts, np.ones(60_000, dtype=bool))
    ledgers = [dump.ledger for dump in final_ledgers([grid])]
    assert sum(ledger.duplicate for ledger in ledgers) == 2 * overlap * len(data[0])


@pytest.mark.parametrize("ticks", ["", "u32"])
def test_two_receivers_of_one_device_make_good_what_the_other_lost(tmp_path: Path, ticks: str) -> None:
    layout = sync_layout(ticks=ticks)
    counts, rng = _counts(8_000), np.random.default_rng(4)
    data = encode_frames(layout, counts, first_sequence=40_000)
    heard = [rng.random(8_000) < share for share in (0.9, 0.8)]
    heard[0][[0, -1]] = True
    dumps = [
        b"".join(frame for frame, is_heard in zip(data, mask, strict=True) if is_heard) for mask in heard
    ]
    grid = place_frames(read_bytes(dumps, layout, tmp_path))
    assert (grid.n_rows, grid.restarts) == (80_000, ())
    _expect(grid, counts, np.repeat(heard[0] | heard[1], 10))
    assert grid.n_lost_frames == int((~(heard[0] | heard[1])).sum())


def test_parts_in_the_wrong_order_are_put_right_by_ticks(tmp_path: Path) -> None:
    layout = sync_layout()
    counts = _counts(5_000)
    data = encode_frames(layout, counts)
    frames = read_bytes([b"".join(data[4000:]), b"".join(data[:4000])], layout, tmp_path)
    grid = place_frames(frames)
    _expect(grid, counts, np.ones(50_000, dtype=bool))


def test_a_counter_of_samples_counts_frames_too(tmp_path: Path) -> None:
    layout = sync_layout(sequence="u16", ticks="")
    counts = _counts(300)
    data = [
        encode_frames(layout, counts[10 * i : 10 * i + 10], first_sequence=65_000 + 10 * i)[0]
        for i in range(300)
    ]
    del data[17], data[100:104]
    grid = _grid(data, layout, tmp_path)
    assert (grid.n_rows, grid.n_lost_frames) == (3000, 5)


def test_a_gap_of_a_day_costs_rows_and_no_memory(tmp_path: Path) -> None:
    layout = sync_layout(sequence="u32", ticks="u32", check="", channels=("a",))
    counts = _counts(46_000, 10)[:, :1]
    data = encode_frames(layout, counts)
    lost = 2_000_000
    numbers = [data[i] for i in range(2000)]
    for i in range(2000, 46_000):
        k = i + lost
        fields = {"sequence": k, "ticks": round(k * 0.04 * 32768) % 2**32}
        numbers.append(encode_frame(layout, layout.frame, [counts[10 * i : 10 * i + 10]], **fields))
    frames = read_bytes(b"".join(numbers), layout, tmp_path)
    tracemalloc.start()
    grid = place_frames(frames)
    assert (grid.n_rows, grid.n_lost_frames, grid.restarts) == (20_460_000, lost, ())
    n_present = sum(int(present.sum()) for _, _, present in grid.blocks())
    assert n_present == 460_000
    last = grid.clock.time_s(np.array([grid.n_rows - 1]))[0]
    assert last == pytest.approx((grid.n_rows - 1) / 250, rel=1e-6)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    # a block of 262 144 rows of counts with what goes along; the frames are 46 000
    assert peak < 20e6


@pytest.mark.parametrize("sequence", ["", "u16"])
@pytest.mark.parametrize("ticks", ["", "u32"])
def test_hostile_counters_cannot_make_the_grid_huge(tmp_path: Path, sequence: str, ticks: str) -> None:
    rng = np.random.default_rng(8)
    layout = sync_layout(sequence=sequence, ticks=ticks)
    pieces = [
        encode_frames(
            layout,
            _counts(2, seed=i),
            first_sequence=int(rng.integers(0, 2**16)),
            first_tick=int(rng.integers(0, 2**32)),
        )
        for i in range(500)
    ]
    grid = _grid([frame for pair in pieces for frame in pair], layout, tmp_path)
    assert grid.n_rows <= 50 * 1000 * 10 + 10_000
    assert len(_table(grid)[1]) == grid.n_rows


def test_frames_of_varying_size(tmp_path: Path) -> None:
    for ticks in ("", "u32"):
        layout = sync_layout(length="u16", ticks=ticks)
        sizes = [8] * 50 + [4, 8, 3] + [8] * 50
        counts = np.random.default_rng(2).integers(-9, 9, (sum(sizes), 2))
        data = encode_frames(layout, counts, samples_per_frame=sizes)
        lost = {20, 21, 51, 70}
        grid = _grid([frame for i, frame in enumerate(data) if i not in lost], layout, tmp_path)
        assert grid.n_rows == sum(sizes)
        frame = np.repeat(np.arange(len(sizes)), sizes)
        _expect(grid, counts, ~np.isin(frame, list(lost)))


def test_without_counters_frames_stand_in_the_order_of_arrival(tmp_path: Path) -> None:
    layout = sync_layout(sequence="", ticks="")
    counts = _counts(20)
    data = encode_frames(layout, counts)
    grid = _grid(data, layout, tmp_path)
    _expect(grid, counts, np.ones(200, dtype=bool))
    assert (grid.n_expected_frames, grid.n_lost_frames, grid.clock.source) == (0, 0, "nominal")


def test_by_ticks_alone(tmp_path: Path) -> None:
    layout = sync_layout(sequence="")
    counts = _counts(500)
    data = encode_frames(layout, counts, first_tick=2**32 - 10_000)
    order = [i for i in range(500) if i not in (30, 31, 200) and not 300 <= i < 380]
    order[50], order[51] = order[51], order[50]
    order.insert(100, order[99])
    grid = _grid([data[i] for i in order], layout, tmp_path)
    frame = np.arange(5000) // 10
    _expect(grid, counts, np.isin(frame, order))
    assert int(grid.duplicate.sum()) == 1


def test_lines_stamped_at_reception_keep_their_order_and_show_a_gap(tmp_path: Path) -> None:
    """Jitter of up to three samples; 40 samples lost once."""
    layout = text_layout(sequence_bits=None, ticks_bits=32)
    rng = np.random.default_rng(6)
    true = np.concatenate((np.arange(600), np.arange(640, 1200)))
    stamps = np.sort(true * 4 + 10_000 + rng.integers(0, 12, len(true)))
    lines = [f"{stamp},{i},{-i}\n".encode() for i, stamp in enumerate(stamps.tolist())]
    grid = _grid(lines, layout, tmp_path)
    assert len(grid.placed) == len(true)
    gaps = np.diff(grid.start_row)
    assert (gaps > 1).sum() == 1
    assert 600 <= int(np.argmax(gaps)) + 1 <= 601
    assert abs(int(gaps.max()) - 41) <= 4


def test_a_sequence_that_counts_nothing_is_told(tmp_path: Path) -> None:
    layout = sync_layout(ticks="")
    rng = np.random.default_rng(4)
    data = [
        encode_frames(layout, _counts(1, seed=i), first_sequence=int(rng.integers(0, 65536)))[0]
        for i in range(80)
    ]
    grid = _grid(data, layout, tmp_path)
    assert grid.n_rows == 800
    assert "order of arrival" in grid.frames.notes[0]


def test_ticks_that_follow_nothing_are_left_aside(tmp_path: Path) -> None:
    layout = sync_layout()
    rng = np.random.default_rng(4)
    counts = _counts(200)
    data = [
        encode_frames(
            layout, counts[10 * i : 10 * i + 10], first_sequence=i, first_tick=int(rng.integers(0, 2**32))
        )[0]
        for i in range(200)
    ]
    del data[7]
    grid = _grid(data, layout, tmp_path)
    assert (grid.n_rows, grid.n_lost_frames, grid.restarts) == (2000, 1, ())
    assert grid.clock.source == "nominal"
    assert "ticks" in grid.frames.notes[0]


def test_lines_stamped_in_batches_are_placed_by_their_sequence(tmp_path: Path) -> None:
    layout = text_layout(ticks_bits=32, sequence_bits=8)
    # a terminal that reads every 16 ms stamps four lines alike
    kept = [i for i in range(3000) if not 700 <= i < 1212]
    lines = [f"{i % 256},{5000 + i // 4 * 16},{i % 999},0\n".encode() for i in kept]
    grid = _grid(lines, layout, tmp_path)
    assert (grid.n_rows, grid.n_lost_frames, grid.restarts) == (3000, 512, ())
    assert grid.clock.source == "ticks"
    assert grid.clock.rate_hz == pytest.approx(250.0, rel=1e-3)


@pytest.mark.parametrize("n", [6, 60])
def test_every_second_frame_lost_is_no_counter_of_samples(tmp_path: Path, n: int) -> None:
    layout = sync_layout(count=2)
    counts = _counts(n, per_frame=2)
    grid = _grid(encode_frames(layout, counts)[::2], layout, tmp_path)
    assert grid.n_lost_frames == n // 2 - 1
    _expect(grid, counts[: 2 * n - 2], (np.arange(2 * n - 2) // 2) % 2 == 0)
