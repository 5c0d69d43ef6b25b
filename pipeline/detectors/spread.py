"""How values are spread within each stretch of windows: contact that comes and goes shows in some of them.

A mean says little of a line that is there in every third window, or of a level that is thrown about and
lies still by turns: what one in five windows exceeds, or falls short of, does. So does the line's phase: an
open electrode is fed through other capacitances than one on the skin, a lamp that is switched changes the
size alone.
"""

from typing import NamedTuple

import numpy as np

from pipeline.detectors.beside import Sums, largest, sides
from pipeline.detectors.marks import Told
from pipeline.detectors.signs import Signs
from pipeline.detectors.stretches import Places, Stretches
from pipeline.detectors.windows import Floats

LOW, MIDDLE, HIGH = 0.2, 0.5, 0.8
ENOUGH, SOME = 5, 4
"""Windows that are needed beside a stretch, and within it."""

REACH_S, WIDE_REACH_S, EDGE_S, NEAR_S = 10.0, 20.0, 0.6, 1.0
MOST_LEAP, MOST_JUMP = 3.0, 2.0

LINE_OCTAVES = np.arange(0.0, 14.1, 0.5)
SIZE_OCTAVES = np.arange(-16.0, 1.1)
SWING_OCTAVES = np.arange(-6.0, 14.1)
"""Where windows are counted up to, in octaves: in between they are taken to lie evenly."""

Within = tuple[Places, Places]
"""Windows [start, stop) of every stretch, or of one of its sides."""


class _Count(NamedTuple):
    """How many windows of each stretch lie at or below each bound, and how many are known."""

    up_to: Floats
    known: Places

    def both(self, other: "_Count") -> "_Count":
        return _Count(self.up_to + other.up_to, self.known + other.known)

    def at(self, part: float, bounds: Floats, least: int) -> Floats:
        """What `part` of the windows lies below; NaN where fewer than `least` are known."""
        wanted = np.maximum(part * self.known, 0.5)
        at = np.minimum((self.up_to < wanted[:, np.newaxis]).sum(axis=1), len(bounds) - 1)
        row = np.arange(len(at))
        to, before = self.up_to[row, at], np.where(at > 0, self.up_to[row, np.maximum(at - 1, 0)], 0.0)
        over = np.clip((part * self.known - before) / np.maximum(to - before, 1e-9), 0.0, 1.0)
        value = bounds[at] - (bounds[1] - bounds[0]) * (1 - over)
        return np.where(self.known >= least, value, np.nan)


def spread_of(signs: Signs, stretches: Stretches) -> Told:
    """Marks of what some windows show, by name."""
    first, before, behind, last = sides(signs, stretches, REACH_S)
    places = ((stretches.start, stretches.stop), (first, before), (behind, last))
    shown = signs.shown
    line = _Spread.of(shown.line, LINE_OCTAVES, places)
    size = _Spread.of(shown.size, SIZE_OCTAVES, places)
    swing = _Spread.of(shown.swing, SWING_OCTAVES, places)
    told = {
        "line_often": line.high - line.middle_beside,
        "line_middle": line.middle - line.middle_beside,
        "line_seldom": line.low - line.middle_beside,
        "line_range": line.high - line.low,
        "line_range_more": (line.high - line.low) - (line.high_beside - line.low_beside),
        "size_middle": size.middle - size.middle_beside,
        "size_often": size.high - size.highest_beside,
        "line_swing": swing.high - swing.middle_beside,
        "line_swing_often": swing.high - swing.highest_beside,
        "line_swing_middle": swing.middle - swing.middle_beside,
        "line_swing_range": swing.high - swing.low,
    }
    return told | _turns(signs, places) | _phase_steps(signs, stretches) | _together(signs, stretches)


class _Spread(NamedTuple):
    """Of each stretch, of both sides together, and of the side where the high values are higher."""

    low: Floats
    middle: Floats
    high: Floats
    low_beside: Floats
    middle_beside: Floats
    high_beside: Floats
    highest_beside: Floats

    @staticmethod
    def of(values: Floats, bounds: Floats, places: tuple[Within, ...]) -> "_Spread":
        within, one, other = _counts(values, bounds, places)
        beside = one.both(other)
        return _Spread(
            within.at(LOW, bounds, SOME),
            within.at(MIDDLE, bounds, SOME),
            within.at(HIGH, bounds, SOME),
            beside.at(LOW, bounds, ENOUGH),
            beside.at(MIDDLE, bounds, ENOUGH),
            beside.at(HIGH, bounds, ENOUGH),
            np.fmax(one.at(HIGH, bounds, ENOUGH), other.at(HIGH, bounds, ENOUGH)),
        )


def _counts(values: Floats, bounds: Floats, places: tuple[Within, ...]) -> list[_Count]:
    known = ~np.isnan(values)
    number = np.concatenate(([0], np.cumsum(known)))
    up_to = [np.empty((len(start), len(bounds))) for start, _ in places]
    for k, bound in enumerate(bounds.tolist()):
        count = np.concatenate(([0], np.cumsum(known & (values <= bound))))
        for of, (start, stop) in zip(up_to, places, strict=True):
            of[:, k] = count[stop] - count[start]
    return [_Count(of, number[stop] - number[start]) for of, (start, stop) in zip(up_to, places, strict=True)]


def _turns(signs: Signs, places: tuple[Within, ...]) -> Told:
    """How evenly the line's phase goes on from window to window, 1 being wholly."""
    turn = signs.shown.turn
    real, imaginary = Sums(turn.real), Sums(turn.imag)

    def even(start: Places, stop: Places, least: int) -> Floats:
        # what lies between two windows belongs to the later one
        start = np.minimum(start + 1, stop)
        return np.asarray(np.hypot(real.mean(start, stop, least), imaginary.mean(start, stop, least)))

    within, before, behind = places
    return {
        "line_turns": even(*within, SOME),
        "line_turns_beside": np.fmin(even(*before, ENOUGH), even(*behind, ENOUGH)),
    }


def _phase_steps(signs: Signs, stretches: Stretches) -> Told:
    """How far the line's phase goes as its size changes, in and near a stretch; a lamp leaves it as it is."""
    step, near = signs.shown.phase_step, signs.n(NEAR_S)
    start, stop = np.maximum(stretches.start - near, 0), np.minimum(stretches.stop + near, len(signs))
    most = largest(np.where(np.isnan(step), -np.inf, step), start, stop)
    return {
        "line_phase": Sums(step).mean(start, stop),
        "line_phase_most": np.where(np.isinf(most), np.nan, most),
    }


def _together(signs: Signs, stretches: Stretches) -> Told:
    """How much the line leaps in windows in which the level jumps, edges left out."""
    line, leap = signs.shown.line, np.full(len(signs), np.nan)
    if len(line) > 4:
        leap[1:-1] = np.abs(line[2:] - line[:-2])
    jumps = np.clip(signs.shown.often, 0.0, MOST_JUMP)
    sums, edge = Sums(np.minimum(np.nan_to_num(leap), MOST_LEAP) * jumps), signs.n(EDGE_S)
    start = np.minimum(stretches.start + edge, stretches.stop)
    first, before, behind, last = sides(signs, stretches, WIDE_REACH_S)
    return {
        "mains_jump_inside": sums.mean(start, np.maximum(stretches.stop - edge, start), 2),
        "mains_jump_beside": np.fmax(sums.mean(first, before, ENOUGH), sums.mean(behind, last, ENOUGH)),
    }
