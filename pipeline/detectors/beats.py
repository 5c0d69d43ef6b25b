"""Stretches in which rows change at every k-th row alone: sampled once, and repeated until the next time."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.detectors.findings import Spans
from pipeline.detectors.runs import CHANCE, Ints, Runs, changing_beside

SLOWEST = 32
"""Rows for each sample up to which a beat is looked for."""

LEAST_CHANGES = 8
"""Changes that a channel must show at the beat. Two that do for long tell it; one alone may be mains in step
with the rate, unless beside the stretch it hardly ever repeats."""

WIDE_COUNTS = 1.5
"""Steps of one channel alone are mostly wider: by single counts a slow slope changes at a beat, too."""

Columns = Sequence[npt.NDArray[np.floating]]


@dataclass(frozen=True)
class Lone:
    """A stretch [start, stop) in which a channel changes at a beat, and ``n_same`` of its rows do not."""

    start: int
    stop: int
    channel: int
    n_same: int

    def is_unlikely(self, changes: Ints, pairs: Ints, n_window: int) -> bool:
        """Whether so many rows repeat against chance, by how often the channel does beside the stretch.

        Parameters
        ----------
        changes, pairs : int64, shape (windows,)
            Of the channel: samples that differ from the one before, and samples that have one before.
        """
        edges = np.array([self.start]), np.array([self.stop])
        nothing = np.empty((1, 1))
        run = Runs(*edges, edges[1] - edges[0], nothing, nothing, nothing)
        rate = np.fmin(*changing_beside(run, changes, pairs, n_window, runs_change=True))[0]
        same = max(1 - float(rate), 1 / (2 * n_window))
        return bool(np.log(pairs.sum()) + self.n_same * np.log(same) < np.log(CHANCE))


class BeatFinder:
    """Takes rows block by block; ``counts`` is what a count is in each channel."""

    def __init__(self, counts: Sequence[float]) -> None:
        self._counts = counts
        self._found: list[Spans] = []
        self._alone: list[Lone] = []
        self._n_changes = 0

    def feed(self, rows: Ints, columns: Columns, differs: npt.NDArray[np.bool_]) -> None:
        """Take the next rows that arrived, their values, and which differ from the row before."""
        self._n_changes += int(np.count_nonzero(differs))
        # Beside a beat, rows that change follow each other: what is left out of them is where one may be.
        often = differs[1:] & differs[:-1]
        calm = Spans.of_mask(~often, 1)
        for start, stop in calm.where(calm.stop - calm.start >= 2 * LEAST_CHANGES).pairs():
            self._look_at(np.flatnonzero(differs[start:stop]) + start, rows, columns)

    def all(self) -> Spans:
        """Rows in stretches that several channels tell."""
        return Spans.merged(*self._found)

    def alone(self) -> tuple[Lone, ...]:
        """Stretches that are short, or that one channel alone shows."""
        return tuple(self._alone)

    def _look_at(self, changed: Ints, rows: Ints, columns: Columns) -> None:
        """Keep stretches in which all changes are a multiple of a beat apart.

        Chance puts each of them there once in k times.
        """
        apart = np.diff(changed)
        for beat in range(2, SLOWEST + 1):
            least = np.log(max(self._n_changes, 2) * SLOWEST / CHANCE) / np.log(beat)
            spans = Spans.of_mask(apart % beat == 0)
            for start, stop in spans.where(spans.stop - spans.start >= LEAST_CHANGES).pairs():
                at = changed[start : stop + 1]
                last = min(int(at[-1]) + beat - 1, len(rows) - 1)
                self._keep(at, (int(rows[at[0]]), int(rows[last]) + 1), columns, stop - start >= least)

    def _keep(self, at: Ints, edges: tuple[int, int], columns: Columns, is_long: bool) -> None:
        steps = [np.abs(one[at] - one[at - 1]) for one in columns]
        often = [k for k, step in enumerate(steps) if np.count_nonzero(step) >= LEAST_CHANGES]
        if is_long and len(often) > 1:
            self._found.append(Spans(np.array(edges[:1]), np.array(edges[1:])))
            return
        n_same = int(at[-1] - at[0]) + 1 - len(at)
        wide = [k for k in often if np.median(steps[k]) > WIDE_COUNTS * self._counts[k]]
        self._alone += [Lone(*edges, k, n_same) for k in wide]
