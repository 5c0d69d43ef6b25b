"""What can happen to a dump on its way, and whether what is read back was ever written."""

import random
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from cases import streams_by_kind
from encode import Encoded
from file_cases import HEADER

from pipeline.frames import Frames, Reading
from pipeline.layouts import Layout

MOVING = ("lose", "repeat", "swap", "cut", "pad")
"""What no check is needed for: frames stay as they are, or lack their end."""

CHANGING = ("flip", "burst", "insert", "extreme", "splice", "noise")
"""What changes bytes of a frame."""

ACTIONS = MOVING + CHANGING

IN_PLACE = ("lose", "repeat", "swap", "flip", "burst", "extreme", "noise")
"""What leaves every frame that is still there as long as it was."""

_EXTREMES = (b"\xff\xff\xff\xff", b"\x00\x00\x00\x00", b"\x7f\xff\xff\xff", b"\xff\xff\xff\x7f", b"\x80\x00")


def harmed(frame: bytes, action: str, rng: random.Random, other: bytes = b"") -> bytes:
    """A frame after one of `ACTIONS`; `other` is where a splice takes its end from."""
    at = rng.randrange(len(frame)) if frame else 0
    if action == "lose":
        return b""
    if action == "flip":
        return frame[:at] + bytes([frame[at] ^ (1 << rng.randrange(8))]) + frame[at + 1 :]
    if action == "burst":
        n = rng.randint(1, 8)
        return (frame[:at] + rng.randbytes(n) + frame[at + n :])[: len(frame)]
    if action == "insert":
        return frame[:at] + rng.randbytes(rng.randint(1, 40)) + frame[at:]
    if action == "cut":
        return frame[:at]
    if action == "repeat":
        return frame + frame
    if action == "pad":
        return frame + bytes([rng.choice((0, 255))]) * rng.randint(1, 60)
    if action == "extreme":  # counters and lengths stand near the beginning
        at, word = rng.randrange(min(len(frame), 16)), rng.choice(_EXTREMES)[: rng.choice((1, 2, 4))]
        return (frame[:at] + word + frame[at + len(word) :])[: len(frame)]
    if action == "splice":
        return frame[:at] + other[at:]
    if action == "noise":  # the beginning stays, so that a reader looks at it
        return frame[: min(8, at)] + rng.randbytes(len(frame) - min(8, at))
    return frame


def mixed(frames: Sequence[bytes], actions: Sequence[str], rng: random.Random) -> bytes:
    """Frames one after the other, to each of which one of the actions happens; "keep" leaves it."""
    pieces = list[bytes]()
    for i, (frame, action) in enumerate(zip(frames, actions, strict=False)):
        if action == "swap":
            pieces.append(frame)
            pieces[-2:] = pieces[:-3:-1]
        else:
            pieces.append(harmed(frame, action, rng, frames[i - 1]) if action != "keep" else frame)
    return b"".join(pieces)


@dataclass
class Planted:
    """What was written, so that what is read can be looked up in it.

    ``firsts``, ``sizes``: for each stream where the rows of each frame of its kind begin in ``rows``, and how
    many they are.
    """

    layout: Layout
    encoded: Sequence[Encoded]
    rows: list[np.ndarray] = field(init=False)
    firsts: list[np.ndarray] = field(init=False)
    sizes: list[np.ndarray] = field(init=False)

    def __post_init__(self) -> None:
        n = len(self.layout.streams)
        blocks: list[list[np.ndarray]] = [[] for _ in range(n)]
        for frame in self.encoded:
            if frame.kind == HEADER:
                continue
            for stream, rows in zip(streams_by_kind(self.layout)[frame.kind], frame.counts, strict=True):
                blocks[stream].append(rows)
        self.sizes = [np.array([len(rows) for rows in block], dtype=np.int64) for block in blocks]
        self.firsts = [np.cumsum(size) - size for size in self.sizes]
        self.rows = [np.concatenate(block) if block else np.zeros((0, 1), int) for block in blocks]
        self._lookups = [self._lookup(kind) for kind in range(len(self.layout.frames))]

    def _lookup(self, kind: int) -> dict[tuple[int, int, int], int]:
        mine = [frame for frame in self.encoded if frame.kind == kind]
        frame = self.layout.frames[kind]
        has = [frame.part(is_) is not None for is_ in ("sequence", "ticks", "received")]  # type: ignore[arg-type]
        return {
            tuple(
                value if there else -1
                for value, there in zip((f.sequence, f.ticks, f.received), has, strict=True)
            ): i
            for i, f in enumerate(mine)
        }

    def escapes(self, reading: Reading) -> int:
        """Decoded frames that were never written: counters unknown, or other counts under them."""
        return sum(int(self.strange(i, frames).sum()) for i, frames in enumerate(reading.streams))

    def indices(self, stream: int, frames: Frames) -> np.ndarray:
        """Which of the written frames each decoded one is, by its counters; -1 for none."""
        kind = self.layout.frames.index(self.layout.streams[stream].frame)
        lookup, table = self._lookups[kind], frames.table
        counters = zip(table.sequence.tolist(), table.ticks.tolist(), table.received.tolist(), strict=True)
        return np.array([lookup.get(counter, -1) for counter in counters], dtype=np.int64)

    def strange(self, stream: int, frames: Frames) -> np.ndarray:
        """Whether each decoded frame is none of those written."""
        table, which = frames.table, self.indices(stream, frames)
        bad = which < 0
        safe = np.maximum(which, 0)
        if not len(table) or not len(self.sizes[stream]):
            return np.ones(len(table), dtype=bool)
        bad |= self.sizes[stream][safe] != table.n_samples
        good = np.flatnonzero(~bad)
        n = table.n_samples[good]
        within = np.arange(int(n.sum())) - np.repeat(np.cumsum(n) - n, n)
        written = self.rows[stream][np.repeat(self.firsts[stream][safe[good]], n) + within]
        read = frames.counts.read(0, frames.counts.n_rows)[np.repeat(table.first_row[good], n) + within]
        wrong = np.any(written != read, axis=1)
        bad[np.repeat(good, n)[wrong]] = True
        return bad

    def unknown_rows(self, reading: Reading) -> int:
        """Decoded rows that were never written, whatever their counters."""
        n = 0
        for stream, frames in enumerate(reading.streams):
            written = {tuple(row) for row in self.rows[stream].tolist()}
            n += sum(
                tuple(row) not in written for row in frames.counts.read(0, frames.counts.n_rows).tolist()
            )
        return n


def assert_same(one: Reading | None, other: Reading | None) -> None:
    """Two readings of one dump agree in everything."""
    assert (one is None) == (other is None)
    if one is None or other is None:
        return
    assert one.dumps == other.dumps
    assert one.notes == other.notes
    for frames, again in zip(one.streams, other.streams, strict=True):
        for column in frames.table.columns:
            assert np.array_equal(getattr(frames.table, column), getattr(again.table, column)), column
        for spool, twin in ((frames.counts, again.counts), (frames.extra, again.extra)):
            assert (spool is None) == (twin is None)
            if spool is not None and twin is not None:
                assert spool.n_rows == twin.n_rows
                assert np.array_equal(spool.read(0, spool.n_rows), twin.read(0, twin.n_rows))
