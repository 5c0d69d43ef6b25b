"""What speaks for an electrode that is off in a stretch, and what against it: one number for each witness.

A number is 0 where the witness says nothing, and NaN where it is missing. Changes are in octaves (1 is twice
as much) against the seconds on either side, and count only as far as they hold against both. All stretches
are looked at together, by sums over the windows up to each edge.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from pipeline.detectors.signs import Signs
from pipeline.detectors.stretches import Places, Stretches
from pipeline.detectors.windows import Floats

CONTEXT_S = 10.0
"""Reach of the seconds on either side that a stretch is held against."""

NEAR_S = 0.4
"""What lies so near to an edge belongs to neither side; a jump so near to it belongs to it."""

BESIDE_S = 2.5
"""Movement is compared across an edge over so long: who walks on should be heard on either side."""

LEAST_MAINS_S, LEAST_MOVING_S = 1.0, 0.8
AT_THE_END_S = 0.5
"""An edge so near to an end of the recording cannot jump."""

UNKNOWN_JUMP, UNKNOWN_SIZE = 0.7, 0.3
"""What such an edge counts as."""

FAR_OCTAVES = 0.8
"""Mains so far from the usual is away."""

LONG_S = 60.0
MOST_LOOKED_AT = 500

WITNESSES = (
    "mains", "mains_jump", "at_once", "jumps", "big_jump", "away", "comings",
    "falls_silent", "silent_mains", "silent_jumps", "answers", "tied", "long", "open_ended",
)  # fmt: skip


@dataclass(frozen=True)
class Heard:
    """All witnesses of some stretches by name, and what is told beside them.

    ``change`` is the change of mains in octaves with its sign, ``silence`` by how many octaves movement shows
    less inside, NaN where it is not known, ``step_in`` how far the level jumps at the beginning, ``usual``
    the logarithm of mains beside the stretch.
    """

    witnesses: Mapping[str, Floats]
    change: Floats
    silence: Floats
    step_in: Floats
    usual: Floats


class Sums:
    """Means of values over any stretch of windows, unknown ones left out."""

    def __init__(self, values: Floats) -> None:
        known = ~np.isnan(values)
        self.total = np.concatenate(([0.0], np.cumsum(np.where(known, values, 0.0))))
        self.number = np.concatenate(([0], np.cumsum(known)))

    def known(self, start: Places, stop: Places) -> Places:
        """How many windows are known."""
        return np.asarray(self.number[stop] - self.number[start])

    def mean(self, start: Places, stop: Places, least: int = 1) -> Floats:
        """NaN where fewer than `least` windows are known."""
        number = self.known(start, stop)
        total = self.total[stop] - self.total[start]
        return np.where(number >= least, total / np.maximum(number, 1), np.nan)


@dataclass(frozen=True)
class _Edges:
    """Jumps at both edges of each stretch, in octaves, how big they are, and where mains steps with them."""

    first: Floats
    last: Floats
    first_size: Floats
    last_size: Floats
    mains_step: Floats
    open_ended: npt.NDArray[np.bool_]

    @property
    def both(self) -> Floats:
        """The smaller jump of the two."""
        return np.minimum(self.first, self.last)

    @property
    def either(self) -> Floats:
        """The larger one."""
        return np.maximum(self.first, self.last)


def hear(signs: Signs, stretches: Stretches) -> Heard:
    """All witnesses of the stretches."""
    if not len(stretches):
        nothing = np.empty(0)
        return Heard(dict.fromkeys(WITNESSES, nothing), nothing, nothing, nothing, nothing)
    edges = _edges(signs, stretches)
    change, usual = _mains(signs, stretches)
    size = np.minimum(np.abs(np.nan_to_num(change)), 2.0)
    inside, falls, answers = _movement(signs, stretches)
    silent = np.clip(-np.nan_to_num(inside), 0.0, 2.0)
    falls_silent = np.minimum(silent, falls)
    less = np.nan_to_num(change) < -0.3
    lasts_s = (stretches.stop - stretches.start) * signs.window_s
    away = _away(signs, stretches, usual)
    comings = np.minimum(_comings(signs, stretches), 2.0)
    one = np.minimum(edges.either, 1.0)
    at_once = np.minimum(edges.mains_step, size) * one
    big = np.minimum(np.minimum(edges.first_size, edges.last_size), 1.0)
    missing = np.isnan(inside)
    told: dict[str, Floats] = {
        "mains": np.where(np.isnan(change), np.nan, size),
        "mains_jump": np.minimum(size, 1.0) * one,
        "at_once": at_once,
        "jumps": np.minimum(edges.both, 1.0),
        "big_jump": np.minimum(edges.last_size, 1.5),
        "away": away,
        "comings": away * comings,
        "falls_silent": np.where(missing, np.nan, falls_silent),
        "silent_mains": silent * np.clip(np.nan_to_num(change), 0.0, 1.0),
        "silent_jumps": silent * big * edges.both,
        "answers": answers,
        "tied": falls_silent * less * (edges.both < 0.5),
        "long": np.clip(np.log2(np.maximum(lasts_s, 1.0) / LONG_S), 0.0, 2.0),
        "open_ended": edges.open_ended.astype(np.float64),
    }
    return Heard(told, change, np.where(missing, np.nan, -inside), edges.first, usual)


def _edges(signs: Signs, stretches: Stretches) -> _Edges:
    n, reach = len(signs), 2 * signs.n(NEAR_S) + 1
    jump = ndimage.maximum_filter1d(signs.jump, reach, mode="nearest")
    size = ndimage.maximum_filter1d(signs.size, reach, mode="nearest")
    step = ndimage.maximum_filter1d(np.abs(signs.mains_step), reach, mode="nearest")
    at_first = stretches.start <= signs.n(AT_THE_END_S)
    at_last = stretches.stop >= n - signs.n(AT_THE_END_S)
    first_at, last_at = np.minimum(stretches.start, n - 1), np.maximum(stretches.stop - 1, 0)
    first = np.where(at_first, UNKNOWN_JUMP, np.clip(jump[first_at], 0.0, 1.5))
    last = np.where(at_last, UNKNOWN_JUMP, np.clip(jump[last_at], 0.0, 1.5))
    first_size = np.where(at_first, UNKNOWN_SIZE, np.maximum(size[first_at], 0.0)) * (first > 0.2)
    last_size = np.where(at_last, UNKNOWN_SIZE, np.maximum(size[last_at], 0.0)) * (last > 0.2)
    steps = np.minimum(np.where(at_first, np.inf, step[first_at]), np.where(at_last, np.inf, step[last_at]))
    return _Edges(
        first, last, first_size, last_size, np.where(at_first & at_last, 0.0, steps), at_first | at_last
    )


def _sides(signs: Signs, stretches: Stretches, reach_s: float) -> tuple[Places, Places, Places, Places]:
    """The windows before each stretch and behind it: [start, stop) of either."""
    n, gap, reach = len(signs), signs.n(NEAR_S), signs.n(reach_s)
    before, behind = np.maximum(stretches.start - gap, 0), np.minimum(stretches.stop + gap, n)
    return np.maximum(before - reach, 0), before, behind, np.minimum(behind + reach, n)


def _mains(signs: Signs, stretches: Stretches) -> tuple[Floats, Floats]:
    """By how much mains differs from both sides, the smaller difference, and what is usual there."""
    if not signs.mains_visible:
        unknown = np.full(len(stretches), np.nan)
        return unknown, unknown
    mains, least = Sums(signs.mains), signs.n(LEAST_MAINS_S)
    inside = mains.mean(stretches.inner_start, stretches.inner_stop, 2)
    first, before, behind, last = _sides(signs, stretches, CONTEXT_S)
    one, other = mains.mean(first, before, least), mains.mean(behind, last, least)
    by_one, by_other = (
        inside - np.where(np.isnan(one), other, one),
        inside - np.where(np.isnan(other), one, other),
    )
    smaller = np.where(np.abs(by_one) < np.abs(by_other), by_one, by_other)
    change = np.where(np.sign(by_one) == np.sign(by_other), smaller, 0.0)
    usual = np.where(np.isnan(one), other, np.where(np.isnan(other), one, (one + other) / 2))
    return np.where(np.isnan(by_one), np.nan, change), usual


def _movement(signs: Signs, stretches: Stretches) -> tuple[Floats, Floats, Floats]:
    """How movement shows inside against both sides, how far it falls at an edge (octaves), if it answers."""
    shows, least = Sums(signs.silence), signs.n(LEAST_MOVING_S)
    start, stop = stretches.inner_start, stretches.inner_stop
    inside = shows.mean(start, stop, signs.n(1.0))
    first, before, behind, last = _sides(signs, stretches, 2 * CONTEXT_S)
    two = signs.n(2.0)
    beside = np.fmin(shows.mean(first, before, two), shows.mean(behind, last, two))
    against = inside - np.minimum(np.nan_to_num(beside), 0.0)
    n, reach = len(signs), signs.n(BESIDE_S)
    outer = (
        shows.mean(np.maximum(stretches.start - reach, 0), stretches.start, least),
        shows.mean(stretches.stop, np.minimum(stretches.stop + reach, n), least),
    )
    inner = (
        shows.mean(start, np.minimum(start + reach, stop), least),
        shows.mean(np.maximum(stop - reach, start), stop, least),
    )
    falls = np.clip(np.nan_to_num(np.fmax(outer[0] - inner[0], outer[1] - inner[1])), 0.0, 2.0)
    heard = np.nan_to_num(np.fmax(*outer), nan=-np.inf) > -1
    answers = (np.nan_to_num(against, nan=-np.inf) > -0.5) & (shows.known(start, stop) >= signs.n(1.5))
    return against, falls * heard, answers.astype(np.float64)


def _away(signs: Signs, stretches: Stretches, usual: Floats) -> Floats:
    """Share of the windows whose mains is far from the usual; in long stretches only some are looked at."""
    away = np.zeros(len(stretches))
    for k in np.flatnonzero(~np.isnan(usual)).tolist():
        start, stop = int(stretches.start[k]), int(stretches.stop[k])
        some = signs.mains[start : stop : max(1, (stop - start) // MOST_LOOKED_AT)]
        some = some[~np.isnan(some)]
        if len(some):
            away[k] = np.mean(np.abs(some - usual[k]) > FAR_OCTAVES)
    return away


def _comings(signs: Signs, stretches: Stretches) -> Floats:
    """Jumps a second."""
    begins = np.diff((signs.jump > 0).astype(np.int64), prepend=0) > 0
    count = np.concatenate(([0], np.cumsum(begins)))
    lasts_s = np.maximum((stretches.stop - stretches.start) * signs.window_s, 1.0)
    return np.asarray((count[stretches.stop] - count[stretches.start]) / lasts_s)
