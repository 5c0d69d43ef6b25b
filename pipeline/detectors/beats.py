"""Stretches in which rows change at every k-th row alone: sampled once, and repeated until the next time."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from pipeline.detectors.findings import Spans
from pipeline.detectors.runs import CHANCE, Ints

SLOWEST = 32
"""Rows for each sample up to which a beat is looked for."""

LEAST_CHANGES = 8
"""Changes that each of two channels must show at the beat: one alone may be mains in step with the rate."""


class BeatFinder:
    """Takes rows block by block."""

    def __init__(self) -> None:
        self._found: list[Spans] = []
        self._n_changes = 0

    def feed(
        self, rows: Ints, columns: Sequence[npt.NDArray[np.floating]], differs: npt.NDArray[np.bool_]
    ) -> None:
        """Take the next rows that arrived, their values, and which differ from the row before."""
        self._n_changes += int(np.count_nonzero(differs))
        # Beside a beat, rows that change follow each other: what is left out of them is where one may be.
        often = differs[1:] & differs[:-1]
        calm = Spans.of_mask(~often, 1)
        for start, stop in calm.where(calm.stop - calm.start >= 2 * LEAST_CHANGES).pairs():
            changed = np.flatnonzero(differs[start:stop]) + start
            self._found += [
                self._on_rows(first, last, rows) for first, last in self._at_a_beat(changed, columns)
            ]

    def all(self) -> Spans:
        """Rows in such stretches."""
        return Spans.merged(*self._found)

    def _on_rows(self, first: int, last: int, rows: Ints) -> Spans:
        return Spans(rows[first : first + 1], rows[last : last + 1] + 1)

    def _at_a_beat(self, changed: Ints, columns: Sequence[npt.NDArray[np.floating]]) -> list[tuple[int, int]]:
        """First and last change of stretches in which all changes are a multiple of a beat apart.

        Chance puts each of them there once in k times.
        """
        apart, found = np.diff(changed), []
        for beat in range(2, SLOWEST + 1):
            least = np.log(max(self._n_changes, 2) * SLOWEST / CHANCE) / np.log(beat)
            spans = Spans.of_mask(apart % beat == 0)
            for start, stop in spans.pairs():
                if stop - start >= least and _several_change(changed[start : stop + 1], columns):
                    found.append(
                        (int(changed[start]), min(int(changed[stop]) + beat - 1, len(columns[0]) - 1))
                    )
        return found


def _several_change(changed: Ints, columns: Sequence[npt.NDArray[np.floating]]) -> bool:
    """Whether at least two channels change there, each several times."""
    often = [np.count_nonzero(one[changed] != one[changed - 1]) >= LEAST_CHANGES for one in columns]
    return sum(map(bool, often)) >= 2
