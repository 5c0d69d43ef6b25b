"""Which place each frame has by its ticks alone, in samples, where the layout has no sequence number."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from pipeline.frames.room import SCATTERED, blocks_of, let_go, sums_before, taken
from pipeline.timebase.arrival import exact_place, fastest_of
from pipeline.timebase.compare import Compare
from pipeline.timebase.jumps import MAX_MISORDER, Counters
from pipeline.timebase.runs import Runs, numbered_as, runs_of_segments
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
    steps = _Steps(counters, ticks, rate)
    # losses and repeats are whole frames; a share of steps that are neither nothing nor that is jitter
    most, n_off = max(1.01 / rate.per_sample, _TIGHT * steps.frame), 0
    for block in blocks_of(len(steps)):
        excess = steps.excess(block)
        n_off += int(np.count_nonzero(np.abs(excess - steps.frame * np.rint(excess / steps.frame)) > most))
    if n_off > max(_FEW, _JITTERING * len(steps)):
        return _by_level(counters, steps)
    return _by_stamp(counters, steps, compare)


@dataclass(frozen=True)
class _Steps:
    """From each frame to the next: by how many samples its ticks go on beyond its own."""

    counters: Counters
    ticks: Ints
    rate: TickRate

    def __len__(self) -> int:
        return len(self.ticks) - 1

    @property
    def frame(self) -> float:
        """Samples of a frame."""
        return max(self.counters.typical, 1.0)

    def excess(self, block: slice) -> Floats:
        """Of some of them."""
        size = self.counters.n_samples[block]
        ticks = self.ticks[block.start : block.stop + 1]
        return self.rate.excess_of_steps(ticks, size) / self.rate.per_sample

    def loose(self, block: slice) -> Floats:
        """By how much those steps may be off."""
        return _LOOSE * self.counters.n_samples[block].astype(np.float64) + 2 / self.rate.per_sample


def _by_floor(counters: Counters, stamps: Ints, rate: TickRate) -> Runs:
    """Gaps where a receiver's stamps step forward; where they step back, its clock was set."""
    inside = sums_before(counters.n_samples, counters.room)
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
    run, left, reasons = counters.room.zeros(n, np.int32), counters.budget * counters.typical, list[str]()
    for cut, step_s in zip(cuts.tolist(), steps.tolist(), strict=True):
        at = exact_place(delay, int(kept[cut - 1]), int(kept[cut]), step_s)
        rows = round(max(step_s, 0.0) * per_second)
        fills = rows <= min(counters.limit * counters.typical, left)
        for block in blocks_of(n - at):
            behind = slice(at + block.start, at + block.stop)
            (inside if fills else run)[behind] += rows if fills else 1
        if fills:
            left -= rows
        else:
            reasons.append("nothing was received for longer than can be filled with lost samples")
    return Runs(run, inside, counters.room.zeros(n, bool), reasons)


def _by_level(counters: Counters, steps: _Steps) -> Runs:
    """Gaps and restarts where the stamps' level over eight frames shifts by at least half a frame."""
    n, frame = len(counters.n_samples), steps.frame
    level, suspects = counters.room.zeros(n, np.float64), list[Ints]()
    for block in blocks_of(len(steps)):
        excess = steps.excess(block)
        # added up one by one as if all stood together
        up_to = slice(block.start, block.stop + 1)
        level[up_to] = np.cumsum(np.concatenate((level[block.start : block.start + 1], excess)))
        suspects.append(np.flatnonzero(np.abs(excess) > max(frame, 3.0)) + block.start + 1)
    at, by = list[int](), list[int]()
    left = counters.budget * frame
    for i in np.concatenate(suspects).tolist():
        shift = float(np.median(level[i : i + _WINDOW]) - np.median(level[max(0, i - _WINDOW) : i]))
        rows = round(shift)
        gap = rows if max(1.0, frame / 2) < shift and rows <= min(counters.limit * frame, left) else 0
        if gap or shift > max(1.0, frame / 2) or shift < -MAX_MISORDER * frame:
            at.append(i)
            by.append(gap)
            left -= gap
    begin, run = sums_before(counters.n_samples, counters.room), counters.room.zeros(n, np.int32)
    reasons = ["the ticks went back, and the frames after agree with the new count"] * by.count(0)
    added, restarts = np.cumsum([0, *by]), np.cumsum([0, *(not gap for gap in by)])
    for block in blocks_of(n):
        which = np.searchsorted(at, np.arange(block.start, block.stop), side="right")
        begin[block] += added[which]
        run[block] = restarts[which]
    return Runs(run, begin, counters.room.zeros(n, bool), reasons)


def _by_stamp(counters: Counters, steps: _Steps, compare: Compare) -> Runs:
    ticks, rate, sizes, frame = steps.ticks, steps.rate, counters.n_samples, steps.frame
    n, begins = len(ticks), [np.zeros(1, dtype=np.int64)]
    for block in blocks_of(len(steps)):
        far = np.abs(steps.excess(block)) > steps.loose(block)
        begins.append(np.flatnonzero(far) + block.start + 1)
    starts = np.concatenate(begins)
    lengths = np.diff(np.append(starts, n))
    inside = sums_before(sizes, counters.room)
    runs, positions, reasons = [0], [0], list[str]()
    head = (0, int(lengths[0]) - 1)
    run, skipped = 0, 0
    for k, (start, length) in enumerate(zip(starts[1:].tolist(), lengths[1:].tolist(), strict=True), 1):
        if k % SCATTERED == 0:
            let_go()
        at, last = head
        gone = float(rate.excess(np.array([ticks[start] - ticks[last]], dtype=np.float64), np.zeros(1))[0])
        rows = _snapped(gone / rate.per_sample, int(sizes[last]), frame)
        follows = length >= 2 or _leads_on(steps, start)
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
    ahead = np.array(positions, dtype=np.int64) - taken(inside, starts) + starts
    found = runs_of_segments(list(zip(runs, ahead.tolist(), strict=True)), starts, n, reasons, counters.room)
    for block in blocks_of(n):
        found.position[block] += inside[block]
    return found


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


def _leads_on(steps: _Steps, start: int) -> bool:
    if start >= len(steps):
        return False
    here = slice(start, start + 1)
    return bool(-steps.loose(here)[0] <= steps.excess(here)[0] <= 8 * steps.frame)


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
    for earlier in numbered_as(ticks, start, 0, start)[:8].tolist():
        segment = at_segment(starts, earlier)
        if runs[segment] >= 0 and compare(earlier, start):
            return runs[segment], positions[segment] + int(inside[earlier] - inside[starts[segment]])
    return None
