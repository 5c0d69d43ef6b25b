"""Where the frames of a recording stand in its dumps, and the dump again with some of its bytes changed."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import numpy as np

from pipeline.recording import Recording
from pipeline.recording.account import Ints, unpacked
from pipeline.recording.recording import FRAMES
from pipeline.timebase.sequence import Floats

_COPY_BYTES = 1 << 20


@dataclass(frozen=True)
class Places:
    """Frames with samples, each once, in the order of dump and offset; all arrays of one length.

    Attributes
    ----------
    dump : int64
        Index among the session's dumps.
    offset, n_bytes : int64
        Where the frame stands in the dump.
    start_s, stop_s : float64
        When its samples were taken, from the session's first.
    """

    dump: Ints
    offset: Ints
    n_bytes: Ints
    start_s: Floats
    stop_s: Floats

    def __len__(self) -> int:
        return len(self.dump)


@dataclass(frozen=True)
class Edit:
    """Bytes [start, stop) of a dump are to be `data`."""

    dump: int
    start: int
    stop: int
    data: bytes


def places_of(recordings: Sequence[Recording]) -> Places:
    """The places of all frames by what the files of samples say of them; none where they say nothing."""
    columns: list[list[Ints | Floats]] = []
    for recording in recordings:
        accounts = [text for key, text in recording.metadata.items() if key.startswith(FRAMES)]
        for account in map(unpacked, accounts):
            own = account.columns
            offset = np.cumsum(own["skipped"] + own["n_bytes"]) - own["n_bytes"]
            row = np.cumsum(own["lost"] + own["n_rows"]) - own["n_rows"]
            start_s = recording.clock.time_s(row)
            stop_s = start_s + own["n_rows"] / recording.sample_hz
            columns.append([own["dump"], offset, own["n_bytes"], start_s, stop_s])
    if not columns:
        nothing, never = np.zeros(0, np.int64), np.zeros(0)
        return Places(nothing, nothing, nothing, never, never)
    dump, offset, n_bytes, start_s, stop_s = (np.concatenate(parts) for parts in zip(*columns, strict=True))
    # frames that carry several rates have an account in the file of each
    _, first = np.unique((dump.astype(np.int64) << 48) + offset.astype(np.int64), return_index=True)
    whole = dump[first].astype(np.int64), offset[first].astype(np.int64), n_bytes[first].astype(np.int64)
    return Places(*whole, start_s[first], stop_s[first])


def apply(edits: Iterable[Edit], sources: Sequence[Path], targets: Sequence[Path]) -> None:
    """Write each dump again with its edits, which must not overlap; all other bytes are the source's.

    Raises
    ------
    ValueError
        Where edits overlap.
    """
    ordered = sorted(edits, key=lambda edit: (edit.dump, edit.start, edit.stop))
    for dump, (source, target) in enumerate(zip(sources, targets, strict=True)):
        target.parent.mkdir(parents=True, exist_ok=True)
        with source.open("rb") as given, target.open("wb") as made:
            at = 0
            for edit in (edit for edit in ordered if edit.dump == dump):
                if edit.start < at:
                    raise ValueError(f"{source}: edits overlap at byte {edit.start}")
                _copy(given, made, edit.start - at)
                made.write(edit.data)
                given.seek(edit.stop)
                at = edit.stop
            _copy(given, made, source.stat().st_size - at)


def _copy(given: IO[bytes], made: IO[bytes], n_bytes: int) -> None:
    while n_bytes > 0:
        piece = given.read(min(n_bytes, _COPY_BYTES))
        if not piece:
            return
        made.write(piece)
        n_bytes -= len(piece)
