"""Visits of a signal to a band at its extreme: whether these are visits to a rail."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

from pipeline.layouts import Channel
from pipeline.recording import Block

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

NEXT = 4
"""A visit ends where the signal is deeper than so many widths of the band."""

LONG_SAMPLES = 4
"""A parabola has at most three samples in a band if it has none in the next three widths of it."""

LEAST_LONG = 0.5
"""Share of a rail's samples in visits of so many samples at least."""

SCATTERED = 0.5
SHORT_RATIO = 4.0
SHORT_VISITS = 20
"""Visits of one to three samples are a rail's if what follows scatters: quartiles apart by half the median.
Otherwise it may be a line whose cycle is a whole number of samples: it meets its top, and all that follows,
at one phase."""

RISE_S = 0.04
RISE_SHARE = 0.25
RISE = 3.0
"""So much deeper, in widths, the signal lies before or after a visit: it rose to the rail, and did not
linger there as at rest. 40 ms are two cycles of 50 Hz: the half and the quarter of it are looked at, too, and
of longer visits a quarter of their length, in which a parabola sinks to 2.25 widths."""

MANY_RATIO = 1.5
UNCOUPLED_VISITS = 3
"""Samples in the band over those beside it, in the same visits; visits where there is no AC coupling."""

OTHERS_RATIO = 1.2
"""The same of all visits but the longest: one flat top among a few of like height is no rail."""

FEW_VISITS = 2.0
FEW_RATIO = 2.5
FEW_STAY_S = 0.1
DROOPED = 5.0
LINGERS_S = 0.5
FEW_OTHERS = 3
STEP, STUCK_STEP, STUCK_SHARE = 0.9, 0.6, 0.8
"""Fewer visits than two, or one that alone piles up, are a rail's only behind an AC coupling, where any other
level would droop by so many widths meanwhile, if the signal did not linger beside it (a body that loses its
charge behind an AC coupling turns for seconds), and if it has not come to rest within `RISE_S`, nor, if most
values are the same one, most of the way: a stuck value lets go at once. Among peaks of that height, more than
so many with it, which do not pile up it is no rail's either."""

MOST_TAUS = 5.0
"""A single value stays at a rail for so many time constants at most: to be driven there for longer the signal
would have to be 150 times as far out."""


MOST_KEPT = 1 << 12
"""Of more visits, and of more samples inside, every so many-th of a block is kept."""


class Samples(Protocol):
    """A recording, or what is made of one block by block."""

    @property
    def sample_hz(self) -> float:
        """Samples a second."""
        ...

    def blocks(self, columns: Sequence[str]) -> Iterator[Block]:
        """The named columns, NaN where lost."""
        ...


@dataclass(frozen=True)
class Band:
    """Values from ``edge`` inwards as deep as ``width`` (channel's unit); ``sign`` +1 at the upper side."""

    sign: int
    edge: float
    width: float


@dataclass(frozen=True)
class _Kept:
    """Visits to a band; arrays of shape (visits,) unless said otherwise, depths below the band's edge.

    Attributes
    ----------
    n_inside, n_next : int64
        Samples in the band, and in the next three widths of it, of the same visit.
    deepest : float64
        Deepest of what stands up to `RISE_S`, or `RISE_SHARE` of its length, before and after.
    after, later : float64
        Depth of the first sample after the last inside, and `RISE_S` after that one.
    depths : float64, shape (samples,)
        Of samples in the band.
    """

    n_inside: Ints
    n_next: Ints
    deepest: Floats
    after: Floats
    later: Floats
    depths: Floats


@dataclass(frozen=True)
class Visits(_Kept):
    """All visits to a band.

    Attributes
    ----------
    band : Band
        What was visited.
    n_near : int
        Samples in the next three widths, of any visit or none, for as many visits as are kept.
    n_samples, n_visits : int
        All samples in the band, and all visits.
    rest : float
        Depth of the median of all samples, about.
    sample_hz : float
        Rate.
    """

    band: Band
    n_near: int
    n_samples: int
    n_visits: int
    rest: float
    sample_hz: float

    def __len__(self) -> int:
        return len(self.n_inside)

    def are_of_a_rail(self, tau_s: float | None, least_ratio: float = MANY_RATIO) -> bool:
        """Whether the signal rises to the band, stays there, and does so again and again.

        Parameters
        ----------
        tau_s : float, optional
            Time constant of the AC coupling, None where the layout states none.
        least_ratio : float
            Samples in the band over those beside it.
        """
        if not len(self) or self._usual(self.deepest) < RISE * self.band.width:
            return False
        ratio = self.n_inside.sum() / (self.n_next.sum() + 1)
        long = self.n_inside[self.n_inside >= LONG_SAMPLES].sum() / self.n_inside.sum()
        if long < LEAST_LONG and not self._scatters():
            return False
        # As many visits of equal length would hold the samples in the same way; one of three long ones may be
        # far longer, if the others pile up as a rail's do by themselves.
        n_equal = self.n_inside.sum() ** 2 / (self.n_inside**2).sum()
        others, n_others = self._ratio_of_others(), int((self.n_inside >= LONG_SAMPLES).sum()) - 1
        several = n_equal >= FEW_VISITS and others >= OTHERS_RATIO
        if several or (n_others >= FEW_VISITS and others >= least_ratio):
            return bool(ratio >= least_ratio and (tau_s is not None or len(self) >= UNCOUPLED_VISITS))
        return tau_s is not None and ratio >= FEW_RATIO and self._is_one_long_stay(tau_s)

    def _is_one_long_stay(self, tau_s: float) -> bool:
        """Whether the visit that outweighs all others is a rail's."""
        is_one_value = self._is_one_value()
        if is_one_value and self.n_inside.max() > MOST_TAUS * tau_s * self.sample_hz:
            return False
        if self._usual(self.later) > (STUCK_STEP if is_one_value else STEP) * self.rest:
            return False
        if is_one_value and len(self) > FEW_OTHERS and self._ratio_of_others() < OTHERS_RATIO:
            return False
        stays_s, beside_s = (self._usual(n) / self.sample_hz for n in (self.n_inside, self.n_next))
        droops_s = DROOPED * self.band.width / self.rest * tau_s
        return stays_s >= max(droops_s, FEW_STAY_S) and beside_s <= LINGERS_S

    def _ratio_of_others(self) -> float:
        """Samples in the band over those beside it, in all visits but the longest."""
        longest = int(np.argmax(self.n_inside))
        inside, beside = (np.delete(n, longest).sum() for n in (self.n_inside, self.n_next))
        return float(inside / (beside + 1))

    @property
    def are_one_value(self) -> bool:
        """Whether one visit outweighs all others, and nearly all values are the same one."""
        n_equal = self.n_inside.sum() ** 2 / (self.n_inside**2).sum()
        return bool(n_equal < FEW_VISITS and self._is_one_value())

    def _usual(self, values: Ints | Floats) -> float:
        """Median over visits, each with the weight of its samples."""
        order = np.argsort(values)
        weight = np.cumsum(self.n_inside[order])
        return float(values[order][np.searchsorted(weight, weight[-1] / 2)])

    def _is_one_value(self) -> bool:
        n_each = np.unique(self.depths, return_counts=True)[1]
        return bool(n_each.max() >= STUCK_SHARE * len(self.depths))

    def _scatters(self) -> bool:
        after = self.after[~np.isnan(self.after)]
        if len(after) < SHORT_VISITS or self.n_inside.sum() < SHORT_RATIO * self.n_near:
            return False
        low, middle, high = np.percentile(after, [25, 50, 75])
        return bool(high - low >= SCATTERED * middle)


@dataclass(frozen=True)
class _Seen(_Kept):
    """Those of one block; what follows is as in :class:`Visits`, of shape (1,)."""

    n_near: Ints
    n_samples: Ints
    n_visits: Ints
    rest: Floats


def visits_to(samples: Samples, channel: Channel, band: Band) -> Visits:
    """Find all visits to a band, block by block; one across the edge of a block counts as two."""
    n_rise = max(1, round(RISE_S * samples.sample_hz))
    lags = sorted({n_rise, max(1, n_rise // 2), max(1, n_rise // 4)})
    seen = [
        _in_block(band.sign * (band.edge - block.columns[channel.name].astype(np.float64)), band.width, lags)
        for block in samples.blocks([channel.name])
    ]
    whole = {name: np.concatenate([vars(one)[name] for one in seen]) for name in vars(seen[0])}
    n_near, n_samples, n_visits = (int(whole.pop(name).sum()) for name in ("n_near", "n_samples", "n_visits"))
    rest = float(np.nanmedian(whole.pop("rest")))
    return Visits(
        **whole,
        band=band,
        n_near=n_near,
        n_samples=n_samples,
        n_visits=n_visits,
        rest=rest,
        sample_hz=samples.sample_hz,
    )


def _in_block(depth: Floats, width: float, lags: list[int]) -> _Seen:
    filled = np.nan_to_num(depth, nan=np.inf)
    inside = np.flatnonzero((filled >= 0) & (filled <= width))
    beside = np.flatnonzero((filled > width) & (filled <= NEXT * width))
    departures = np.cumsum(filled > NEXT * width, dtype=np.int64)
    visit, first, n_inside = np.unique(departures[inside], return_index=True, return_counts=True)
    # Samples beside the band belong to the visit between the same two departures, if there is one.
    own = np.isin(departures[beside], visit)
    n_next = np.bincount(np.searchsorted(visit, departures[beside][own]), minlength=len(visit))
    start, last = inside[first], inside[np.append(first[1:], len(inside)) - 1] if len(inside) else inside
    deepest = np.full(len(visit), -np.inf)
    longest = np.maximum(lags[-1], (n_inside * RISE_SHARE).astype(np.int64))
    for lag in [*(np.full(len(visit), lag) for lag in lags), longest]:
        for at in (start - lag, last + lag):
            deepest = np.fmax(deepest, depth[np.clip(at, 0, len(depth) - 1)])
    after, later = (depth[np.minimum(last + lag, len(depth) - 1)] for lag in (1, lags[-1]))
    rest = np.nanmedian(depth) if np.any(~np.isnan(depth)) else np.nan
    every = slice(None, None, max(1, -(-len(visit) // MOST_KEPT)))
    return _Seen(
        n_inside[every],
        n_next.astype(np.int64)[every],
        deepest[every],
        after[every],
        later[every],
        filled[inside][:: max(1, -(-len(inside) // MOST_KEPT))],
        np.array([len(beside) // every.step]),
        np.array([len(inside)]),
        np.array([len(visit)]),
        np.array([rest]),
    )
