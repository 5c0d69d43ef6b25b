"""Single changes of a binary layout: what might have been written otherwise, each as the layout it gives."""

import re
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

from pipeline.checking import nth
from pipeline.finder.packets import patterns_in
from pipeline.layouts import NUMBER_TYPES, Channel, Frame, Layout, Part
from pipeline.layouts.layout import ByteOrder

_COUNTER_BITS = (8, 16, 24, 32, 48)
_SAMPLE_BITS = (8, 10, 12, 14, 16, 18, 20, 24, 32)
_MOST_CHANNELS = 16
_MOST_PATTERNS = 3
_RARELY = 4096
_LONGEST_INSERTED = 16
_SECTOR_BYTES = (4096, 2048, 1024, 512, 256, 128, 64, 32)
_COUNTS: tuple[Literal["frame", "after_length", "samples", "rows"], ...] = (
    "frame",
    "after_length",
    "samples",
    "rows",
)
_FORM_LETTERS = {"unsigned": "u", "signed": "i", "offset": "o"}
_COUNTERS = ("sequence", "ticks", "received", "length", "kind")


@dataclass(frozen=True)
class Change:
    """One thing written otherwise.

    Attributes
    ----------
    where : str
        In which table of the layout, in words.
    lines : tuple of str
        What to write there, as TOML; or what to do, in words, where that is no line.
    layout : Layout
        With the change.
    weight : int
        How far-fetched it is: of changes that fit alike the lightest is meant.
    is_exact : bool
        Whether chance can hardly make it fit better where it is wrong, as it can where the samples are noise.
    """

    where: str
    lines: tuple[str, ...]
    layout: Layout
    weight: int = 1
    is_exact: bool = False

    def __str__(self) -> str:
        return f"{' and '.join(self.lines)} in {self.where}"


def binary_changes(layout: Layout, data: bytes = b"") -> Iterator[Change]:
    """Every single change of a layout of binary frames that is worth a try on the bytes of `data`."""
    yield from _of_the_whole(layout)
    yield from _of_sync_bytes(layout, data)
    for i, frame in enumerate(layout.frames):
        for j, part in enumerate(frame.parts):
            yield from _of_part(layout, i, j, part)
        yield from _of_parts_more_or_fewer(layout, i, frame)


def _of_the_whole(layout: Layout) -> Iterator[Change]:
    orders = {part.byte_order for frame in layout.frames for part in frame.parts if _has_order(part)}
    if len(orders) == 1:
        order = _other(orders.pop())
        yield Change(
            "the layout", (f'byte_order = "{order}"',), _all_parts(layout, lambda p: _turned(p, order))
        )
    for framing in ("cobs", "slip"):
        if layout.framing in ("cobs", "slip") and framing != layout.framing:
            yield Change("the layout", (f'framing = "{framing}"',), replace(layout, framing=framing))
    if layout.framing == "sectors":
        for n_bytes in _SECTOR_BYTES:
            if n_bytes != layout.sector_bytes:
                line = f"sector_bytes = {n_bytes}"
                yield Change("the layout", (line,), replace(layout, sector_bytes=n_bytes))


def _of_sync_bytes(layout: Layout, data: bytes) -> Iterator[Change]:
    """Other sync bytes, where none of the layout's own are there: patterns that come back regularly."""
    for i, frame in enumerate(layout.frames):
        part = frame.parts[0]
        if part.is_ != "sync" or data.count(part.sync) > len(data) // _RARELY:
            continue
        for pattern in patterns_in(data)[:_MOST_PATTERNS]:
            sync = _as_long(pattern, len(part.sync), data)
            made = with_part(layout, i, 0, replace(part, sync=sync))
            yield Change(place_of(layout, i, 0), (f'bytes = "{sync.hex(" ").upper()}"',), made, 1, True)


def _as_long(pattern: bytes, n_bytes: int, data: bytes) -> bytes:
    """The pattern with the bytes that most often follow it, or its first bytes, so that it is as long."""
    sync = pattern[:n_bytes]
    while len(sync) < n_bytes:
        behind = Counter(data[m.end() : m.end() + 1] for m in re.finditer(re.escape(sync), data))
        sync += behind.most_common(1)[0][0] or b"\0"
    return sync


def _of_part(layout: Layout, i: int, j: int, part: Part) -> Iterator[Change]:
    where = place_of(layout, i, j)

    def change(line: str, other: Part, weight: int = 1) -> Change:
        exact = part.is_ != "samples"
        return Change(where, (line,), with_part(layout, i, j, other), weight, exact)

    if _has_order(part):
        order = _other(part.byte_order)
        yield change(f'byte_order = "{order}"', _turned(part, order))
    if part.is_ in _COUNTERS:
        for bits in _COUNTER_BITS:
            if bits != part.bits:
                wraps = bits if part.wraps_at_bits else 0
                other = replace(part, bits=bits, n_bytes=bits // 8, wraps_at_bits=wraps)
                yield change(f'type = "u{bits}"', other)
    if part.is_ == "length":
        for counts in _COUNTS:
            if counts != part.counts:
                yield change(f'counts = "{counts}"', replace(part, counts=counts))
    if part.is_ == "sequence" and len(layout.frames) > 1:
        line = f"shared = {str(not part.shared).lower()}"
        every = _all_parts(layout, lambda p: replace(p, shared=not part.shared) if p.is_ == "sequence" else p)
        yield Change("every sequence part", (line,), every, 1, True)
    if part.is_ == "ignored":
        for n in range(1, _LONGEST_INSERTED + 1):
            if n != part.count:
                yield change(f"count = {n}", replace(part, count=n, n_bytes=n))
    if part.is_ == "checksum":
        covers: Literal["frame", "after_sync"] = "frame" if part.covers == "after_sync" else "after_sync"
        if layout.frames[i].part("sync"):
            yield change(f'covers = "{covers}"', replace(part, covers=covers))
    if part.is_ == "samples":
        yield from _of_samples(layout, i, j, part)


def _of_samples(layout: Layout, i: int, j: int, part: Part) -> Iterator[Change]:
    where = place_of(layout, i, j)
    letter = _FORM_LETTERS[part.form]
    for other in (f"{letter}{bits}" for bits in _SAMPLE_BITS if bits != part.bits):
        yield Change(where, (f'type = "{other}"',), with_part(layout, i, j, _typed(part, other)))
    for form in ("u", "i", "o"):
        if form != letter:
            other = f"{form}{part.bits}"
            made = with_part(layout, i, j, _typed(part, other))
            yield Change(where, (f'type = "{other}"',), made, 1, True)
    arrangement: Literal["interleaved", "planar"]
    arrangement = "planar" if part.arrangement == "interleaved" else "interleaved"
    if len(part.channels) > 1:
        line = f'arrangement = "{arrangement}"'
        yield Change(where, (line,), with_part(layout, i, j, replace(part, arrangement=arrangement)))
    n_values = part.count * len(part.channels)
    for n in range(1, _MOST_CHANNELS + 1):
        if n != len(part.channels):
            line, made = with_channels(layout, i, j, n)
            yield Change(where, (line,), made)
            if n_values and n_values % n == 0:
                count = n_values // n
                both = with_part(made, i, j, replace(made.frames[i].parts[j], count=count))
                yield Change(where, (line, f"count = {count}"), both, 2)
    if part.count:
        for count in range(1, 4 * part.count + 33):
            if count != part.count:
                yield Change(
                    where, (f"count = {count}",), with_part(layout, i, j, replace(part, count=count))
                )


def _of_parts_more_or_fewer(layout: Layout, i: int, frame: Frame) -> Iterator[Change]:
    """Bytes that the layout forgot, a part that is not there, neighbours in the other order."""
    first = 1 if frame.parts[0].is_ == "sync" else 0
    for j in range(first, len(frame.parts) + (frame.parts[-1].is_ != "checksum")):
        before = (
            f"before the {nth(j, 'part', frame.parts[j].is_)[4:]}" if j < len(frame.parts) else "at the end"
        )
        for n in range(1, _LONGEST_INSERTED + 1):
            parts = (*frame.parts[:j], Part("ignored", n_bytes=n, count=n), *frame.parts[j:])
            lines = (f'[[frame.part]] is = "ignored" count = {n}',)
            where = f"{_of_kind(layout, i)}the parts, {before}"
            yield Change(where, lines, with_parts(layout, i, parts), 3)
    for j, part in enumerate(frame.parts):
        if part.is_ not in ("samples", "sync", "kind", "checksum"):
            parts = (*frame.parts[:j], *frame.parts[j + 1 :])
            yield Change(place_of(layout, i, j), ("no such part",), with_parts(layout, i, parts), 3)
    for j, (one, other) in enumerate(pairwise(frame.parts)):
        if one.is_ != "sync" and other.is_ != "checksum":
            parts = (*frame.parts[:j], other, one, *frame.parts[j + 2 :])
            lines = (f"{other.is_} before {one.is_}",)
            yield Change(f"{_of_kind(layout, i)}the parts", lines, with_parts(layout, i, parts), 2)


def place_of(layout: Layout, i: int, j: int) -> str:
    """A part in words: 'the 4th part, samples'; of several kinds of frame with the frame's name."""
    return _of_kind(layout, i) + nth(j, "part", layout.frames[i].parts[j].is_)


def _of_kind(layout: Layout, i: int) -> str:
    return f"frame '{layout.frames[i].name}', " if len(layout.frames) > 1 else ""


def with_parts(layout: Layout, i: int, parts: tuple[Part, ...]) -> Layout:
    """The layout whose kind of frame `i` has other parts."""
    frame = replace(layout.frames[i], parts=parts)
    return replace(layout, frames=(*layout.frames[:i], frame, *layout.frames[i + 1 :]))


def with_part(layout: Layout, i: int, j: int, part: Part) -> Layout:
    """The layout with another part `j` in kind of frame `i`."""
    parts = layout.frames[i].parts
    return with_parts(layout, i, (*parts[:j], part, *parts[j + 1 :]))


def with_channels(layout: Layout, i: int, j: int, n: int) -> tuple[str, Layout]:
    """The layout with `n` channels in a samples part, and the line that says so: last ones go or come."""
    part = layout.frames[i].parts[j]
    by_name = {channel.name: channel for channel in layout.channels}
    names = list(part.channels[:n])
    added = list[Channel]()
    while len(names) < n:
        new = next(name for k in range(1, 1000) if (name := f"channel_{k}") not in (*by_name, *names))
        added.append(replace(by_name[part.channels[-1]], name=new))
        names.append(new)
    gone = set(part.channels[n:])
    channels = (*(channel for channel in layout.channels if channel.name not in gone), *added)
    columns = tuple(names) if part.columns else ()
    other = with_part(layout, i, j, replace(part, channels=tuple(names), columns=columns))
    listed = ", ".join(f'"{name}"' for name in names)
    return f"channels = [{listed}]", replace(other, channels=channels)


def _typed(part: Part, number_type: str) -> Part:
    bits, form = NUMBER_TYPES[number_type]
    return replace(part, bits=bits, form=form)


def _has_order(part: Part) -> bool:
    return part.is_ not in ("sync", "ignored") and (part.n_bytes > 1 or part.bits > 8)


def _other(order: ByteOrder) -> ByteOrder:
    return "big" if order == "little" else "little"


def _turned(part: Part, order: ByteOrder) -> Part:
    return replace(part, byte_order=order) if _has_order(part) else part


def _all_parts(layout: Layout, of: Callable[[Part], Part]) -> Layout:
    frames = tuple(replace(frame, parts=tuple(of(part) for part in frame.parts)) for frame in layout.frames)
    return replace(layout, frames=frames)


def fixed_bytes(frame: Frame) -> int:
    """Bytes of a frame of that kind, 0 where they differ from frame to frame."""
    if any(not part.count for part in frame.all("samples")):
        return 0
    return sum(
        part.samples_bytes(part.count) if part.is_ == "samples" else part.n_bytes for part in frame.parts
    )
