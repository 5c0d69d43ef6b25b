"""One round: one dump, damaged or hostile, through the readers and on to the time grids."""

import random
import tempfile
import traceback
from collections import Counter
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import numpy as np
from cases import CASES
from damage import ACTIONS, Planted, mixed
from encode import Encoded
from hostile import makers_for
from shapes import read_all

from pipeline.errors import Unreadable
from pipeline.frames import Reading
from pipeline.timebase import place_session

FRAMES_OF_A_DUMP = 1000
SHARES = (0.02, 0.2, 0.6, 1.0)
_BLOCKS = (64, 700, 4096, 1 << 16, 1 << 21)
_SHORT, _LONG = 200, 20_000
_MOST_ROWS_SHOWN = 1 << 21


@dataclass
class Tally:
    """What rounds came to: counts by (framing, what), and faults in words."""

    counts: Counter[tuple[str, str]] = field(default_factory=Counter)
    faults: list[str] = field(default_factory=list)

    def add(self, other: "Tally") -> None:
        """Take in what another process counted."""
        self.counts += other.counts
        self.faults += other.faults


@lru_cache(maxsize=64)
def _written(name: str, series: int) -> tuple[list[Encoded], Planted]:
    encoded = CASES[name].encoded(FRAMES_OF_A_DUMP, series)
    return encoded, Planted(CASES[name].layout, encoded)


def check_width(name: str) -> int:
    """Bits of the check of a case's frames; 0 without one."""
    part = CASES[name].layout.frame.part("checksum")
    return part.checksum.width if part is not None and part.checksum is not None else 0


def play(seed: int, number: int) -> Tally:
    """Round `number` of `seed`: the same every time."""
    rng = random.Random(f"{seed} {number}")
    name = list(CASES)[number % len(CASES)]
    tally, framing = Tally(), CASES[name].layout.framing
    tally.counts[framing, "rounds"] += 1
    try:
        if (number // len(CASES)) % 4 == 3:
            _hostile(name, rng, tally)
        else:
            _damaged(name, number // len(CASES) // 16, rng, tally)
    except Exception:
        what = traceback.format_exc(limit=-4).strip()
        tally.faults.append(f"round {number}, {name}: {what}")
    return tally


def _damaged(name: str, series: int, rng: random.Random, tally: Tally) -> None:
    case = CASES[name]
    encoded, planted = _written(name, series)
    share = rng.choice(SHARES)
    actions = [rng.choice(ACTIONS) if rng.random() < share else "keep" for _ in encoded]
    data = mixed([frame.data for frame in encoded], actions, rng)
    tally.counts[case.layout.framing, "damaged frames"] += sum(action != "keep" for action in actions)
    reading = _through(data, name, rng.choice(_BLOCKS), tally)
    if reading is not None and case.checked and case.counted:
        escapes = planted.escapes(reading)
        tally.counts[case.layout.framing, f"escapes of {check_width(name)} bits"] += escapes
        if escapes and check_width(name) >= 32:
            raise AssertionError(f"{escapes} frames decoded that were never written")


def _hostile(name: str, rng: random.Random, tally: Tally) -> None:
    layout = CASES[name].layout
    maker, make = rng.choice(list(makers_for(layout).items()))
    data = make(layout, rng.randint(_SHORT, _LONG), rng)
    tally.counts[layout.framing, "hostile files"] += 1
    try:
        _through(data, name, rng.choice(_BLOCKS), tally)
    except Exception as error:
        error.add_note(f"hostile file: {maker}")
        raise


def _through(data: bytes, name: str, block_bytes: int, tally: Tally) -> Reading | None:
    """Read and place a dump; AssertionError where the books do not balance."""
    layout = CASES[name].layout
    with tempfile.TemporaryDirectory() as folder:
        try:
            reading = read_all(data, layout, Path(folder), block_bytes=block_bytes)
            placing = place_session([reading])
        except Unreadable as told:
            str(told)
            return None
    tally.counts[layout.framing, "bytes"] += len(data)
    for dump in (*reading.dumps, *placing.dumps):
        ledger = vars(dump.ledger)
        if sum(ledger.values()) != len(data) or min(ledger.values()) < 0:
            raise AssertionError(f"ledger {ledger} of {len(data)} bytes")
    for grid in placing.grids:
        if grid.n_rows <= _MOST_ROWS_SHOWN:
            shown = sum(int(present.sum()) for _, _, present in grid.blocks())
            parts = [(part.frames.table.n_samples[part.placed], part) for part in grid.parts]
            if shown != sum(int(samples.sum()) * len(part.channels) for samples, part in parts):
                raise AssertionError("rows are shown that were not decoded")
        ends = np.arange(0, grid.n_rows, max(1, grid.n_rows // 64))
        if len(ends) > 1 and not np.all(np.diff(grid.clock.time_s(ends)) > 0):
            raise AssertionError("time does not go on")
    return reading
