"""Lines of text are read at the pace of general-purpose readers; tests/benchmarks/text.py measures it.

The bounds leave room for a machine that does other things: what is measured is about half of them.
"""

import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from shapes import text_layout

from pipeline.frames import read_frames

sys.path.insert(0, str(Path(__file__).parent / "benchmarks"))

from text import damage, write_lines

N_LINES = 100_000
TURNS = 4


@pytest.fixture(scope="module")
def dumps(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("lines")
    clean, damaged = folder / "clean.log", folder / "damaged.log"
    write_lines(clean, N_LINES, 4)
    damage(clean, damaged)
    return clean, damaged


def _cpu_s(*tasks: Callable[[], object]) -> list[float]:
    """The least CPU time of each task; they take turns."""
    times: list[list[float]] = [[] for _ in tasks]
    for _ in range(TURNS):
        for task, mine in zip(tasks, times, strict=True):
            began = time.process_time()
            task()
            mine.append(time.process_time() - began)
    return [min(mine) for mine in times]


def _read(path: Path) -> int:
    layout = text_layout(ticks_bits=32, channels=tuple("abcd"), low=-2048, high=2047, tick_hz=1e6)
    return len(read_frames([(path.name, path)], layout, path.parent).main.table)


def test_clean_lines_at_the_pace_of_numpy_and_damaged_ones_at_half_of_it(dumps: tuple[Path, Path]) -> None:
    clean, damaged = dumps
    assert _read(clean) == N_LINES
    assert 0.6 * N_LINES < _read(damaged) < 0.8 * N_LINES
    ours, broken, numpys = _cpu_s(
        lambda: _read(clean),
        lambda: _read(damaged),
        lambda: np.loadtxt(clean, delimiter=",", dtype=np.int64),
    )
    assert ours < 2.5 * numpys
    assert broken < 4 * ours
