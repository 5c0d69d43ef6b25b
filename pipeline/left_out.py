"""Where the bytes of a dump stand that no frame took, and where frames are missing: the first few of each."""

import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from pipeline.frames import Frames
from pipeline.frames.checksum import Bytes
from pipeline.frames.diagnose import columns_of
from pipeline.frames.fields import cut_lines, read_fields, trim_lines
from pipeline.frames.leftover import PADDING_RUN
from pipeline.frames.lines import LineForm, line_form
from pipeline.glimpse import printable
from pipeline.layouts import Layout
from pipeline.timebase import Grid

_SHOWN = 5
_EXCERPT_BYTES = 24
_EXCERPT_CHARACTERS = 60
_LONGEST_LOOKED_AT = 1 << 16
_HEAD_BYTES = 1 << 20
_PADDING = re.compile(rb"(?:\x00{%d,}|\xff{%d,})+" % (PADDING_RUN, PADDING_RUN))


def stretches_left_out(dump: Path, frames: Frames) -> Iterator[str]:
    """A line for each of the first stretches of the only dump that are damaged or unrecognised."""
    layout, n_shown = frames.layout, 0
    gaps = _gaps(frames)
    with dump.open("rb") as source:
        form = None
        if layout.framing == "text":
            form = columns_of(line_form(layout), str(dump), source.read(_HEAD_BYTES))
        for start, stop in gaps:
            source.seek(start)
            data = source.read(min(stop - start, _LONGEST_LOOKED_AT))
            for line in _lines_in(data, start, form) if form else _bytes_in(data, start, stop, layout):
                if n_shown == _SHOWN:
                    yield "              ..."
                    return
                n_shown += 1
                yield line


def losses(dump: Path, grid: Grid) -> Iterator[str]:
    """A line for each of the first stretches of frames that are missing, with the frame behind it."""
    table = grid.frames.table
    stops = grid.start_row + table.n_samples[grid.placed]
    missing = grid.start_row[1:] - stops[:-1]
    which = np.flatnonzero(missing > 0)
    for k in which[:_SHOWN].tolist():
        frame = int(grid.placed[k + 1])
        at_s = float(grid.clock.time_s(stops[k : k + 1])[0])
        place = _place(dump, int(table.offset[frame]), grid.frames.layout)
        number = f", sequence {int(table.sequence[frame])}" if table.sequence[frame] >= 0 else ""
        what = _count(int(missing[k]), "sample")
        yield f"  lost        {what} at {at_s:.3f} s, before the frame at {place}{number}"
    if len(which) > _SHOWN:
        yield f"              and {len(which) - _SHOWN} more such stretches"


def _gaps(frames: Frames) -> Iterator[tuple[int, int]]:
    table = frames.table
    ends = table.offset + table.n_bytes
    starts = np.concatenate((np.zeros(1, dtype=np.int64), ends))
    stops = np.append(table.offset, frames.dumps[0].n_bytes)
    for i in np.flatnonzero(stops > starts):
        yield int(starts[i]), int(stops[i])


def _bytes_in(data: bytes, start: int, stop: int, layout: Layout) -> Iterator[str]:
    """The stretch in words, unless it is padding; what stands before a sync pattern apart from it."""
    if not _PADDING.sub(b"", data):
        return
    erased = _PADDING.match(data)
    begin, sync = erased.end() if erased else 0, layout.frame.part("sync")
    at = data.find(sync.sync, begin) if sync else -1
    if at != begin:
        end = at if at > 0 else stop - start
        yield _excerpt("unrecognised", data[begin:end], start + begin, start + end)
    if at >= 0:
        yield _excerpt("damaged", data[at:], start + at, stop)


def _excerpt(kind: str, data: bytes, start: int, stop: int) -> str:
    more = " ..." if stop - start > _EXCERPT_BYTES else ""
    shown = data[:_EXCERPT_BYTES].hex(" ").upper()
    return f"  {kind:<12}  {_count(stop - start, 'byte')} from byte {start}: {shown}{more}"


def _count(n: int, what: str) -> str:
    return f"{n:,} {what}{'' if n == 1 else 's'}"


def _lines_in(data: bytes, start: int, form: LineForm) -> Iterator[str]:
    """Each line of the stretch in words, unless it is blank, a comment or the header."""
    block: Bytes = np.frombuffer(data, dtype=np.uint8)
    lines = trim_lines(block, cut_lines(block, True, True)[0], form.blank, start == 0)
    fields = read_fields(block, lines, form)
    for i in np.flatnonzero(
        (lines.content_stops > lines.content_starts) & ~fields.is_comment & ~fields.is_header
    ).tolist():
        kind = "damaged" if fields.recognised[i] or fields.good[i] else "unrecognised"
        content = data[int(lines.content_starts[i]) : int(lines.content_stops[i])]
        place = start + int(lines.starts[i])
        yield f"  {kind:<12}  line at byte {place}: {printable(content, _EXCERPT_CHARACTERS)}"


def _place(dump: Path, offset: int, layout: Layout) -> str:
    if layout.framing != "text":
        return f"byte {offset}"
    n_lines, left = 1, offset
    with dump.open("rb") as source:
        while left and (data := source.read(min(left, 1 << 20))):
            n_lines += data.count(b"\n") or data.count(b"\r")
            left -= len(data)
    return f"line {n_lines} (byte {offset})"
