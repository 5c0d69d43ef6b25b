"""How far one frame is behind another, by its sequence number and its ticks together."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.frames.room import MEMORY, Room
from pipeline.timebase.sequence import Ints, TickRate, signed_difference

MAX_DROPOUT = 3000
MAX_MISORDER = 100
_PROBATION_STEP = 8
_NEAR_START = 16
_VERY_START = 2
_LOOSE = 0.45
_DRIFT = 5e-4
_LONG_TICK_RANGE_S = 3600.0
_MAX_REBASE_S = 600.0
_LONGEST_DELAY_S = 60.0
_FEW_FRAMES = 32
_CHANCE = 0.2


@dataclass(frozen=True)
class Guide:
    """A receiver's stamps beside ticks, without their delays, and how many of them a sample takes."""

    stamps: Ints
    per_sample: float


@dataclass(frozen=True)
class Counters:
    """What frames say of their order, in the order of arrival, shape (n,).

    ``unit`` is what the sequence advances by in a frame; ``limit`` the most frames that a jump may skip,
    ``budget`` the most that all jumps together may. ``slack`` is by how many ticks stamps may be off.
    ``arrival`` says that the ticks are a receiver's stamps, ``goes_on`` that they go on while the device is
    off. ``guide`` tells how often a short counter wrapped. Columns as long go to ``room``.
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
    arrival: bool = False
    goes_on: bool = False
    guide: Guide | None = None
    room: Room = MEMORY

    def guide_at(self, frame: int) -> float:
        """The guide's number of samples at a frame; 0 where there is none."""
        return float(self.guide.stamps[frame]) / self.guide.per_sample if self.guide is not None else 0.0

    @property
    def per_sample(self) -> float:
        """Ticks per sample; 0 where there are none."""
        return self.rate.per_sample if self.rate else 0.0

    @property
    def modulus(self) -> int:
        """Where the sequence wraps, 0 where it does not."""
        return 1 << self.bits if 0 < self.bits < 63 else 0


@dataclass(frozen=True)
class Head:
    """A frame that others are held against: where it is, and its counters; ``tick`` as it ought to be."""

    position: int
    sequence: int
    tick: float
    n_samples: int
    guide: float = 0.0
    run: int = 0


def head_at(counters: Counters, frame: int, position: int, run: int, tick: float | None = None) -> Head:
    """The head at a frame, whose own tick is not believed where another is given."""
    if tick is None:
        tick = float(counters.ticks[frame]) if counters.ticks is not None else 0.0
    size = int(counters.n_samples[frame])
    return Head(position, int(counters.sequence[frame]), tick, size, counters.guide_at(frame), run)


def misorder_of(counters: Counters) -> int:
    """By how many frames one may be late where no ticks tell, on short counters an eighth of their range."""
    modulus = counters.modulus
    return min(MAX_MISORDER, modulus // counters.unit // 8) if modulus else MAX_MISORDER


def decide(
    counters: Counters, head: Head, start: int, size: int, low: int, limit: int
) -> tuple[int | None, bool]:
    """Frames from the head to the segment's first (None: it contradicts); whether to believe its tick.

    The step leads to no position below `low`, and over at most `limit` frames.
    """
    ahead = int(counters.sequence[start]) - head.sequence
    modulus = counters.modulus
    if counters.ticks is None or counters.rate is None:
        step = _by_sequence(counters, head, ahead, modulus, start, size)
        return (step if step is not None and step - 1 <= limit else None), True
    gone = float(counters.ticks[start]) - head.tick
    likely = _likely(counters, head, start)
    step = _both_agree(counters, head, ahead, gone, likely, low, limit)
    if step is not None:
        # far away, a short counter and its ticks may agree by chance
        believed = abs(step) < MAX_DROPOUT or confirmed_at(counters, start, size)
        believed &= not _began_by_chance(counters, head, start, step)
        return (step, True) if believed else (None, True)
    return _against_ticks(counters, head, start, size, limit)


def _against_ticks(
    counters: Counters, head: Head, start: int, size: int, limit: int
) -> tuple[int | None, bool]:
    """The same where no step fits the ticks: they were set, or one is wrong, or the device began anew."""
    if counters.ticks is None or counters.rate is None:
        return None, True
    gone, modulus, unit = float(counters.ticks[start]) - head.tick, counters.modulus, counters.unit
    ahead = int(counters.sequence[start]) - head.sequence
    forward = ahead % modulus if modulus else ahead
    behind = modulus - forward if modulus else -forward
    confirmed = confirmed_at(counters, start, size)
    is_late = 0 < behind <= misorder_of(counters) * unit and behind % unit == 0
    # a counter that wraps soon has no backward; a receiver's clock that goes back was set
    soon = 0 < counters.rate.modulus < _LONGEST_DELAY_S * counters.tick_hz
    backward = not soon and not counters.arrival and _signed(gone, counters.rate.modulus) < -counters.slack
    if counters.arrival and (forward == 0 or is_late):
        return _by_sequence(counters, head, ahead, modulus, start, size), True
    if backward and not confirmed and is_late:
        # one late frame, from before a pause that its ticks do not count
        lately = _signed(gone, counters.rate.modulus) > -_LONGEST_DELAY_S * counters.tick_hz
        return (-(behind // unit) if lately else None), False
    if forward != unit and _looks_begun(counters, head, start):
        return None, True
    step = forward // unit
    is_next = forward % unit == 0 and 1 <= step <= limit
    if is_next and step < MAX_DROPOUT and (not modulus or forward < modulus // 2):
        late = counters.arrival and _only_late(counters, head, step, gone)
        return (step if late or forward == unit or (confirmed and not backward) else None), confirmed
    if soon and is_next:
        return _by_sequence(counters, head, ahead, modulus, start, size), confirmed
    if not is_next and confirmed and not counters.goes_on and _ticks_go_on(counters, gone, limit):
        return max(1, round(gone / (counters.typical * counters.rate.per_sample))), True
    return None, True


def _only_late(counters: Counters, head: Head, step: int, gone: float) -> bool:
    """Whether a frame came after its time, by no more than a minute."""
    late = gone - ticks_for(counters, head, step)
    return -counters.slack <= late <= _LONGEST_DELAY_S * counters.tick_hz


def _signed(difference: float, modulus: float) -> float:
    return difference - modulus * round(difference / modulus) if modulus else difference


def ticks_for(counters: Counters, head: Head, step: float) -> float:
    """Ticks that so many frames take from the head on."""
    if counters.rate is None:
        return 0.0
    samples = head.n_samples + (step - 1) * counters.typical if step >= 1 else step * counters.typical
    return samples * counters.rate.per_sample


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
    counters: Counters, head: Head, ahead: int, modulus: int, start: int, size: int
) -> int | None:
    """RFC 3550 A.1 on a counter of any width, with loss, restart and late frames told apart."""
    unit, misorder = counters.unit, misorder_of(counters)
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
    if not confirmed_at(counters, start, size) or (modulus and forward >= modulus // 2):
        return None
    if modulus and _looks_begun(counters, head, start):
        return None
    return forward // unit


def _looks_begun(counters: Counters, head: Head, start: int, near: int = _NEAR_START) -> bool:
    """Whether the sequence is back where it begins, within so many frames."""
    sequence = int(counters.sequence[start])
    return sequence < near * counters.unit and sequence < head.sequence


def _began_by_chance(counters: Counters, head: Head, start: int, step: int) -> bool:
    """Whether a frame fits after whole wraps of all counters, and looks as if the device had just begun."""
    range_ = counters.modulus // counters.unit
    if counters.rate is None or counters.ticks is None or not counters.modulus or step <= range_ // 4:
        return False
    if not _looks_begun(counters, head, start, _VERY_START):
        return False
    frame, tick = counters.typical * counters.rate.per_sample, float(counters.ticks[start])
    if not counters.arrival and tick < min(_NEAR_START * frame, head.tick):
        return True
    return step > range_ and (counters.arrival or 0 < counters.rate.modulus < step * frame)


def _likely(counters: Counters, head: Head, start: int) -> float | None:
    """The step that the guide tells, in frames, which may be a little off; None where there is none."""
    if counters.guide is None:
        return None
    return (counters.guide_at(start) - head.guide - head.n_samples) / counters.typical + 1


def _both_agree(
    counters: Counters, head: Head, ahead: int, gone: float, likely: float | None, low: int, limit: int
) -> int | None:
    """The step that sequence and ticks agree on, of several the nearest to the likely one.

    Where nothing is likely, the nearest to 0 is taken; of two that are equally near, the later.
    """
    rate, unit = counters.rate, counters.unit
    if rate is None:
        return None
    modulus = counters.modulus
    nearest = int(_signed(ahead, modulus))
    step = nearest // unit
    within = nearest % unit == 0 and low <= head.position + step and step <= limit + 1
    near = _near(counters)
    likely_enough = likely is None or abs(step - likely) < near
    usual = step < MAX_DROPOUT and -step <= misorder_of(counters)
    telling = usual or 2 * _allowed(counters, step) <= _CHANCE * (rate.modulus or np.inf)
    if within and likely_enough and telling and _tick_fits(counters, head, step, gone):
        return step
    if not modulus:
        return None
    # no farther than drift can tell, whatever gap the counters claim: work stays linear
    reach = int(min(max(limit + 1, head.position - low), _reach(counters))) * unit // modulus + 1
    steps = ahead % modulus + modulus * np.arange(-reach, reach + 1)
    steps = steps[steps % unit == 0] // unit
    steps = steps[(steps <= limit + 1) & (head.position + steps >= low)]
    samples = np.where(steps >= 1, head.n_samples + (steps - 1) * counters.typical, steps * counters.typical)
    excess = np.abs(rate.excess(np.full(len(steps), gone), samples))
    allowed = _allowed(counters, steps)
    apart = np.abs(steps - (likely or 0))
    asked = (np.abs(steps) <= _reach(counters)) & (likely is None or apart < near)
    fits: list[int] = steps[asked & (excess <= allowed)].tolist()
    best = min(fits, key=lambda step: (abs(step - (likely or 0)), -step), default=None)
    if best is None or not rate.modulus:
        return best
    # how many of those as near or nearer would fit ticks that have nothing to do with them
    nearer = asked & (apart <= abs(best - (likely or 0)))
    return best if 2 * float(allowed[nearer].sum()) <= _CHANCE * rate.modulus else None


def _near(counters: Counters) -> float:
    """By how many frames the guide may be off: a minute, and a quarter of the sequence's range at most."""
    if counters.rate is None:
        return 0.0
    minute = _LONGEST_DELAY_S * counters.tick_hz / counters.rate.per_sample / counters.typical
    return max(min(minute, (counters.modulus or np.inf) / counters.unit / 4), _FEW_FRAMES)


def _allowed(counters: Counters, steps: Any) -> Any:
    """By how many ticks frames may be off that are so many steps away."""
    frame = counters.typical * counters.per_sample
    return _LOOSE * frame + counters.slack + _DRIFT * np.abs(steps) * frame


def _tick_fits(counters: Counters, head: Head, step: int, gone: float) -> bool:
    if counters.rate is None:
        return False
    excess = abs(_signed(gone - ticks_for(counters, head, step), counters.rate.modulus))
    return bool(abs(step) <= _reach(counters) and excess <= _allowed(counters, step))


def _reach(counters: Counters) -> float:
    """Frames over which the drift of the ticks cannot hide a wrap of the sequence."""
    return counters.modulus / counters.unit / 4 / _DRIFT if counters.modulus else np.inf


def confirmed_at(counters: Counters, start: int, size: int) -> bool:
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
    here = Head(0, int(pair[0]), float(counters.ticks[start]), int(counters.n_samples[start]))
    gone = float(counters.ticks[start + 1] - counters.ticks[start])
    return _tick_fits(counters, here, step // counters.unit, gone)
