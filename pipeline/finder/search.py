"""The smallest change with which a layout fits a dump: single ones first, then pairs, each really tried."""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.finder.changes import (
    Change,
    binary_changes,
    fixed_bytes,
    place_of,
    with_part,
    with_parts,
)
from pipeline.finder.fit import Fit, fit
from pipeline.finder.symptoms import symptoms
from pipeline.finder.text_changes import text_changes
from pipeline.frames.fitting import FittingCheck, fitting_checks
from pipeline.layouts import Layout, Part

_TRIED_ON_BYTES = 1 << 15
_HELD_TO_BYTES = 1 << 20
_MOST_TRIED = 400
_MOST_PAIRS = 300
_FEWEST_BYTES_OF_PAIRS = 1000
_MOST_CHANGES = 3
_LEAST_GAIN = 0.02
_LEAST_GAIN_OF_A_PAIR = 0.15
_LEAST_EXACT_GAIN = 0.002
_LEAST_BITS = 0.5
_READS = 0.5
_READS_WELL = 0.9
_MAINS_HZ = (50.0, 60.0)
_NEAR_MAINS = 0.03
_FINALISTS = 5
_CHECK_BYTES = (1, 2, 3, 4, 8)


@dataclass(frozen=True)
class Proposal:
    """Changes that make a layout fit better, and how well it then does.

    ``also`` names checks that fit as well, ``before`` is how the layout fits as it stands.
    """

    changes: tuple[Change, ...]
    fit: Fit
    also: tuple[str, ...] = ()
    before: Fit | None = None

    @property
    def layout(self) -> Layout:
        """With the changes."""
        return self.changes[-1].layout

    @property
    def weight(self) -> int:
        """How far-fetched all of it is."""
        return sum(change.weight for change in self.changes)

    @property
    def words(self) -> str:
        """What to write, in one sentence."""
        also = f" (these fit, too: {'; '.join(self.also)})" if self.also else ""
        return f"Write {', and '.join(str(change) for change in self.changes)}{also}."

    @property
    def signs(self) -> str:
        """How the layout shows to be wrong, in a sentence; empty where there is nothing to compare."""
        told = symptoms(self.before, self.fit) if self.before else ""
        return f"{told[0].upper()}{told[1:]}." if told else ""


def smallest_change(layout: Layout, head: bytes) -> Proposal | None:
    """The smallest change after which clearly more can be read, or counters and samples go on smoother.

    Parameters
    ----------
    layout : Layout
        As it stands.
    head : bytes
        The beginning of the dump; changes are tried on its first 32 kB, the best of them on a megabyte.
    """
    if layout.framing in ("wav", "edf"):
        return None
    found = _next_step(layout, head)
    while found is not None and len(found.changes) < _MOST_CHANGES:
        more = _next_step(found.layout, head, is_first=False)
        if more is None:
            break
        found = Proposal((*found.changes, *more.changes), more.fit, found.also, found.before)
    return found


def _next_step(layout: Layout, head: bytes, is_first: bool = True) -> Proposal | None:
    """The change that helps most; where no single one helps at first, another check or a pair."""
    some = _first_that_is_written(head, layout.sector_bytes)
    base = fit(layout, some)
    found = _singles(layout, some, base)
    if is_first:
        found += _with_other_checks(layout, some, base)
    reads = base.share > _READS or any(one.fit.share > _READS for one in found)
    if is_first and not reads and len(some) >= _FEWEST_BYTES_OF_PAIRS:
        found += _pairs(layout, some, base)
    found = [one for one in found if _is_better(one, base)]
    best = sorted(found, key=lambda one: (one.fit.bits, one.weight))[:_FINALISTS]
    return _best(layout, head[:_HELD_TO_BYTES], best)


def _first_that_is_written(head: bytes, unit: int) -> bytes:
    """A piece behind the fill with which a dump may begin, from a whole unit on."""
    at = len(head) - len(head.lstrip(b"\x00\xff"))
    if at < 16 or at == len(head):
        return head[:_TRIED_ON_BYTES]
    at -= at % unit if unit else 0
    return head[at : at + _TRIED_ON_BYTES]


def _is_better(one: Proposal, base: Fit) -> bool:
    """Whether so much less is left to be told that it is no chance."""
    n_frames = max((len(frames.table) for frames in one.fit.streams), default=0)
    least = _LEAST_GAIN if len(one.changes) == 1 else _LEAST_GAIN_OF_A_PAIR
    if all(change.is_exact for change in one.changes):
        least = _LEAST_EXACT_GAIN
    return n_frames > 0 and base.bits - one.fit.bits > max(least * base.bits, _LEAST_BITS * n_frames)


def _best(layout: Layout, data: bytes, finalists: Sequence[Proposal]) -> Proposal | None:
    base = fit(layout, data)
    held = [replace(one, fit=fit(one.layout, data)) for one in finalists]
    if not held:
        return None
    fewest = min(one.fit.bits for one in held)
    alike = [one for one in held if one.fit.bits <= 1.01 * fewest + 1]
    best = min(alike, key=lambda one: (len(one.changes), one.weight, one.fit.bits))
    return replace(best, before=base) if _is_better(best, base) else None


def _all_changes(layout: Layout, data: bytes) -> Iterable[Change]:
    return text_changes(layout, data) if layout.framing == "text" else binary_changes(layout, data)


def _singles(layout: Layout, data: bytes, base: Fit) -> list[Proposal]:
    changes = _of_right_size(layout, data, _all_changes(layout, data))
    if base.share > _READS_WELL and all(frame.part("checksum") for frame in layout.frames):
        # the check bears the frames out as they are: only what is in them can be read otherwise
        changes = [change for change in changes if _same_frames(change.layout, layout)]
    changes = [change for change in changes if not _is_mains(change.layout, layout)]
    tried = [Proposal((change,), fit(change.layout, data)) for change in changes[:_MOST_TRIED]]
    return [one for one in tried if one.fit.bits < base.bits]


def _is_mains(one: Layout, other: Layout) -> bool:
    """Whether more channels would only put samples beside those a cycle of mains before them.

    Samples of one channel resemble those a cycle before, as samples of several channels resemble their own.
    """
    rates = {channel.name: channel.sample_hz for channel in other.channels}
    for mine, its in zip(one.frames, other.frames, strict=False):
        for new, old in zip(mine.all("samples"), its.all("samples"), strict=False):
            lag, rest = divmod(len(new.channels), len(old.channels))
            if lag > 1 and not rest:
                cycles = [lag * mains_hz / rates[old.channels[0]] for mains_hz in _MAINS_HZ]
                if any(n > 1 - _NEAR_MAINS and abs(n - round(n)) < _NEAR_MAINS for n in cycles):
                    return True
    return False


def _same_frames(one: Layout, other: Layout) -> bool:
    """Whether the frames of two layouts begin and end alike."""
    return one.sector_bytes == other.sector_bytes and all(
        len(mine.parts) == len(its.parts) and fixed_bytes(mine) == fixed_bytes(its)
        for mine, its in zip(one.frames, other.frames, strict=True)
    )


def _pairs(layout: Layout, data: bytes, base: Fit) -> list[Proposal]:
    """Two likely changes at once; if the size of the frames is known, those that together make it right."""
    firsts = [change for change in _all_changes(layout, data) if _begins_a_pair(change)]
    found, seen = list[Proposal](), set[tuple[object, ...]]()
    for first in firsts:
        for change in _of_right_size(first.layout, data, _all_changes(first.layout, data)):
            key = (change.layout.frames, change.layout.text, change.layout.framing)
            if change.weight > 1 or key in seen or len(seen) >= _MOST_PAIRS:
                continue
            seen.add(key)
            found.append(Proposal((first, change), fit(change.layout, data)))
    return [one for one in found if one.fit.bits < base.bits]


def _begins_a_pair(change: Change) -> bool:
    """Whether it is likely enough; numbers of rows are sought as the second one."""
    return change.weight == 1 and not any(line.startswith("count") for line in change.lines)


def _of_right_size(layout: Layout, data: bytes, changes: Iterable[Change]) -> list[Change]:
    """The changes that make frames as long as they are in the dump, if that is known; likely ones first."""
    wanted = _observed_bytes(layout, data)
    kept = list[Change]()
    for change in changes:
        sizes = {fixed_bytes(frame) for frame in change.layout.frames} if layout.framing != "text" else {0}
        if wanted and change.layout.framing == layout.framing and 0 not in sizes and sizes != {wanted}:
            continue
        kept.append(change)
    return sorted(kept, key=lambda change: change.weight)


def _observed_bytes(layout: Layout, data: bytes) -> int:
    """How long most frames are, before any stuffing; 0 where that is not known, or kinds are several."""
    if len(layout.frames) != 1 or not fixed_bytes(layout.frame):
        return 0
    if layout.framing == "cobs":
        sizes = [len(packet) - 1 for packet in data.split(b"\0")[1:-1] if packet]
    elif layout.framing == "slip":
        packets = [packet for packet in data.split(b"\xc0")[1:-1] if packet]
        sizes = [len(packet) - packet.count(b"\xdb") for packet in packets]
    elif layout.framing == "sync" and (sync := layout.frame.part("sync")):
        at, places = data.find(sync.sync), list[int]()
        while at >= 0:
            places.append(at)
            at = data.find(sync.sync, at + 1)
        sizes = np.diff(places).tolist()
    else:
        return 0
    size, n = Counter(sizes).most_common(1)[0] if sizes else (0, 0)
    return size if n > _READS * len(sizes) else 0


def _without_check(layout: Layout) -> Layout:
    """The layout whose frames end with bytes that mean nothing, in the place of checks."""
    made = layout
    for i, frame in enumerate(layout.frames):
        if frame.parts[-1].is_ == "checksum":
            n = frame.parts[-1].n_bytes
            made = with_part(made, i, len(frame.parts) - 1, Part("ignored", n_bytes=n, count=n))
    return made


def _with_other_checks(layout: Layout, data: bytes, base: Fit) -> list[Proposal]:
    """What fits where the check does not: other checks, and other structures under any check."""
    checked = [i for i, frame in enumerate(layout.frames) if frame.parts[-1].is_ == "checksum"]
    if layout.framing == "text" or not checked or base.share > _READS:
        return []
    loose = _without_check(layout)
    loose_base = fit(loose, data)
    structures: list[tuple[tuple[Change, ...], Fit]] = [((), loose_base)]
    structures += [(one.changes, one.fit) for one in _singles(loose, data, loose_base)]
    structures = [one for one in structures if one[1].share > _READS]
    structures.sort(key=lambda one: (one[1].bits, sum(change.weight for change in one[0])))
    structures = [*_with_checks_of_other_widths(loose, checked, data), *structures[:_FINALISTS]]
    found = list[Proposal]()
    for changes, read in structures:
        for i in checked:
            found += _checked(layout, loose, i, changes, read, data)
    return found


def _with_checks_of_other_widths(
    loose: Layout, checked: Sequence[int], data: bytes
) -> Iterator[tuple[tuple[Change, ...], Fit]]:
    """The layout with another number of bytes in the place of its checks, where it can be read so."""
    for n in _CHECK_BYTES:
        made = loose
        for i in checked:
            last = len(loose.frames[i].parts) - 1
            made = with_part(made, i, last, Part("ignored", n_bytes=n, count=n))
        read = fit(made, data)
        if read.share > _READS:
            yield (), read


def _checked(
    layout: Layout, loose: Layout, i: int, changes: tuple[Change, ...], read: Fit, data: bytes
) -> list[Proposal]:
    """The structure with the checks that fit it, the one of the layout first."""
    structure = read.layout
    stated, end = layout.frames[i].parts[-1], structure.frames[i].parts[-1]
    has_sync = structure.frames[i].part("sync") is not None
    n_sync = len(structure.frames[i].parts[0].sync)
    fitting = fitting_checks(read.kept[i], n_sync, end.n_bytes, stated.checksum)
    if end.is_ != "ignored" or not fitting:
        return []
    made = structure
    for k, frame in enumerate(layout.frames):
        # kinds of frame have the same check as a rule
        if frame.parts[-1].is_ == "checksum":
            made = with_parts(made, k, (*made.frames[k].parts[:-1], _check_part(fitting[0])))
    where = place_of(layout, i, len(layout.frames[i].parts) - 1)
    lines = _check_lines(stated, fitting[0], has_sync)
    # that the check has another size is told by its name
    changed = [
        change for change in changes if change.where != place_of(loose, i, len(loose.frames[i].parts) - 1)
    ]
    if lines:
        changed.append(Change(where, lines, made))
    elif changed:
        changed[-1] = replace(changed[-1], layout=made)
    else:
        return []
    also = tuple(_named(check, has_sync) for check in fitting[1:])
    return [Proposal(tuple(changed), fit(made, data), also if lines else ())]


def _check_part(check: FittingCheck) -> Part:
    return Part(
        "checksum",
        n_bytes=check.n_bytes,
        byte_order=check.byte_order,
        checksum=check.checksum,
        covers=check.covers,
    )


def _check_lines(stated: Part, check: FittingCheck, has_sync: bool) -> tuple[str, ...]:
    now = {"covers": stated.covers, "byte_order": stated.byte_order}
    lines = [f'{key} = "{value}"' for key, value in check.keys(has_sync).items() if now[key] != value]
    if stated.checksum is None or check.checksum.name != stated.checksum.name:
        lines.insert(0, f'name = "{check.checksum.name}"')
    return tuple(lines)


def _named(check: FittingCheck, has_sync: bool) -> str:
    return ", ".join([check.checksum.name, *(f'{k} = "{v}"' for k, v in check.keys(has_sync).items())])
