"""Whatever happens to a dump: frames are placed where they belong, or not at all."""

import random
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from cases import CASES, Case
from damage import ACTIONS, MOVING, Planted, mixed
from hypothesis import given, settings
from hypothesis import strategies as st
from shapes import read_all

from pipeline.errors import Unreadable
from pipeline.frames import Reading
from pipeline.timebase import Grid, Placing, place_session

BOUNDED = settings(max_examples=40, derandomize=True, deadline=None, database=None)


def damage_of(actions: tuple[str, ...]) -> st.SearchStrategy[list[str]]:
    return st.lists(st.sampled_from(["keep"] * 12 + [*actions]), min_size=6, max_size=40)


@pytest.mark.parametrize("name", CASES)
def test_any_mixture_of_faults(name: str) -> None:
    case = CASES[name]
    # text carries no check: a flipped digit is another number, so that only losses and cuts can be told there
    offered = MOVING if case.layout.framing == "text" else ACTIONS

    @BOUNDED
    @given(actions=damage_of(offered), seed=st.integers(0, 2**32 - 1))
    def holds(actions: list[str], seed: int) -> None:
        encoded = case.encoded(len(actions), seed)
        data = mixed([frame.data for frame in encoded], actions, random.Random(seed))
        with TemporaryDirectory() as folder:
            try:
                reading = read_all(data, case.layout, Path(folder))
                placing = place_session([reading])
            except Unreadable:
                return
            check_placing(reading, placing, case, Planted(case.layout, encoded))

    holds()


def check_placing(reading: Reading, placing: Placing, case: Case, planted: Planted) -> None:
    """Ledgers, grids and clocks of a session of one dump."""
    for dump, before in zip(placing.dumps, reading.dumps, strict=True):
        assert dump.ledger.total == dump.n_bytes == before.n_bytes
        assert min(vars(dump.ledger).values()) >= 0
    for grid in placing.grids:
        check_rows(grid)
        for part in grid.parts:
            check_frames(part)
            if case.checked and case.counted and is_telling(part):
                check_places(part, planted)


def is_telling(grid: Grid) -> bool:
    """Whether enough is there, where ticks alone tell what is lost: frames vary, or kinds share a counter."""
    frame = grid.frames.stream.frame
    sequence = frame.part("sequence")
    by_ticks = frame.part("length") or (sequence and sequence.shared)
    return not by_ticks or len(grid.placed) >= 20


def check_rows(grid: Grid) -> None:
    """No row is made up, and time goes on."""
    decoded = [
        int(part.frames.table.n_samples[part.placed].sum()) * len(part.channels) for part in grid.parts
    ]
    assert sum(int(present.sum()) for _, _, present in grid.blocks(block_rows=7)) == sum(decoded)
    seconds = grid.clock.time_s(np.arange(grid.n_rows))
    assert np.all(np.diff(seconds) > 0)


def check_frames(grid: Grid) -> None:
    """No row twice."""
    assert np.all(np.diff(grid.start_row) > 0)
    ends = grid.start_row + grid.frames.table.n_samples[grid.placed]
    assert np.all(ends[:-1] <= grid.start_row[1:])
    assert int(ends[-1]) == grid.n_rows


def check_places(grid: Grid, planted: Planted) -> None:
    """Every frame is as far from every other as it was written."""
    stream = planted.layout.streams.index(grid.frames.stream)
    which = planted.indices(stream, grid.frames)[grid.placed]
    assert not grid.restarts
    assert len({*(planted.firsts[stream][which] - grid.start_row).tolist()}) == 1
