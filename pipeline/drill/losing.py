"""Faults of frames and bytes: lost, damaged, repeated, torn off."""

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from pipeline.drill.host import Host
from pipeline.drill.places import Edit
from pipeline.drill.plan import Copy
from pipeline.drill.scoring import Event
from pipeline.recording.account import Ints

Done = tuple[Event, float, int]
"""What was planted, the length asked for, and how many frames it took."""


def byte_faults(copy: Copy, host: Host, rng: np.random.Generator) -> tuple[list[Edit], list[Done]]:
    """The edits of a copy's events of one of these kinds, and what they are."""
    edits, done = list[Edit](), list[Done]()
    kind = copy.kind.name
    if kind == "torn":
        edits, n_frames = _torn(host, rng)
        return edits, [(Event("", 0.0, host.duration_s, kind), host.duration_s, n_frames)]
    for wanted in copy.events:
        which = _frames(host, wanted.start_s, wanted.stop_s)
        for run in _runs(host, which):
            edits += list(_edits(kind, host, run, round(wanted.strength), rng))
        condition = copy.kind.conditions[0] if copy.kind.conditions else ""
        start_s, stop_s = float(host.places.start_s[which].min()), float(host.places.stop_s[which].max())
        event = Event(condition, start_s, stop_s, kind, wanted.strength)
        done.append((event, wanted.stop_s - wanted.start_s, len(which)))
    return edits, done


def _frames(host: Host, start_s: float, stop_s: float) -> Ints:
    """The frames that begin in a stretch, at least one; whole sectors, where frames stand in such."""
    places = host.places
    which = np.flatnonzero((places.start_s >= start_s) & (places.start_s < stop_s))
    if not len(which):
        which = np.array([int(np.argmin(np.abs(places.start_s - start_s)))])
    sector = host.layout.sector_bytes
    if sector:
        number = (places.dump << 40) + places.offset // sector
        which = np.flatnonzero(np.isin(number, number[which]))
    return which


def _runs(host: Host, which: Ints) -> Iterator[tuple[int, int, int, Ints]]:
    """Dump, first and last byte, and frames of each run of frames that stand side by side."""
    places, sector = host.places, host.layout.sector_bytes
    dump, start = places.dump[which], places.offset[which]
    stop = start + places.n_bytes[which]
    if sector:
        start, stop = start // sector * sector, -(-stop // sector) * sector
    parted = (np.diff(dump) != 0) | (start[1:] > stop[:-1])
    bounds = [0, *(np.flatnonzero(parted) + 1).tolist(), len(which)]
    for a, b in pairwise(bounds):
        yield int(dump[a]), int(start[a]), int(stop[b - 1]), which[a:b]


def _edits(
    kind: str, host: Host, run: tuple[int, int, int, Ints], n_bits: int, rng: np.random.Generator
) -> Iterator[Edit]:
    dump, start, stop, frames = run
    if kind == "lost":
        yield Edit(dump, start, stop, b"")
        return
    with host.dumps[dump].open("rb") as source:
        source.seek(start)
        data = np.frombuffer(source.read(stop - start), np.uint8).copy()
    if kind == "repeated":
        yield Edit(dump, stop, stop, data.tobytes())
        return
    for offset, n_bytes in zip(
        host.places.offset[frames].tolist(), host.places.n_bytes[frames].tolist(), strict=True
    ):
        bits = rng.choice(8 * n_bytes, min(max(n_bits, 1), 8 * n_bytes), replace=False)
        np.bitwise_xor.at(data, offset - start + bits // 8, (1 << bits % 8).astype(np.uint8))
    yield Edit(dump, start, stop, data.tobytes())


def _torn(host: Host, rng: np.random.Generator) -> tuple[list[Edit], int]:
    """The last dump ends within one of its last frames."""
    places = host.places
    dump = int(places.dump.max())
    mine = np.flatnonzero(places.dump == dump)
    last = mine[-1 - int(rng.integers(min(5, len(mine))))]
    at = int(places.offset[last]) + max(int(places.n_bytes[last]) // 2, 1)
    return [Edit(dump, at, host.dumps[dump].stat().st_size, b"")], len(mine) - int(
        np.searchsorted(mine, last)
    )
