"""One round: one dump, damaged or hostile, through the readers and on to the time grids."""

import random
import tempfile
import traceback
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise
from pathlib import Path

import numpy as np
from cases import CASES
from damage import ACTIONS, Planted, assert_same, mixed
from encode import Encoded
from hostile import makers_for
from shapes import read_all

from pipeline.errors import Unreadable
from pipeline.frames import Dump, Reading
from pipeline.timebase import place_session

FRAMES_OF_A_DUMP = 1000
SHARES = (0.02, 0.2, 0.6, 1.0)
_BLOCKS = (64, 700, 4096, 1 << 16, 1 << 21)
_SHORT, _LONG = 200, 20_000
_MOST_ROWS_SHOWN = 1 << 21
_TWO_READINGS, _READ_AGAIN = 0.15, 0.15


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
    """A damaged dump, at times in several parts, at times with a second one of the same wearing."""
    case, framing = CASES[name], CASES[name].layout.framing
    encoded, planted = _written(name, series)
    readings = list[Reading]()
    for _ in range(2 if rng.random() < _TWO_READINGS else 1):
        share = rng.choice(SHARES)
        actions = [rng.choice(ACTIONS) if rng.random() < share else "keep" for _ in encoded]
        data = mixed([frame.data for frame in encoded], actions, rng)
        tally.counts[framing, "damaged frames"] += sum(action != "keep" for action in actions)
        parts = _parts(data, rng)
        reading = _read(parts, name, rng.choice(_BLOCKS), tally)
        if rng.random() < _READ_AGAIN:
            assert_same(reading, _read(parts, name, rng.choice(_BLOCKS), tally))
        if reading is None:
            continue
        readings.append(reading)
        if case.checked and case.counted:
            escapes = planted.escapes(reading)
            tally.counts[framing, f"escapes of {check_width(name)} bits"] += escapes
            if escapes and check_width(name) >= 32:
                raise AssertionError(f"{escapes} frames decoded that were never written")
    _place(readings)


def _hostile(name: str, rng: random.Random, tally: Tally) -> None:
    layout = CASES[name].layout
    maker, make = rng.choice(list(makers_for(layout).items()))
    data = make(layout, rng.randint(_SHORT, _LONG), rng)
    tally.counts[layout.framing, "hostile files"] += 1
    try:
        reading = _read(_parts(data, rng), name, rng.choice(_BLOCKS), tally)
        _place([reading] if reading else [])
    except Exception as error:
        error.add_note(f"hostile file: {maker}")
        raise


def _parts(data: bytes, rng: random.Random) -> list[bytes]:
    """A recording in up to three files, not always in their order."""
    cuts = sorted(rng.randrange(len(data) + 1) for _ in range(rng.choice((0, 0, 0, 1, 2))))
    parts = [data[start:stop] for start, stop in pairwise([0, *cuts, len(data)])]
    return rng.sample(parts, len(parts)) if rng.random() < 0.5 else parts


def _read(parts: Sequence[bytes], name: str, block_bytes: int, tally: Tally) -> Reading | None:
    """Read the dumps of one layout; None where a user is told that nothing can be read."""
    layout = CASES[name].layout
    with tempfile.TemporaryDirectory() as folder:
        try:
            reading = read_all(parts, layout, Path(folder), block_bytes=block_bytes)
        except Unreadable as told:
            str(told)
            return None
    tally.counts[layout.framing, "bytes"] += sum(map(len, parts))
    for dump, part in zip(reading.dumps, parts, strict=True):
        _balanced(dump, len(part))
    return reading


def _balanced(dump: Dump, n_bytes: int) -> None:
    ledger = vars(dump.ledger)
    if sum(ledger.values()) != n_bytes or dump.n_bytes != n_bytes or min(ledger.values()) < 0:
        raise AssertionError(f"ledger {ledger} of {n_bytes} bytes")


def _place(readings: Sequence[Reading]) -> None:
    """Put all frames of a wearing on its time grids."""
    if not readings:
        return
    try:
        placing = place_session(readings)
    except Unreadable as told:
        str(told)
        return
    before = [dump for reading in readings for dump in reading.dumps]
    for dump, read in zip(placing.dumps, before, strict=True):
        _balanced(dump, read.n_bytes)
    for grid in placing.grids:
        if grid.n_rows <= _MOST_ROWS_SHOWN:
            shown = sum(int(present.sum()) for _, _, present in grid.blocks())
            parts = [(part.frames.table.n_samples[part.placed], part) for part in grid.parts]
            decoded = sum(int(samples.sum()) * len(part.channels) for samples, part in parts)
            if shown > decoded or (shown < decoded and len(readings) == 1):
                raise AssertionError(f"{shown} values are shown, {decoded} were decoded")
        some = np.arange(0, grid.n_rows, max(1, grid.n_rows // 64))
        if len(some) > 1 and not np.all(np.diff(grid.clock.time_s(some)) > 0):
            raise AssertionError("time does not go on")
    for events in placing.events:
        if not len(events.time_s) == len(events.row) == len(events.counts):
            raise AssertionError("events without a time or a row")
