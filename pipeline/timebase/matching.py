"""Where the rows of one recording lie on those of another of the same wearing, by numbers and by counts."""

from collections import Counter
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from pipeline.frames.room import let_go, taken
from pipeline.timebase.grid import BLOCK_ROWS, Bools, Counts, Grid, JoinedGrid
from pipeline.timebase.sequence import Floats, Ints, pieces_of, signed_difference
from pipeline.timebase.weave import Segment

AnyGrid = Grid | JoinedGrid

_WINDOW = 8
_N_PROBES = 256
_N_CHECKS = 32
_MOST_CANDIDATES = 64
_LEAST_EQUAL = 0.9
_FEWEST_ROWS = 8
_FEWEST_VOTES = 3

Hashes = npt.NDArray[np.uint64]


@dataclass(frozen=True)
class Span:
    """Rows [start, stop)."""

    start: int
    stop: int


def runs_of(grid: AnyGrid) -> list[Span]:
    """Rows between restarts."""
    begins = [0, *(restart.row for restart in grid.restarts)]
    return [Span(a, b) for a, b in zip(begins, [*begins[1:], grid.n_rows], strict=True)]


def match_rows(base: AnyGrid, other: AnyGrid) -> list[Segment] | None:
    """Which rows of two grids are the same samples, told by the channels that both have by name.

    For each run of the other the sequence numbers, as numbers of samples, suggest where it lies on the base;
    counts must bear that out. Where they do not, pieces of the other are looked for in all of the base.

    Parameters
    ----------
    base, other : Grid or JoinedGrid
        At one nominal rate.

    Returns
    -------
    list of Segment or None
        Of the other's rows, in their order: one for each run, or several where no counter told what was lost
        in between. Runs that the base lacks altogether have no run of it. None where no run is found, or one
        is found only in part, so that something is wrong.
    """
    pair = _Pair.of(base, other)
    if pair is None:
        return None
    found = {run.start: _by_numbers(pair, run) for run in runs_of(other)}
    open_runs = [run for run in runs_of(other) if found[run.start] is None]
    for run, segments in zip(open_runs, _by_search(pair, open_runs) if open_runs else [], strict=True):
        found[run.start] = segments
    whole = list[Segment]()
    for found_segments in found.values():
        if found_segments is None:
            return None
        whole += found_segments
    return whole if any(segment.run is not None for segment in whole) else None


@dataclass(frozen=True)
class _Pair:
    """Two grids and the columns of the channels that both have."""

    base: AnyGrid
    other: AnyGrid
    base_columns: list[int]
    other_columns: list[int]

    @staticmethod
    def of(base: AnyGrid, other: AnyGrid) -> "_Pair | None":
        mine = [channel.name for channel in base.channels]
        theirs = [channel.name for channel in other.channels]
        common = [name for name in mine if name in theirs]
        if not common or not base.n_rows or not other.n_rows:
            return None
        return _Pair(
            base, other, [mine.index(name) for name in common], [theirs.index(name) for name in common]
        )

    def of_base(self, start: int, stop: int) -> tuple[Counts, Bools]:
        """Counts of rows of the base, and whether all channels are there."""
        counts, present = self.base.read(start, stop)
        return counts[:, self.base_columns], np.all(present[:, self.base_columns], axis=1)

    def of_other(self, start: int, stop: int) -> tuple[Counts, Bools]:
        """The same of the other."""
        counts, present = self.other.read(start, stop)
        return counts[:, self.other_columns], np.all(present[:, self.other_columns], axis=1)


def _overlap(run: Span, home: Span, delta: int) -> Span:
    """Rows of the other that lie on rows of a run of the base."""
    return Span(max(run.start, home.start - delta), min(run.stop, home.stop - delta))


def _agrees(pair: _Pair, run: Span, home: Span, delta: int) -> bool:
    """Whether rows that both have are equal, at places spread over all that they share."""
    shared = _overlap(run, home, delta)
    if shared.stop - shared.start < 1:
        return False
    n_equal, n_varied, n_compared = 0, 0, 0
    for start in _spread(shared, _N_CHECKS, pair.other):
        stop = min(start + _WINDOW, shared.stop)
        one, is_one = pair.of_other(start, stop)
        two, is_two = pair.of_base(start + delta, stop + delta)
        both = is_one & is_two
        equal = np.all(one[both] == two[both], axis=1)
        n_compared += len(equal)
        n_equal += int(equal.sum())
        n_varied += int(np.any(one[both] != one[both][:1])) if len(equal) else 0
        let_go()
    return n_varied > 0 and n_equal >= max(_LEAST_EQUAL * n_compared, min(_FEWEST_ROWS, n_compared), 1)


def _spread(span: Span, n: int, grid: AnyGrid) -> list[int]:
    """Rows of a span, far apart, at which frames begin."""
    part = grid.parts[0]
    first, last = np.searchsorted(part.start_row, [span.start, span.stop])
    inside = part.start_row[first:last]
    if not len(inside):
        return [span.start]
    which = np.unique(np.linspace(0, len(inside) - 1, min(n, len(inside))).astype(np.int64))
    return [int(row) for row in taken(inside, which)]


def _by_numbers(pair: _Pair, run: Span) -> list[Segment] | None:
    """Where a run lies by its sequence numbers, if counts agree."""
    mine, theirs = _first_number(pair.other, run), None
    if mine is None:
        return None
    for k, home in enumerate(runs_of(pair.base)):
        theirs = _first_number(pair.base, home)
        if theirs is None:
            return None
        number, wraps = theirs[0], [rows for rows in (mine[1], theirs[1]) if rows]
        delta = (home.start - number) - (run.start - mine[0])
        for candidate in _candidates(run, home, delta, min(wraps, default=0)):
            if _agrees(pair, run, home, candidate):
                return [Segment(run.start, run.stop, k, candidate)]
    return None


def _candidates(run: Span, home: Span, delta: int, wrap: int) -> list[int]:
    """Offsets that differ by whole wraps and let the runs overlap, the least first."""
    low, high = home.start - run.stop + 1, home.stop - run.start - 1
    if not wrap:
        return [delta] if low <= delta <= high else []
    first = delta + -(-(low - delta) // wrap) * wrap
    return sorted(range(first, high + 1, wrap), key=abs)[:_MOST_CANDIDATES]


def _first_number(grid: AnyGrid, run: Span) -> tuple[int, int] | None:
    """The number of the sample in a run's first row, and after how many samples numbers wrap (0: never)."""
    part = grid.parts[0]
    sequence, table = part.frames.stream.frame.part("sequence"), part.frames.table
    first, last = np.searchsorted(part.start_row, [run.start, run.stop])
    if sequence is None or sequence.shared or last - first < 2:
        return None
    ratios = list[Floats]()
    for piece in pieces_of(int(last - first) - 1):
        own = slice(first + piece.start, first + piece.stop + 1)
        number, rows = table.sequence[part.placed[own]], np.diff(part.start_row[own])
        step = signed_difference(number[1:], number[:-1], sequence.wraps_at_bits)
        ratios.append(rows[step > 0] / step[step > 0])
    if not any(map(len, ratios)):
        return None
    per_number = round(float(np.median(np.concatenate(ratios))))
    wraps = (1 << sequence.wraps_at_bits) * per_number if 0 < sequence.wraps_at_bits < 40 else 0
    number_of_first = int(table.sequence[part.placed[first]])
    return number_of_first * per_number - int(part.start_row[first] - run.start), wraps


def _by_search(pair: _Pair, runs: list[Span]) -> list[list[Segment] | None]:
    """Where runs lie by pieces of them that are found in the base; None for those found in part only."""
    probes = [_probes(pair, run) for run in runs]
    hits = _hits(pair, np.unique(np.concatenate([hashes for hashes, _ in probes])))
    found = list[list[Segment] | None]()
    for run, (hashes, rows) in zip(runs, probes, strict=True):
        several = [hits.get(value, []) for value in hashes.tolist()]
        alone = [(row, at[0]) for row, at in zip(rows.tolist(), several, strict=True) if len(at) == 1]
        votes = Counter(base_row - row for row, base_row in alone)
        if not alone and not any(several):
            found.append([Segment(run.start, run.stop, None)])
        else:
            certain = {delta for delta, n in votes.items() if n >= _FEWEST_VOTES}
            found.append(_pieced(pair, run, [hit for hit in alone if hit[1] - hit[0] in certain]))
    return found


def _pieced(pair: _Pair, run: Span, found: list[tuple[int, int]]) -> list[Segment] | None:
    """Segments of a run from rows that were found in the base, wherever their distance changes."""
    if not found:
        return None
    delta = np.array([base_row - row for row, base_row in found])
    cuts = np.flatnonzero(np.diff(delta)) + 1
    inner = [_edge(pair, found[k - 1][0], found[k][0], int(delta[k - 1])) for k in cuts.tolist()]
    edges = [run.start, *inner, run.stop]
    homes, segments = runs_of(pair.base), list[Segment]()
    for (start, stop), first in zip(pairwise(edges), [0, *cuts.tolist()], strict=True):
        span, apart = Span(start, stop), int(delta[first])
        k = max(range(len(homes)), key=lambda k: _length(_overlap(span, homes[k], apart)))
        if not _agrees(pair, span, homes[k], apart):
            return None
        segments.append(Segment(start, stop, k, apart))
    return segments


def _edge(pair: _Pair, before: int, behind: int, delta: int) -> int:
    """The first row between two at which a frame begins whose counts are not those of the base."""
    part = pair.other.parts[0]
    first, last = np.searchsorted(part.start_row, [before + 1, behind + 1])
    size = part.frames.table.n_samples[part.placed[first:last]]
    for start, n in zip(part.start_row[first:last].tolist(), size.tolist(), strict=True):
        at = start + delta
        if at < 0 or at + n > pair.base.n_rows:
            return int(start)
        one, is_one = pair.of_other(start, start + n)
        two, is_two = pair.of_base(at, at + n)
        if np.any(one[is_one & is_two] != two[is_one & is_two]):
            return int(start)
    return behind


def _length(span: Span) -> int:
    return span.stop - span.start


def _probes(pair: _Pair, run: Span) -> tuple[Hashes, Ints]:
    """Hashes of pieces of a run, and the rows at which these begin."""
    hashes, rows = list[int](), list[int]()
    for start in _spread(run, _N_PROBES, pair.other):
        counts, present = pair.of_other(start, min(start + 2 * _WINDOW, run.stop))
        for at, value in zip(*_hashed(counts, present), strict=True):
            hashes.append(int(value))
            rows.append(start + int(at))
            break
        let_go()
    return np.array(hashes, dtype=np.uint64), np.array(rows, dtype=np.int64)


def _hits(pair: _Pair, wanted: Hashes) -> dict[int, list[int]]:
    """Hash -> rows of the base at which such pieces begin; of each at most 64."""
    hits = dict[int, list[int]]()
    if not len(wanted):
        return hits
    for start in range(0, pair.base.n_rows, BLOCK_ROWS):
        stop = min(start + BLOCK_ROWS + _WINDOW - 1, pair.base.n_rows)
        at, values = _hashed(*pair.of_base(start, stop))
        place = np.minimum(np.searchsorted(wanted, values), len(wanted) - 1)
        for k in np.flatnonzero(wanted[place] == values).tolist():
            rows = hits.setdefault(int(values[k]), [])
            if len(rows) < _MOST_CANDIDATES:
                rows.append(start + int(at[k]))
        let_go()
    return hits


def _hashed(counts: Counts, present: Bools) -> tuple[Ints, Hashes]:
    """Rows at which pieces of eight rows begin that are all there and not all alike, and hashes of them."""
    n = len(counts) - _WINDOW + 1
    if n < 1:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.uint64)
    row = np.zeros(len(counts), dtype=np.uint64)
    for column in counts.T:
        row = (row ^ column.astype(np.int64).view(np.uint64)) * np.uint64(0x9E3779B97F4A7C15)
        row ^= row >> np.uint64(29)
    total = np.zeros(n, dtype=np.uint64)
    whole, varied = np.ones(n, dtype=bool), np.zeros(n, dtype=bool)
    for k in range(_WINDOW):
        total = total * np.uint64(0xBF58476D1CE4E5B9) + row[k : k + n]
        whole &= present[k : k + n]
        varied |= row[k : k + n] != row[:n]
    at = np.flatnonzero(whole & varied)
    return at, total[at]
