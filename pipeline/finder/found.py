"""A layout found from nothing, and what peek says of a dump without one."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from pipeline.finder.build import anatomy, find_check, layouts_of, made
from pipeline.finder.files_found import layout_of_file
from pipeline.finder.fit import Fit, fit
from pipeline.finder.one_channel import with_one_channel
from pipeline.finder.packets import Pieces, cuts
from pipeline.finder.text_found import find_text
from pipeline.finder.toml import as_toml
from pipeline.frames.diagnose import looks_like_text
from pipeline.layouts import Layout
from pipeline.peek.words import n_of, printable

_HEAD_BYTES = 1 << 20
_SOUGHT_IN_BYTES = 1 << 16
_LEAST_FOUND = 0.5
_SURE = 0.97
_CLEARLY = 0.99
_WHERE_COUNTED = 0.97
_SHOWN_LINES = 3
_NOTHING_TOLD = 7.5


@dataclass(frozen=True)
class Found:
    """A layout, and how it fits the beginning of the dump; ``also`` names other checks that fit."""

    layout: Layout
    fit: Fit
    also: str = ""


def describe(dump: Path) -> Iterator[str]:
    """What a dump looks like, and a layout to begin with: lines that together are a layout file.

    Parameters
    ----------
    dump : Path
        A file that can be read.
    """
    with dump.open("rb") as source:
        head = source.read(_HEAD_BYTES)
    is_text = looks_like_text(head)
    kind = "lines of text" if is_text else "binary" if head else "empty"
    yield f"# {dump}: {n_of(dump.stat().st_size, 'byte')}, {kind}"
    found = find_layout(head)
    if found is None:
        yield from _nothing_found(head, is_text)
        return
    frames = {one.stream.frame.name: len(one.table) for one in found.fit.streams}
    read = f"{found.fit.share:.1%} of the first {n_of(len(head), 'byte')}"
    yield f"# read with the layout below: {read}, {n_of(sum(frames.values()), 'frame')}"
    yield "# a layout to begin with: save it as a file, put right what is marked as a guess, and peek again"
    yield "# with --layout FILE"
    yield from as_toml(found.layout, found.also)


def find_layout(head: bytes) -> Found | None:
    """The layout that leaves least of the beginning of a dump to be told; None where none fits."""
    if not head:
        return None
    of_file = layout_of_file(head)
    if of_file is not None:
        return Found(of_file, fit(of_file, head))
    if looks_like_text(head):
        layout = find_text(head)
        read = fit(layout, head) if layout else None
        return Found(layout, read) if layout and read and read.share > _LEAST_FOUND else None
    return _binary(head)


def _binary(head: bytes) -> Found | None:
    some = _written_part(head)
    best: tuple[Fit, Pieces] | None = None
    for pieces in cuts(some):
        read = _best_of(pieces, some)
        if read is not None and (best is None or read.bits < _CLEARLY * best[0].bits):
            best = (read, pieces)
            if _is_sure(read):
                break
    if best is None:
        return None
    layout = with_one_channel(fit(_with_kinds_between(best[0].layout, best[1], some), head))
    read = fit(layout, head)
    if read.share < _LEAST_FOUND or read.bits_per_byte > _NOTHING_TOLD:
        return None
    also = {name for i in range(len(layout.frames)) for name in _other_checks(read, layout, i)}
    return Found(layout, read, ", ".join(sorted(also)))


def _best_of(pieces: Pieces, data: bytes) -> Fit | None:
    """The layout of these pieces that leaves least to be told."""
    best: Fit | None = None
    for layout in layouts_of(pieces):
        read = fit(layout, data)
        if pieces.framing == "sync" and pieces.sector_bytes:
            in_sectors = fit(replace(layout, framing="sectors", sector_bytes=pieces.sector_bytes), data)
            read = in_sectors if in_sectors.bits < _CLEARLY * read.bits else read
        if best is None or _left(read) < _CLEARLY * _left(best):
            best = read
        if layout.frame.part("length") and _is_sure(read):
            break
    return best


def _left(read: Fit) -> float:
    """Bits left to be told, less a little where every kind of frame is counted: that is no chance."""
    counted = all(frame.part("sequence") is not None for frame in read.layout.frames)
    return read.bits * (_WHERE_COUNTED if counted else 1.0)


def _is_sure(read: Fit) -> bool:
    """Whether nearly all can be read, and something bears it out: then nothing else will do better.

    A check of two bytes or more does that, or a sequence beside ticks.
    """
    return read.share > _SURE and all(
        ((check := frame.part("checksum")) is not None and check.n_bytes > 1)
        or (frame.part("sequence") is not None and frame.part("ticks") is not None)
        for frame in read.layout.frames
    )


def _written_part(head: bytes) -> bytes:
    """A piece from where the fill ends with which a dump may begin; where sectors may begin, too."""
    at = len(head) - len(head.lstrip(b"\x00\xff"))
    at = at - at % 4096 if at >= 4096 else 0
    return head[at : at + _SOUGHT_IN_BYTES]


def _other_checks(read: Fit, layout: Layout, i: int) -> tuple[str, ...]:
    sync = layout.frames[i].part("sync")
    has_check = layout.frames[i].part("checksum") is not None
    return find_check(read.kept[i], len(sync.sync) if sync else 0)[1] if has_check and read.kept else ()


def _with_kinds_between(layout: Layout, pieces: Pieces, data: bytes) -> Layout:
    """Kinds of frame with sync bytes of their own, which stand between those of the layout."""
    if layout.framing != "sync":
        return layout
    for _ in range(3):
        read = fit(layout, data)
        more = _kind_between(read, layout, pieces, data)
        if more is None or fit(more, data).bits >= read.bits:
            return layout
        layout = more
    return layout


def _kind_between(read: Fit, layout: Layout, pieces: Pieces, data: bytes) -> Layout | None:
    """The layout with one more kind, of what stands most often between its frames."""
    spans = sorted(
        (int(at), int(n))
        for one in read.streams
        for at, n in zip(one.table.offset, one.table.n_bytes, strict=True)
    )
    gaps, reach = list[bytes](), 0
    for at, n in spans:
        if at > reach:
            gaps.append(data[reach:at])
        reach = max(reach, at + n)
    by_size = dict[int, list[bytes]]()
    for gap in gaps:
        by_size.setdefault(len(gap), []).append(gap)
    size, same = max(by_size.items(), key=lambda item: len(item[1]), default=(0, []))
    if len(same) < 8 or size < 4:
        return None
    rows = np.frombuffer(b"".join(same), dtype=np.uint8).reshape(-1, size)
    if not bool((rows[:, :2] == rows[0, :2]).all()):
        return None
    found = anatomy(rows, 2)
    if found is None or not (found.check or found.fields):
        return None  # the same words over and over
    sync = rows[0, :2].tobytes()
    if any(frame.parts[0].sync == sync for frame in layout.frames):
        return None
    one = made(pieces, [(found, None)])
    n = len(layout.channels)
    names = {channel.name: f"channel_{n + i + 1}" for i, channel in enumerate(one.channels)}
    parts = tuple(
        replace(part, channels=tuple(names[name] for name in part.channels)) for part in one.frame.parts
    )
    frame = replace(one.frame, name=f"kind_{len(layout.frames) + 1}", parts=parts)
    first = tuple(
        replace(own, name=f"kind_{i + 1}") if own.name == "frame" else own
        for i, own in enumerate(layout.frames)
    )
    channels = tuple(replace(channel, name=names[channel.name]) for channel in one.channels)
    return replace(layout, frames=(*first, frame), channels=(*layout.channels, *channels))


def _nothing_found(head: bytes, is_text: bool) -> Iterator[str]:
    if not head:
        return
    yield "# no layout was found that fits: no bytes come back at a regular distance, or no columns"
    lines = head.splitlines() if is_text else [head[:32]]
    for line in lines[:_SHOWN_LINES]:
        yield f"# | {printable(line) if is_text else line.hex(' ').upper()}"
    framing = "text" if is_text else "sync"
    yield (
        f"# A layout with framing = '{framing}' may be needed: 'sessiongate new FOLDER' writes one to fill "
        "in, then peek again with --layout FILE."
    )
