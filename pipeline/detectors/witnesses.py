"""What speaks for an electrode that is off in a stretch, and what against it: one number for each witness.

A number is 0 where the witness says nothing, and NaN where it is missing. Changes are in octaves (1 is twice
as much) against the seconds on either side, and count only as far as they hold against both. All stretches
are looked at together, by sums over the windows up to each edge.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from pipeline.detectors import inside
from pipeline.detectors.beside import CONTEXT_S, LEAST_MAINS_S, NEAR_S, Sums, largest, sides
from pipeline.detectors.signs import Signs
from pipeline.detectors.stretches import Stretches
from pipeline.detectors.windows import Floats

BESIDE_S = 2.5
"""Movement is compared across an edge over so long: who walks on should be heard on either side."""

LEAST_MOVING_S = 1.0
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

LEAST_CALM_S = 0.8
AT_ONCE = 0.4
"""Part of a change of mains that comes within half a second where an electrode comes off; damp soles take
longer."""

UNSEEN_FALL = 0.3
"""What it counts that movement falls silent without any jump."""

VARIES = 0.8
"""Octaves by which like movement shows more or less without anything being wrong."""

STAYS_OCTAVES, ABOVE_FLOOR = 0.3, 1.5
"""Mains that differs by less from either side, and stands so far above the noise, stays what it was."""

LONG_S = 60.0
MOST_LOOKED_AT = 500

WITNESSES = (
    "mains", "mains_jump", "unusual", "away", "jumps", "big_jump", "restless", "restless_mains", "flips",
    "leaping", "leaping_mains", "ramp", "fades", "falls_silent", "silent_mains", "silent_plain",
    "silent_start", "silent_end", "calm_silent", "answers", "calm_answers", "stays", "tied", "long",
)  # fmt: skip


@dataclass(frozen=True)
class Heard:
    """All witnesses of some stretches by name, and what is told beside them.

    ``silence`` is by how many octaves movement shows less inside, NaN where it is not known, ``step_in`` how
    far the level jumps at the beginning.
    """

    witnesses: Mapping[str, Floats]
    silence: Floats
    step_in: Floats


@dataclass(frozen=True)
class _Edges:
    """Jumps at both edges of each stretch, in octaves, how big they are, and where mains steps with them.

    ``either`` is the larger jump, ends of the recording left out, of which nothing is known.
    """

    first: Floats
    last: Floats
    first_size: Floats
    last_size: Floats
    either: Floats
    largest_mains_step: Floats
    together: Floats

    @property
    def both(self) -> Floats:
        """The smaller jump of the two."""
        return np.minimum(self.first, self.last)


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
        return Heard(dict.fromkeys(WITNESSES, nothing), nothing, nothing)
    edges, moves = _edges(signs, stretches), _movement(signs, stretches)
    change, usual = _mains(signs, stretches)
    lasts_s = (stretches.stop - stretches.start) * signs.window_s
    told = {
        **_of_changes(signs, stretches, edges, change),
        **_of_movement(signs, stretches, edges, moves, change),
        **_of_calm(signs, stretches, edges, change),
        "stays": _stays(signs, stretches),
        "away": _away(signs, stretches, usual),
        "long": np.clip(np.log2(np.maximum(lasts_s, 1.0) / LONG_S), 0.0, 2.0),
    }
    return Heard(told, -moves.inside, edges.first)


def _of_changes(signs: Signs, stretches: Stretches, edges: _Edges, change: Floats) -> dict[str, Floats]:
    """What jumps and mains say, at the edges and between them."""
    size = np.minimum(np.abs(np.nan_to_num(change)), 2.0)
    restless, leaping = inside.restless(signs, stretches), inside.leaping(signs, stretches)
    return {
        "mains": np.where(np.isnan(change), np.nan, size),
        "mains_jump": np.minimum(size, 1.0) * edges.together,
        "unusual": inside.unusual(signs, stretches),
        "jumps": np.minimum(edges.both, 2.5),
        "big_jump": np.minimum(edges.last_size, 1.5),
        "restless": restless,
        "restless_mains": restless * size,
        "flips": inside.flips(signs, stretches),
        "leaping": leaping,
        "leaping_mains": leaping * size,
        "ramp": inside.ramp(signs, stretches),
    }


def _of_movement(
    signs: Signs, stretches: Stretches, edges: _Edges, moves: _Moves, change: Floats
) -> dict[str, Floats]:
    """What it says that movement shows or does not."""
    first, last = np.minimum(edges.first, 1.0), np.minimum(edges.last, 1.0)
    at_once = np.clip(edges.either, UNSEEN_FALL, 1.0)
    falls_silent = np.minimum(moves.silent, moves.falls) * at_once
    within = Sums(signs.mains).mean(stretches.inner_start, stretches.inner_stop, 2)
    plain = np.nan_to_num(within, nan=-np.inf) > signs.mains_plain
    less = np.clip(-np.nan_to_num(change), 0.0, 1.0)
    return {
        "fades": inside.fades(signs, stretches),
        "falls_silent": np.where(np.isnan(moves.inside), np.nan, falls_silent),
        "silent_mains": moves.silent * _more(edges, change),
        "silent_plain": moves.silent * less * plain,
        "silent_start": moves.silent * np.minimum(edges.first_size, 1.0) * first,
        "silent_end": moves.silent * np.minimum(edges.last_size, 1.0) * last,
        "answers": moves.answers,
        "tied": moves.silent * less * (edges.largest_mains_step < AT_ONCE * np.abs(np.nan_to_num(change))),
    }


def _of_calm(signs: Signs, stretches: Stretches, edges: _Edges, change: Floats) -> dict[str, Floats]:
    """What a wearer who keeps still shows or does not."""
    shows = Sums(signs.calm)
    within = shows.mean(stretches.inner_start, stretches.inner_stop, signs.n(LEAST_CALM_S))
    first, before, behind, last = sides(signs, stretches, 2 * CONTEXT_S)
    least = signs.n(LEAST_MAINS_S)
    beside = np.fmin(shows.mean(first, before, least), shows.mean(behind, last, least))
    against = within - np.minimum(np.nan_to_num(beside), 0.0)
    known = np.nan_to_num(against, nan=-np.inf)
    silent = np.clip(-np.nan_to_num(against) - VARIES, 0.0, 2.5)
    told = np.maximum(np.minimum(edges.either, 1.0), _more(edges, change))
    return {
        "calm_silent": silent * told,
        "calm_answers": ((known > AS_BESIDE[0]) & (known < 2 * AS_BESIDE[1])).astype(np.float64),
    }


def _more(edges: _Edges, change: Floats) -> Floats:
    """By how much mains is more inside, 0 to 1 octave, as far as it changes at once at either edge."""
    return np.asarray(np.clip(np.nan_to_num(change), 0.0, 1.0) * np.minimum(edges.largest_mains_step, 1.0))


def _edges(signs: Signs, stretches: Stretches) -> _Edges:
    n, near = len(signs), signs.n(NEAR_S)
    at_first = stretches.start <= signs.n(AT_THE_END_S)
    at_last = stretches.stop >= n - signs.n(AT_THE_END_S)
    begin = stretches.start - near, np.maximum(stretches.inner_start, stretches.start + 1) + near
    end = np.minimum(stretches.inner_stop, stretches.stop - 1) - near, stretches.stop + near
    first = np.where(at_first, UNKNOWN_JUMP, np.clip(largest(signs.jump, *begin), 0.0, 3.0))
    last = np.where(at_last, UNKNOWN_JUMP, np.clip(largest(signs.jump, *end), 0.0, 3.0))
    first_size = np.maximum(largest(signs.size, *begin), 0.0)
    first_size = np.where(at_first, UNKNOWN_SIZE, first_size) * (first > 0.2)
    last_size = np.where(at_last, UNKNOWN_SIZE, np.maximum(largest(signs.size, *end), 0.0)) * (last > 0.2)
    changes = np.abs(signs.mains_step)
    at_begin, at_end = largest(changes, *begin), largest(changes, *end)
    # Of an end of the recording nothing is known that could speak for a loss.
    together = np.maximum(
        np.where(at_first, 0.0, np.minimum(first, at_begin)), np.where(at_last, 0.0, np.minimum(last, at_end))
    )
    return _Edges(
        first,
        last,
        first_size,
        last_size,
        np.maximum(np.where(at_first, 0.0, first), np.where(at_last, 0.0, last)),
        np.maximum(at_begin, at_end),
        np.minimum(together, 1.0),
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
    # Among movement the small line of a good contact is not known: it is what it is in the recording.
    nowhere = np.isnan(one) & np.isnan(other)
    one = np.where(nowhere, np.nanmedian(signs.mains), one)
    by_one, by_other = (
        inside - np.where(np.isnan(one), other, one),
        inside - np.where(np.isnan(other), one, other),
    )
    smaller = np.where(np.abs(by_one) < np.abs(by_other), by_one, by_other)
    change = np.where(np.sign(by_one) == np.sign(by_other), smaller, 0.0)
    usual = np.where(np.isnan(one), other, np.where(np.isnan(other), one, (one + other) / 2))
    return np.where(np.isnan(by_one), np.nan, change), usual


def _stays(signs: Signs, stretches: Stretches) -> Floats:
    """Whether mains is heard plainly and is the same inside and on both sides, 0 or 1.

    An open electrode divides it by other capacitances than one on the skin, and hardly by the same ratio.
    """
    mains, least = Sums(signs.mains), signs.n(LEAST_MAINS_S)
    inside = mains.mean(stretches.inner_start, stretches.inner_stop, least)
    first, before, behind, last = sides(signs, stretches, CONTEXT_S)
    beside = mains.mean(first, before, least), mains.mean(behind, last, least)
    far = np.maximum(np.abs(inside - beside[0]), np.abs(inside - beside[1]))
    stays = (far < STAYS_OCTAVES) & (inside > signs.mains_floor + ABOVE_FLOOR) & signs.mains_visible
    return np.asarray(stays, dtype=np.float64)


def _movement(signs: Signs, stretches: Stretches) -> _Moves:
    shows, least = Sums(signs.silence), signs.n(LEAST_MOVING_S)
    start, stop = stretches.inner_start, stretches.inner_stop
    within = shows.mean(start, stop, signs.n(1.6))
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
    silent = np.clip(-np.nan_to_num(against) - VARIES, 0.0, 2.0)
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
