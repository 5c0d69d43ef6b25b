"""Which place each frame has by its sequence number, confirmed by ticks where there are any.

Frames that plainly follow each other make segments; only where one segment ends and another begins is there
anything to decide. Each segment is compared with the head, the frame furthest on in its run:

- forward: later by a number of frames that sequence and ticks agree on; whole wraps of a short sequence
  counter that fit the ticks are found. Without ticks, a jump of 3000 or more needs a second frame that
  follows the first (RFC 3550 A.1).
- late or repeated: behind the head by a number that both agree on; without ticks by at most 100 frames.
- a copy of frames read before (overlapping parts of a recording): the same counters and the same samples.
- restart: sequence and ticks both contradict the past, and the frames after agree with the new count.
- absurd: the same, but no frame after it agrees; the frame is left out.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from pipeline.timebase.sequence import Ints, TickRate, signed_difference

MAX_DROPOUT = 3000
MAX_MISORDER = 100
_PROBATION_STEP = 8
_NEAR_START = 16
_LOOSE = 0.45
_DRIFT = 5e-4
_MAX_COPY_SEARCHES = 256
_LONG_TICK_RANGE_S = 3600.0
_MAX_REBASE_S = 600.0


@dataclass(frozen=True)
class Counters:
    """What frames say of their order, in the order of arrival, shape (n,).

    ``unit`` is what the sequence advances by in a frame; ``limit`` the most frames that a jump may skip,
    ``budget`` the most that all jumps together may. ``slack`` is by how many ticks stamps may be off.
    """

    sequence: Ints
    bits: int
    unit: int
    ticks: Ints | None
    rate: TickRate | None
    tick_hz: float
    n_samples: Ints
    typical: float
    limit: int
    budget: int
    slack: float = 2.0

    @property
    def modulus(self) -> int:
        """Where the sequence wraps, 0 where it does not."""
        return 1 << self.bits if 0 < self.bits < 63 else 0


@dataclass
class Runs:
    """Result, one entry for each frame: its run and its position in it, in frames; and what was left out."""

    run: npt.NDArray[np.int32]
    position: Ints
    absurd: npt.NDArray[np.bool_]
    reasons: list[str]


@dataclass
class _Head:
    position: int
    sequence: int
    tick: float
    n_samples: int


@dataclass
class _Walk:
    """State of the walk over segments."""

    head: _Head | None = None
    run: int = 0
    lowest: int = 0
    skipped: int = 0
    n_searches: int = 0
    reasons: list[str] = field(default_factory=list)
    placed: list[tuple[int, int]] = field(default_factory=list)


SameSamples = Callable[[int, int], bool]
"""Whether two frames hold the same, varying samples."""


def find_runs(counters: Counters, same_samples: SameSamples) -> Runs:
    """Give each frame its run and position.

    Parameters
    ----------
    counters : Counters
        At least one frame.
    same_samples : callable
        For the recognition of copies.
    """
    n = len(counters.sequence)
    starts = _segment_starts(counters)
    sizes = np.diff(np.append(starts, n))
    walk = _Walk()
    for start, size in zip(starts.tolist(), sizes.tolist(), strict=True):
        walk.placed.append(_place(counters, walk, start, size, starts, same_samples))
    run = np.array([run for run, _ in walk.placed], dtype=np.int32)
    first = np.array([position for _, position in walk.placed], dtype=np.int64)
    runs = Runs(
        run=np.repeat(run, sizes),
        position=np.repeat(first - starts, sizes) + np.arange(n),
        absurd=np.repeat(run < 0, sizes),
        reasons=walk.reasons,
    )
    _drop_lone_beginning(runs)
    return runs


def _drop_lone_beginning(runs: Runs) -> None:
    """A first frame that all others contradict was the absurd one."""
    believed = np.flatnonzero(~runs.absurd)
    if len(runs.reasons) and len(believed) > 2 and int((runs.run == 0).sum()) == 1:
        runs.absurd[runs.run == 0] = True
        runs.run[~runs.absurd] -= 1
        runs.reasons.pop(0)


def _segment_starts(counters: Counters) -> Ints:
    step = signed_difference(counters.sequence[1:], counters.sequence[:-1], counters.bits)
    follows = step == counters.unit
    if counters.ticks is not None and counters.rate is not None:
        size = counters.n_samples[:-1]
        excess = counters.rate.excess_of_steps(counters.ticks, size)
        follows &= np.abs(excess, out=excess) <= _LOOSE * size * counters.rate.per_sample + counters.slack
    return np.concatenate((np.zeros(1, dtype=np.int64), np.flatnonzero(~follows) + 1))


def _place(
    counters: Counters, walk: _Walk, start: int, size: int, starts: Ints, same_samples: SameSamples
) -> tuple[int, int]:
    """Run and position of a segment's first frame; run -1 where the segment is left out."""
    head = walk.head
    if head is None:
        _advance(counters, walk, start, size, 0, None)
        return 0, 0
    step, believes_tick = _decide(counters, walk, head, start, size)
    if step is None and _confirmed(counters, start, size):
        copy = _copy_of(counters, walk, start, size, starts, same_samples)
        if copy is not None:
            return copy
        walk.reasons.append(_reason(counters, head, start))
        walk.run += 1
        walk.head, walk.lowest = None, 0
        _advance(counters, walk, start, size, 0, None)
        return walk.run, 0
    if step is None:
        return -1, 0
    position = head.position + step
    walk.skipped += max(step - 1, 0) + max(walk.lowest - position - size, 0)
    walk.lowest = min(walk.lowest, position)
    expected = None if believes_tick else head.tick + _ticks_for(counters, head, step)
    _advance(counters, walk, start, size, position, expected)
    return walk.run, position


def _advance(
    counters: Counters, walk: _Walk, start: int, size: int, position: int, tick: float | None
) -> None:
    """Move the head to the segment's last frame where that is further on."""
    last = start + size - 1
    if walk.head is not None and position + size - 1 <= walk.head.position:
        return
    if tick is None:
        tick = float(counters.ticks[last]) if counters.ticks is not None else 0.0
    walk.head = _Head(position + size - 1, int(counters.sequence[last]), tick, int(counters.n_samples[last]))


def _ticks_for(counters: Counters, head: _Head, step: float) -> float:
    if counters.rate is None:
        return 0.0
    samples = head.n_samples + (step - 1) * counters.typical if step >= 1 else step * counters.typical
    return samples * counters.rate.per_sample


def _decide(counters: Counters, walk: _Walk, head: _Head, start: int, size: int) -> tuple[int | None, bool]:
    """Frames from the head to the segment's first (None: it contradicts); whether to believe its tick."""
    ahead = int(counters.sequence[start]) - head.sequence
    modulus = counters.modulus
    limit = min(counters.limit, counters.budget - walk.skipped)
    if counters.ticks is None or counters.rate is None:
        step = _by_sequence(counters, head, ahead, modulus, start, size)
        return (step if step is not None and step - 1 <= limit else None), True
    gone = float(counters.ticks[start]) - head.tick
    step = _both_agree(counters, head, ahead, gone, walk.lowest - limit, limit)
    if step is not None:
        # far away, a short counter and its ticks may agree by chance
        believed = abs(step) < MAX_DROPOUT or _confirmed(counters, start, size)
        return (step, True) if believed else (None, True)
    forward = ahead % modulus if modulus else ahead
    is_next = forward % counters.unit == 0 and 1 <= forward // counters.unit <= limit
    confirmed = _confirmed(counters, start, size)
    backward = _signed(gone, counters.rate.modulus) < -counters.slack
    if is_next and forward // counters.unit < MAX_DROPOUT and (not modulus or forward < modulus // 2):
        # the sequence goes on, the ticks do not: they were set anew, or one tick is wrong
        if forward == counters.unit or (confirmed and not backward):
            return forward // counters.unit, confirmed
    elif confirmed and _ticks_go_on(counters, gone, limit):
        return max(1, round(gone / (counters.typical * counters.rate.per_sample))), True
    return None, True


def _signed(difference: float, modulus: float) -> float:
    return difference - modulus * round(difference / modulus) if modulus else difference


def _ticks_go_on(counters: Counters, gone: float, limit: int) -> bool:
    """Whether ticks alone carry on, on a counter long enough to tell; the sequence was then set anew."""
    if counters.rate is None:
        return False
    modulus, rate = counters.rate.modulus, counters.rate.per_sample * counters.typical
    if modulus and modulus < _LONG_TICK_RANGE_S * counters.tick_hz:
        return False
    gone = _signed(gone, modulus)
    return 0.5 * rate < gone < _MAX_REBASE_S * counters.tick_hz and gone / rate - 1 <= limit


def _by_sequence(
    counters: Counters, head: _Head, ahead: int, modulus: int, start: int, size: int
) -> int | None:
    """RFC 3550 A.1 on a counter of any width, with loss, restart and late frames told apart."""
    unit = counters.unit
    misorder = min(MAX_MISORDER, modulus // unit // 8) if modulus else MAX_MISORDER
    forward = ahead % modulus if modulus else ahead
    behind = modulus - forward if modulus and forward else -forward
    if forward == 0:
        return 0
    if 0 < behind <= misorder * unit and behind % unit == 0:
        return -(behind // unit)
    if forward < 0 or forward % unit:
        return None
    dropout = MAX_DROPOUT if not modulus else min(MAX_DROPOUT, modulus // unit - misorder)
    if forward // unit < dropout:
        return forward // unit
    if not _confirmed(counters, start, size) or (modulus and forward >= modulus // 2):
        return None
    if modulus and int(counters.sequence[start]) < _NEAR_START * unit and head.sequence + forward >= modulus:
        return None
    return forward // unit


def _both_agree(counters: Counters, head: _Head, ahead: int, gone: float, low: int, limit: int) -> int | None:
    """The step nearest to zero (forward where two are equally near) that sequence and ticks agree on.

    It leads to no position below `low`, and over at most `limit` frames.
    """
    rate, unit = counters.rate, counters.unit
    if rate is None:
        return None
    modulus = counters.modulus
    nearest = int(_signed(ahead, modulus))
    step = nearest // unit
    within = nearest % unit == 0 and low <= head.position + step and step <= limit + 1
    if within and _tick_fits(counters, head, step, gone):
        return step
    if not modulus:
        return None
    reach = max(limit + 1, head.position - low) * unit // modulus + 1
    steps = ahead % modulus + modulus * np.arange(-reach, reach + 1)
    steps = steps[steps % unit == 0] // unit
    steps = steps[(steps <= limit + 1) & (head.position + steps >= low)]
    frame = counters.typical * rate.per_sample
    samples = np.where(steps >= 1, head.n_samples + (steps - 1) * counters.typical, steps * counters.typical)
    excess = np.abs(rate.excess(np.full(len(steps), gone), samples))
    fits: list[int] = steps[
        (excess <= _LOOSE * frame + counters.slack + _DRIFT * np.abs(steps) * frame)
        & (np.abs(steps) <= _reach(counters))
    ].tolist()
    return min(fits, key=lambda step: (abs(step), -step), default=None)


def _tick_fits(counters: Counters, head: _Head, step: int, gone: float) -> bool:
    rate = counters.rate
    if rate is None:
        return False
    frame = counters.typical * rate.per_sample
    excess = abs(_signed(gone - _ticks_for(counters, head, step), rate.modulus))
    return (
        abs(step) <= _reach(counters)
        and excess <= _LOOSE * frame + counters.slack + _DRIFT * abs(step) * frame
    )


def _reach(counters: Counters) -> float:
    """Frames over which the drift of the ticks cannot hide a wrap of the sequence."""
    return counters.modulus / counters.unit / 4 / _DRIFT if counters.modulus else np.inf


def _confirmed(counters: Counters, start: int, size: int) -> bool:
    """Whether a frame after the segment's first agrees with it."""
    if size >= 2:
        return True
    if start + 1 >= len(counters.sequence):
        return False
    pair = counters.sequence[start : start + 2]
    step = int(signed_difference(pair[1:], pair[:1], counters.bits)[0])
    if step % counters.unit or not 1 <= step // counters.unit <= _PROBATION_STEP:
        return False
    if counters.ticks is None or counters.rate is None:
        return True
    here = _Head(0, int(pair[0]), float(counters.ticks[start]), int(counters.n_samples[start]))
    gone = float(counters.ticks[start + 1] - counters.ticks[start])
    return _tick_fits(counters, here, step // counters.unit, gone)


def _copy_of(
    counters: Counters, walk: _Walk, start: int, size: int, starts: Ints, same_samples: SameSamples
) -> tuple[int, int] | None:
    """Run and position of the segment where its frames were read before."""
    if walk.n_searches >= _MAX_COPY_SEARCHES:
        return None
    walk.n_searches += 1
    same = counters.sequence[:start] == counters.sequence[start]
    if counters.ticks is not None:
        same &= counters.ticks[:start] == counters.ticks[start]
    for earlier in np.flatnonzero(same)[:64].tolist():
        n = min(4, size, start - earlier)
        if all(same_samples(earlier + i, start + i) for i in range(n)):
            segment = int(np.searchsorted(starts, earlier, side="right")) - 1
            run, position = walk.placed[segment]
            if run >= 0:
                position += earlier - int(starts[segment])
                if run == walk.run:
                    _advance(counters, walk, start, size, position, None)
                return run, position
    return None


def _reason(counters: Counters, head: _Head, start: int) -> str:
    words = f"the sequence went from {head.sequence} to {int(counters.sequence[start])}"
    if counters.ticks is not None:
        words += f" and the ticks from {head.tick:.0f} to {int(counters.ticks[start])}"
    return words + ", and the frames after agree with the new count"
