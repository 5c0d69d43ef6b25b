"""Seconds of rows as lines between knots: fitted to the stamps of a stretch, and put end to end."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.timebase.sequence import Floats

_KNOT_S = 10.0
_OUTLIER = 8.0


def fit_line(x: Floats, y: Floats) -> tuple[float, float]:
    """Slope and intercept of the least-squares line; x is centred first, so that large values do no harm."""
    middle_x, middle_y = float(x.mean()), float(y.mean())
    dx = x - middle_x
    slope = float(dx @ (y - middle_y)) / float(dx @ dx)
    return slope, middle_y - slope * middle_x


@dataclass(frozen=True)
class Piece:
    """Rows and seconds of one stretch with a clock of its own, and how far its stamps are from it."""

    row: Floats
    second: Floats
    residual_s: float
    n_stamps: int


def fit_piece(row: Floats, second: Floats, period: float, bound: float) -> Piece:
    """One line where the stamps lie within `bound` of it, else lines between knots about 10 s apart.

    Parameters
    ----------
    row, second : float64, shape (n,)
        Rows and their stamps, in seconds; at least one.
    period : float
        Seconds from row to row, about; for a single stamp, and to know stamps that stand out.
    bound : float
        In seconds.
    """
    if len(row) < 2:
        return Piece(np.array([row[0], row[0] + 1]), np.array([second[0], second[0] + period]), 0.0, 1)
    kept = _believable(row, second, period, bound)
    if not np.all(kept):
        row, second = row[kept], second[kept]
    slope, intercept = fit_line(row, second)
    if slope <= 0:
        slope, intercept = period, float(second[0] - period * row[0])
    distance = slope * row
    distance -= second
    distance += intercept
    residual = float(np.abs(distance, out=distance).max())
    del distance
    if residual <= bound or row[-1] - row[0] < 2 * _KNOT_S / period:
        ends = row[[0, -1]]
        return Piece(ends, intercept + slope * ends, residual, len(row))
    return _fit_knots(row, second, slope, period)


def _believable(row: Floats, second: Floats, period: float, bound: float) -> npt.NDArray[np.bool_]:
    """Stamps that do not stand out from the running median of their neighbours, but for `period`."""
    excess = second - row * period
    n = len(row)
    if n < 5:
        return np.ones(n, dtype=bool)
    suspects = np.flatnonzero(np.abs(np.diff(excess)) > bound) + 1
    kept = np.ones(n, dtype=bool)
    if len(suspects):
        windows = np.lib.stride_tricks.sliding_window_view(np.pad(excess, 2, mode="reflect"), 5)
        near = np.unique(np.concatenate((suspects - 1, suspects)))
        kept[near] = np.abs(excess[near] - np.median(windows[near], axis=1)) <= _OUTLIER * bound
    return kept if kept.sum() >= 2 else np.ones(n, dtype=bool)


def _fit_knots(row: Floats, second: Floats, slope: float, period: float) -> Piece:
    """Continuous least-squares fit, linear between knots about 10 s apart; only knots that data reach."""
    n_spans = max(1, round((row[-1] - row[0]) * slope / _KNOT_S))
    knots = np.linspace(row[0], row[-1], n_spans + 1)
    span = np.clip(np.searchsorted(knots, row, side="right") - 1, 0, n_spans - 1)
    filled = np.bincount(span, minlength=n_spans) > 0
    reached = np.concatenate((filled, [False])) | np.concatenate(([False], filled))
    knots = knots[reached]
    n_spans = len(knots) - 1
    span = np.clip(np.searchsorted(knots, row, side="right") - 1, 0, n_spans - 1)
    right = (row - knots[span]) / (knots[span + 1] - knots[span])
    left = 1 - right
    middle = second.mean()
    y = second - middle - slope * (row - row.mean())
    n = n_spans + 1
    bands = np.zeros((2, n))
    bands[1] += np.bincount(span, left * left, n) + np.bincount(span + 1, right * right, n)
    bands[0, 1:] = np.bincount(span, left * right, n)[:-1]
    # a trace of stiffness keeps knots with a single stamp determined
    bands[1] += 1e-9 * max(float(bands[1].max()), 1.0)
    wanted: Floats = np.bincount(span, left * y, n).astype(np.float64)
    wanted += np.bincount(span + 1, right * y, n)
    value = _solved(bands[0, 1:], bands[1], wanted) + middle + slope * (knots - row.mean())
    value = increasing(knots, value, period)
    residual = float(np.abs(second - np.interp(row, knots, value)).max())
    return Piece(knots, value, residual, len(row))


def _solved(beside: Floats, diagonal: Floats, wanted: Floats) -> Floats:
    """Solve a symmetric, positive definite system with nothing but a diagonal and what is beside it.

    By elimination downwards and back. A library does that as well, but its import takes longer than an hour's
    dump to read.
    """
    above, own, value = beside.tolist(), diagonal.tolist(), wanted.tolist()
    for i in range(1, len(own)):
        factor = above[i - 1] / own[i - 1]
        own[i] -= factor * above[i - 1]
        value[i] -= factor * value[i - 1]
    value[-1] /= own[-1]
    for i in range(len(own) - 2, -1, -1):
        value[i] = (value[i] - above[i] * value[i + 1]) / own[i]
    return np.array(value)


def increasing(row: Floats, second: Floats, period: float) -> Floats:
    """No knot earlier than a hundredth of a sample period for each row after the one before it."""
    least = np.cumsum(np.concatenate((np.zeros(1), np.diff(row)))) * period / 100
    return np.maximum.accumulate(second - least) + least


def joined(
    pieces: list[Piece], first_row: float, last_row: float, anew: npt.NDArray[np.bool_], period: float
) -> tuple[Floats, Floats]:
    """Knots of all rows: pieces end to end, each drawn out to the rows that belong to it.

    A piece that begins `anew` begins one period after the last row before it; the others keep the seconds
    of their stamps.
    """
    rows, seconds = list[Floats](), list[Floats]()
    shift = 0.0
    for i, piece in enumerate(pieces):
        until = float(pieces[i + 1].row[0] - 1) if i + 1 < len(pieces) else last_row
        row, second = piece.row, piece.second
        if i == 0:
            row, second = _drawn_to(row, second, first_row, first=True)
        row, second = _drawn_to(row, second, max(until, float(row[0])), first=False)
        if anew[i] and i:
            shift = float(seconds[-1][-1]) + period * float(row[0] - rows[-1][-1]) - float(second[0])
        rows.append(row)
        seconds.append(second + shift)
    row, second = np.concatenate(rows), np.concatenate(seconds)
    row, unique = np.unique(row, return_index=True)
    second = increasing(row, second[unique], period)
    return row, second


def _drawn_to(row: Floats, second: Floats, to: float, first: bool) -> tuple[Floats, Floats]:
    """The same line with its first or last knot moved to another row."""
    a, b = (0, 1) if first else (-2, -1)
    slope = (second[b] - second[a]) / (row[b] - row[a])
    moved = second[a] + (to - row[a]) * slope
    inner = row > to if first else row < to
    if first:
        return np.concatenate(([to], row[inner])), np.concatenate(([moved], second[inner]))
    return np.concatenate((row[inner], [to])), np.concatenate((second[inner], [moved]))
