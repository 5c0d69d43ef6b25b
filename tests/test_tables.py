"""The frame table as it grows: what is added comes back, and what never changes costs nothing."""

import numpy as np

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
