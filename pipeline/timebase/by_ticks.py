"""Which place each frame has by its ticks alone, in samples, where the layout has no sequence number."""

from itertools import pairwise

import numpy as np

from pipeline.timebase.arrival import exact_place, fastest_of
from pipeline.timebase.compare import Compare
from pipeline.timebase.jumps import MAX_MISORDER, Counters
from pipeline.timebase.runs import Runs
from pipeline.timebase.sequence import Floats, Ints, TickRate
from pipeline.timebase.skew import lines_under
from pipeline.timebase.steps import find_steps

_WINDOW = 8
_TIGHT = 0.2
_LOOSE = 0.45
_FEW = 8
_JITTERING = 0.05


def find_runs_by_ticks(counters: Counters, compare: Compare) -> Runs:
    """Give each frame its run and position, the position in samples.

    Stamps that lie on the samples are believed one by one. Stamps that jitter by more than a fifth of a
    frame (stamped at reception, say) are believed only where their level stays shifted over eight frames, a
    receiver's only where the floor of their delays does.

    Parameters
    ----------
    counters : Counters
        With ticks and their rate; its sequence is not looked at.
    compare : callable
        For the recognition of copies.
    """
    ticks, rate = counters.ticks, counters.rate
    if ticks is None or rate is None:
        raise ValueError("placing by ticks needs ticks")
    if counters.arrival:
        return _by_floor(counters, ticks, rate)
    excess = rate.excess_of_steps(ticks, counters.n_samples[:-1]) / rate.per_sample
    frame = max(counters.typical, 1.0)
    slack = 2 / rate.per_sample
    # losses and repeats are whole frames; a share of steps that are neither nothing nor that is jitter
    off = np.abs(excess - frame * np.rint(excess / frame)) > max(1.01 / rate.per_sample, _TIGHT * frame)
    if off.sum() > max(_FEW, _JITTERING * len(excess)):
        return _by_level(counters, excess, frame)
    return _by_stamp(counters, excess, frame, slack, compare)


def _by_floor(counters: Counters, stamps: Ints, rate: TickRate) -> Runs:
    """Gaps where a receiver's stamps step forward; where they step back, its clock was set."""
    inside = np.cumsum(counters.n_samples)
    inside -= counters.n_samples
    n, per_second = len(stamps), counters.tick_hz / rate.per_sample

    def delay(start: int, stop: int) -> Floats:
        arrived = (stamps[start:stop] - stamps[0]) / counters.tick_hz
        return np.asarray(arrived - inside[start:stop] / per_second)

    kept = fastest_of(n, delay)
    x = inside[kept] / per_second
    y = (stamps[kept] - stamps[0]) / counters.tick_hz
    cuts, _ = find_steps(x, y)
    lines = lines_under([(x[a:b], y[a:b]) for a, b in pairwise([0, *cuts.tolist(), len(x)])])
    steps = np.diff(lines.intercept) if lines is not None else np.zeros(0)
    run, left, reasons = np.zeros(n, dtype=np.int32), counters.budget * counters.typical, list[str]()
    for cut, step_s in zip(cuts.tolist(), steps.tolist(), strict=True):
        at = exact_place(delay, int(kept[cut - 1]), int(kept[cut]), step_s)
        rows = round(max(step_s, 0.0) * per_second)
        if rows <= min(counters.limit * counters.typical, left):
            inside[at:] += rows
            left -= rows
        else:
            run[at:] += 1
            reasons.append("nothing was received for longer than can be filled with lost samples")
    return Runs(run, inside, np.zeros(n, dtype=bool), reasons)


def _by_level(counters: Counters, excess: Floats, frame: float) -> Runs:
    """Gaps and restarts where the stamps' level over eight frames shifts by at least half a frame."""
    n = len(counters.n_samples)
    level = np.concatenate((np.zeros(1), np.cumsum(excess)))
    gap, restart = np.zeros(n, dtype=np.int64), np.zeros(n, dtype=bool)
    left = counters.budget * frame
    for i in (np.flatnonzero(np.abs(excess) > max(frame, 3.0)) + 1).tolist():
        shift = float(np.median(level[i : i + _WINDOW]) - np.median(level[max(0, i - _WINDOW) : i]))
        rows = round(shift)
        if shift > max(1.0, frame / 2):
            gap[i] = rows if rows <= min(counters.limit * frame, left) else 0
            left -= gap[i]
            restart[i] = gap[i] == 0
        elif shift < -MAX_MISORDER * frame:
            restart[i] = True
    begin = np.cumsum(counters.n_samples) - counters.n_samples + np.cumsum(gap)
    reasons = ["the ticks went back, and the frames after agree with the new count"] * int(restart.sum())
    return Runs(np.cumsum(restart).astype(np.int32), begin, np.zeros(n, dtype=bool), reasons)


def _by_stamp(counters: Counters, excess: Floats, frame: float, slack: float, compare: Compare) -> Runs:
    ticks, rate, sizes = counters.ticks, counters.rate, counters.n_samples
    if ticks is None or rate is None:
        raise ValueError("placing by ticks needs ticks")
    n = len(ticks)
    loose = _LOOSE * sizes[:-1].astype(np.float64) + slack
    starts = np.concatenate((np.zeros(1, dtype=np.int64), np.flatnonzero(np.abs(excess) > loose) + 1))
    lengths = np.diff(np.append(starts, n))
    inside = np.cumsum(sizes) - sizes
    runs, positions, reasons = [0], [0], list[str]()
    head = (0, int(lengths[0]) - 1)
    run, skipped = 0, 0
    for start, length in zip(starts[1:].tolist(), lengths[1:].tolist(), strict=True):
        at, last = head
        gone = float(rate.excess(np.array([ticks[start] - ticks[last]], dtype=np.float64), np.zeros(1))[0])
        rows = _snapped(gone / rate.per_sample, int(sizes[last]), frame)
        follows = length >= 2 or _leads_on(excess, loose, start, frame)
        base = at + int(inside[last] - inside[starts[at_segment(starts, last)]])
        if 0 < rows <= counters.limit * frame and skipped + rows <= counters.budget * frame:
            skipped += max(rows - int(sizes[last]), 0)
            runs.append(run)
            positions.append(base + rows)
            head = (positions[-1], start + length - 1)
        elif -MAX_MISORDER * frame <= rows <= 0:
            runs.append(run)
            positions.append(base + rows)
        elif (copy := _copy(ticks, start, starts, runs, positions, inside, compare)) is not None:
            runs.append(copy[0])
            positions.append(copy[1])
        elif follows:
            reasons.append(
                f"the ticks went from {int(ticks[last])} to {int(ticks[start])}, "
                "and the frames after agree with the new count"
            )
            run += 1
            runs.append(run)
            positions.append(0)
            head = (0, start + length - 1)
        else:
            runs.append(-1)
            positions.append(0)
    of, first = np.array(runs, dtype=np.int32), np.array(positions, dtype=np.int64)
    position = np.repeat(first - inside[starts], lengths) + inside
    return Runs(np.repeat(of, lengths), position, np.repeat(of < 0, lengths), reasons)


def at_segment(starts: Ints, frame: int) -> int:
    """The segment that holds a frame."""
    return int(np.searchsorted(starts, frame, side="right")) - 1


def _snapped(rows: float, n_last: int, frame: float) -> int:
    """Whole samples; whole frames where the number is near to that, and no overlap with the last frame."""
    beyond = rows - n_last
    if rows > 0.5 * n_last and beyond < 0:
        return n_last
    if frame >= 1 and abs(beyond / frame - round(beyond / frame)) <= _LOOSE and rows > 0:
        return n_last + round(round(beyond / frame) * frame)
    return round(rows / frame) * round(frame) if rows <= 0 else round(rows)


def _leads_on(excess: Floats, loose: Floats, start: int, frame: float) -> bool:
    return start < len(excess) and bool(-loose[start] <= excess[start] <= 8 * frame)


def _copy(
    ticks: Ints,
    start: int,
    starts: Ints,
    runs: list[int],
    positions: list[int],
    inside: Ints,
    compare: Compare,
) -> tuple[int, int] | None:
    """Run and position of a frame that was read before."""
    for earlier in np.flatnonzero(ticks[:start] == ticks[start])[:8].tolist():
        segment = at_segment(starts, earlier)
        if runs[segment] >= 0 and compare(earlier, start):
            return runs[segment], positions[segment] + int(inside[earlier] - inside[starts[segment]])
    return None
