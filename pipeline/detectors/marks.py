"""Marks of each stretch: what a reader of the trace would point at, measured against like moments.

What the windows show (:mod:`.shown`) within a stretch, beside it and at both of its edges, in octaves; NaN
where it is not known.
"""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pipeline.detectors.beside import Sums, largest, sides
from pipeline.detectors.signs import Signs
from pipeline.detectors.stretches import Places, Stretches
from pipeline.detectors.windows import Floats

SILENT_OCTAVES = -1.2
"""Movement that shows by less than 0.44 of the usual is silent."""

ENOUGH, SOME = 5, 3
"""Windows that are needed for a mean beside a stretch, and within it."""

ELSEWHERE = 15
MOVES_REACH_S, LINE_REACH_S, JUMPY_REACH_S, SHORT_REACH_S = 15.0, 10.0, 20.0, 3.0
EDGE_S = 0.8
MOST_EDGE_S = 1.0
"""An edge lies within so much of either end of a stretch, and `EDGE_S` beyond it."""

PLAIN_MOVING_S, PLAIN_OCTAVES, PLAIN_JUMP = 3.0, 1.32, 2.0
"""What makes a mark plain, as in the simulator's yardstick: silent walking, change of the line, jumps."""

OFTEN_POWER = 3.0
"""A line that is there a third of the time is less by half an octave in the mean of such powers: contact that
comes and goes shows what it is while it is gone."""

PLAINEST = 4.0
RAIL_REACH_S, LONGEST_RAIL_S = 1.5, 60.0

Told = dict[str, Floats]
Mask = npt.NDArray[np.bool_]


class _Sides(NamedTuple):
    """Windows before each stretch and behind it: [first, before) and [behind, last)."""

    first: Places
    before: Places
    behind: Places
    last: Places

    def means(self, sums: Sums, least: int) -> tuple[Floats, Floats]:
        return sums.mean(self.first, self.before, least), sums.mean(self.behind, self.last, least)


def marks_of(signs: Signs, stretches: Stretches) -> Told:
    """All marks of the stretches by name."""
    told: Told = {}
    silent_s = np.zeros(len(stretches))
    for name, shows, weight in (("walk", signs.shown.walking, 1.0), ("stroke", signs.shown.stroking, 0.5)):
        moves = _moves(signs, stretches, shows, name)
        silent = np.nan_to_num(moves[f"{name}_silent"]) > 0.5
        silent_s += np.where(silent, weight * moves[f"{name}_s"], 0.0)
        told |= moves
    told |= _line(signs, stretches) | _jumps(signs, stretches)
    told |= _plainest(silent_s, told["line_change"], told["far_both"])
    leaps = np.fmax(np.abs(told["line_change"]), told["line_high"])
    told["second_high"] = _plainest(silent_s, leaps, told["far_both"])["second_mark"]
    told |= _beside(signs, stretches) | _rails(signs, stretches)
    length = stretches.stop - stretches.start
    at_first, at_last = _ends(signs, stretches)
    told["length"] = np.log2(length * signs.window_s)
    told["ends"] = 1.0 * at_first + 2.0 * at_last
    told["folds_hz"] = np.full(len(stretches), signs.folded_hz)
    return told


def _ends(signs: Signs, stretches: Stretches) -> tuple[Mask, Mask]:
    """Whether stretches begin with the recording, and end with it."""
    return stretches.start <= 2, stretches.stop >= len(signs) - 2


def _moves(signs: Signs, stretches: Stretches, shows: Floats, name: str) -> Told:
    """How one kind of movement shows: inside, beside, and everywhere else."""
    sums = Sums(shows)
    silent = Sums(np.where(np.isnan(shows), np.nan, 1.0 * (shows < SILENT_OCTAVES)))
    start, stop = stretches.start, stretches.stop
    within = silent.known(start, stop)
    elsewhere = silent.number[-1] - within
    silent_elsewhere = silent.total[-1] - (silent.total[stop] - silent.total[start])
    before, behind = _Sides(*sides(signs, stretches, MOVES_REACH_S)).means(sums, ENOUGH)
    return {
        f"{name}_s": np.minimum(within * signs.window_s, 20.0),
        f"{name}_shows": sums.mean(start, stop, ENOUGH),
        f"{name}_silent": silent.mean(start, stop, ENOUGH),
        f"{name}_silent_elsewhere": np.where(
            elsewhere >= ELSEWHERE, silent_elsewhere / np.maximum(elsewhere, 1), np.nan
        ),
        f"{name}_beside": np.fmax(before, behind),
        f"{name}_trend": _trend(sums, stretches),
    }


def _trend(sums: Sums, stretches: Stretches) -> Floats:
    """By how much the second half shows more than the first."""
    half = (stretches.start + stretches.stop) // 2
    return sums.mean(half, stretches.stop, SOME) - sums.mean(stretches.start, half, SOME)


def _line(signs: Signs, stretches: Stretches) -> Told:
    """How the line differs from either side, how evenly, and how it changes at the edges."""
    line = signs.shown.line
    sums, squares = Sums(line), Sums(line**2)
    around = _Sides(*sides(signs, stretches, LINE_REACH_S))
    within = sums.mean(stretches.start, stretches.stop, SOME)
    before, behind = around.means(sums, ENOUGH)
    by_one, by_other = within - before, within - behind
    smaller = np.where(np.abs(by_one) < np.abs(by_other), by_one, by_other)
    change = np.where(np.sign(np.nan_to_num(by_one)) == np.sign(np.nan_to_num(by_other)), smaller, 0.0)
    change = np.where(np.isnan(by_one), by_other, np.where(np.isnan(by_other), by_one, change))
    spread = _deviation(squares.mean(stretches.start, stretches.stop, SOME), within)
    one, other = around.means(squares, ENOUGH)
    spread_beside = np.fmax(_deviation(one, before), _deviation(other, behind))
    largest_beside = np.fmax(before, behind)
    strong = Sums(2.0 ** (OFTEN_POWER * line))
    high = _octaves(strong.mean(stretches.start, stretches.stop, SOME))
    high_before, high_behind = (_octaves(mean) for mean in around.means(strong, ENOUGH))
    known = line[~np.isnan(line)]
    into, out_of = _at_edges(signs, stretches, sums)
    return {
        "line_before": by_one,
        "line_behind": by_other,
        "line_change": change,
        "line_spread": spread,
        "line_spread_beside": spread_beside,
        "line_surely": np.abs(change) / np.hypot(np.hypot(spread, spread_beside), 0.2),
        "line_plain": np.fmax(within, largest_beside),
        "line_unusual": within - (float(np.median(known)) if len(known) else np.nan),
        "line_high": high - largest_beside,
        "line_higher": high - np.fmax(high_before, high_behind),
        "line_trend": _trend(sums, stretches),
        "line_into": into,
        "line_out_of": out_of,
        "line_size": within + signs.shown.line_size,
        "line_size_beside": largest_beside + signs.shown.line_size,
    }  # fmt: skip


def _octaves(mean: Floats) -> Floats:
    """Of a mean of values to the power of `OFTEN_POWER`."""
    return np.asarray(np.log2(mean) / OFTEN_POWER)


def _deviation(square: Floats, mean: Floats) -> Floats:
    return np.asarray(np.sqrt(np.maximum(square - mean**2, 0.0)))


def _at_edges(signs: Signs, stretches: Stretches, sums: Sums) -> tuple[Floats, Floats]:
    """By how much values change from 0.8 s outside to 0.8 s inside, at the beginning and at the end."""
    n, reach = len(signs), signs.n(EDGE_S)
    start, stop = stretches.start, stretches.stop
    inside_first = sums.mean(np.minimum(start + 2, n), np.minimum(start + 2 + reach, n))
    outside_first = sums.mean(np.maximum(start - 1 - reach, 0), np.maximum(start - 1, 0))
    inside_last = sums.mean(np.maximum(stop - 2 - reach, 0), np.maximum(stop - 2, 0))
    outside_last = sums.mean(np.minimum(stop + 1, n), np.minimum(stop + 1 + reach, n))
    return inside_first - outside_first, inside_last - outside_last


def _jumps(signs: Signs, stretches: Stretches) -> Told:
    """How far the level goes at either edge, NaN at an end of the recording."""
    near, most = signs.n(EDGE_S), signs.n(MOST_EDGE_S)
    inner_start = np.maximum(stretches.inner_start, stretches.start + 1)
    inner_stop = np.minimum(stretches.inner_stop, stretches.stop - 1)
    begin = stretches.start - near, np.minimum(inner_start, stretches.start + most) + near
    end = np.maximum(inner_stop, stretches.stop - most) - near, stretches.stop + near
    at_first, at_last = _ends(signs, stretches)
    told: Told = {}
    shown = signs.shown
    traces = {
        "far": shown.far, "often": shown.often, "around": shown.around, "abrupt": signs.jump,
        "size": shown.size,
    }  # fmt: skip
    for name, values in traces.items():
        first = np.where(at_first, np.nan, largest(values, *begin))
        last = np.where(at_last, np.nan, largest(values, *end))
        told |= {f"{name}_first": first, f"{name}_last": last}
        if name != "size":
            told |= {f"{name}_both": np.fmin(first, last), f"{name}_either": np.fmax(first, last)}
    return told


def _plainest(silent_s: Floats, line_change: Floats, jump: Floats) -> Told:
    """The three marks in parts of what makes each of them plain, in their order."""
    marks = np.stack(
        [
            silent_s / PLAIN_MOVING_S,
            np.abs(np.nan_to_num(line_change)) / PLAIN_OCTAVES,
            2.0 ** np.nan_to_num(jump, nan=-3.0) / PLAIN_JUMP,
        ]
    )
    least, second, plainest = np.sort(np.minimum(marks, PLAINEST), axis=0)
    silent = np.minimum(silent_s / PLAIN_MOVING_S, PLAINEST)
    return {"silent": silent, "third_mark": least, "second_mark": second, "first_mark": plainest}


def _beside(signs: Signs, stretches: Stretches) -> Told:
    """What else differs from either side: jumps one by one, noise, what a body at rest shows."""
    shown, n = signs.shown, len(signs)
    start, stop = stretches.start, stretches.stop
    after = np.minimum(start + SOME, n)
    jumpy = Sums(np.clip(shown.often, 0.0, 3.0))
    far_beside = _Sides(*sides(signs, stretches, JUMPY_REACH_S)).means(jumpy, 1)
    calm = Sums(shown.calm)
    calm_beside = _Sides(*sides(signs, stretches, MOVES_REACH_S)).means(calm, ENOUGH)
    told = {
        "jumpy": jumpy.mean(after, np.maximum(stop - SOME, after)),
        "jumpy_beside": np.fmax(*far_beside),
        "bend_trend": _trend(Sums(shown.bend), stretches),
        "calm": calm.mean(start, stop, ENOUGH),
        "calm_beside": np.fmax(*calm_beside),
        "calm_plain": np.full(len(stretches), shown.calm_plain),
    }
    close = _Sides(
        np.maximum(start - signs.n(SHORT_REACH_S), 0), np.maximum(start - 2, 0),
        np.minimum(stop + 2, n), np.minimum(stop + signs.n(SHORT_REACH_S), n),
    )  # fmt: skip
    wide = _Sides(*sides(signs, stretches, LINE_REACH_S))
    for name, values in (("bend", shown.bend), ("acceleration", shown.acceleration)):
        sums = Sums(values)
        within, (before, behind) = sums.mean(start, stop, SOME), close.means(sums, SOME)
        told |= {f"{name}_before": within - before, f"{name}_behind": within - behind}
    for name, values in (("bend", shown.bend), ("residue", shown.residue), ("step", shown.step)):
        sums = Sums(values)
        within, (before, behind) = sums.mean(start, stop, SOME), wide.means(sums, SOME)
        told |= {
            f"{name}_more": within - np.fmax(before, behind),
            f"{name}_less": within - np.fmin(before, behind),
        }
    return told


def _rails(signs: Signs, stretches: Stretches) -> Told:
    """How much of a stretch lies at the rails, of its edges, and how far off the next overload is."""
    n, near = len(signs), signs.n(RAIL_REACH_S)
    sums, start, stop = Sums(signs.railed.astype(np.float64)), stretches.start, stretches.stop
    at = np.flatnonzero(signs.railed)
    far = np.array([round(-LONGEST_RAIL_S / signs.window_s), n + round(LONGEST_RAIL_S / signs.window_s)])
    bounded = np.concatenate((far[:1], at, far[1:]))
    since = start - bounded[np.searchsorted(bounded, start, side="left") - 1]
    until = bounded[np.searchsorted(bounded, stop, side="left")] - stop
    return {
        "railed": np.nan_to_num(sums.mean(start, stop)),
        "railed_first": np.nan_to_num(sums.mean(np.maximum(start - near, 0), np.minimum(start + near, n))),
        "railed_last": np.nan_to_num(sums.mean(np.maximum(stop - near, 0), np.minimum(stop + near, n))),
        "since_rail": np.log2(np.minimum(since * signs.window_s, LONGEST_RAIL_S) + 0.2),
        "until_rail": np.log2(np.minimum(until * signs.window_s, LONGEST_RAIL_S) + 0.2),
    }
