"""The amplifier's rails, found from the data where the layout does not state them.

At a rail values pile up, and beyond it lies nothing. A peak that merely is the largest does not pile up:
about its top any smooth signal is a parabola, which is as long within a depth d of the top as between d and
4 d (2 sqrt(2 d / a) each, a the curvature), so that a sine has as many samples in the one as in the other,
and peaks of unequal height have fewer. What piles up is then looked at visit by visit, see :mod:`.visits`.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.detectors.rail_noise import noise_share
from pipeline.detectors.rails import Rails
from pipeline.detectors.visits import MANY_RATIO, NEXT, Band, Samples, Visits, visits_to
from pipeline.layouts import Channel

Ints = npt.NDArray[np.int64]

MOST_LEVELS = 1 << 14
"""Levels that are counted; of a finer converter several codes are one level."""

LEAST_SAMPLES = 8
"""Fewer samples are no pile."""

LEAST_RATIO = 1.2
"""Samples in a band over those in the next three widths of it from which on its visits are looked at."""

WIDEST_BAND = 0.02
WIDEST_WAY = 0.15
"""Widest band of a rail, noise and knee: share of the range, and of its way from where the signal rests."""

WIDER = 1.5
"""Widest margin at a rail that was found, over the one at a rail that is stated."""

BEYOND = (0, 1, 2, 4, 8, 16)
MOST_BEYOND = 0.02
"""So many samples may lie beyond a rail, sparks and bit errors, and this share of those at it."""

PLATEAU_SHARE = 0.05
PLATEAUS = 0.92
PLATEAUS_UNCOUPLED = 0.85
"""Where rails hold 5 % of the samples, and rails and the two fullest levels beside them nearly all, the
signal steps between levels, and nothing tells these from rails. Behind an AC coupling levels do not stay:
there it takes more (common practice, no source)."""


FEW_VISITS = 10
ALIKE_NOISE = 0.9
"""Where so few visits hold as much noise as there is elsewhere, the signal may as well have rested there: the
amplifier's noise stops at its rails (measured on simulated ones: 0.76 at most)."""


@dataclass(frozen=True)
class SoftRail:
    """A level inside the converter's range at which values pile up.

    Attributes
    ----------
    level : float
        Median of the values there, channel's unit.
    width : float
        How far they reach inwards of it, channel's unit.
    n_samples, n_visits : int
        Samples there, and separate visits.
    """

    level: float
    width: float
    n_samples: int
    n_visits: int


@dataclass(frozen=True)
class SoftRails:
    """What was found at either side, None where nothing was; ``doubt`` says why it could not be told.

    ``rest`` is the median of all samples, NaN where none arrived.
    """

    rest: float
    low: SoftRail | None = None
    high: SoftRail | None = None
    doubt: str = ""

    def within(self, stated: Rails, margin: float) -> Rails:
        """The inner one of what is stated and what was found, the latter moved inwards by the margin.

        Noise behind the rail widens the margin, a wide knee by no more than `WIDER`.
        """
        low, high = stated.low, stated.high
        if self.low is not None:
            low = max(low, self.low.level + min(max(margin, self.low.width), WIDER * margin))
        if self.high is not None:
            high = min(high, self.high.level - min(max(margin, self.high.width), WIDER * margin))
        return Rails(low, high)


@dataclass(frozen=True)
class _Levels:
    """How often each level occurs, from the lowest; the lowest one begins at ``first``.

    Samples at rails that are stated are left out: ``n_stated`` of them at the lower and at the upper side.
    """

    counts: Ints
    first: float
    step: float
    n_stated: tuple[int, int] = (0, 0)

    @property
    def median(self) -> float:
        """Median of all, to a level."""
        total = np.cumsum(self.counts)
        if not total[-1]:
            return float("nan")
        return self.first + (float(np.searchsorted(total, total[-1] / 2)) + 0.5) * self.step

    def n_beyond(self, sign: int, level: float) -> int:
        """Samples further out than `level`, but for those of the next level but one."""
        at = int((level - self.first) / self.step)
        return int(self.counts[at + 2 :].sum() if sign > 0 else self.counts[: max(at - 1, 0)].sum())

    def outwards(self, sign: int) -> Ints:
        """Counts from the end at the side of `sign` inwards."""
        return self.counts[::-1] if sign > 0 else self.counts

    def band(self, sign: int, edge: int, width: int) -> Band:
        """The band of `width` levels behind the outermost `edge` ones."""
        end = self.first + len(self.counts) * self.step if sign > 0 else self.first
        return Band(sign, end - sign * edge * self.step, width * self.step)


def find_soft_rails(
    samples: Samples, channel: Channel, stated: Rails, least_share: float, ratio: float = MANY_RATIO
) -> SoftRails:
    """Look at both sides for a rail that the layout does not state.

    Parameters
    ----------
    samples, channel
        A field channel; read once, and again only where something piles up.
    stated : Rails
        What the layout states; samples there are left out.
    least_share : float
        Share of the range by which a rail must be away from where the signal rests, its median.
    ratio : float
        Samples at a rail over those beside it that are wanted at least.
    """
    sides = [
        sign for sign, known in ((-1, channel.amplifier_low), (1, channel.amplifier_high)) if known is None
    ]
    levels = _levels(samples, channel, stated)
    bands = [band for sign in sides if (band := _pile(levels, sign, least_share)) is not None]
    found, doubt = {}, ""
    for band in bands:
        visits = visits_to(samples, channel, band)
        if visits.are_of_a_rail(_time_constant_s(channel), ratio):
            rail = _rail(band, visits)
            # A value that stands while others lie beyond it is one that is stuck.
            if visits.are_one_value and levels.n_beyond(band.sign, rail.level):
                continue
            if visits.n_visits <= FEW_VISITS and (noise_share(samples, channel, band) or 0.0) > ALIKE_NOISE:
                doubt = "values pile up at one level, but with as much noise as elsewhere"
                continue
            found[band.sign] = rail
    if found and _is_plateaus(levels, [band for band in bands if band.sign in found], channel):
        doubt = "the signal steps between a few levels, and whether these are rails cannot be told from it"
        return SoftRails(levels.median, doubt=doubt)
    return SoftRails(levels.median, found.get(-1), found.get(1), doubt if not found else "")


def _levels(samples: Samples, channel: Channel, stated: Rails) -> _Levels:
    n_codes = channel.adc_max - channel.adc_min + 1
    group = -(-n_codes // MOST_LEVELS)
    step = group * abs(channel.scale)
    first = channel.adc_low - 0.5 * abs(channel.scale)
    counts = np.zeros(-(-n_codes // group), np.int64)
    for block in samples.blocks([channel.name]):
        value = block.columns[channel.name]
        if np.isnan(value.sum()):
            value = value[~np.isnan(value)]
        level = (value - value.dtype.type(first)) * value.dtype.type(1 / step)
        np.clip(level, 0, len(counts) - 1, out=level)
        counts += np.bincount(level.astype(np.int32), minlength=len(counts))
    middle = first + step * (np.arange(len(counts)) + 0.5)
    at_stated = middle <= stated.low, middle >= stated.high
    n_stated = int(counts[at_stated[0]].sum()), int(counts[at_stated[1]].sum())
    counts[at_stated[0] | at_stated[1]] = 0
    return _Levels(counts, first, step, n_stated)


def _pile(levels: _Levels, sign: int, least_share: float) -> Band | None:
    """The band at one side that holds most beyond what a parabola explains, if there is one."""
    n = len(levels.counts)
    total = np.concatenate(([0], np.cumsum(levels.outwards(sign))))
    rest = float(np.searchsorted(total, total[-1] / 2))
    best, found = 0.0, None
    n_stated = levels.n_stated[sign > 0]
    for beyond in BEYOND:
        edge = int(np.searchsorted(total, beyond, side="right")) - 1
        for width in _widths(n):
            way = rest - edge - width
            if way < least_share * n or width > max(WIDEST_WAY * way, 1) or edge + NEXT * width > n:
                break
            inside = int(total[edge + width] - total[edge])
            excess = inside - LEAST_RATIO * int(total[edge + NEXT * width] - total[edge + width])
            enough = inside >= LEAST_SAMPLES and beyond <= MOST_BEYOND * inside
            # What reaches a stated rail has none before it.
            enough &= n_stated <= max(BEYOND[-1], MOST_BEYOND * inside)
            # A wider band must be worth it.
            if enough and excess > max(1.05 * best, LEAST_SAMPLES / 2):
                best, found = excess, levels.band(sign, edge, width)
    return found


def _widths(n_levels: int) -> Iterator[int]:
    """Widths in levels, each about 1.3 times the one before."""
    width = 1
    while width <= max(WIDEST_BAND * n_levels, 1):
        yield width
        width = max(width + 1, round(1.3 * width))


def _rail(band: Band, visits: Visits) -> SoftRail:
    middle = float(np.median(visits.depths))
    level = band.edge - band.sign * middle
    return SoftRail(level, max(band.width - middle, 0.0), visits.n_samples, visits.n_visits)


def _time_constant_s(channel: Channel) -> float | None:
    return 1 / (2 * np.pi * channel.ac_corner_hz) if channel.ac_corner_hz else None


def _is_plateaus(levels: _Levels, bands: list[Band], channel: Channel) -> bool:
    """Whether rails and two more levels, each twice as wide as the widest band, hold nearly all."""
    counts = levels.counts.copy()
    total = int(counts.sum())
    width = max(round(2 * max(band.width for band in bands) / levels.step), 1)
    held = 0
    for band in bands:
        outer = round((band.edge - levels.first) / levels.step)
        part = slice(max(outer - width, 0), outer) if band.sign > 0 else slice(outer, outer + width)
        held += int(counts[part].sum())
        counts[part] = 0
    if held < PLATEAU_SHARE * total:
        return False
    for _ in range(2):
        sums = np.cumsum(np.concatenate(([0], counts)))
        window = sums[width:] - sums[:-width]
        fullest = int(np.argmax(window))
        held += int(window[fullest])
        counts[fullest : fullest + width] = 0
    return held >= (PLATEAUS if channel.ac_corner_hz else PLATEAUS_UNCOUPLED) * total
