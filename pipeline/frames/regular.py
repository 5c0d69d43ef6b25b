"""Files in which units of one size follow a header: rows of a WAV file, data records of an EDF file.

Where everything stands is known before the samples are read. What is neither header nor unit (other chunks,
bytes behind the end) is left over; a unit whose end is missing is damaged.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

from pipeline.frames.blocks import BlockReader
from pipeline.frames.checksum import Bytes
from pipeline.frames.leftover import Ints, Tally, open_run, tally_leftover

Bools = npt.NDArray[np.bool_]

Take = Callable[[Bytes, int], Bools | None]
"""Takes whole units, uint8 of shape (n, unit_bytes), and the offset of the first; returns which of them are
good (None: all). It is given whole groups, and what is left of one at the end."""


@dataclass(frozen=True)
class Regular:
    """Where everything stands, in bytes from the file's beginning.

    Attributes
    ----------
    known : tuple of (start, stop)
        What is decoded beside the units, in order.
    start, stop : int
        Where the units stand; the last one may lack its end. Nothing known stands between.
    unit_bytes, group : int
        Size of a unit, and how many go together.
    """

    known: tuple[tuple[int, int], ...] = ()
    start: int = 0
    stop: int = 0
    unit_bytes: int = 1
    group: int = 1


@dataclass
class SeenUnits:
    """What was seen of one dump."""

    tally: Tally = field(default_factory=Tally)
    n_bytes: int = 0
    sha256: str = ""
    n_frames: int = 0


def read_units(source: BinaryIO, block_bytes: int, place: Regular, take: Take) -> SeenUnits:
    """Read a file once, hand its units on and account for every byte.

    Parameters
    ----------
    source : binary file
        At its beginning.
    block_bytes : int
        Bytes read at once; the result does not depend on it.
    place : Regular
        What stands where. That a file turns out shorter does no harm.
    take : Take
        Gets the units.
    """
    seen, reader = SeenUnits(), BlockReader(source, max(block_bytes, 1))
    base, limit, is_last = 0, 0, False
    while not is_last:
        block, is_last = reader.advance(limit)
        limit = _settle(block, base, is_last, place, take, seen.tally)
        base += limit
    seen.n_bytes, seen.sha256 = reader.n_bytes, reader.sha256
    return seen


def _settle(block: Bytes, base: int, is_last: bool, place: Regular, take: Take, tally: Tally) -> int:
    """Take what is whole in a block that begins at `base`; return how many of its bytes are settled."""
    end = base + len(block)
    stop = max(min(place.stop, end) if is_last else place.stop, place.start)
    whole = stop - (stop - place.start) % place.unit_bytes
    upto = max(min(end, whole), place.start)
    if upto < whole:
        upto -= (upto - place.start) % (place.unit_bytes * place.group)
    first = min(max(base, place.start), upto)
    units = block[first - base : upto - base].reshape(-1, place.unit_bytes) if upto > first else block[:0]
    good = take(units, first) if len(units) else None
    settled = end
    if not is_last and place.start < end < stop:
        settled = max(upto, place.start)
    taken, damaged = _spans(units, good, first, place.unit_bytes)
    taken += [
        (start, min(known, settled)) for start, known in place.known if base < known and start < settled
    ]
    if whole < stop <= settled and base <= whole:
        damaged.append((whole, stop))
    taken = sorted((max(start, base), to) for start, to in taken)
    limit = settled - base
    if not is_last:
        floor = max((to for _, to in taken), default=base) - base
        limit -= open_run(block, floor, limit, tally.run)
    tally_leftover(tally, block, base, limit, _arrays(taken, base), _arrays(damaged, base))
    return limit


def _spans(
    units: Bytes, good: Bools | None, first: int, unit_bytes: int
) -> tuple[list[tuple[int, int]], list[tuple[int, int]]]:
    """Stretches of good units, and bad units one by one; a bad unit of nothing but fill is neither."""
    if not len(units):
        return [], []
    if good is None or bool(good.all()):
        return [(first, first + len(units) * unit_bytes)], []
    edges = np.flatnonzero(np.diff(good.astype(np.int8), prepend=0, append=0)).tolist()
    taken = [
        (first + start * unit_bytes, first + stop * unit_bytes)
        for start, stop in zip(edges[::2], edges[1::2], strict=True)
    ]
    filled = (units == units[:, :1]).all(axis=1) & ((units[:, 0] == 0x00) | (units[:, 0] == 0xFF))
    bad = (first + np.flatnonzero(~good & ~filled) * unit_bytes).tolist()
    return taken, [(start, start + unit_bytes) for start in bad]


def _arrays(spans: list[tuple[int, int]], base: int) -> tuple[Ints, Ints]:
    both = np.array(spans, dtype=np.int64).reshape(-1, 2) - base
    return both[:, 0], both[:, 1]
