"""Which place each frame has by its sequence number, confirmed by ticks where there are any.

Frames that plainly follow each other make segments; only where one segment ends and another begins is there
anything to decide. Each segment is compared with the head, the frame furthest on in its run:

- forward: later by a number of frames that sequence and ticks agree on; whole wraps of a short sequence
  counter that fit the ticks are found. Without ticks, a jump of 3000 or more needs a second frame that
  follows the first (RFC 3550 A.1).
- late or repeated: behind the head by a number that both agree on, without ticks by at most 100 frames; but
  several in a row only where the frames of these places have not come with other samples.
- a copy of frames read before (overlapping parts of a recording): the same counters and the same samples.
  What follows it in the dump is held against the copy first, then against the head.
- restart: sequence and ticks both contradict the past, and the frames after agree with the new count.
- absurd: the same, but no frame after it agrees; the frame is left out.

A receiver's stamps serve as ticks where there are none. They come late by delays, so that they never speak
against a frame that is late by its sequence; and they go on while the device is off, as a calendar's do.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from pipeline.frames.room import MEMORY, SCATTERED, Room, blocks_of, n_true, taken
from pipeline.timebase.compare import Compare
from pipeline.timebase.jumps import Counters, Head, confirmed_at, decide, head_at, misorder_of, ticks_for
from pipeline.timebase.sequence import Ints, follows_by

_LOOSE = 0.45
_MAX_COPY_SEARCHES = 256
_MAX_CANDIDATES = 64
_PROBES = (0, 1, 2, 4, 8, 16, 32)


@dataclass
class Runs:
    """Result, one entry for each frame: its run and its position in it, in frames; and what was left out."""

    run: npt.NDArray[np.int32]
    position: Ints
    absurd: npt.NDArray[np.bool_]
    reasons: list[str]


@dataclass
class _Walk:
    """State of the walk over segments; ``beside`` is the end of the copy that is being read."""

    head: Head | None = None
    beside: Head | None = None
    run: int = 0
    lowest: int = 0
    skipped: int = 0
    n_searches: int = 0
    reasons: list[str] = field(default_factory=list)
    placed: list[tuple[int, int]] = field(default_factory=list)

    def bounds(self, counters: Counters) -> tuple[int, int]:
        """The lowest position that a frame may have, and the most frames that a step may skip."""
        limit = min(counters.limit, counters.budget - self.skipped)
        return self.lowest - limit, limit


def find_runs(counters: Counters, compare: Compare) -> Runs:
    """Give each frame its run and position.

    Parameters
    ----------
    counters : Counters
        At least one frame.
    compare : callable
        For the recognition of copies.
    """
    n = len(counters.sequence)
    starts = _segment_starts(counters)
    sizes = np.diff(np.append(starts, n))
    walk = _Walk()
    for some in blocks_of(len(starts), SCATTERED):
        for start, size in zip(starts[some].tolist(), sizes[some].tolist(), strict=True):
            walk.placed.append(_place(counters, walk, start, size, starts, compare))
    runs = runs_of_segments(walk.placed, starts, n, walk.reasons, counters.room)
    for block in blocks_of(n):
        runs.position[block] += np.arange(block.start, block.stop)
    _drop_lone_beginning(runs)
    return runs


def runs_of_segments(
    placed: Sequence[tuple[int, int]], starts: Ints, n: int, reasons: list[str], room: Room = MEMORY
) -> Runs:
    """Run, and position less index, of `n` frames in segments whose first frames are `placed`."""
    run = np.array([run for run, _ in placed], dtype=np.int32)
    ahead = np.array([position for _, position in placed], dtype=np.int64) - starts
    runs = Runs(room.zeros(n, np.int32), room.zeros(n), room.zeros(n, bool), reasons)
    for block in blocks_of(n):
        first = int(np.searchsorted(starts, block.start, side="right")) - 1
        last = int(np.searchsorted(starts, block.stop, side="left"))
        edges = np.clip(np.append(starts[first:last], block.stop), block.start, block.stop)
        segment = np.repeat(np.arange(first, last), np.diff(edges))
        runs.run[block], runs.position[block] = run[segment], ahead[segment]
        runs.absurd[block] = runs.run[block] < 0
    return runs


def _drop_lone_beginning(runs: Runs) -> None:
    """A first frame that all others contradict was the absurd one."""
    if not runs.reasons:
        return
    n = len(runs.run)
    first = [np.flatnonzero(runs.run[block] == 0)[:2] + block.start for block in blocks_of(n)]
    alone = np.concatenate(first)
    if len(alone) == 1 and n - n_true(runs.absurd) > 2:
        runs.absurd[alone] = True
        for block in blocks_of(n):
            runs.run[block] -= ~runs.absurd[block]
        runs.reasons.pop(0)


def _segment_starts(counters: Counters) -> Ints:
    follows = follows_by(counters.sequence, counters.bits, counters.unit, counters.room)
    starts = [np.zeros(1, dtype=np.int64)]
    for block in blocks_of(len(follows)):
        here = follows[block]
        if counters.ticks is not None and counters.rate is not None:
            size = counters.n_samples[block]
            ticks = counters.ticks[block.start : block.stop + 1]
            excess = np.abs(counters.rate.excess_of_steps(ticks, size))
            here = here & (excess <= _LOOSE * size * counters.rate.per_sample + counters.slack)
        starts.append(np.flatnonzero(~here) + block.start + 1)
    return np.concatenate(starts)


def _place(
    counters: Counters, walk: _Walk, start: int, size: int, starts: Ints, compare: Compare
) -> tuple[int, int]:
    """Run and position of a segment's first frame; run -1 where the segment is left out."""
    head = walk.head
    if head is None:
        _advance(counters, walk, start, size, 0, None)
        return 0, 0
    if walk.beside is not None:
        placed = _along_copy(counters, walk, walk.beside, start, size)
        if placed is not None:
            return placed
    step, believes_tick = decide(counters, head, start, size, *walk.bounds(counters))
    confirmed = confirmed_at(counters, start, size)
    behind = step is not None and step <= 0 and confirmed
    if behind and _stands_there(counters, walk, start, size, head.position + (step or 0), starts, compare):
        step = None
    if step is None and confirmed:
        copy = _copy_of(counters, walk, start, size, starts, compare)
        if copy is not None:
            return copy
        walk.reasons.append(_reason(counters, head, start))
        walk.run += 1
        walk.head, walk.lowest, walk.beside = None, 0, None
        _advance(counters, walk, start, size, 0, None)
        return walk.run, 0
    if step is None:
        return -1, 0
    walk.beside = None
    position = head.position + step
    walk.skipped += max(step - 1, 0) + max(walk.lowest - position - size, 0)
    walk.lowest = min(walk.lowest, position)
    expected = None if believes_tick else head.tick + ticks_for(counters, head, step)
    _advance(counters, walk, start, size, position, expected)
    return walk.run, position


def _along_copy(
    counters: Counters, walk: _Walk, beside: Head, start: int, size: int
) -> tuple[int, int] | None:
    """Run and position of a segment that goes on behind a copy in the dump; None where it does not."""
    step, _ = decide(counters, beside, start, size, *walk.bounds(counters))
    if step is None or not confirmed_at(counters, start, size):
        return None
    position = beside.position + step
    if position + size - 1 > beside.position:
        walk.beside = head_at(counters, start + size - 1, position + size - 1, beside.run)
    if beside.run == walk.run and walk.head is not None:
        walk.skipped += max(position - walk.head.position - 1, 0)
        if position + size - 1 > walk.head.position:
            _advance(counters, walk, start, size, position, None)
            walk.beside = None
    return beside.run, position


def _stands_there(
    counters: Counters, walk: _Walk, start: int, size: int, position: int, starts: Ints, compare: Compare
) -> bool:
    """Whether frames of the same places came before with other samples: these are no repeats.

    A device that begins with the same numbers each time it is switched on seems to repeat itself.
    """
    if walk.head is None:
        return False
    near = 2 * misorder_of(counters)
    far = walk.head.position - position > near
    if far:
        walk.n_searches += 1
        if walk.n_searches > _MAX_COPY_SEARCHES:
            return False
    for later in (at for at in _PROBES if at < size):
        first = 0 if far else max(0, start + later - near)
        same = numbered_as(counters.sequence, start + later, first, start)
        for earlier in same[-_MAX_CANDIDATES:].tolist():
            segment = int(np.searchsorted(starts, earlier, side="right")) - 1
            run, place = walk.placed[segment]
            if (run, place + earlier - int(starts[segment])) == (walk.run, position + later):
                return compare(earlier, start + later) is False
    return False


def _advance(
    counters: Counters, walk: _Walk, start: int, size: int, position: int, tick: float | None
) -> None:
    """Move the head to the segment's last frame where that is further on."""
    last = start + size - 1
    if walk.head is not None and position + size - 1 <= walk.head.position:
        return
    walk.head = head_at(counters, last, position + size - 1, walk.run, tick)


def _copy_of(
    counters: Counters, walk: _Walk, start: int, size: int, starts: Ints, compare: Compare
) -> tuple[int, int] | None:
    """Run and position of a segment of which frames were read before.

    The other reading may lack the first ones, so that several of its frames are looked for.
    """
    for later in (at for at in _PROBES if at < size):
        if walk.n_searches >= _MAX_COPY_SEARCHES:
            return None
        walk.n_searches += 1
        frame = start + later
        same = numbered_as(counters.sequence, frame, 0, start)
        if counters.ticks is not None and not counters.arrival:
            same = same[taken(counters.ticks, same) == counters.ticks[frame]]
        for earlier in same[:_MAX_CANDIDATES].tolist():
            segment = int(np.searchsorted(starts, earlier, side="right")) - 1
            run, position = walk.placed[segment]
            if run >= 0 and _same_frames(compare, earlier, frame, min(size - later, start - earlier)):
                position += earlier - int(starts[segment]) - later
                walk.beside = head_at(counters, start + size - 1, position + size - 1, run)
                if run == walk.run:
                    _advance(counters, walk, start, size, position, None)
                return run, position
    return None


def numbered_as(counter: Ints, frame: int, start: int, stop: int) -> Ints:
    """Which of the frames [start, stop) have the number of `frame`."""
    found = [np.zeros(0, dtype=np.int64)]
    for block in blocks_of(stop - start):
        here = counter[start + block.start : start + block.stop]
        found.append(np.flatnonzero(here == counter[frame]) + start + block.start)
    return np.concatenate(found)


def _same_frames(compare: Compare, earlier: int, later: int, most: int) -> bool:
    """Whether up to four frames that follow each other in either place hold the same samples."""
    alike = [compare(earlier + i, later + i) for i in range(min(4, most))]
    return False not in alike and True in alike


def _reason(counters: Counters, head: Head, start: int) -> str:
    words = f"the sequence went from {head.sequence} to {int(counters.sequence[start])}"
    if counters.ticks is not None and not counters.arrival:
        words += f" and the ticks from {head.tick:.0f} to {int(counters.ticks[start])}"
    return words + ", and the frames after agree with the new count"
