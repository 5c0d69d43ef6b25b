"""Runs of equal values or rows, found block by block, and whether chance explains one."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pipeline.detectors.findings import Spans

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

CHANCE = 1e-6
"""A run counts only when chance repeats alone would make one this long once in a million recordings."""

UNSEEN = 2
"""Repeats beside a run are held to be so many more than were counted: chance may have left out as many."""

BESIDE_S = 3
"""Windows of a second on either side of a run that tell how often values repeat there by chance."""


@dataclass(frozen=True)
class Runs:
    """Runs of equal values; arrays of shape (n,), those of values (n, channels).

    ``start`` and ``stop`` are rows, lost ones between them included; ``n`` counts those that arrived.
    ``before`` and ``after`` are the values beside the run, NaN where there is none.
    """

    start: Ints
    stop: Ints
    n: Ints
    value: Floats
    before: Floats
    after: Floats

    def __len__(self) -> int:
        return len(self.start)

    def where(self, mask: npt.NDArray[np.bool_]) -> "Runs":
        """Those for which `mask` holds."""
        edges = self.start[mask], self.stop[mask], self.n[mask]
        return Runs(*edges, self.value[mask], self.before[mask], self.after[mask])

    @property
    def spans(self) -> Spans:
        """The rows of all runs."""
        return Spans(self.start, self.stop)

    @staticmethod
    def joined(several: Sequence["Runs"], n_channels: int) -> "Runs":
        """Several one after the other."""
        if not several:
            none, values = np.empty(0, np.int64), np.empty((0, n_channels))
            return Runs(none, none, none, values, values, values)
        names = ("start", "stop", "n", "value", "before", "after")
        return Runs(*(np.concatenate([getattr(one, name) for one in several]) for name in names))


@dataclass
class RunFinder:
    """Collects runs of at least ``least`` equal values from blocks that follow each other.

    Only what is needed of the run that goes on is carried from block to block.
    """

    n_channels: int
    least: int
    _found: list[Runs] = field(default_factory=list)
    _start: int = -1
    _n: int = 0
    _last_row: int = -1
    _value: Floats | None = None
    _before: Floats | None = None

    def feed(self, rows: Ints, columns: Sequence[npt.NDArray[np.floating]], changed: Ints) -> None:
        """Take the next samples that arrived.

        Parameters
        ----------
        rows : int64, shape (m,)
            Where they stand in the recording; ascending.
        columns : sequence of float, shape (m,)
            Their values.
        changed : int64
            Positions of those that differ from the one before; the first sample of all must be among them.
        """
        if not len(rows):
            return
        if len(changed):
            self._close(columns, int(changed[0]), rows)
            lengths = np.diff(changed)
            long = np.flatnonzero(lengths >= self.least)
            first, after = changed[long], changed[long + 1]
            before = _at(columns, np.maximum(first - 1, 0))
            if len(long) and first[0] == 0:
                before[0] = self._carried()
            runs = (rows[first], rows[after - 1] + 1, lengths[long])
            if len(long):
                self._found.append(Runs(*runs, _at(columns, first), before, _at(columns, after)))
            last = int(changed[-1])
            self._before = _at(columns, np.array([last - 1]))[0] if last else self._carried()
            self._start, self._n, self._value = int(rows[last]), 0, _at(columns, np.array([last]))[0]
            self._n = len(rows) - last
        else:
            self._n += len(rows)
        self._last_row = int(rows[-1])

    def all(self) -> Runs:
        """Every run, the one at the end included."""
        if self._n >= self.least:
            self._keep(self._last_row + 1, np.full(self.n_channels, np.nan))
            self._n = 0
        return Runs.joined(self._found, self.n_channels)

    def keep_only(self, those: Callable[[Runs], npt.NDArray[np.bool_]]) -> None:
        """Let go of all finished runs but `those`."""
        if self._found:
            runs = Runs.joined(self._found, self.n_channels)
            self._found = [runs.where(those(runs))]

    def _carried(self) -> Floats:
        return np.full(self.n_channels, np.nan) if self._value is None else self._value

    def _close(self, columns: Sequence[npt.NDArray[np.floating]], n: int, rows: Ints) -> None:
        """The run that was carried ends before position `n`."""
        self._n += n
        if self._n >= self.least and self._value is not None:
            stop = int(rows[n - 1]) + 1 if n else self._last_row + 1
            self._keep(stop, _at(columns, np.array([n]))[0])

    def _keep(self, stop: int, after: Floats) -> None:
        before = np.full(self.n_channels, np.nan) if self._before is None else self._before
        start, last, n = (np.array([edge], np.int64) for edge in (self._start, stop, self._n))
        self._found.append(Runs(start, last, n, self._carried()[None], before[None], after[None]))


def _at(columns: Sequence[npt.NDArray[np.floating]], positions: Ints) -> Floats:
    """Values at positions, shape (positions, channels)."""
    return np.stack([np.asarray(column[positions], dtype=np.float64) for column in columns], axis=1)


def log_chance(
    runs: Runs,
    changes: Ints,
    pairs: Ints,
    n_window: int,
    livelier: Floats | None = None,
    unknown: float = -np.inf,
) -> Floats:
    """How many runs as long as each chance would make in the recording, as a natural logarithm.

    With a share p of equal neighbours a run of n happens by chance about ``N (1 - p) p^(n - 1)`` times in N
    samples (geometric run lengths; Feller, An Introduction to Probability Theory, vol. 1, ch. XIII, from
    memory). A signal is quieter at some times than at others: p is that of the quieter side of the run.

    Parameters
    ----------
    runs : Runs
        The runs to judge.
    changes, pairs : int64, shape (windows,)
        Samples that differ from the one before, and samples that have one before, in windows of `n_window`.
    livelier : float64, shape (runs,), optional
        By how much less than beside the run changes are to be expected in it, 1 for no less.
    unknown : float
        What to give where nothing beside a run says how often values repeat.

    Returns
    -------
    float64, shape (runs,)
    """
    if not len(runs):
        return np.empty(0)
    counted = _counted_beside(runs, changes, pairs, n_window, runs_change=False)
    (before, n_before), (after, n_after) = ((_share(*side), side.n) for side in counted)
    rate, n_beside = np.fmin(before, after), np.where((before <= after) | np.isnan(after), n_before, n_after)
    if livelier is not None:
        rate = rate * livelier
    known = ~np.isnan(rate)
    p = np.minimum(1 - np.where(known, rate, 0.0) + UNSEEN / np.maximum(n_beside, 1), 1 - 1e-9)
    expected = np.log(np.maximum(pairs.sum() * (1 - p), 1.0)) + (runs.n - 1) * np.log(p)
    return np.asarray(np.where(known, expected, unknown), dtype=np.float64)


def changing_beside(
    runs: Runs, changes: Ints, pairs: Ints, n_window: int, runs_change: bool
) -> tuple[Floats, Floats]:
    """Share of samples that change before and after each run; NaN where too few stand there.

    The windows in which a run begins and ends count, less what of them is the run's own, unless `runs_change`
    says that the counts are those of another channel.
    """
    before, after = _counted_beside(runs, changes, pairs, n_window, runs_change)
    return _share(*before), _share(*after)


class _Counted(NamedTuple):
    """Of one side of each run: samples that change, of how many, and how many it takes to know."""

    changes: Ints
    n: Ints
    least: int


def _share(changes: Ints, n: Ints, least: int) -> Floats:
    """NaN where too few are known."""
    return np.where(n >= least, changes / np.maximum(n, 1), np.nan)


def _counted_beside(
    runs: Runs, changes: Ints, pairs: Ints, n_window: int, runs_change: bool
) -> tuple[_Counted, _Counted]:
    last_window = len(pairs) - 1
    first, last = runs.start // n_window, (runs.stop - 1) // n_window
    own = np.zeros((2, len(runs)), np.int64)
    if not runs_change:
        own[0] = np.minimum(runs.stop, (first + 1) * n_window) - runs.start
        own[1] = runs.stop - np.maximum(runs.start, last * n_window)
    skip = int(runs_change)
    left = np.maximum(first - BESIDE_S, 0), np.maximum(first + 1 - skip, 0)
    right = np.minimum(last + skip, last_window + 1), np.minimum(last + BESIDE_S, last_window) + 1
    sums = [np.concatenate(([0], np.cumsum(counts))) for counts in (changes, pairs)]
    sides = []
    for (low, high), inside in zip((left, right), own, strict=True):
        n_changes, n_pairs = (total[high] - total[low] for total in sums)
        sides.append(_Counted(n_changes, np.maximum(n_pairs - inside, n_changes), max(n_window // 2, 1)))
    return sides[0], sides[1]


def changing_within(runs: Runs, changes: Ints, pairs: Ints, n_window: int) -> Floats:
    """Share of another channel's samples that change in the whole windows of a run, or in all it touches."""
    first, stop = runs.start // n_window, (runs.stop - 1) // n_window + 1
    inner = stop - first > 2
    first, stop = first + inner, stop - inner
    n_changes, n_pairs = (
        total[stop] - total[first]
        for total in (np.concatenate(([0], np.cumsum(counts))) for counts in (changes, pairs))
    )
    return np.asarray(n_changes / np.maximum(n_pairs, 1), dtype=np.float64)
