"""The frame table as it grows: what is added comes back, and what never changes costs nothing."""

from pathlib import Path

import numpy as np
import pytest

from pipeline.frames import CountSpool, spool
from pipeline.frames.tables import TableBuilder


def test_blocks_of_several_dumps_come_back_in_their_order() -> None:
    rng = np.random.default_rng(5)
    builder, whole = TableBuilder(), []
    for block in range(40):
        n = int(rng.integers(0, 3000))
        columns = rng.integers(0, 1 << 31, (5, n))
        if block < 20:
            columns[1], columns[4] = 90, 10
        whole.append(np.concatenate((np.full((1, n), block // 15), columns)))
        builder.add(block // 15, *columns[:2], *columns[2:4], None, columns[4])
    dump, offset, n_bytes, sequence, ticks, n_samples = np.concatenate(whole, axis=1)
    (table,) = builder.tables()
    assert len(table) == len(offset)
    for column, wanted in (
        (table.dump, dump),
        (table.offset, offset),
        (table.n_bytes, n_bytes),
        (table.sequence, sequence),
        (table.ticks, ticks),
        (table.n_samples, n_samples),
        (table.first_row, np.cumsum(n_samples) - n_samples),
    ):
        assert np.array_equal(column, wanted)


def test_what_never_changes_takes_no_memory() -> None:
    builder = TableBuilder()
    for start in range(0, 9000, 3000):
        at = np.arange(start, start + 3000)
        builder.add(0, at * 90, np.full(3000, 90), at, None, None, np.full(3000, 10))
    (table,) = builder.tables()
    assert [column.strides for column in (table.dump, table.n_bytes, table.ticks, table.n_samples)] == [
        (0,)
    ] * 4
    assert table.ticks[0] == -1
    assert len(TableBuilder().tables()[0]) == 0


def test_a_part_of_the_table_is_turned_and_counts_stay_in_place() -> None:
    builder, at = TableBuilder(2), np.arange(10)
    builder.add(0, at * 90, np.full(10, 90), at, None, at * 7, at % 3, np.full(10, 4))
    builder.turn(4, 2)
    builder.add(1, at * 90, np.full(10, 90), at, None, at * 7, at % 3, np.full(10, 4))
    order = [0, 1, 2, 3, 6, 7, 8, 9, 4, 5, *range(10, 20)]
    size = np.tile(at % 3, 2)
    first, second = builder.tables()
    assert first.sequence.tolist() == np.tile(at, 2)[order].tolist()
    assert first.offset.tolist() == (np.tile(at, 2) * 90)[order].tolist()
    assert first.received.tolist() == (np.tile(at, 2) * 7)[order].tolist()
    assert first.n_samples.tolist() == size[order].tolist()
    assert first.first_row.tolist() == (np.cumsum(size) - size)[order].tolist()
    assert second.first_row.tolist() == (np.arange(20) * 4)[order].tolist()


@pytest.mark.parametrize("in_memory", [1 << 20, 500])
def test_rows_come_back_from_memory_and_from_a_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, in_memory: int
) -> None:
    monkeypatch.setattr(spool, "SPOOL_IN_MEMORY_BYTES", in_memory)
    kept, rows = CountSpool(3, "i2", tmp_path), np.arange(-300, 300).reshape(200, 3)
    kept.append(rows[:60].astype(">i4"))
    kept.append(rows[60:160].reshape(20, 5, 3))
    assert np.array_equal(kept.read(50, 70), rows[50:70])
    kept.append(rows[160:, ::-1][:, ::-1])
    assert kept.n_rows == 200
    assert np.array_equal(kept.read(0, 200), rows)
    kept.turn(150, 20)
    kept.append(rows[:2])
    turned = [*rows[:150], *rows[170:], *rows[150:170], *rows[:2]]
    assert np.array_equal(kept.read(0, kept.n_rows), turned)
    # what was read is not changed by what comes later
    read = kept.read(0, 5)
    kept.append(np.repeat(rows, 10, axis=0))
    assert np.array_equal(read, rows[:5])
