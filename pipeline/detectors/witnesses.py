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

from pipeline.detectors import inside
from pipeline.detectors.beside import CONTEXT_S, LEAST_MAINS_S, NEAR_S, Sums, sides
from pipeline.detectors.signs import Signs
from pipeline.detectors.stretches import Stretches
from pipeline.detectors.windows import Floats

BESIDE_S = 2.5
"""Movement is compared across an edge over so long: who walks on should be heard on either side."""

LEAST_MOVING_S = 0.8
AT_THE_END_S = 0.5
"""An edge so near to an end of the recording cannot jump."""

UNKNOWN_JUMP, UNKNOWN_SIZE = 0.7, 0.3
"""What such an edge counts as."""

FAR_OCTAVES = 0.8
"""Mains so far from the usual is away."""

LESS_OCTAVES = -0.3
"""Mains that changes by more than so much downwards is less."""

AS_BESIDE = (-0.5, 1.0)
"""Octaves between which movement shows as it does beside; far more is no movement of the wearer."""

LONG_S = 60.0
MOST_LOOKED_AT = 500

WITNESSES = (
    "mains", "mains_jump", "at_once", "unusual", "away", "jumps", "big_jump", "restless", "restless_mains",
    "flips", "flips_restless", "ramp", "fades", "fades_jump", "falls_silent", "silent_mains", "silent_plain",
    "silent_jumps", "silent_end", "answers", "tied", "long", "open_ended",
)  # fmt: skip


@dataclass(frozen=True)
class Heard:
    """All witnesses of some stretches by name, and what is told beside them.

    ``silence`` is by how many octaves movement shows less inside, NaN where it is not known, ``step_in`` how
    far the level jumps at the beginning, ``usual`` the logarithm of mains beside the stretch.
    """

    witnesses: Mapping[str, Floats]
    silence: Floats
    step_in: Floats
    usual: Floats


@dataclass(frozen=True)
class _Edges:
    """Jumps at both edges of each stretch, in octaves, how big they are, and where mains steps with them."""

    first: Floats
    last: Floats
    first_size: Floats
    last_size: Floats
    mains_step: Floats
    together: Floats
    open_ended: npt.NDArray[np.bool_]

    @property
    def both(self) -> Floats:
        """The smaller jump of the two."""
        return np.minimum(self.first, self.last)

    @property
    def either(self) -> Floats:
        """The larger one."""
        return np.maximum(self.first, self.last)


@dataclass(frozen=True)
class _Moves:
    """How movement shows in each stretch, in octaves.

    ``inside`` against both sides (NaN where it is not known), ``silent`` by how much it shows less, 0 to 2,
    ``falls`` how far it falls at an edge, ``answers`` 1 where it shows as it does beside.
    """

    inside: Floats
    silent: Floats
    falls: Floats
    answers: Floats


def hear(signs: Signs, stretches: Stretches) -> Heard:
    """All witnesses of the stretches."""
    if not len(stretches):
        nothing = np.empty(0)
        return Heard(dict.fromkeys(WITNESSES, nothing), nothing, nothing, nothing)
    edges, moves = _edges(signs, stretches), _movement(signs, stretches)
    change, usual = _mains(signs, stretches)
    lasts_s = (stretches.stop - stretches.start) * signs.window_s
    told = {
        **_of_changes(signs, stretches, edges, change),
        **_of_movement(signs, stretches, edges, moves, change),
        "away": _away(signs, stretches, usual),
        "long": np.clip(np.log2(np.maximum(lasts_s, 1.0) / LONG_S), 0.0, 2.0),
        "open_ended": edges.open_ended.astype(np.float64),
    }
    return Heard(told, -moves.inside, edges.first, usual)


def _of_changes(signs: Signs, stretches: Stretches, edges: "_Edges", change: Floats) -> dict[str, Floats]:
    """What jumps and mains say, at the edges and between them."""
    size = np.minimum(np.abs(np.nan_to_num(change)), 2.0)
    one = np.minimum(edges.either, 1.0)
    restless, flips = inside.restless(signs, stretches), inside.flips(signs, stretches)
    return {
        "mains": np.where(np.isnan(change), np.nan, size),
        "mains_jump": np.minimum(size, 1.0) * edges.together,
        "at_once": np.minimum(edges.mains_step, size) * one,
        "unusual": inside.unusual(signs, stretches),
        "jumps": np.minimum(edges.both, 1.0),
        "big_jump": np.minimum(edges.last_size, 1.5),
        "restless": restless,
        "restless_mains": restless * size,
        "flips": flips,
        "flips_restless": flips * restless,
        "ramp": inside.ramp(signs, stretches),
    }


def _of_movement(
    signs: Signs, stretches: Stretches, edges: "_Edges", moves: _Moves, change: Floats
) -> dict[str, Floats]:
    """What it says that movement shows or does not."""
    fades = inside.fades(signs, stretches)
    last, last_size = np.minimum(edges.last, 1.0), np.minimum(edges.last_size, 1.0)
    big = np.minimum(edges.first_size, last_size)
    falls_silent = np.minimum(moves.silent, moves.falls)
    less = np.nan_to_num(change) < LESS_OCTAVES
    within = Sums(signs.mains).mean(stretches.inner_start, stretches.inner_stop, 2)
    plain = np.nan_to_num(within, nan=-np.inf) > signs.mains_plain
    return {
        "fades": fades,
        "fades_jump": fades * last,
        "falls_silent": np.where(np.isnan(moves.inside), np.nan, falls_silent),
        "silent_mains": moves.silent * np.clip(np.nan_to_num(change), 0.0, 1.0),
        "silent_plain": moves.silent * np.clip(-np.nan_to_num(change), 0.0, 1.0) * plain,
        "silent_jumps": moves.silent * big * edges.both,
        "silent_end": moves.silent * np.maximum(last_size, 0.0) * last,
        "answers": moves.answers,
        "tied": falls_silent * less * (edges.both < 0.5) * ~plain,
    }


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
    at_either = np.where(at_first, np.inf, step[first_at]), np.where(at_last, np.inf, step[last_at])
    steps = np.minimum(*at_either)
    together = np.maximum(np.minimum(first, at_either[0]), np.minimum(last, at_either[1]))
    return _Edges(
        first,
        last,
        first_size,
        last_size,
        np.where(at_first & at_last, 0.0, steps),
        np.minimum(together, 1.0),
        at_first | at_last,
    )


def _mains(signs: Signs, stretches: Stretches) -> tuple[Floats, Floats]:
    """By how much mains differs from both sides, the smaller difference, and what is usual there."""
    if not signs.mains_visible:
        unknown = np.full(len(stretches), np.nan)
        return unknown, unknown
    mains, least = Sums(signs.mains), signs.n(LEAST_MAINS_S)
    inside = mains.mean(stretches.inner_start, stretches.inner_stop, 2)
    first, before, behind, last = sides(signs, stretches, CONTEXT_S)
    one, other = mains.mean(first, before, least), mains.mean(behind, last, least)
    by_one, by_other = (
        inside - np.where(np.isnan(one), other, one),
        inside - np.where(np.isnan(other), one, other),
    )
    smaller = np.where(np.abs(by_one) < np.abs(by_other), by_one, by_other)
    change = np.where(np.sign(by_one) == np.sign(by_other), smaller, 0.0)
    usual = np.where(np.isnan(one), other, np.where(np.isnan(other), one, (one + other) / 2))
    return np.where(np.isnan(by_one), np.nan, change), usual


def _movement(signs: Signs, stretches: Stretches) -> _Moves:
    shows, least = Sums(signs.silence), signs.n(LEAST_MOVING_S)
    start, stop = stretches.inner_start, stretches.inner_stop
    within = shows.mean(start, stop, signs.n(1.0))
    first, before, behind, last = sides(signs, stretches, 2 * CONTEXT_S)
    two = signs.n(2.0)
    beside = np.fmin(shows.mean(first, before, two), shows.mean(behind, last, two))
    against = within - np.minimum(np.nan_to_num(beside), 0.0)
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
    known = np.nan_to_num(against, nan=-np.inf)
    answers = (known > AS_BESIDE[0]) & (known < AS_BESIDE[1]) & (shows.known(start, stop) >= signs.n(1.5))
    silent = np.clip(-np.nan_to_num(against), 0.0, 2.0)
    return _Moves(against, silent, falls * heard, answers.astype(np.float64))


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
