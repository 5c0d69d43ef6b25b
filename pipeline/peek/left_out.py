"""Where the bytes of a dump stand that no frame took, and where frames are missing: the first few of each."""

import re
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt

from pipeline.frames import Frames
from pipeline.frames.leftover import PADDING_RUN
from pipeline.layouts import Layout
from pipeline.peek.words import n_of, printable
from pipeline.timebase import Grid, JoinedGrid

_SHOWN = 5
_EXCERPT_BYTES = 24
_EXCERPT_CHARACTERS = 60
_LONGEST_LOOKED_AT = 1 << 16
_PADDING = re.compile(rb"(?:\x00{%d,}|\xff{%d,})+" % (PADDING_RUN, PADDING_RUN))
_NUMBER = re.compile(rb"[+-]?\d+(?:[.,]\d*)?")
_DELIMITERS = {"tab": b"\t", "blanks": None}


def stretches_left_out(dump: Path, streams: Sequence[Frames]) -> Iterator[str]:
    """A line for each of the first stretches of the only dump that are damaged or unrecognised."""
    layout, n_shown = streams[0].layout, 0
    if layout.framing in ("wav", "edf"):
        return
    with dump.open("rb") as source:
        for start, stop in _gaps(streams):
            source.seek(start)
            data = source.read(min(stop - start, _LONGEST_LOOKED_AT))
            is_text = layout.framing == "text"
            for line in _lines_in(data, start, layout) if is_text else _bytes_in(data, start, stop, layout):
                if n_shown == _SHOWN:
                    yield "              ..."
                    return
                n_shown += 1
                yield line


def losses(dump: Path, grids: Sequence[Grid | JoinedGrid]) -> Iterator[str]:
    """A line for each of the first stretches of frames that are missing, with the frame behind it."""
    told = set[str]()
    parts = [part for grid in grids for part in grid.parts]
    several = len({part.frames.stream.frame.name for part in parts}) > 1
    for part in parts:
        name = part.frames.stream.frame.name
        # streams of one kind of frame lose the same frames
        if name not in told:
            yield from _losses(dump, part, f"'{name}' " if several else "")
        told.add(name)


def _losses(dump: Path, grid: Grid, of: str) -> Iterator[str]:
    table = grid.frames.table
    stops = grid.start_row + table.n_samples[grid.placed]
    missing = grid.start_row[1:] - stops[:-1]
    which = np.flatnonzero(missing > 0)
    for k in which[:_SHOWN].tolist():
        frame = int(grid.placed[k + 1])
        at_s = float(grid.clock.time_s(stops[k : k + 1])[0])
        place = _place(dump, int(table.offset[frame]), grid.frames.layout)
        number = f", sequence {int(table.sequence[frame])}" if table.sequence[frame] >= 0 else ""
        what = n_of(int(missing[k]), "sample")
        yield f"  lost        {what} at {at_s:.3f} s, before the {of}frame at {place}{number}"
    if len(which) > _SHOWN:
        yield f"              and {len(which) - _SHOWN} more such stretches"


def _gaps(streams: Sequence[Frames]) -> Iterator[tuple[int, int]]:
    """Stretches of the dump between the frames of all kinds."""
    offset = np.concatenate([frames.table.offset for frames in streams])
    ends = np.concatenate([frames.table.offset + frames.table.n_bytes for frames in streams])
    order = np.argsort(offset, kind="stable")
    reach = np.maximum.accumulate(ends[order]) if len(order) else ends
    starts: npt.NDArray[np.int64] = np.concatenate((np.zeros(1, dtype=np.int64), reach))
    stops = np.append(offset[order], streams[0].dumps[0].n_bytes)
    for i in np.flatnonzero(stops > starts):
        yield int(starts[i]), int(stops[i])


def _bytes_in(data: bytes, start: int, stop: int, layout: Layout) -> Iterator[str]:
    """The stretch in words, unless it is padding; what stands before a sync pattern apart from it."""
    delimiters = {"cobs": b"\0", "slip": b"\xc0"}.get(layout.framing, b"")
    is_fill = layout.framing == "sectors" and not (data.strip(b"\xff") and data.strip(b"\0"))
    if is_fill or not _PADDING.sub(b"", data).strip(delimiters):
        return
    erased = _PADDING.match(data)
    begin = erased.end() if erased else 0
    if layout.framing in ("cobs", "slip"):
        yield _excerpt("no frame", data[begin:], start + begin, stop)
        return
    patterns = {frame.parts[0].sync for frame in layout.frames if frame.parts[0].sync}
    found = [place for sync in patterns if (place := data.find(sync, begin)) >= 0]
    at = min(found, default=-1)
    if at != begin:
        end = at if at > 0 else stop - start
        yield _excerpt(
            "unrecognised" if patterns else "no frame", data[begin:end], start + begin, start + end
        )
    if at >= 0:
        yield _excerpt("damaged", data[at:], start + at, stop)


def _excerpt(kind: str, data: bytes, start: int, stop: int) -> str:
    more = " ..." if stop - start > _EXCERPT_BYTES else ""
    shown = data[:_EXCERPT_BYTES].hex(" ").upper()
    return f"  {kind:<12}  {n_of(stop - start, 'byte')} from byte {start}: {shown}{more}"


def _lines_in(data: bytes, start: int, layout: Layout) -> Iterator[str]:
    """Each line of the stretch in words, unless it is blank, a comment or the header."""
    if layout.text is None:
        return
    comment = layout.text.comment.encode()
    names = {name.encode() for frame in layout.frames for part in frame.parts for name in part.columns}
    at = start
    for line in re.split(rb"(?<=\n)|(?<=\r)(?!\n)", data):
        content = line.strip(b"\0\xff \t\r\n").removeprefix(b"\xef\xbb\xbf")
        words = [word.strip(b" \t\"'") for word in content.split(_delimiter(layout.text.delimiter))]
        is_header = layout.text.header and names <= set(words)
        if content and not is_header and not (comment and content.startswith(comment)):
            n_numbers = sum(_NUMBER.fullmatch(word) is not None for word in words)
            kind = "damaged" if 2 * n_numbers >= len(words) else "unrecognised"
            yield f"  {kind:<12}  line at byte {at}: {printable(content, _EXCERPT_CHARACTERS)}"
        at += len(line)


def _delimiter(name: str) -> bytes | None:
    return _DELIMITERS[name] if name in _DELIMITERS else name.encode()


def _place(dump: Path, offset: int, layout: Layout) -> str:
    if layout.framing != "text":
        return f"byte {offset}"
    n_lines, left = 1, offset
    with dump.open("rb") as source:
        while left and (data := source.read(min(left, 1 << 20))):
            n_lines += data.count(b"\n") or data.count(b"\r")
            left -= len(data)
    return f"line {n_lines} (byte {offset})"
