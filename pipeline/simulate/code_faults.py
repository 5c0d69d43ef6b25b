"""Faults that a device or its link puts into codes; what was measured is known."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from pipeline.simulate.scenario import Truth

Codes = npt.NDArray[np.int64]
Rng = np.random.Generator

HELD_SHARE = 0.1
"""Rows held at random count as stuck from here on; a published recording has 9.7 to 11.8 % (BasicMotions)."""

UNSURE = 2.0
"""So many standard deviations below it a share may be of those that count (about 95 % of a normal's mass)."""

RARELY = 1e6
"""A run that rest makes by itself in one of so many recordings is nobody's fault but the device's."""


@dataclass(frozen=True)
class Dumped:
    """Codes (n, channels) as they arrive, which rows arrived (n,), and what is true of both."""

    counts: Codes
    present: npt.NDArray[np.bool_]
    truth: tuple[Truth, ...]


def lose(dumped: Dumped, hz: float, slots: list[tuple[float, float]], rows: int) -> Dumped:
    """Leave out whole frames of `rows` rows from each slot (in seconds); at least one frame."""
    present, truth = dumped.present.copy(), list(dumped.truth)
    for start_s, stop_s in slots:
        start, stop = _frames(start_s, stop_s, hz, rows, len(present))
        present[start:stop] = False
        truth.append(Truth("lost", start / hz, stop / hz, "lost", float(stop - start)))
    return Dumped(dumped.counts, present, tuple(truth))


def stick(
    dumped: Dumped, hz: float, slots: list[tuple[float, float]], columns: list[int], equal: float = 0.0
) -> Dumped:
    """Repeat the first code of each slot through it, in `columns`.

    Strength: rows that had another code. It is 0 where rest makes a run as long by itself more often than
    once in `RARELY` recordings, for which ``equal`` is the share of neighbours that noise alone leaves equal:
    nobody could tell which of the two it was.
    """
    counts = dumped.counts.copy()
    truth = list(dumped.truth)
    for start_s, stop_s in slots:
        start, stop = round(start_s * hz), round(stop_s * hz)
        counts[start:stop, columns] = counts[start, columns]
        spoilt = _spoilt(dumped.counts, counts, start, stop, hz, "stuck")
        by_chance = max(len(counts) * (1 - equal), 1.0) * equal ** (stop - start - 1)
        truth.append(replace(spoilt, strength=0.0) if by_chance > 1 / RARELY else spoilt)
    return replace(dumped, counts=counts, truth=tuple(truth))


def equal_neighbours(noise_counts: float) -> float:
    """Share of neighbours with one code where a level in the middle of a code has normal noise alone.

    >>> round(equal_neighbours(0.25), 2), round(equal_neighbours(10.0), 3)
    (0.91, 0.028)
    """
    most = int(np.ceil(6 * noise_counts)) + 1
    edges = (np.arange(-most, most + 2) - 0.5) / noise_counts
    return float((np.diff(ndtr(edges)) ** 2).sum())


def hold(dumped: Dumped, hz: float, slots: list[tuple[float, float]], every: int) -> Dumped:
    """Sample and hold: each `every`-th row is repeated until the next, in all channels."""
    counts = dumped.counts.copy()
    truth = list(dumped.truth)
    for start_s, stop_s in slots:
        start, stop = round(start_s * hz), round(stop_s * hz)
        rows = np.arange(start, stop)
        counts[rows] = dumped.counts[start + (rows - start) // every * every]
        truth.append(_spoilt(dumped.counts, counts, start, stop, hz, "held"))
    return replace(dumped, counts=counts, truth=tuple(truth))


def hold_rows(dumped: Dumped, hz: float, slots: list[tuple[float, float]], share: float, rng: Rng) -> Dumped:
    """Single rows at random repeat the row before them, about `share` of those of each slot.

    The strength is the share that came out: in a short slot it may be half as much again. A few of them come
    a row late and no more, which condemns no sample. A share that so many rows cannot tell from `HELD_SHARE`,
    by `UNSURE` standard deviations of a binomial, is on the border: told of as well, it is no false alarm.
    """
    counts = dumped.counts.copy()
    truth = list(dumped.truth)
    for start_s, stop_s in slots:
        start, stop = round(start_s * hz), round(stop_s * hz)
        held = np.flatnonzero(rng.random(stop - start) < share) + start
        for row in held.tolist():
            counts[row] = counts[max(row - 1, 0)]
        n_rows = max(stop - start, 1)
        came_out = len(held) / n_rows
        unsure = UNSURE * np.sqrt(HELD_SHARE * (1 - HELD_SHARE) / n_rows)
        border = HELD_SHARE - min(unsure, HELD_SHARE / 2)
        condition = "stuck" if came_out >= border else "dropout"
        truth.append(Truth(condition, start / hz, stop / hz, "held_rows", came_out))
    return replace(dumped, counts=counts, truth=tuple(truth))


def repeat_frames(dumped: Dumped, hz: float, slots: list[tuple[float, float]], rows: int) -> Dumped:
    """A frame is sent again and again in the place of those that follow it, through each slot."""
    counts = dumped.counts.copy()
    truth = list(dumped.truth)
    for start_s, stop_s in slots:
        start, stop = _frames(start_s, stop_s, hz, rows, len(counts))
        if start < rows:
            continue
        again = np.arange(stop - start) % rows
        counts[start:stop] = dumped.counts[start - rows + again]
        truth.append(_spoilt(dumped.counts, counts, start, stop, hz, "held"))
    return replace(dumped, counts=counts, truth=tuple(truth))


def fill_with_zero(dumped: Dumped, hz: float, slots: list[tuple[float, float]], rows: int) -> Dumped:
    """Whole frames arrive with all codes 0, as a receiver fills what it has not got."""
    counts = dumped.counts.copy()
    truth = list(dumped.truth)
    for start_s, stop_s in slots:
        start, stop = _frames(start_s, stop_s, hz, rows, len(counts))
        counts[start:stop] = 0
        truth.append(_spoilt(dumped.counts, counts, start, stop, hz, "zero_filled"))
    return replace(dumped, counts=counts, truth=tuple(truth))


def flip_to_end(dumped: Dumped, hz: float, times_s: list[float], code: int) -> Dumped:
    """Single samples of the first channel stand at an end code: bit errors, no overload."""
    counts = dumped.counts.copy()
    truth = list(dumped.truth)
    for at_s in times_s:
        row = round(at_s * hz)
        counts[row, 0] = code
        truth.append(Truth("saturated", row / hz, (row + 1) / hz, "isolated_code", 0.0))
    return replace(dumped, counts=counts, truth=tuple(truth))


def _frames(start_s: float, stop_s: float, hz: float, rows: int, n: int) -> tuple[int, int]:
    """The rows of the frames that make up a slot, at least one."""
    first = round(start_s * hz) // rows
    last = max(first + 1, round(stop_s * hz) // rows)
    return first * rows, min(last * rows, n)


def _spoilt(before: Codes, after: Codes, start: int, stop: int, hz: float, kind: str) -> Truth:
    changed = (before[start:stop] != after[start:stop]).any(axis=1)
    return Truth("stuck", start / hz, stop / hz, kind, float(changed.sum()))
