"""What the worst files cost: time by the byte as they grow, and memory beside their size."""

import os
import random
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from cases import CASES
from hostile import makers_for
from shapes import read_all

from pipeline.errors import Unreadable
from pipeline.timebase import place_session

MOST_TIMES = 2.5
"""CPU time of a file twice as long, at most."""

LEAST_S = 0.02
"""Below this, doubling says nothing."""

ONE_FILE = """
import re, sys
from pathlib import Path
sys.path[:0] = sys.argv[1:3]
from costs import seconds_of
seconds_of(sys.argv[3], sys.argv[4], int(sys.argv[5]))
print(int(re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text())[1]) * 1024)
"""


@dataclass(frozen=True)
class Cost:
    """CPU seconds of one hostile file and of one twice as long."""

    case: str
    maker: str
    n_bytes: int
    once_s: float
    twice_s: float

    @property
    def is_linear(self) -> bool:
        """Whether twice the bytes take about twice the time."""
        return self.twice_s <= max(MOST_TIMES * self.once_s, LEAST_S)


def file_of(case: str, maker: str, n_bytes: int) -> bytes:
    """A hostile file of about that size."""
    layout = CASES[case].layout
    return makers_for(layout)[maker](layout, n_bytes, random.Random(f"{case} {maker}"))


def seconds_of(case: str, maker: str, n_bytes: int, repeats: int = 1) -> float:
    """CPU seconds of reading and placing; the least of several."""
    data, layout = file_of(case, maker, n_bytes), CASES[case].layout
    best = float("inf")
    for _ in range(repeats):
        with tempfile.TemporaryDirectory() as folder:
            began = time.process_time()
            try:
                placing = place_session([read_all(data, layout, Path(folder))])
                for grid in placing.grids:
                    for _block in grid.blocks():
                        pass
            except Unreadable:
                pass
            best = min(best, time.process_time() - began)
    return best


def cost(case: str, maker: str, n_bytes: int) -> Cost:
    """How the time grows; looked at again at twice the size where it seems not to be linear."""
    seconds_of(case, maker, min(n_bytes, 1 << 14))
    for repeats in (1, 2, 3):
        once, twice = (seconds_of(case, maker, size, repeats) for size in (n_bytes, 2 * n_bytes))
        made = Cost(case, maker, n_bytes, once, twice)
        if made.is_linear:
            break
        n_bytes *= 2
    return made


def peak_bytes(case: str, maker: str, n_bytes: int) -> int:
    """Peak memory of a process that makes, reads and places one file."""
    here = Path(__file__).parent
    command = [sys.executable, "-c", ONE_FILE, str(here), str(here.parent), case, maker, str(n_bytes)]
    done = subprocess.run(command, capture_output=True, text=True, check=True, env=dict(os.environ))
    return int(done.stdout)
