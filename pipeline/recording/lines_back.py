"""The way back for text: how lines are spelt beside their numbers, and the lines again."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from pipeline.frames.room import blocks_of, mapped, taken
from pipeline.layouts import Layout, Stream
from pipeline.recording.account import Bytes, Ints
from pipeline.recording.learning import columns_in, learn, split_line
from pipeline.recording.spelling import Spelling, Words, write_lines

if TYPE_CHECKING:
    from pipeline.timebase import Grid

_LEARNT_FROM = 256
_LEARNT_TOGETHER = 16
_LINES_AT_ONCE = 1 << 14
_HEAD_BYTES = 1 << 20
_MOST_KEPT_BYTES = 1 << 22
_LONGEST_LINE = 1 << 16


@dataclass(frozen=True)
class Spelt:
    """How the placed lines of a grid are written.

    Attributes
    ----------
    spellings : dict
        Dump index -> how its lines are written.
    kept : int8, shape (n,)
        1 where a line is written otherwise and was kept, 2 where it is and was not.
    lines : bytes
        Kept lines, end to end.
    others : list of bytes
        Words of each column that no part gives a meaning to, one a line.
    """

    spellings: dict[int, Spelling]
    kept: npt.NDArray[np.int8]
    lines: bytes
    others: list[bytes]

    def facts(self) -> dict[str, Any]:
        """What is no column and no blob."""
        return {
            "spellings": {str(dump): spelling.facts() for dump, spelling in self.spellings.items()},
            "spelt_otherwise": sum(int(np.count_nonzero(self.kept[b])) for b in blocks_of(len(self.kept))),
        }


def spelt_lines(grid: "Grid", paths: Sequence[Path], most_bytes: int) -> Spelt | None:
    """Hold what is known of each placed line against the dumps.

    Parameters
    ----------
    grid : Grid
        Of a layout with framing 'text'.
    paths : sequence of Path
        The dumps, by their index in the frame table.
    most_bytes : int
        Of words that no part gives a meaning to; None is returned where there are more.
    """
    table, placed, frames = grid.frames.table, grid.placed, grid.frames
    dumps = [_mapped(path) for path in paths]
    spellings = _learnt(grid, dumps)
    kept, lines, n_kept = table.room.zeros(len(placed), np.int8), list[bytes](), 0
    n_others = max((sum(f.role == "other" for f in s.fields) for s in spellings.values()), default=0)
    others, n_words = [list[bytes]() for _ in range(n_others)], 0
    for block in blocks_of(len(placed), _LINES_AT_ONCE):
        start, which = block.start, placed[block]
        values = _values(grid, which)
        for i in _parts(table.dump[which]):
            spelling = spellings[int(table.dump[which[i][0]])]
            mine = which[i]
            raw, at = _raw(dumps[int(table.dump[mine[0]])], table.offset[mine], table.n_bytes[mine])
            counters = {"sequence": table.sequence, "ticks": table.ticks, "received": table.received}
            own = _other_words(spelling, frames.layout, raw, at)
            words = Words({name: column[mine] for name, column in counters.items()}, values[i], own)
            differs = _differs(spelling, words, raw, at)
            for j in np.flatnonzero(differs).tolist():
                line = raw[at[j] : at[j + 1]].tobytes()
                n_kept += len(line)
                kept[start + i[j]] = 1 if n_kept <= _MOST_KEPT_BYTES else 2
                lines += [line] if n_kept <= _MOST_KEPT_BYTES else []
            for column, more in zip(others, own, strict=False):
                column.append(b"\n".join(more))
                n_words += len(column[-1])
            if n_words > most_bytes:
                return None
    return Spelt(spellings, kept, b"".join(lines), [b"\n".join(column) for column in others])


def _mapped(path: Path) -> Bytes:
    there = path.is_file() and path.stat().st_size > 0  # of several dumps, one may be missing
    return mapped(path) if there else np.zeros(0, np.uint8)


def _parts(dump: npt.NDArray[np.integer]) -> Iterator[Ints]:
    """Indices of neighbouring entries of one dump, run by run."""
    cuts = np.flatnonzero(np.diff(dump)) + 1
    yield from np.split(np.arange(len(dump)), cuts)


def _learnt(grid: "Grid", dumps: Sequence[Bytes]) -> dict[int, Spelling]:
    """How each dump writes its lines, by some of them from its beginning to its end."""
    table, layout, stream = grid.frames.table, grid.frames.layout, grid.frames.stream
    spellings, header = dict[int, Spelling](), list[str]()
    for dump, some in _some_of_each(grid).items():
        header = _header(stream, layout, dumps[dump][:_HEAD_BYTES].tobytes()) or header
        offset, n_bytes, lines = taken(table.offset, some), taken(table.n_bytes, some), list[bytes]()
        # the kernel may map 2 MB around each line of a dump
        for block in blocks_of(len(some), _LEARNT_TOGETHER):
            spans = zip(offset[block].tolist(), n_bytes[block].tolist(), strict=True)
            lines += [dumps[dump][at : at + n].tobytes() for at, n in spans]
        spellings[dump] = learn(layout, columns_in(stream, header), lines)
    return spellings


def _some_of_each(grid: "Grid") -> dict[int, Ints]:
    """Of each dump some of its placed lines, from its beginning to its end."""
    table, placed = grid.frames.table, grid.placed
    n_of = np.zeros(len(grid.frames.dumps), dtype=np.int64)
    for block in blocks_of(len(placed)):
        n_of += np.bincount(table.dump[placed[block]], minlength=len(n_of))
    dumps = np.flatnonzero(n_of).tolist()
    wanted = {i: np.unique(np.linspace(0, n_of[i] - 1, _LEARNT_FROM).astype(np.int64)) for i in dumps}
    some, n_before = {i: list[Ints]() for i in dumps}, dict.fromkeys(dumps, 0)
    for block in blocks_of(len(placed)):
        dump = table.dump[placed[block]]
        for i in np.unique(dump).tolist():
            mine = placed[block][dump == i]
            at = wanted[i] - n_before[i]
            some[i].append(mine[at[(at >= 0) & (at < len(mine))]])
            n_before[i] += len(mine)
    return {i: np.concatenate(lines) for i, lines in some.items()}


def _header(stream: Stream, layout: Layout, head: bytes) -> list[str]:
    """The names in the line that names the columns; none where there is no such line."""
    if layout.text is None or not layout.text.header:
        return []
    wanted = {name for part in stream.frame.parts if part.is_ != "ignored" for name in part.columns}
    delimiter = {"tab": "\t", "blanks": " "}.get(layout.text.delimiter, layout.text.delimiter)
    for line in head.decode("utf-8", errors="replace").replace("\r", "\n").split("\n"):
        words = split_line(line.strip("\ufeff\0 \t"), delimiter, layout.text.delimiter == "blanks")[0]
        names = [word.strip().strip("\"'").strip() for word in words]
        if wanted <= set(names):
            return names
    return []


def _values(grid: "Grid", which: Ints) -> Ints:
    """The counts of frames of one size, int64 of shape (frames, rows * channels)."""
    table, spool = grid.frames.table, grid.frames.counts
    if not len(which):
        return np.zeros((0, 0), dtype=np.int64)
    first, n_rows = table.first_row[which], int(table.n_samples[which[0]])
    low, high = int(first.min()), int(first.max()) + n_rows
    if high - low > 4 * len(which) * n_rows:
        rows = np.concatenate([spool.read(at, at + n_rows) for at in first.tolist()])
    else:
        rows = spool.read(low, high)[(first[:, np.newaxis] - low + np.arange(n_rows)).reshape(-1)]
    return rows.reshape(len(which), -1).astype(np.int64)


def _raw(dump: Bytes, offset: Ints, n_bytes: npt.NDArray[np.integer]) -> tuple[Bytes, Ints]:
    """The lines as they stand in the dump, end to end, and where each begins (and the last one ends)."""
    at = np.concatenate((np.zeros(1, dtype=np.int64), np.cumsum(n_bytes)))
    if int(offset[-1] + n_bytes[-1] - offset[0]) == int(at[-1]) and bool(np.all(np.diff(offset) >= 0)):
        return np.asarray(dump[int(offset[0]) : int(offset[0]) + int(at[-1])]), at
    index = np.arange(int(at[-1])) + np.repeat(offset - at[:-1], n_bytes)
    return np.asarray(dump[index]), at


def _other_words(spelling: Spelling, layout: Layout, raw: Bytes, at: Ints) -> list[list[bytes]]:
    columns = [i for i, f in enumerate(spelling.fields) if f.role == "other"]
    if not columns or layout.text is None:
        return []
    any_blanks, words = layout.text.delimiter == "blanks", [list[bytes]() for _ in columns]
    for start, stop in zip(at[:-1].tolist(), at[1:].tolist(), strict=True):
        line = raw[start:stop].tobytes().decode("latin-1")
        split = split_line(line, spelling.delimiter, any_blanks)[0]
        for column, i in zip(words, columns, strict=True):
            column.append(split[i].encode("latin-1") if i < len(split) else b"")
    return words


def _differs(spelling: Spelling, words: Words, raw: Bytes, at: Ints) -> npt.NDArray[np.bool_]:
    """Which lines the spelling does not give back byte for byte."""
    made = write_lines(spelling, words)
    sizes, n_bytes = made.stops - made.starts, np.diff(at)
    differs = np.asarray(sizes != n_bytes)
    if not np.any(differs):
        wrong = np.flatnonzero(made.flat != raw)
        differs[np.searchsorted(at, wrong, side="right") - 1] = True
        return differs
    same = np.flatnonzero(~differs)
    ends = np.cumsum(sizes[same])
    within = np.arange(int(ends[-1]) if len(ends) else 0) - np.repeat(ends - sizes[same], sizes[same])
    line = np.repeat(same, sizes[same])
    wrong = made.flat[made.starts[line] + within] != raw[at[line] + within]
    differs[line[wrong]] = True
    return differs
