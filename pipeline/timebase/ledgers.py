"""Where every byte of the dumps went, once it is known which frames were needed."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.frames import Dump, Frames
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
        duplicate = np.logical_and.reduce([stream.duplicate for stream in same])
        absurd = np.logical_and.reduce([stream.absurd for stream in same])
        _settle_kind(dumps, same[0].frames, duplicate & ~absurd, absurd)
    return tuple(dumps)


def _settle_kind(dumps: list[Dump], frames: Frames, duplicate: Bools, absurd: Bools) -> None:
    table, n = frames.table, len(dumps)
    repeated = np.bincount(table.dump[duplicate], weights=table.n_bytes[duplicate], minlength=n)
    wrong = np.bincount(table.dump[absurd], weights=table.n_bytes[absurd], minlength=n)
    n_absurd = np.bincount(table.dump[absurd], minlength=n)
    for i, dump in enumerate(dumps):
        again, left_out = int(repeated[i]), int(wrong[i])
        ledger = replace(
            dump.ledger,
            decoded=dump.ledger.decoded - again - left_out,
            duplicate=dump.ledger.duplicate + again,
            damaged=dump.ledger.damaged + left_out,
        )
        dumps[i] = replace(dump, ledger=ledger, n_damaged_frames=dump.n_damaged_frames + int(n_absurd[i]))
