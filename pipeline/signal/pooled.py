"""What sessions say together, with intervals that take windows, and sessions, of one wearer as alike.

Windows of a session resemble each other, and so do sessions of a participant: taken one by one they would
make any interval too narrow. So whole participants are drawn, with replacement and from a fixed seed
(bootstrap of clusters: Field and Welsh, J. R. Statist. Soc. B 69:369, 2007). Too few participants give no
interval at all, and nothing else is drawn in their place: all intervals of a page are made alike.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from pipeline.signal.roc import GRID, PAIRS, at_grid
from pipeline.signal.shares import Measured
from pipeline.signal.windows import CLASSES, Floats, Ints

N_DRAWS = 1000
SEED = 20260302
FEWEST_PARTICIPANTS = 6
"""Fewer give so few different draws that the interval is too narrow (common practice, no source)."""
N_BINS = 512
_ENDS = (2.5, 97.5)


@dataclass(frozen=True)
class Clusters:
    """What is drawn: the participant of each session, and how many there are."""

    of_session: Ints
    n: int

    @staticmethod
    def of(participants: Sequence[str]) -> "Clusters":
        """Clusters of sessions, by the participant of each."""
        names, at = np.unique(np.array(participants, dtype=object).astype(str), return_inverse=True)
        return Clusters(at.astype(np.int64), len(names))

    @property
    def interval(self) -> str:
        """How intervals are made, in a few words."""
        return f"bootstrap of {self.n} participants"

    @cached_property
    def weights(self) -> npt.NDArray[np.float32]:
        """How often each cluster is in each draw, shape (draws, n)."""
        rng = np.random.default_rng(SEED)
        return rng.multinomial(self.n, np.full(self.n, 1 / self.n), N_DRAWS).astype(np.float32)

    def summed(self, per_session: Floats) -> Floats:
        """Sums over the sessions of each cluster, shape (n, ...)."""
        total = np.zeros((self.n, *per_session.shape[1:]))
        np.add.at(total, self.of_session, per_session)
        return total

    def ends(self, drawn: Floats, n_with: int) -> tuple[Floats, Floats] | None:
        """Ends of the intervals of what was drawn (draws, ...); None where too few clusters have any of it.

        Draws without a value (NaN: they have no window of a class) are left out; they are few.
        """
        if n_with < FEWEST_PARTICIPANTS:
            return None
        empty = np.isnan(drawn.reshape(len(drawn), -1)).any(axis=1)
        low, high = np.percentile(drawn[~empty], _ENDS, axis=0)
        return low, high

    def measured(self, n: int, value: float, drawn: Floats, n_with: int) -> Measured:
        """A value over sessions with its interval from draws, shape (draws,); `n_with` clusters have any."""
        ends = self.ends(drawn, n_with)
        if ends is None:
            who = f"{n_with} {'participant' if n_with == 1 else 'participants'}"
            return Measured(n, value, absent=f"no interval: {who}, {FEWEST_PARTICIPANTS} are needed")
        low, high = float(ends[0]), float(ends[1])
        if low == high:
            # Draws of what is the same everywhere do not differ, which is no certainty.
            return Measured(n, value, absent="no interval: participants do not differ")
        return Measured(n, value, low, high, self.interval)

    def ratio(self, of: Floats, to: Floats, n: int) -> Measured:
        """Sum of `of` over sum of `to`, both of shape (sessions,); `n` were counted."""
        above, below = self.summed(of), self.summed(to)
        with np.errstate(invalid="ignore", divide="ignore"):
            drawn = self.weights @ above / (self.weights @ below)
        return self.measured(n, float(above.sum() / below.sum()), drawn, int((below > 0).sum()))

    def median(self, values: Floats) -> Measured:
        """Median of what each session has, shape (sessions,)."""
        drawn = medians(values, self.weights[:, self.of_session])
        return self.measured(len(values), float(np.median(values)), drawn, self.n)


def medians(values: Floats, times: npt.NDArray[np.float32]) -> Floats:
    """Median of the values (n,) in each draw, each as often as `times` (draws, n) says; NaN of none."""
    order = np.argsort(values, kind="stable")
    ordered, upto = values[order], np.cumsum(times[:, order], axis=1)
    n = upto[:, -1:]
    # The two in the middle, counted from 0; the same one where n is odd.
    lower, upper = ((upto <= (n - odd) // 2).sum(axis=1) for odd in (1, 0))
    last = len(values) - 1
    found: Floats = (ordered[np.minimum(lower, last)] + ordered[np.minimum(upper, last)]) / 2
    return np.where(n[:, 0] == 0, np.nan, found)


@dataclass(frozen=True)
class Curve:
    """A pooled ROC curve at the false positive shares of `GRID`, with its band where one can be had.

    Where none can be had, ``least`` and ``most`` are the range of the sessions' own curves, no interval.
    """

    true: Floats
    low: Floats | None
    high: Floats | None
    least: Floats | None = None
    most: Floats | None = None


class Counted:
    """Windows by cluster, class and amplitude, in so narrow steps that curves do not show them."""

    def __init__(
        self, clusters: Clusters, amplitudes: Sequence[Floats], labels: Sequence[Ints], edges: Floats
    ) -> None:
        shape = (clusters.n, len(CLASSES), len(edges) + 1)
        self.clusters = clusters
        self.counts = np.zeros(shape, np.float32)
        for cluster, amplitude, label in zip(clusters.of_session, amplitudes, labels, strict=True):
            step = np.searchsorted(edges, amplitude, "right")
            n = np.bincount(label * shape[2] + step, minlength=shape[1] * shape[2])
            self.counts[cluster] += n.reshape(shape[1:])
        # In each draw how many windows of each class have each amplitude.
        self._drawn = np.tensordot(clusters.weights, self.counts, 1)

    def pair(self, pair: str) -> tuple[Measured, Curve]:
        """Area and curve of a pair of classes, each of which has windows."""
        below, above = ([CLASSES.index(name) for name in names] for names in PAIRS[pair])
        whole = self.counts.sum(axis=0, dtype=np.float64)[np.newaxis]
        value, true = _roc(whole[:, below].sum(axis=1), whole[:, above].sum(axis=1))
        drawn, drawn_true = _roc(
            self._drawn[:, below].sum(axis=1, dtype=np.float64),
            self._drawn[:, above].sum(axis=1, dtype=np.float64),
        )
        n = int(whole[:, [*below, *above]].sum())
        n_with = min(int(self.counts[:, side].any(axis=(1, 2)).sum()) for side in (below, above))
        ends = self.clusters.ends(drawn_true, n_with)
        low, high = ends if ends is not None else (None, None)
        return self.clusters.measured(n, float(value[0]), drawn, n_with), Curve(true[0], low, high)


def steps_of(amplitudes: Sequence[Floats]) -> Floats:
    """Edges between steps of amplitude that hold equally many windows; each alone if they are few."""
    values = np.unique(np.concatenate([np.empty(0), *amplitudes]))
    if len(values) <= N_BINS:
        return values[1:]
    return np.unique(np.quantile(values, np.linspace(0, 1, N_BINS + 1)[1:-1]))


def _roc(below: Floats, above: Floats) -> tuple[Floats, Floats]:
    """Areas (k,) and curves (k, grid) of counts by amplitude (k, steps); NaN where a class has none."""
    n_below, n_above = below.sum(axis=1), above.sum(axis=1)
    empty = (n_below == 0) | (n_above == 0)
    with np.errstate(invalid="ignore", divide="ignore"):
        false = _from_the_top(below) / n_below[:, np.newaxis]
        true = _from_the_top(above) / n_above[:, np.newaxis]
    area = (np.diff(false, axis=1) * (true[:, 1:] + true[:, :-1]) / 2).sum(axis=1)
    curves = np.full((len(below), len(GRID)), np.nan)
    for i in np.flatnonzero(~empty):
        curves[i] = at_grid(false[i], true[i])
    return np.where(empty, np.nan, area), curves


def _from_the_top(counts: Floats) -> Floats:
    """How many have the highest amplitudes: none, one step, two, ..., all."""
    total = np.zeros((len(counts), counts.shape[1] + 1))
    np.cumsum(counts[:, ::-1], axis=1, out=total[:, 1:])
    return total
