"""Every place of a block where a frame might begin by its sync pattern, and what is known of it."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from pipeline.frames.checksum import Bytes
from pipeline.frames.kinds import UNKNOWN, Kinds, checked
from pipeline.frames.leftover import PADDING_RUN
from pipeline.frames.shape import Bools, Ints, Number, Shape


@dataclass(frozen=True)
class Candidates:
    """All candidates of a block by rising start; all arrays have length n.

    Attributes
    ----------
    starts, stops : int64
        Where they stand in the block; ``start + max_bytes`` where the size cannot be believed.
    kind : int64
        Number of the kind of frame, `UNKNOWN` where the kind part names none.
    believable, torn, undecided, passed, recognised : bool
        The size fits the layout; the file ends before the frame does; more of the file must be known; it is a
        frame; if it is none it is a damaged one.
    """

    starts: Ints
    stops: Ints
    kind: Ints
    believable: Bools
    torn: Bools
    undecided: Bools
    passed: Bools
    recognised: Bools


class _Some(NamedTuple):
    """Candidates of one kind before anything is decided."""

    kind: int
    starts: Ints
    stops: Ints
    believable: Bools
    headless: Bools


def examine(block: Bytes, is_last: bool, kinds: Kinds, earlier: Ints) -> Candidates:
    """Find all candidates of a block.

    Parameters
    ----------
    block : uint8
        Bytes.
    is_last : bool
        Whether the file ends with them.
    kinds : Kinds
        What frames look like.
    earlier : int64
        Where frames that began before the block end in it, as far as structure has to bear frames out.
    """
    here, size = np.zeros(len(block) + 1, dtype=bool), len(block)
    groups = list[_Some]()
    for pattern in kinds.patterns:
        at = _find(block, pattern)
        here |= at
        groups += _of_pattern(block, np.flatnonzero(at), pattern, kinds)
    starts, stops, kind, believable, headless = _joined(groups)
    if is_last:
        undecided = np.zeros(len(starts), dtype=bool)
        torn = headless | (believable & (stops > size))
        believable = believable & ~torn
    else:
        all_checked = bool(kinds.are_checked[UNKNOWN])
        ahead = PADDING_RUN + (0 if all_checked else kinds.max_bytes + kinds.longest_pattern)
        undecided = headless | (stops + ahead > size)
        torn = np.zeros(len(starts), dtype=bool)
        believable = believable & (stops <= size)
    passed = _passed(
        block, kinds, kind, starts, stops, believable & (is_last | (stops + PADDING_RUN <= size))
    )
    recognised = kinds.are_checked[kind]
    if not np.all(recognised):
        sure = np.where(recognised, passed, believable)
        borne_out, led = _borne_out(here, starts, stops, sure, is_last, earlier)
        passed = np.where(recognised, passed, borne_out & (kind != UNKNOWN))
        recognised = recognised | led | torn
    settled = ~undecided
    return Candidates(
        starts, stops, kind, believable & settled, torn, undecided, passed & settled, recognised
    )


def ends_known(found: Candidates, kinds: Kinds, settled: Bools) -> Ints:
    """Where settled candidates end that may lead up to another: what :func:`examine` takes as `earlier`."""
    if kinds.are_checked[UNKNOWN]:
        return found.stops[:0]
    leads = np.where(kinds.are_checked[found.kind], found.passed, found.believable)
    return found.stops[leads & settled]


def _find(block: Bytes, sync: bytes) -> Bools:
    """Whether the pattern begins at each byte; one entry more than the block has bytes."""
    here = np.zeros(len(block) + 1, dtype=bool)
    n = len(block) - len(sync) + 1
    if n > 0:
        here[:n] = block[:n] == sync[0]
        for i in range(1, len(sync)):
            here[:n] &= block[i : i + n] == sync[i]
    return here


def _of_pattern(block: Bytes, starts: Ints, pattern: bytes, kinds: Kinds) -> Iterator[_Some]:
    """The candidates that begin with one pattern, kind by kind, and those of no kind that is known."""
    claimed = np.zeros(len(starts), dtype=bool)
    own = kinds.of(pattern)
    for k, shape in own:
        mine, unread = _claims(block, starts, shape)
        claimed |= mine
        if shape.length_is_behind:
            yield from _by_their_ends(block, k, shape, starts[mine], unread[mine])
            continue
        stops, believable, headless = shape.spans(block, starts[mine])
        if shape.kind is not None and shape.kind.at < 0:
            # the kind stands behind the samples: it is read where the end lies in the block
            which = np.flatnonzero(believable & (stops <= len(block)))
            believable[which] = shape.is_kind(block, starts[mine][which], stops[which])
        yield _Some(k, starts[mine], stops, believable & ~unread[mine], headless | unread[mine])
    if not np.all(claimed):
        lost = starts[~claimed]
        none = np.zeros(len(lost), dtype=bool)
        yield _Some(UNKNOWN, lost, lost + max(shape.max_bytes for _, shape in own), none, none)


def _claims(block: Bytes, starts: Ints, shape: Shape) -> tuple[Bools, Bools]:
    """Which places may begin a frame of the kind, by its kind part; and where that cannot be read yet."""
    if shape.kind is None or shape.kind.at < 0:
        return np.ones(len(starts), dtype=bool), np.zeros(len(starts), dtype=bool)
    unread = starts + (shape.kind.at + shape.kind.n_bytes) > len(block)
    which = np.flatnonzero(~unread)
    mine = unread.copy()
    mine[which] = shape.is_kind(block, starts[which], starts[which])
    return mine, unread


def _by_their_ends(block: Bytes, k: int, shape: Shape, starts: Ints, unread: Bools) -> Iterator[_Some]:
    """Candidates whose length stands behind the samples: each byte may be an end, which tells its beginning.

    Beside these, each start is a candidate of no believable size, for what no end is found for.
    """
    yield _Some(k, starts, starts + shape.max_bytes, np.zeros(len(starts), dtype=bool), unread)
    if shape.length is None or len(block) < shape.min_bytes or not len(starts):
        return
    stops = _possible_ends(block, shape, shape.length)
    begins = stops - shape.whole(shape.length.read(block, stops, stops))
    may = (begins >= 0) & shape.believes(stops - begins)
    place = np.searchsorted(starts, begins[may])
    right = starts[np.minimum(place, len(starts) - 1)] == begins[may]
    begins, stops = begins[may][right], stops[may][right]
    good = shape.is_kind(block, begins, stops)
    order = np.lexsort((stops[good], begins[good]))
    begins, stops = begins[good][order], stops[good][order]
    yield _Some(k, begins, stops, np.ones(len(begins), dtype=bool), np.zeros(len(begins), dtype=bool))


def _possible_ends(block: Bytes, shape: Shape, length: Number) -> Ints:
    """Where a frame may end whose length, which stands behind its samples, can be believed."""
    first = shape.min_bytes
    n = len(block) - first + 1
    wide = np.dtype("u1" if length.n_bytes == 1 else "u2" if length.n_bytes == 2 else "u8")
    value = np.zeros(n, dtype=wide)
    for i in range(length.n_bytes):
        place = i if length.big else length.n_bytes - 1 - i
        at = first + length.at + place
        value = (value << wide.type(8 if i else 0)) | block[at : at + n]
    low, high = (min(bound, np.iinfo(wide).max) for bound in shape.believed())
    return np.flatnonzero((value >= low) & (value <= high)) + first


def _joined(groups: list[_Some]) -> tuple[Ints, Ints, Ints, Bools, Bools]:
    """Starts, stops, kinds, believable and headless of all groups, by rising start."""
    kind = np.concatenate([np.full(len(group.starts), group.kind) for group in groups])
    starts, stops, believable, headless = (
        np.concatenate(columns) for columns in zip(*(group[1:] for group in groups), strict=True)
    )
    if len(groups) > 1:
        # of several at one place those that end first come first: the longest may be of no believable size
        order = np.lexsort((stops, starts))
        return starts[order], stops[order], kind[order], believable[order], headless[order]
    return starts, stops, kind, believable, headless


def _passed(block: Bytes, kinds: Kinds, kind: Ints, starts: Ints, stops: Ints, sure: Bools) -> Bools:
    """Which candidates have a checksum that fits."""
    passed = np.zeros(len(starts), dtype=bool)
    for k, shape in enumerate(kinds.shapes):
        if shape.checksum is not None:
            which = np.flatnonzero(sure & (kind == k))
            passed[which] = checked(block, starts[which], stops[which], shape)
    return passed


def _borne_out(
    here: Bools, starts: Ints, stops: Ints, sure: Bools, is_last: bool, earlier: Ints
) -> tuple[Bools, Bools]:
    """Which candidates structure bears out, and which are at least led up to or cut short by a frame."""
    size = len(here) - 1
    at = np.where(sure, stops, size)
    firm = sure & (here[at] | (is_last & (stops == size)))
    led = np.isin(starts, np.concatenate((stops[sure], earlier)))
    firm_starts = starts[firm]
    inside = np.searchsorted(firm_starts, stops) - np.searchsorted(firm_starts, starts, side="right")
    return firm | (sure & led & (inside == 0)), led | (sure & (inside > 0))
