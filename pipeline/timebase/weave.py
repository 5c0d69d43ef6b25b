"""Two grids of the same rate made one: whose rows go where, so that no sample of either is left out."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from pipeline.frames.room import MEMORY, Room, blocks_of
from pipeline.timebase.grid import Grid, Restart
from pipeline.timebase.sequence import Ints


@dataclass(frozen=True)
class Shift:
    """By how much rows move: those from ``begin[k]`` on by ``by[k]``; both int64, shape (k,)."""

    begin: Ints
    by: Ints

    def of(self, rows: Ints, room: Room = MEMORY) -> Ints:
        """Where rows go."""
        found = room.zeros(len(rows))
        for block in blocks_of(len(rows)):
            which = np.searchsorted(self.begin, rows[block], side="right") - 1
            found[block] = rows[block] + self.by[np.maximum(which, 0)]
        return found

    def row_of(self, row: int) -> int:
        """Where one row goes."""
        return int(self.of(np.array([row], dtype=np.int64))[0])


@dataclass(frozen=True)
class Segment:
    """Rows [start, stop) of the other grid that lie in one run of the base; ``run`` is None for no run.

    ``delta`` is the base's row less the other's.
    """

    start: int
    stop: int
    run: int | None
    delta: int = 0


@dataclass(frozen=True)
class Woven:
    """The rows of both grids as one, and where the device began anew on them."""

    n_rows: int
    base: Shift
    other: Shift
    restarts: tuple[Restart, ...]


def weave(
    n_rows: int, restarts: Sequence[Restart], segments: Sequence[Segment], reasons: Sequence[Restart] = ()
) -> Woven | None:
    """Find room for the rows of another grid between and beside those of the base.

    Parameters
    ----------
    n_rows, restarts :
        Of the base.
    segments : sequence of Segment
        Of the other, in the order of its rows, at least one. Those of no run get a run of their own, behind
        that of the segment before.
    reasons : sequence of Restart
        Of the other: what is said of a run of its own.

    Returns
    -------
    Woven or None
        None where segments would overlap.
    """
    begins = [0, *(restart.row for restart in restarts)]
    ends = [*begins[1:], n_rows]
    order = _order_of_runs(len(begins), segments)
    base_by, other_by, found, at = [0] * len(begins), [0] * len(segments), list[Restart](), 0
    for run, own in order:
        mine = [k for k, segment in enumerate(segments) if segment.run == run] if own is None else [own]
        spans = [(segments[k].start + segments[k].delta, segments[k].stop + segments[k].delta) for k in mine]
        if any(one[1] > other[0] for one, other in pairwise(spans)):
            return None
        if own is None:
            spans = [(begins[run], ends[run]), *spans]
            said = restarts[run - 1] if run else None
        else:
            said = next((r for r in reasons if r.row == segments[own].start), None)
        low, high = min(span[0] for span in spans), max(span[1] for span in spans)
        if at:
            found.append(
                replace(said, row=at) if said else Restart(at, "nothing tells how its parts hang together")
            )
        if own is None:
            base_by[run] = at - low
        for k in mine:
            other_by[k] = segments[k].delta + at - low
        at += high - low
    starts = np.array([segment.start for segment in segments], dtype=np.int64)
    base = Shift(np.array(begins, dtype=np.int64), np.array(base_by, dtype=np.int64))
    return Woven(at, base, Shift(starts, np.array(other_by, dtype=np.int64)), tuple(found))


def _order_of_runs(n_runs: int, segments: Sequence[Segment]) -> list[tuple[int, int | None]]:
    """The base's runs in their order; segments of no run behind the run that the one before them lies in."""
    order: list[tuple[int, int | None]] = [(run, None) for run in range(n_runs)]
    place = 0
    for k, segment in enumerate(segments):
        if segment.run is not None:
            place = order.index((segment.run, None)) + 1
        else:
            order.insert(place, (-1, k))
            place += 1
    return order


def moved(grid: Grid, shift: Shift, woven: Woven) -> Grid:
    """A grid on the rows of the whole."""
    rows = shift.of(grid.start_row, grid.frames.table.room)
    return replace(grid, start_row=rows, n_rows=woven.n_rows, restarts=woven.restarts)
