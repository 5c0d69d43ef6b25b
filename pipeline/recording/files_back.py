"""The way back for WAV and EDF: rows and records as these formats write them.

What the layout has no channel for (other signals, annotations) is kept beside the samples as it stood. Where
it stands is read off the header here once more, so that readers and the way back do not share their mistakes.
Sources: IBM and Microsoft 1991 for RIFF and RIFX; Kemp et al. 1992 for the header of EDF.
"""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.layouts import Channel, Layout
from pipeline.recording.account import Bytes, Ints

if TYPE_CHECKING:
    from pipeline.timebase.grid import Grid

_FIXED_BYTES = 256
_LABEL_BYTES = 16
_COUNTS_AT = 216
_COUNT_BYTES = 8
_MIDPOINT = 128


def of_files(grid: "Grid", paths: Sequence[Path], most_bytes: int) -> tuple[list[Any], bytes | None]:
    """For each dump how its numbers are written; and what the layout has no channel for, frame by frame.

    Of WAV the former is the byte order; of EDF the channel and the samples of each signal of a record, where
    the name is empty for those without a channel. The latter is None where it is more than `most_bytes`.
    """
    if grid.frames.layout.framing == "wav":
        return [_order(path) for path in paths], b""
    signals = [_signals(path, grid.frames.layout) if path.is_file() else [] for path in paths]
    return signals, _passed_over(grid, paths, signals, most_bytes) if _is_main(grid) else b""


def _order(path: Path) -> str:
    with path.open("rb") as source:
        return "big" if source.read(4) == b"RIFX" else "little"


def _signals(path: Path, layout: Layout) -> list[tuple[str, int]]:
    with path.open("rb") as source:
        fixed = source.read(_FIXED_BYTES)
        n = int(fixed[252:256])
        head = source.read(n * _FIXED_BYTES)
    labels = [head[_LABEL_BYTES * i :][:_LABEL_BYTES].decode("latin-1").strip() for i in range(n)]
    sizes = [int(head[_COUNTS_AT * n + _COUNT_BYTES * i :][:_COUNT_BYTES]) for i in range(n)]
    by_label = dict[str, list[str]]()
    for channel in layout.channels:
        by_label.setdefault(channel.label or channel.name, []).append(channel.name)
    # of equal labels each channel takes its own, in order
    names = [by_label[label].pop(0) if by_label.get(label) else "" for label in labels]
    return list(zip(names, sizes, strict=True))


def _is_main(grid: "Grid") -> bool:
    main = grid.frames.layout.main.channels
    return [channel.name for channel in grid.channels] == [channel.name for channel in main]


def _passed_over(
    grid: "Grid", paths: Sequence[Path], signals: Sequence[list[tuple[str, int]]], most_bytes: int
) -> bytes | None:
    """The bytes of the signals without a channel, record by record."""
    table, pieces = grid.frames.table, list[bytes]()
    dump = table.dump[grid.placed]
    sizes = np.array([sum(2 * n for name, n in own if not name) for own in signals], dtype=np.int64)
    if int(sizes[dump].sum()) > most_bytes:
        return None
    for which in np.split(np.arange(len(dump)), np.flatnonzero(np.diff(dump)) + 1):
        i = int(dump[which[0]])
        at = np.flatnonzero(np.repeat([not name for name, _ in signals[i]], [2 * n for _, n in signals[i]]))
        if len(at):
            file = np.memmap(paths[i], np.uint8, "r")
            offset = table.offset[grid.placed[which]]
            pieces.append(file[offset[:, np.newaxis] + at].tobytes())
    return b"".join(pieces)


def wav_rows(counts: Ints, n_bytes: int, order: str, channels: Sequence[Channel]) -> Bytes:
    """Rows as a WAV file has them: from counts of shape (n, rows, channels), uint8 of shape (n, bytes)."""
    if n_bytes == 1:
        # codes of 8 bits are unsigned; end codes of 0 and more speak of them as they stand
        counts = counts + np.array([0 if channel.adc_min >= 0 else _MIDPOINT for channel in channels])
    wide = counts.astype("<i8")[..., np.newaxis].view(np.uint8)[..., :n_bytes]
    return (wide[..., ::-1] if order == "big" else wide).reshape(len(counts), -1)


def edf_records(signals: Sequence[tuple[str, int]], counts: Mapping[str, Ints], passed_over: Bytes) -> Bytes:
    """Records as an EDF file has them, uint8 of shape (n, bytes).

    Parameters
    ----------
    signals : sequence of (channel, samples)
        In the file's order.
    counts : mapping
        Channel -> int64, shape (n, samples).
    passed_over : uint8, shape (n, k)
        Bytes of the signals without a channel.
    """
    pieces, at = list[Bytes](), 0
    for name, n_samples in signals:
        if name:
            pieces.append(counts[name].astype("<i2").view(np.uint8).reshape(len(passed_over), -1))
        else:
            pieces.append(passed_over[:, at : at + 2 * n_samples])
            at += 2 * n_samples
    return np.concatenate(pieces, axis=1)
