"""When each row was sampled, by the device's ticks."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import solveh_banded

from pipeline.frames import Frames
from pipeline.timebase.grid import Clock, ClockBreak
from pipeline.timebase.sequence import Floats, Ints, TickRate

_KNOT_S = 10.0
_OUTLIER = 8.0
_MOST_SUSPECTS = 100_000
_PAUSE_S = 0.5
_PAUSE_PERIODS = 3
_JITTERS = 5
_ENOUGH_STEPS = 100_000


def fit_line(x: Floats, y: Floats) -> tuple[float, float]:
    """Slope and intercept of the least-squares line; x is centred first, so that large values do no harm."""
    middle_x, middle_y = float(x.mean()), float(y.mean())
    dx = x - middle_x
    slope = float(dx @ (y - middle_y)) / float(dx @ dx)
    return slope, middle_y - slope * middle_x


@dataclass(frozen=True)
class _Piece:
    """Rows and seconds of one stretch with a clock of its own, and how far its stamps are from it."""

    row: Floats
    second: Floats
    residual_s: float
    n_stamps: int


def make_clock(
    frames: Frames, placed: Ints, start_row: Ints, begins: Ints, n_rows: int, rate: TickRate | None
) -> tuple[Clock, tuple[ClockBreak, ...]]:
    """The clock of a grid, and where it pauses.

    Parameters
    ----------
    frames : Frames
        Their ticks stamp the first sample of each frame.
    placed, start_row : int64, shape (m,)
        As in the grid.
    begins : int64
        Where in `placed` each run between restarts begins.
    n_rows : int
        Rows of the grid.
    rate : TickRate or None
        Ticks per sample; None where the layout has no ticks.

    Returns
    -------
    Clock
        One line for each run where its stamps lie within a sample period or two ticks of it, else linear
        between knots 10 s apart. Strictly increasing, row 0 at 0 s; after a restart the first row
        comes one sample period after the last.
    tuple of ClockBreak
        Where the ticks went on against the sequence, and stayed there, by more than half a second and
        by more than three sample periods beyond their jitter.
    """
    layout = frames.layout
    period = 1 / frames.stream.sample_hz
    nominal = Clock(
        "nominal",
        np.array([0.0, max(n_rows - 1, 1)]),
        np.array([0.0, max(n_rows - 1, 1) * period]),
        None,
        None,
    )
    tick_hz = layout.tick_hz
    if rate is None or not tick_hz or len(placed) < 2:
        return nominal, ()
    stretches, pauses = _stretches(frames.table.ticks[placed], start_row, begins, rate, tick_hz)
    bound = max(period, 2 / tick_hz)
    pieces = [_fit(row.astype(np.float64), second, period, bound) for row, second in stretches]
    if not any(piece.n_stamps >= 2 for piece in pieces):
        return nominal, ()
    row, second = _joined(pieces, n_rows, _jumps(stretches, begins, start_row), period)
    measured = [piece for piece in pieces if piece.n_stamps >= 2]
    rows = sum(piece.row[-1] - piece.row[0] for piece in measured)
    seconds = sum(piece.second[-1] - piece.second[0] for piece in measured)
    residual = max(piece.residual_s for piece in pieces)
    breaks = tuple(ClockBreak(int(start_row[i]), gap_s) for i, gap_s in pauses)
    return Clock("ticks", row, second, float(rows / seconds), float(residual)), breaks


def _stretches(
    ticks: Ints, rows: Ints, begins: Ints, rate: TickRate, tick_hz: float
) -> tuple[list[tuple[Ints, Floats]], list[tuple[int, float]]]:
    """Rows and seconds by ticks of each stretch in which ticks advance with the rows; and the pauses.

    A stretch ends at a restart and where ticks jump against the sequence and stay there. A pause is such a
    jump forward that is no jitter: the frame behind it and its seconds.
    """
    step = np.diff(rows)
    excess = rate.excess_of_steps(ticks, step)
    excess[begins[1:] - 1] = 0
    # only where it is more than a sample can the drift in a gap matter
    suspects = np.flatnonzero((excess > rate.per_sample + 2) | (excess < -rate.per_sample - 2))
    slack = rate.per_sample + 2 + step[suspects] * (5e-4 * rate.per_sample)
    far = np.abs(excess[suspects]) > slack
    suspects, slack = suspects[far][:_MOST_SUSPECTS] + 1, slack[far][:_MOST_SUSPECTS]
    del step
    jumps = excess[suspects - 1]
    jitter = float(np.median(np.abs(excess[:: len(excess) // _ENOUGH_STEPS + 1])))
    least_pause = max(_PAUSE_S * tick_hz, _PAUSE_PERIODS * rate.per_sample + _JITTERS * jitter)
    level = np.zeros(len(rows))
    np.cumsum(excess, out=level[1:])
    del excess
    breaks = np.zeros(len(rows), dtype=bool)
    breaks[begins[1:]] = True
    pauses = list[tuple[int, float]]()
    for i, most, jump in zip(suspects.tolist(), slack.tolist(), jumps.tolist(), strict=True):
        shift = float(np.median(level[i : i + 5]) - np.median(level[max(0, i - 5) : i]))
        breaks[i] |= abs(shift) > most
        # the last frame alone bears nothing out; a wrong stamp beside a pause is no second pause
        if min(shift, jump) > least_pause and i + 1 < len(rows) and not (pauses and pauses[-1][0] == i - 1):
            pauses.append((i, shift / tick_hz))
    unwrapped = level
    unwrapped += rows * rate.per_sample
    cuts = np.flatnonzero(breaks)
    unwrapped /= tick_hz
    return list(zip(np.split(rows, cuts), np.split(unwrapped, cuts), strict=True)), pauses


def _jumps(stretches: list[tuple[Ints, Floats]], begins: Ints, start_row: Ints) -> npt.NDArray[np.bool_]:
    """For each stretch, whether it begins with a restart (or the recording), so that its ticks start anew."""
    first = np.array([row[0] for row, _ in stretches])
    return np.isin(first, start_row[begins])


def _fit(row: Floats, second: Floats, period: float, bound: float) -> _Piece:
    if len(row) < 2:
        return _Piece(np.array([row[0], row[0] + 1]), np.array([second[0], second[0] + period]), 0.0, 1)
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
        return _Piece(ends, intercept + slope * ends, residual, len(row))
    return _fit_knots(row, second, slope, period)


def _believable(row: Floats, second: Floats, period: float, bound: float) -> npt.NDArray[np.bool_]:
    """Stamps that do not stand out from the running median of their neighbours, nominal line taken off."""
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


def _fit_knots(row: Floats, second: Floats, slope: float, period: float) -> _Piece:
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
    wanted = np.bincount(span, left * y, n) + np.bincount(span + 1, right * y, n)
    value = solveh_banded(bands, wanted) + middle + slope * (knots - row.mean())
    value = _increasing(knots, value, period)
    residual = float(np.abs(second - np.interp(row, knots, value)).max())
    return _Piece(knots, value, residual, len(row))


def _increasing(row: Floats, second: Floats, period: float) -> Floats:
    """No knot earlier than a hundredth of a sample period for each row after the one before it."""
    least = np.cumsum(np.concatenate((np.zeros(1), np.diff(row)))) * period / 100
    return np.maximum.accumulate(second - least) + least


def _joined(
    pieces: list[_Piece], n_rows: int, anew: npt.NDArray[np.bool_], period: float
) -> tuple[Floats, Floats]:
    """Knots of the whole session: pieces end to end, each drawn out to the rows that belong to it."""
    rows, seconds = list[Floats](), list[Floats]()
    shift = 0.0
    for i, piece in enumerate(pieces):
        last_row = float(pieces[i + 1].row[0] - 1) if i + 1 < len(pieces) else float(max(n_rows - 1, 1))
        row, second = piece.row, piece.second
        if i == 0:
            row, second = _drawn_to(row, second, 0.0, first=True)
        row, second = _drawn_to(row, second, max(last_row, float(row[0])), first=False)
        if i == 0:
            shift = -float(second[0])
        elif anew[i]:
            shift = float(seconds[-1][-1]) + period * float(row[0] - rows[-1][-1]) - float(second[0])
        rows.append(row)
        seconds.append(second + shift)
    row, second = np.concatenate(rows), np.concatenate(seconds)
    row, unique = np.unique(row, return_index=True)
    second = _increasing(row, second[unique], period)
    return row, second - second[0]


def _drawn_to(row: Floats, second: Floats, to: float, first: bool) -> tuple[Floats, Floats]:
    """The same line with its first or last knot moved to another row."""
    a, b = (0, 1) if first else (-2, -1)
    slope = (second[b] - second[a]) / (row[b] - row[a])
    moved = second[a] + (to - row[a]) * slope
    inner = row > to if first else row < to
    if first:
        return np.concatenate(([to], row[inner])), np.concatenate(([moved], second[inner]))
    return np.concatenate((row[inner], [to])), np.concatenate((second[inner], [moved]))
