"""Whether the first line after a gap leads on to the next one, or is what is left of a longer one."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from pipeline.frames.columns import KindLines
from pipeline.frames.leftover import Ints
from pipeline.frames.lines import LineForm, LineKind

LINES_AHEAD = 8
LOST_LINES = 10

Bools = npt.NDArray[np.bool_]


def contradicted(
    fresh: Bools, good: Bools, too_long: Bools, kinds: Sequence[KindLines], form: LineForm, is_end: bool
) -> tuple[list[int], int]:
    """Which of the lines `fresh`, all of them good, do not lead on to the next with the same counter.

    Returns
    -------
    wrong : list of int
        Their numbers.
    n_sure : int
        How many lines can be settled by now: without `is_end` the next one may stand in the next block.
    """
    wrong = list[int]()
    for i in np.flatnonzero(fresh).tolist():
        mine = _home(kinds, i)
        if mine is None or not _has_counter(form.kinds[mine[0]]):
            continue
        ahead = good[i + 1 : i + 1 + LINES_AHEAD]
        long = too_long[i + 1 : i + 1 + LINES_AHEAD].nonzero()[0][:1]
        answer = _next_agrees(i, mine, ahead[: int(long[0])] if len(long) else ahead, kinds, form)
        if answer is None and len(ahead) < LINES_AHEAD and not len(long) and not is_end:
            return wrong, i
        if answer is False:
            wrong.append(i)
    return wrong, len(good)


def _home(kinds: Sequence[KindLines], line: int) -> tuple[int, int] | None:
    """The kind of a line, and its number among the lines of this kind."""
    for number, kind in enumerate(kinds):
        at = int(np.searchsorted(kind.rows, line))
        if at < len(kind.rows) and kind.rows[at] == line:
            return number, at
    return None


def _has_counter(kind: LineKind) -> bool:
    return kind.sequence is not None or kind.ticks is not None


def _next_agrees(
    i: int, mine: tuple[int, int], ahead: Bools, kinds: Sequence[KindLines], form: LineForm
) -> bool | None:
    """Whether the next comparable line leads on; None where none stands within the lines ahead."""
    for j in (i + 1 + ahead.nonzero()[0]).tolist():
        other = _home(kinds, j)
        if other is None:
            continue
        pair = form.kinds[mine[0]], form.kinds[other[0]]
        common = [
            (_step(one, mine[1], two, other[1], bits), *bounds)
            for one, two, bits, *bounds in _common(pair, kinds[mine[0]], kinds[other[0]], j - i)
        ]
        if common:
            return all(least <= step <= most for step, least, most in common)
    return None


def _common(
    pair: tuple[LineKind, LineKind], one: KindLines, two: KindLines, n_lines: int
) -> list[tuple[Ints, Ints, int, int, float]]:
    """Counters that two lines have in common: columns, bits, and the least and largest step between them."""
    common = list[tuple[Ints, Ints, int, int, float]]()
    most = LOST_LINES + n_lines
    is_one = pair[0] is pair[1] or (pair[0].shares_sequence and pair[1].shares_sequence)
    if is_one and one.sequence is not None and two.sequence is not None:
        common.append((one.sequence, two.sequence, pair[0].sequence_bits, 1, most))
    if one.ticks is not None and two.ticks is not None:
        per_line = max(kind.ticks_per_line for kind in pair)
        common.append((one.ticks, two.ticks, pair[0].ticks_bits, 0, most * per_line + 2))
    return common


def _step(one: Ints, i: int, two: Ints, j: int, bits: int) -> int:
    step = int(two[j]) - int(one[i])
    return step % (1 << bits) if bits else step
