"""Sectors one behind the other, and where they begin when nothing led there."""

from dataclasses import dataclass

import numpy as np

from pipeline.frames.checksum import Bytes
from pipeline.frames.kinds import UNKNOWN, Kinds
from pipeline.frames.sector import BEHIND, Judged, is_erased, judge, places_for
from pipeline.frames.shape import Bools, Ints, Shape

GOOD, ERASED, FAILED = 0, 1, 2

_SURE_BITS = 32
_CHANCE_BITS = 8
_MOST_REACH = 256
_REACH_BYTES = 1 << 18
_LOOK_BYTES, _MOST_LOOK_BYTES = 1 << 16, 1 << 20


@dataclass(frozen=True)
class Trust:
    """How many frames it takes to believe where sectors begin, and how far that holds without any.

    Attributes
    ----------
    n_seed : int
        Frames on end, one sector behind the other, that are no chance.
    reach : int
        Sectors without a frame after which a lattice is given up.
    """

    n_seed: int
    reach: int


def trust_of(kinds: Kinds, sector_bytes: int) -> Trust:
    """From the bits that speak for a frame: those of sync bytes, kind part and checksum."""
    bits = max(1, min(_bits_of(shape) for shape in kinds.shapes))
    least = 1 if all(kinds.are_checked) else 2
    reach = min(
        1 << max(min(bits, 2 * _SURE_BITS) - _CHANCE_BITS, 1), _MOST_REACH, _REACH_BYTES // sector_bytes
    )
    return Trust(max(least, -(-_SURE_BITS // bits)), max(reach, 2))


def _bits_of(shape: Shape) -> int:
    check, kind = shape.checksum, shape.kind
    width = check.checksum.width if check is not None and check.checksum is not None else 0
    return 8 * len(shape.sync) + (8 * kind.n_bytes if kind is not None else 0) + width


@dataclass(frozen=True)
class Stretch:
    """Sectors one behind the other: where each begins in the block, and what it is."""

    places: Ints
    judged: Judged
    status: Ints

    def and_then(self, other: "Stretch") -> "Stretch":
        """Both, the other one behind this."""
        return Stretch(
            np.concatenate((self.places, other.places)),
            self.judged.and_then(other.judged),
            np.concatenate((self.status, other.status)),
        )


def stretch_at(block: Bytes, led: int, most: int, is_last: bool, kinds: Kinds, sector_bytes: int) -> Stretch:
    """Up to `most` sectors from `led` on: those that lie in the block, and at the file's end what is left."""
    stop = len(block) if is_last else len(block) - sector_bytes + 1
    places = np.arange(led, max(stop, led), sector_bytes)[:most]
    judged = judge(block, places, kinds, sector_bytes)
    status = np.full(len(places), GOOD)
    failed = np.flatnonzero(judged.kind == UNKNOWN)
    status[failed] = np.where(is_erased(block, places[failed], sector_bytes), ERASED, FAILED)
    return Stretch(places, judged, status)


@dataclass(frozen=True)
class Gaps:
    """Sectors of a stretch that failed, between others: index ranges [start, stop)."""

    starts: Ints
    stops: Ints

    def first(self, n: int) -> "Gaps":
        """The first of them."""
        return Gaps(self.starts[:n], self.stops[:n])


@dataclass(frozen=True)
class Known:
    """How far a stretch is known.

    Attributes
    ----------
    n : int
        Its first sectors, which are settled. A good one is not as long as the one behind it may begin
        within its filler: where bytes were lost there.
    gaps : Gaps
        Among these.
    leads_nowhere : bool
        Whether what comes then leads to no more frames.
    is_good_next : bool
        Whether what comes then is a good sector.
    """

    n: int
    gaps: Gaps
    leads_nowhere: bool
    is_good_next: bool

    def before_gap(self, i: int, *, holds: bool, stretch: Stretch) -> "Known":
        """No more than up to a gap; ``holds`` keeps a good sector before it from being settled."""
        n = int(self.gaps.starts[i])
        is_good_next = holds and n > 0 and bool(stretch.status[n - 1] == GOOD)
        return Known(n - is_good_next, self.gaps.first(i), False, is_good_next)


def known_of(stretch: Stretch, misses: int, reach: int, is_end: bool) -> Known:
    """How far sectors lead.

    Parameters
    ----------
    stretch : Stretch
        Of at least one sector.
    misses : int
        Failed sectors before it since the last good one.
    reach : int
        From `Trust`.
    is_end : bool
        Whether the file ends with the stretch.
    """
    status = stretch.status
    n, leads_nowhere = len(status), False
    starts, stops = runs_of(status, FAILED)
    too_many = np.flatnonzero(misses_at(status, misses) > reach)
    if len(too_many):
        n, leads_nowhere = int(starts[np.searchsorted(starts, too_many[0], side="right") - 1]), True
    elif len(stops) and stops[-1] == n:
        n, leads_nowhere = int(starts[-1]), is_end
    is_good_next = n > 0 and bool(status[n - 1] == GOOD) and not (is_end and n == len(status))
    n -= is_good_next
    within = stops <= n
    return Known(n, Gaps(starts[within], stops[within]), leads_nowhere, is_good_next)


def misses_at(status: Ints, misses: int) -> Ints:
    """Failed sectors up to each one, since the last good one; `misses` before the first."""
    failed = np.cumsum(status == FAILED) + misses
    return np.asarray(failed - np.maximum.accumulate(np.where(status == GOOD, failed, 0)))


def looked_through(stretch: Stretch, gaps: Gaps, has_sync: bool, sector_bytes: int) -> tuple[Ints, Ints]:
    """Gaps in which sectors may begin elsewhere, as ranges of places; empty ones for the others.

    Those are the ones before erased sectors, with the filler of a good sector before them. Before a good
    sector it would take bytes that were lost and as many that came in; where sync bytes make it cheap, long
    gaps there are looked through as well.
    """
    places, status, judged = stretch.places, stretch.status, stretch.judged
    before = np.maximum(gaps.starts - 1, 0)
    has_filler = (gaps.starts > 0) & (status[before] == GOOD) & (judged.filler[before] == BEHIND)
    starts = np.where(has_filler, places[before] + judged.n_bytes[before], places[gaps.starts] + 1)
    stops = starts.copy()
    before_erased = status[gaps.stops] == ERASED
    stops[before_erased] = places[gaps.stops[before_erased]]
    if has_sync:
        long = ~before_erased & (gaps.stops - gaps.starts > 1)
        stops[long] = places[gaps.stops[long]] - sector_bytes + 1
    return starts, stops


def find_seed(block: Bytes, ranges: tuple[Ints, Ints], kinds: Kinds, sector_bytes: int, n_seed: int) -> int:
    """The first place within any of the ranges [start, stop) at which sectors begin; -1 where none does."""
    some = ranges[1] > ranges[0]
    starts, stops = ranges[0][some], ranges[1][some]
    if not len(starts):
        return -1
    low, last, step = int(starts[0]), int(stops[-1]), _LOOK_BYTES
    while low < last:
        high = min(low + step, last)
        # bytes behind those that a seed takes would only cost time
        near = block[low : high + n_seed * sector_bytes]
        places = places_for(near, 0, high - low, kinds)
        own = np.searchsorted(starts, places + low, side="right") - 1
        places = places[(own >= 0) & (places + low < stops[own])]
        for i in range(n_seed):
            places = places[places + i * sector_bytes < len(near)]
            places = places[_are_good(near, places + i * sector_bytes, kinds, sector_bytes)]
        if len(places):
            return int(places[0]) + low
        low, step = high, min(2 * step, _MOST_LOOK_BYTES)
    return -1


def _are_good(block: Bytes, places: Ints, kinds: Kinds, sector_bytes: int) -> Bools:
    return np.asarray(judge(block, places, kinds, sector_bytes).kind != UNKNOWN)


def runs_of(status: Ints, value: int) -> tuple[Ints, Ints]:
    """Index ranges [start, stop) in which the status has one value."""
    edges = np.diff(np.concatenate(((False,), status == value, (False,))).astype(np.int8))
    return np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)


def one_by_one(places: Ints, judged: Judged, sector_bytes: int) -> Ints:
    """Which frames are taken, from left to right, of all those found in a block.

    Behind a frame comes the one a sector farther, where there is one: what stands between is old. Else the
    first one behind its bytes.
    """
    n = len(places)
    own = np.where(judged.filler == BEHIND, judged.n_bytes, sector_bytes)
    following = np.searchsorted(places, places + own)
    farther = np.searchsorted(places, places + sector_bytes)
    leads = places[np.minimum(farther, n - 1)] == places + sector_bytes if n else np.zeros(0, dtype=bool)
    following = np.where(leads, farther, following)
    if np.all(following == np.arange(1, n + 1)):
        return np.arange(n)
    steps, taken, i = following.tolist(), list[int](), 0
    while i < n:
        taken.append(i)
        i = steps[i]
    return np.array(taken, dtype=np.int64)
