"""Stretches of rows that came before: a frame that was sent again with a counter of its own."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from pipeline.detectors.findings import Spans
from pipeline.detectors.runs import CHANCE, Ints

LONGEST_ROWS = 64
"""Frames of up to so many rows are looked for, repeated right behind themselves."""

LEAST_ROWS = 3
MOST_ALIKE = 0.3
"""Where more rows are like the one a frame earlier, repeats say nothing: mains keeps step with the rate."""

BESIDE_ROWS = 400

_FACTOR = np.uint32(0x9E3779B1)


class EchoFinder:
    """Takes rows block by block, and holds no more than the longest frame of them."""

    def __init__(self) -> None:
        self._hashes = np.empty(0, np.uint32)
        self._rows = np.empty(0, np.int64)
        self._found: list[Spans] = []

    def feed(self, rows: Ints, columns: Sequence[npt.NDArray[np.floating]]) -> None:
        """Take the next rows that arrived: where they stand, and the values of each channel."""
        hashes = np.concatenate((self._hashes, _hashed(columns)))
        rows = np.concatenate((self._rows, rows))
        for lag in range(2, min(LONGEST_ROWS, len(hashes) // 2) + 1):
            alike = hashes[lag:] == hashes[:-lag]
            n_alike = np.count_nonzero(alike)
            if LEAST_ROWS <= n_alike <= MOST_ALIKE * len(alike):
                self._found += [_on_rows(span, rows) for span in _repeated(hashes, alike, lag)]
        self._hashes, self._rows = hashes[-LONGEST_ROWS:], rows[-LONGEST_ROWS:]

    def all(self) -> Spans:
        """Rows that stand in repeats of what came before."""
        return Spans.merged(*self._found)


def _hashed(columns: Sequence[npt.NDArray[np.floating]]) -> npt.NDArray[np.uint32]:
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
    long = spans.stop - spans.start >= LEAST_ROWS
    found = []
    for start, stop in zip(spans.start[long].tolist(), spans.stop[long].tolist(), strict=True):
        # Rows that are all alike are a value held, not a frame sent again.
        distinct = np.count_nonzero(hashes[start + 1 : stop] != hashes[start : stop - 1])
        if 2 * distinct < stop - start - 1:
            continue
        beside = [alike[max(start - lag - BESIDE_ROWS, 0) : start - lag], alike[stop - lag :][:BESIDE_ROWS]]
        share = max((float(side.mean()) for side in beside if len(side)), default=0.0)
        p = max(share, 1 / BESIDE_ROWS)
        if np.log(len(alike) * LONGEST_ROWS) + (stop - start) * np.log(p) < np.log(CHANCE):
            found.append((start, stop))
    return found


def _on_rows(span: tuple[int, int], rows: Ints) -> Spans:
    start, stop = span
    return Spans(rows[start : start + 1], rows[stop - 1 : stop] + 1)
