"""Where every byte of the dumps went, once it is known which frames were needed."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.frames import Dump, Frames
from pipeline.frames.room import blocks_of
from pipeline.timebase.grid import Bools, Grid


@dataclass(frozen=True)
class Settled:
    """The frames of one stream: which of them repeat others or were not needed, and which are absurd."""

    frames: Frames
    duplicate: Bools
    absurd: Bools


def final_ledgers(grids: Sequence[Grid]) -> tuple[Dump, ...]:
    """The dumps' entries where each stream has its own grid; see :func:`settle`."""
    settled = [Settled(grid.frames, grid.duplicate, grid.absurd) for grid in grids]
    return settle(settled)


def settle(streams: Sequence[Settled]) -> tuple[Dump, ...]:
    """The dumps' entries: repeated frames count as such, absurd ones as damaged.

    Parameters
    ----------
    streams : sequence of Settled
        Of one reading, at least one. Streams of one kind of frame share its bytes, which count once: as
        duplicate where none of the streams needed the frame.
    """
    dumps, kinds = list(streams[0].frames.dumps), dict[int, list[Settled]]()
    for stream in streams:
        kinds.setdefault(id(stream.frames.stream.frame), []).append(stream)
    for same in kinds.values():
        _settle_kind(dumps, same)
    return tuple(dumps)


def _settle_kind(dumps: list[Dump], same: Sequence[Settled]) -> None:
    table, n = same[0].frames.table, len(dumps)
    repeated, wrong, n_absurd = (np.zeros(n, dtype=np.int64) for _ in range(3))
    for block in blocks_of(len(table)):
        duplicate = np.logical_and.reduce([stream.duplicate[block] for stream in same])
        absurd = np.logical_and.reduce([stream.absurd[block] for stream in same])
        for which, n_bytes in ((duplicate & ~absurd, repeated), (absurd, wrong)):
            np.add.at(n_bytes, table.dump[block][which], table.n_bytes[block][which])
        np.add.at(n_absurd, table.dump[block][absurd], 1)
    for i, dump in enumerate(dumps):
        again, left_out = int(repeated[i]), int(wrong[i])
        ledger = replace(
            dump.ledger,
            decoded=dump.ledger.decoded - again - left_out,
            duplicate=dump.ledger.duplicate + again,
            damaged=dump.ledger.damaged + left_out,
        )
        dumps[i] = replace(dump, ledger=ledger, n_damaged_frames=dump.n_damaged_frames + int(n_absurd[i]))
