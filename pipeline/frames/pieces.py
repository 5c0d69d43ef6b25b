"""What failed packets are made of: pieces, and runs of fill bytes that part them.

Memory that was erased may stand between a frame and the next delimiter. A run of 16 or more equal fill bytes
parts a packet that is no frame; its first and last pieces may be frames by themselves.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.frames.checksum import Bytes
from pipeline.frames.leftover import PADDING_RUN, padding_runs
from pipeline.frames.shape import Bools, Ints

KEPT_OF_RUN = 4
"""Bytes at a run's end that are not settled before the piece behind it: they may belong to it."""


@dataclass
class Carried:
    """What one block tells the next of the packet that goes on in it.

    Attributes
    ----------
    is_fresh : bool
        Whether a packet begins with the block.
    run : int
        Value of a run of fill bytes that goes on in it, -1 for none.
    is_long : bool
        Whether a piece goes on in it that is too long to be a frame.
    """

    is_fresh: bool = True
    run: int = -1
    is_long: bool = False


@dataclass(frozen=True)
class Pieces:
    """Pieces of failed packets by rising start, and the runs between them.

    Attributes
    ----------
    starts, stops : int64, shape (n,)
        Of the pieces.
    is_first, is_last : bool, shape (n,)
        Whether the packet begins, or ends, with the piece.
    is_long : bool, shape (n,)
        Whether a piece is longer than any frame could be, whatever it lost.
    run_starts, run_stops : int64, shape (m,)
        Of the runs.
    """

    starts: Ints
    stops: Ints
    is_first: Bools
    is_last: Bools
    is_long: Bools
    run_starts: Ints
    run_stops: Ints


def pieces_of(
    block: Bytes, starts: Ints, stops: Ints, ended: Bools, carried: Carried, longest: int
) -> Pieces:
    """Take failed packets apart.

    Parameters
    ----------
    block : uint8
        Holds them.
    starts, stops : int64, shape (n,)
        Packets [start, stop) by rising start, not empty.
    ended : bool, shape (n,)
        Whether the packet ends there; only the last one may not.
    carried : Carried
        How the block began.
    longest : int
        Pieces longer than this are no frames.
    """
    run_starts, run_stops = _runs(block, carried)
    place = np.searchsorted(starts, run_starts, side="right") - 1
    inside = (place >= 0) & (run_starts < stops[place]) if len(starts) else np.zeros(len(place), dtype=bool)
    run_starts, run_stops = run_starts[inside], run_stops[inside]
    begins, ends = np.sort(np.concatenate((starts, run_stops))), np.sort(np.concatenate((run_starts, stops)))
    kept = ends > begins
    begins, ends = begins[kept], ends[kept]
    is_first, is_last = are_among(begins, starts), are_among(ends, stops[ended])
    is_long = ends - begins > longest
    if len(begins) and not carried.is_fresh and begins[0] == 0:
        is_first[0], is_long[0] = False, is_long[0] | carried.is_long
    return Pieces(begins, ends, is_first, is_last, is_long, run_starts, run_stops)


def _runs(block: Bytes, carried: Carried) -> tuple[Ints, Ints]:
    """Where runs of fill bytes stand; one that began before the block may be short in it."""
    starts, stops = padding_runs(block)
    if carried.run >= 0 and len(block) and int(block[0]) == carried.run:
        other = np.flatnonzero(block[:PADDING_RUN] != carried.run)
        n = int(other[0]) if len(other) else len(block)
        if n < PADDING_RUN:
            starts, stops = np.insert(starts, 0, 0), np.insert(stops, 0, n)
    return starts, stops


def settle_within(
    block: Bytes, tail: int, held: int, pieces: Pieces, carried: Carried
) -> tuple[int, Carried]:
    """How much of an unfinished packet can be settled, and what to tell the next block.

    Parameters
    ----------
    block : uint8
        Holds the packet, which begins (or goes on) at `tail` and has no end yet.
    held : int
        Bytes before the block's end that a frame may begin in: about so many are not settled.
    pieces : Pieces
        Of the packet.
    carried : Carried
        How the block began.
    """
    cut = len(block) - held
    unchanged = tail, carried if tail == 0 else Carried()
    if cut <= tail:
        return unchanged
    j = int(np.searchsorted(pieces.starts, cut, side="right")) - 1
    if j >= 0 and pieces.is_long[j] and pieces.stops[j] > cut:
        return cut, Carried(is_fresh=False, is_long=True)
    i = int(np.searchsorted(pieces.run_starts, cut, side="right")) - 1
    if i < 0 or pieces.run_starts[i] < tail:
        return unchanged
    start, stop = int(pieces.run_starts[i]), int(pieces.run_stops[i])
    limit = cut if stop == len(block) else max(start, min(cut, stop - KEPT_OF_RUN))
    return (limit, Carried(is_fresh=False, run=int(block[start]))) if limit > start else unchanged


def are_among(places: Ints, risen: Ints) -> Bools:
    """Whether each of the places is among those that rise."""
    if not len(risen):
        return np.zeros(len(places), dtype=bool)
    at = np.searchsorted(risen, places)
    return np.asarray(risen[np.minimum(at, len(risen) - 1)] == places)
