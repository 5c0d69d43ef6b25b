"""In which order the dumps of a session were recorded, where the sessions table lists them in another."""

from dataclasses import dataclass
from itertools import product

import numpy as np

from pipeline.frames import Frames, FrameTable
from pipeline.frames.room import begins_of, blocks_of
from pipeline.timebase.compare import Compare, comparison
from pipeline.timebase.device import is_calendar
from pipeline.timebase.sequence import Ints, signed_difference

_PROBES = 4
_ENOUGH = 64
_SHORT_BITS = 10
_MOST_CANDIDATES = 64


@dataclass(frozen=True)
class _Stretch:
    """The frames of one dump in the table, [start, stop)."""

    dump: int
    start: int
    stop: int


def in_another_order(table: FrameTable, order: Ints) -> FrameTable:
    """The frames of a table, all of them, in another order."""
    room = table.room
    # a column that is one number for all takes no memory
    columns = {
        name: room.arranged(values, order) if values.strides[0] else values
        for name, values in table.columns.items()
    }
    return FrameTable(**columns, room=room)


def order_of_dumps(frames: Frames) -> Ints | None:
    """Indices of all frames so that the dumps are in the order of time; None where they are as listed.

    By the receiver's stamps where there are any, or by ticks of a calendar; else a dump comes behind that in
    which its first frame stands as well, or whose last frame it carries on from by its sequence number.
    """
    table, frame = frames.table, frames.stream.frame
    stretches = _stretches(table)
    if len(stretches) < 2:
        return None
    received = frame.part("received")
    if received and received.hz:
        order = _by_first(table.received, stretches)
    elif is_calendar(frame.part("ticks")):
        order = _by_first(table.ticks, stretches)
    else:
        order = _by_chain(frames, stretches)
    if order == list(range(len(stretches))):
        return None
    whole, at = table.room.zeros(len(table)), 0
    for k in order:
        n = stretches[k].stop - stretches[k].start
        for block in blocks_of(n):
            here = np.arange(block.start, block.stop) + stretches[k].start
            whole[at + block.start : at + block.stop] = here
        at += n
    return whole


def _stretches(table: FrameTable) -> list[_Stretch]:
    if not len(table):
        return []
    begins = begins_of(table.dump)
    ends = np.append(begins[1:], len(table))
    return [_Stretch(int(table.dump[a]), a, b) for a, b in zip(begins.tolist(), ends.tolist(), strict=True)]


def _by_first(values: Ints, stretches: list[_Stretch]) -> list[int]:
    """By the median of the first few stamps, of which one may be wrong."""
    first = [float(np.median(values[s.start : min(s.start + _PROBES + 1, s.stop)])) for s in stretches]
    return sorted(range(len(stretches)), key=lambda k: (first[k], k))


def _by_chain(frames: Frames, stretches: list[_Stretch]) -> list[int]:
    """Chains of dumps that carry on from each other, each at the place of its first listed one."""
    listed = list(range(len(stretches)))
    if frames.stream.frame.part("sequence") is None:
        return listed
    compare = comparison(frames)
    behind, before = dict[int, int](), dict[int, int]()
    # of two that could follow, the one that is listed next does
    for i, j in sorted(product(listed, listed), key=lambda pair: (pair[1] != pair[0] + 1, pair)):
        if i == j or i in behind or j in before or _end_of(behind, j) == i:
            continue
        if _carries_on(frames, stretches[i], stretches[j], compare):
            behind[i], before[j] = j, i
    order = list[int]()
    for k in listed:
        if k in order:
            continue
        while k in before:
            k = before[k]
        order.append(k)
        while k in behind:
            k = behind[k]
            order.append(k)
    return order


def _end_of(behind: dict[int, int], k: int) -> int:
    while k in behind:
        k = behind[k]
    return k


def _carries_on(frames: Frames, one: _Stretch, other: _Stretch, compare: Compare) -> bool:
    """Whether a dump begins right behind the other one, or inside it."""
    table, last, first = frames.table, one.stop - 1, other.start
    sequence, ticks = frames.stream.frame.part("sequence"), frames.stream.frame.part("ticks")
    bits = sequence.wraps_at_bits if sequence else 0
    step = _step(table.sequence, last, first, bits)
    if step in (1, int(table.n_samples[last])) and (ticks or not 0 < bits < _SHORT_BITS):
        begin = max(one.start, last - _ENOUGH)
        usual = (
            [_step(table.ticks, i, i + 1, ticks.wraps_at_bits) for i in range(begin, last)] if ticks else []
        )
        gone = _step(table.ticks, last, first, ticks.wraps_at_bits) if ticks else 0
        middle = float(np.median(usual)) if usual else gone
        if abs(gone - middle) <= 0.5 * abs(middle):
            return True
    same = table.sequence[one.start + 1 : one.stop] == table.sequence[first]
    for i in (np.flatnonzero(same)[:_MOST_CANDIDATES] + one.start + 1).tolist():
        n = min(_PROBES, one.stop - i, other.stop - first)
        alike = [compare(i + k, first + k) for k in range(n)]
        if False not in alike and True in alike:
            return True
    return False


def _step(values: Ints, one: int, other: int, bits: int) -> int:
    return int(signed_difference(values[other : other + 1], values[one : one + 1], bits)[0])
