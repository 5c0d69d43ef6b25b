"""Which bytes of frames of one kind are counters: by what they would save if they were told as such.

Bytes that mean nothing have to be told by their steps. A counter that goes on by one has to be told once. The
fields that together save most are taken.
"""

from collections.abc import Iterator, Sequence, Set
from dataclasses import dataclass, replace
from itertools import product
from typing import Literal

import numpy as np
import numpy.typing as npt

from pipeline.finder.cost import coded, told_bits
from pipeline.frames.checksum import Bytes
from pipeline.layouts.layout import ByteOrder

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Role = Literal["sequence", "ticks", "received"]

_WIDTHS = (1, 2, 3, 4, 6, 8)
_REACH = 24
_GOES_ON = 0.5
_NEAR = 0.45
_EVEN = 0.7
_LEAST_SAVED = 1.5
_LARGEST_STEP = 1 << 24
_CLOCK_BYTES = (6, 4, 8)
_MOST_WEIGHED = 24


@dataclass(frozen=True)
class Field:
    """A counter in the frames: where it stands, and how it goes on.

    ``at`` counts from the first byte, or from the end where negative. ``saved`` is in bits a frame, ``step``
    what it usually goes on by; a ``shared`` one goes through frames of all kinds.
    """

    is_: Role
    at: int
    n_bytes: int
    byte_order: ByteOrder
    saved: float
    step: float
    shared: bool = False

    @property
    def places(self) -> set[int]:
        """The bytes that it takes."""
        return set(range(self.at, self.at + self.n_bytes))


def numbers(rows: Bytes, at: int, n_bytes: int, byte_order: ByteOrder) -> Ints:
    """The unsigned number at one place of each row; of eight bytes by its bit pattern."""
    columns = range(at, at + n_bytes)
    value = np.zeros(len(rows), dtype=np.int64)
    for column in columns if byte_order == "big" else reversed(columns):
        value = (value << 8) | rows[:, column]
    return value


def find_fields(
    rows: Bytes,
    first: int,
    given: Sequence[Field] = (),
    sizes: Floats | None = None,
    known: Set[int] = frozenset(),
) -> list[Field]:
    """The counters in the first bytes of the rows, and in the last ones.

    Of two clocks the first found, which is the more even one, is the device's; the other is taken for stamps
    of the receiver.

    Parameters
    ----------
    rows : uint8, shape (n, bytes)
        Frames of one size, in their order.
    first : int
        Bytes at the beginning that are known already.
    given : sequence of Field
        Counters that are known already.
    sizes : float64, shape (n,)
        Bytes of each frame, where they differ: clocks then go on with them.
    known : set of int
        Bytes that are no counters.
    """
    size, told = rows.shape[1], told_bits(rows)
    places = [*range(first, min(size, first + _REACH)), *range(max(first + _REACH, size - 12), size)]
    found = list(given)
    # what counts and what keeps time are sought together: a number across both goes on evenly, too
    for _ in range(2):
        found += _best_together(
            list(_candidates(rows, [p for p in places if p not in known], told, found, sizes))
        )
    return sorted((_whole(rows, field, found) for field in found), key=lambda field: field.at)


def _best_together(candidates: Sequence[Field]) -> list[Field]:
    """At most one of each role, none on another's bytes, that together save most."""
    by_role = [
        sorted((f for f in candidates if f.is_ == role), key=_merit, reverse=True)[:_MOST_WEIGHED]
        for role in ("sequence", "ticks", "received")
    ]
    best, most = list[Field](), (0.0, 0)
    for some in product(*([None, *fields] for fields in by_role)):
        chosen = [field for field in some if field is not None]
        if sum(len(field.places) for field in chosen) == len({p for field in chosen for p in field.places}):
            merit = round(sum(f.saved for f in chosen), 3), -sum(f.n_bytes for f in chosen)
            if merit > most:
                best, most = chosen, merit
    return best


def _whole(rows: Bytes, field: Field, found: Sequence[Field]) -> Field:
    """A clock with the bytes above it that never changed in these rows, up to a width that clocks have."""
    if field.is_ == "sequence":
        return field
    taken = {place for other in found for place in other.places}
    for n_bytes in _CLOCK_BYTES if field.is_ == "received" else (4, 8):
        n_more = n_bytes - field.n_bytes
        above = field.at + field.n_bytes if field.byte_order == "little" else field.at - n_more
        if (
            n_more <= 0
            or above < 0
            or above + n_more > rows.shape[1]
            or taken & set(range(above, above + n_more))
        ):
            continue
        if bool((rows[:, above : above + n_more] == rows[:1, above : above + n_more]).all()):
            return replace(field, at=min(field.at, above), n_bytes=n_bytes)
        break
    return field


def _merit(field: Field) -> tuple[float, int]:
    """What it saves; of fields that save alike the narrow one."""
    return (round(field.saved, 3), -field.n_bytes)


def _candidates(
    rows: Bytes, places: Sequence[int], told: Floats, found: Sequence[Field], sizes: Floats | None = None
) -> Iterator[Field]:
    """Every counter beside those found that saves something."""
    roles = {field.is_ for field in found}
    taken, free = {place for field in found for place in field.places}, set(places)
    for at in places:
        for n_bytes in _WIDTHS:
            mine = set(range(at, at + n_bytes))
            if taken & mine or not mine <= free or at + n_bytes > rows.shape[1]:
                continue
            told_now = float(told[at : at + n_bytes].sum())
            if told_now < _LEAST_SAVED:
                continue
            for order in _ORDERS if n_bytes > 1 else _ORDERS[:1]:
                steps = _steps(numbers(rows, at, n_bytes, order), n_bytes)
                for is_, cost, step in _told_as(steps, 8 * n_bytes, sizes):
                    role: Role = "received" if is_ == "ticks" and "ticks" in roles else is_
                    if role not in roles and told_now - cost >= _LEAST_SAVED:
                        yield Field(role, at, n_bytes, order, told_now - cost, step)


_ORDERS: tuple[ByteOrder, ByteOrder] = ("little", "big")


def _steps(values: Ints, n_bytes: int) -> Floats:
    bits = 8 * n_bytes
    if bits >= 63:
        return np.diff(values).astype(np.float64)
    half = 1 << (bits - 1)
    return (((np.diff(values) + half) & ((1 << bits) - 1)) - half).astype(np.float64)


def _told_as(steps: Floats, bits: int, sizes: Floats | None) -> Iterator[tuple[Role, float, float]]:
    """As which counter the steps may be told, and what is left to be told of each then, in bits."""
    n_next = float((steps == 1).mean())
    if n_next >= _GOES_ON:
        yield "sequence", float(coded(steps - 1, bits)), 1.0
    usual = float(np.median(steps))
    if not 2 <= usual <= _LARGEST_STEP:
        return
    expected = _by_size(steps, sizes) if sizes is not None else np.full(len(steps), usual)
    near = np.abs(steps - expected) <= np.maximum(_NEAR * expected, 1)
    if float(near.mean()) > _EVEN:
        yield "ticks", float(coded(steps - expected, bits)), float(steps[near].mean())


def _by_size(steps: Floats, sizes: Floats) -> Floats:
    """The steps that go with the sizes of the frames, in a straight line through most of them."""
    middle, sizes = float(np.median(steps)), sizes[:-1]
    some = np.abs(steps - middle) < 4 * middle
    expected = np.full(len(steps), middle)
    for _ in range(2):
        x, y = sizes[some], steps[some]
        if len(x) < 3 or not x.var():
            break
        slope = float(((x - x.mean()) * (y - y.mean())).mean() / x.var())
        expected = y.mean() + slope * (sizes - x.mean())
        off = np.abs(steps - expected)
        some = off <= max(float(np.median(off[some])) * 4, 1.0)
    return expected
