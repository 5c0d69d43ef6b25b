"""Faults that a device or its link puts into codes; what was measured is known."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from pipeline.simulate.scenario import Truth

Codes = npt.NDArray[np.int64]
Rng = np.random.Generator

HELD_SHARE = 0.1
"""Rows held at random count as stuck from here on; a published recording has 9.7 to 11.8 % (BasicMotions)."""


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


def stick(dumped: Dumped, hz: float, slots: list[tuple[float, float]], columns: list[int]) -> Dumped:
    """Repeat the first code of each slot through it, in `columns`; strength: rows that had another code."""
    counts = dumped.counts.copy()
    truth = list(dumped.truth)
    for start_s, stop_s in slots:
        start, stop = round(start_s * hz), round(stop_s * hz)
        counts[start:stop, columns] = counts[start, columns]
        truth.append(_spoilt(dumped.counts, counts, start, stop, hz, "stuck"))
    return replace(dumped, counts=counts, truth=tuple(truth))


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
    a row late and no more, which condemns no sample.
    """
    counts = dumped.counts.copy()
    truth = list(dumped.truth)
    for start_s, stop_s in slots:
        start, stop = round(start_s * hz), round(stop_s * hz)
        held = np.flatnonzero(rng.random(stop - start) < share) + start
        for row in held.tolist():
            counts[row] = counts[max(row - 1, 0)]
        came_out = len(held) / max(stop - start, 1)
        condition = "stuck" if came_out >= HELD_SHARE else "dropout"
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
