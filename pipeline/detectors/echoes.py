"""Stretches of rows that came before: a frame that was sent again with a counter of its own."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from pipeline.detectors.findings import Spans
from pipeline.detectors.runs import CHANCE, Ints

Values = npt.NDArray[np.floating]

LONGEST_ROWS = 64
"""Frames of up to so many rows are looked for, repeated right behind themselves."""

LEAST_ROWS = 3
LEAST_ALONE = 16
MOST_ALIKE = 0.3
"""Where more rows are like the one a frame earlier, repeats say nothing: mains keeps step with the rate."""

VARIED = 0.6
"""Share of a repeated frame's rows that must be different from each other."""

BESIDE_ROWS = 400

_FACTOR = np.uint32(0x9E3779B1)


class EchoFinder:
    """Takes rows block by block, and holds no more than the longest frame of them."""

    def __init__(self) -> None:
        self._hashes = np.empty(0, np.uint32)
        self._rows = np.empty(0, np.int64)
        self._columns: list[Values] = []
        self._found: list[Spans] = []

    def feed(self, rows: Ints, columns: Sequence[Values]) -> None:
        """Take the next rows that arrived: where they stand, and the values of each channel."""
        hashes = np.concatenate((self._hashes, _hashed(columns)))
        rows = np.concatenate((self._rows, rows))
        tails = self._columns or [column[:0] for column in columns]
        for lag in range(2, min(LONGEST_ROWS, len(hashes) // 2) + 1):
            alike = hashes[lag:] == hashes[:-lag]
            n_alike = np.count_nonzero(alike)
            if max(LEAST_ROWS, lag) <= n_alike <= MOST_ALIKE * len(alike):
                for start, stop in _repeated(hashes, alike, lag):
                    within = slice(start, stop)
                    values = [
                        _between(tail, column, within) for tail, column in zip(tails, columns, strict=True)
                    ]
                    if _is_rich(values):
                        self._found.append(Spans(rows[start : start + 1], rows[stop - 1 : stop] + 1))
        self._hashes, self._rows = hashes[-LONGEST_ROWS:], rows[-LONGEST_ROWS:]
        whole = slice(max(len(hashes) - LONGEST_ROWS, 0), len(hashes))
        self._columns = [_between(tail, column, whole) for tail, column in zip(tails, columns, strict=True)]

    def all(self) -> Spans:
        """Rows that stand in repeats of what came before."""
        return Spans.merged(*self._found)


def _between(tail: Values, column: Values, within: slice) -> Values:
    """A part of what was kept of a column and its next values, end to end."""
    n = len(tail)
    before = tail[min(within.start, n) : min(within.stop, n)]
    return np.concatenate((before, column[max(within.start - n, 0) : max(within.stop - n, 0)]))


def _is_rich(values: Sequence[Values]) -> bool:
    """Whether two channels change in a repeated frame.

    One alone, as there may be of a wearer at rest, must be long, for it may keep a rhythm.
    """
    n_changing = sum(bool(np.count_nonzero(np.diff(one)) >= 2) for one in values)
    return n_changing > 1 or (n_changing == 1 and len(values[0]) >= LEAST_ALONE)


def _hashed(columns: Sequence[Values]) -> npt.NDArray[np.uint32]:
    """A number for each row that is the same where all channels are; equal by chance once in 2^32."""
    mixed = np.zeros(len(columns[0]), np.uint32)
    for column in columns:
        mixed *= _FACTOR
        if column.dtype == np.float32:
            mixed += column.view(np.uint32)
        else:
            wide = column.view(np.uint64)
            mixed += (wide ^ (wide >> np.uint64(32))).astype(np.uint32)
    return mixed


def _repeated(
    hashes: npt.NDArray[np.uint32], alike: npt.NDArray[np.bool_], lag: int
) -> list[tuple[int, int]]:
    """Positions [start, stop) that repeat what stands `lag` rows earlier, longer than chance explains."""
    spans = Spans.of_mask(alike, lag)
    found = []
    for start, stop in spans.where(spans.stop - spans.start >= max(LEAST_ROWS, lag)).pairs():
        # Few different rows are a value held, or noise between two codes, and not a frame sent again.
        n_distinct = len(np.unique(hashes[start:stop]))
        if n_distinct < max(LEAST_ROWS, VARIED * min(stop - start, lag)):
            continue
        beside = [alike[max(start - lag - BESIDE_ROWS, 0) : start - lag], alike[stop - lag :][:BESIDE_ROWS]]
        share = max((float(side.mean()) for side in beside if len(side)), default=0.0)
        p = max(share, 1 / BESIDE_ROWS)
        if np.log(len(alike) * LONGEST_ROWS) + (stop - start) * np.log(p) < np.log(CHANCE):
            found.append((start, stop))
    return found
