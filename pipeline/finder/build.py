"""From pieces of a dump to a layout: check, counters, samples, kinds of frame, stated lengths."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.finder.clocks import rounded
from pipeline.finder.fields import Field, find_fields
from pipeline.finder.lengths import Stated, stated_length
from pipeline.finder.packets import Pieces, usual_sizes
from pipeline.finder.rates import guessed_rates
from pipeline.finder.samples import Reading, read_samples
from pipeline.finder.two_parts import read_parts
from pipeline.frames.checksum import Bytes
from pipeline.frames.fitting import FittingCheck, fitting_checks
from pipeline.layouts import Channel, Frame, Layout, Part

_MOST_ROWS = 700
_FEWEST_ROWS = 12
_MOST_KINDS = 4
_CHECK_BYTES = (2, 4, 1, 3, 8)
_CHECKED_ROWS = 64
_FEW_FRAMES = 8
_MOST_SYNC = 8
_UNCHECKED_SYNC = 2
_KIND_REACH = 4
_MOSTLY = 0.8
_REACH = 16
_GUESSED_HZ = 100.0
_GUESSED_STAMP_HZ = 1000.0


@dataclass(frozen=True)
class Anatomy:
    """What frames of one kind and size are made of.

    ``samples`` says where each of their parts begins and how it is read; ``also`` names other checks.
    """

    size: int
    sync: bytes
    fields: tuple[Field, ...]
    samples: tuple[tuple[int, Reading], ...]
    check: FittingCheck | None
    also: tuple[str, ...] = ()


def layouts_of(pieces: Pieces) -> Iterator[Layout]:
    """Layouts that the pieces may have: of the commonest size alone, of several kinds, of stated lengths."""
    n_sync, sizes = len(pieces.sync), usual_sizes(pieces)[:_MOST_KINDS]
    groups = {size: rows for size in sizes if len(rows := _rows(pieces, size)) >= _FEWEST_ROWS}
    commonest = max((len(rows) for rows in groups.values()), default=0)
    if commonest < _MOSTLY * min(len(pieces.bodies), _MOST_ROWS) and (layout := _of_stated_lengths(pieces)):
        yield layout
    apart = {size: a for size, rows in groups.items() if (a := anatomy(rows, n_sync))}
    if pieces.framing == "sectors":
        # nothing else tells a sector that was written from others
        apart = {size: a for size, a in apart.items() if a.sync or a.check}
    if apart:
        by_bytes = {size: size * len([b for b in pieces.bodies if len(b) == size]) for size in apart}
        most = max(by_bytes, key=lambda size: by_bytes[size])
        for size, a in apart.items():
            if size == most or a.check:
                yield made(pieces, [(a, None)])
    yield from _of_kinds(pieces, apart, groups, ())
    if apart and (given := _shared_sequence(pieces, sizes)):
        again = {size: a for size in apart if (a := anatomy(groups[size], n_sync, given))}
        yield from _of_kinds(pieces, again, groups, given)


def _of_kinds(
    pieces: Pieces, apart: Mapping[int, Anatomy], groups: Mapping[int, Bytes], given: Sequence[Field]
) -> Iterator[Layout]:
    """Layouts of several kinds: of different sizes, and of one."""
    n_sync = len(pieces.sync)
    if told := _told_apart(list(apart.values()), groups, n_sync):
        yield made(pieces, told)
    if apart and (told := _kinds_of_one_size(groups[next(iter(apart))], n_sync, given)):
        yield made(pieces, told)


def _kinds_of_one_size(
    rows: Bytes, n_sync: int, given: Sequence[Field]
) -> list[tuple[Anatomy, tuple[int, int] | None]]:
    """Kinds that are equally long, by a byte near the beginning that goes to and fro between few values."""
    for at in range(n_sync, min(n_sync + _KIND_REACH, rows.shape[1])):
        values, n_of = np.unique(rows[:, at], return_counts=True)
        often = values[n_of >= _FEWEST_ROWS]
        changes = int(np.count_nonzero(np.diff(rows[:, at])))
        if 2 <= len(often) <= _MOST_KINDS and len(values) <= 2 * _MOST_KINDS and changes > 3 * len(values):
            found = [(anatomy(rows[rows[:, at] == value], n_sync, given), int(value)) for value in often]
            kinds = [(a, (at, value)) for a, value in found if a is not None and _is_free(a, at)]
            if len(kinds) == len(found):
                return [*kinds]
    return []


def _is_free(a: Anatomy, at: int) -> bool:
    """Whether a byte stands before the samples, and is none of a counter."""
    first, reading = a.samples[0]
    return at < first + reading.skipped and not any(at in field.places for field in a.fields)


def _shared_sequence(pieces: Pieces, sizes: Sequence[int]) -> tuple[Field, ...]:
    """A counter that goes through the pieces of all sizes, at one place in all of them."""
    bodies = [body for body in pieces.bodies if len(body) in sizes][:_MOST_ROWS]
    first = len(pieces.sync)
    stop = min(map(len, bodies))
    heads = np.frombuffer(b"".join(body[:stop] for body in bodies), dtype=np.uint8).reshape(-1, stop)
    found = find_fields(heads[:, : first + _REACH], first)
    return tuple(replace(field, shared=True) for field in found if field.is_ == "sequence")


def _rows(pieces: Pieces, size: int) -> Bytes:
    bodies = [body for body in pieces.bodies if len(body) == size][:_MOST_ROWS]
    return np.frombuffer(b"".join(bodies), dtype=np.uint8).reshape(len(bodies), size)


def anatomy(rows: Bytes, n_sync: int, given: Sequence[Field] = ()) -> Anatomy | None:
    """Take frames of one size apart; None where nothing is left for samples.

    Parameters
    ----------
    rows : uint8, shape (n, bytes)
        Frames in their order.
    n_sync : int
        Sync bytes at their beginning.
    given : sequence of Field
        Counters that are known already.
    """
    size = rows.shape[1]
    n_sync, check, also = _sync_and_check(rows, n_sync)
    stop = size - (check.n_bytes if check else 0)
    fields = find_fields(rows[:, :stop], n_sync, given)
    start, end = _between(fields, n_sync, stop)
    samples = tuple((start + at, r) for at, r in read_parts(rows[:, start:end])) if end > start else ()
    if not samples:
        return None
    return Anatomy(size, rows[0, :n_sync].tobytes(), tuple(fields), samples, check, also)


def _sync_and_check(rows: Bytes, n_sync: int) -> tuple[int, FittingCheck | None, tuple[str, ...]]:
    """How many fixed bytes the check leaves out at the beginning, the check, and names of others that fit."""
    frames = [row.tobytes() for row in rows[:_CHECKED_ROWS]]
    # without a check the first fixed bytes are taken for sync bytes where there are none yet
    changing = np.flatnonzero((rows != rows[:1]).any(axis=0))
    n_fixed = int(changing[0]) if len(changing) else 0
    for n in range(n_sync, max(n_sync, min(n_fixed, _MOST_SYNC)) + 1):
        check, also = find_check(frames, n)
        if check is not None:
            return n if check.covers == "after_sync" and n else n_sync, check, also
    return n_sync or min(n_fixed, _UNCHECKED_SYNC), None, ()


def find_check(frames: Sequence[bytes], n_sync: int) -> tuple[FittingCheck | None, tuple[str, ...]]:
    """The check at the end of frames, and the names of others that fit as well."""
    for n_bytes in _CHECK_BYTES:
        if fitting_checks(frames[:_FEW_FRAMES], n_sync, n_bytes):
            found = fitting_checks(frames, n_sync, n_bytes)
            if found:
                return found[0], tuple(check.checksum.name for check in found[1:])
    return None, ()


def _between(fields: Sequence[Field], first: int, stop: int) -> tuple[int, int]:
    """The longest stretch without a counter: there the samples stand."""
    edges = [first, *(edge for field in fields for edge in (field.at, field.at + field.n_bytes)), stop]
    stretches = list(zip(edges[::2], edges[1::2], strict=True))
    return max(stretches, key=lambda stretch: stretch[1] - stretch[0])


def _told_apart(
    anatomies: Sequence[Anatomy], groups: Mapping[int, Bytes], n_sync: int
) -> list[tuple[Anatomy, tuple[int, int] | None]]:
    """The kinds with the byte that tells them apart, and its value in each; empty where there is none."""
    mine = [groups[a.size] for a in anatomies]
    for at in range(n_sync, min(rows.shape[1] for rows in mine) if len(mine) > 1 else 0):
        values = [int(rows[0, at]) for rows in mine]
        fixed = all(bool((rows[:, at] == rows[0, at]).all()) for rows in mine)
        free = all(_is_free(a, at) for a in anatomies)
        if fixed and free and len(set(values)) == len(values):
            return [(a, (at, value)) for a, value in zip(anatomies, values, strict=True)]
    return []


def made(
    pieces: Pieces,
    kinds: Sequence[tuple[Anatomy, tuple[int, int] | None]],
    stated: Stated | None = None,
) -> Layout:
    """The layout of these kinds; names, rates and units are guesses."""
    rates = [guessed_rates(a.fields, a.samples[0][1].n_rows) for a, _ in kinds]
    frames, channels = list[Frame](), list[Channel]()
    tick_hz = next((rate.tick_hz for rate in rates if rate.tick_hz), 0.0)
    for i, (a, kind) in enumerate(kinds):
        hz, rows = rates[i].sample_hz or _GUESSED_HZ, a.samples[0][1].n_rows
        names = list[tuple[str, ...]]()
        for _, r in a.samples:
            first = len(channels) + 1
            names.append(tuple(f"channel_{first + k}" for k in range(r.n_channels)))
            channels += [_channel(name, r, hz * r.n_rows / rows) for name in names[-1]]
        parts = _parts(a, kind, names, stated, tick_hz)
        frames.append(Frame(f"kind_{i + 1}" if len(kinds) > 1 else "frame", parts, 4096))
    return Layout(
        name="found",
        title="",
        framing=pieces.framing,
        sample_hz=max(channel.sample_hz for channel in channels),
        tick_hz=tick_hz or None,
        frames=tuple(frames),
        channels=tuple(channels),
        text=None,
        sha256="",
        sector_bytes=pieces.sector_bytes if pieces.framing == "sectors" else 0,
    )


def _stamp_hz(a: Anatomy, tick_hz: float) -> float:
    """How many stamps of the receiver a second has, by the device's ticks between the same frames."""
    steps = {field.is_: field.step for field in a.fields}
    if not tick_hz or "ticks" not in steps or "received" not in steps:
        return _GUESSED_STAMP_HZ
    return rounded(steps["received"] / steps["ticks"] * tick_hz)


def _channel(name: str, reading: Reading, sample_hz: float) -> Channel:
    low = 0 if reading.form == "unsigned" else -(1 << (reading.bits - 1))
    return Channel(name, "other", "1", 1.0, 0.0, sample_hz, low, low + (1 << reading.bits) - 1)


Placed = dict[int, tuple[Part, int]]
"""Byte of the frame -> the part that begins there, and how many bytes it takes."""


def _parts(
    a: Anatomy,
    kind: tuple[int, int] | None,
    names: Sequence[tuple[str, ...]],
    stated: Stated | None,
    tick_hz: float,
) -> tuple[Part, ...]:
    """Every byte of the frame, in order; what has no meaning is ignored."""
    placed = _counters(a, tick_hz) | _samples(a, names, stated is not None)
    if a.sync:
        placed[0] = Part("sync", n_bytes=len(a.sync), sync=a.sync), len(a.sync)
    if kind:
        placed[kind[0]] = Part("kind", n_bytes=1, bits=8, value=kind[1]), 1
    if stated:
        placed[stated.at] = stated.part(), stated.n_bytes
    if c := a.check:
        part = Part("checksum", c.n_bytes, byte_order=c.byte_order, checksum=c.checksum, covers=c.covers)
        placed[a.size - c.n_bytes] = part, c.n_bytes
    parts, reach = list[Part](), 0
    for at in sorted(placed):
        if at > reach:
            parts.append(Part("ignored", n_bytes=at - reach, count=at - reach))
        part, n_bytes = placed[at]
        parts.append(part)
        reach = at + n_bytes
    if reach < a.size:
        parts.append(Part("ignored", n_bytes=a.size - reach, count=a.size - reach))
    return tuple(parts)


def _counters(a: Anatomy, tick_hz: float) -> Placed:
    placed = Placed()
    for field in a.fields:
        if field.is_ == "received" and field.n_bytes not in (4, 6, 8):
            continue  # no stamp of a receiver is as short
        bits = 8 * field.n_bytes
        part = Part(
            field.is_,
            field.n_bytes,
            bits,
            byte_order=field.byte_order,
            wraps_at_bits=bits if field.is_ != "received" else 0,
            hz={"ticks": tick_hz, "received": _stamp_hz(a, tick_hz)}.get(field.is_, 0.0),
            shared=field.shared,
        )
        placed[field.at] = part, field.n_bytes
    return placed


def _samples(a: Anatomy, names: Sequence[tuple[str, ...]], is_open: bool) -> Placed:
    placed = Placed()
    for (start, r), own in zip(a.samples, names, strict=True):
        part = Part(
            "samples",
            bits=r.bits,
            form=r.form,
            byte_order=r.byte_order,
            count=0 if is_open else r.n_rows,
            channels=own,
            arrangement=r.arrangement,
        )
        placed[start + r.skipped] = part, part.samples_bytes(r.n_rows)
    return placed


def _of_stated_lengths(pieces: Pieces) -> Layout | None:
    """The layout of frames that state their own length, or whose packet says it."""
    stated = stated_length(pieces.bodies, len(pieces.sync))
    if stated is None and pieces.framing not in ("cobs", "slip"):
        return None
    found = _anatomy_of_many_sizes(pieces, stated)
    if found is None:
        return None
    layout = made(pieces, [(found, None)], stated)
    parts = tuple(replace(p, count=0) if p.is_ == "samples" else p for p in layout.frame.parts)
    return replace(layout, frames=(replace(layout.frame, parts=parts),))


def _anatomy_of_many_sizes(pieces: Pieces, stated: Stated | None) -> Anatomy | None:
    """Counters by the first bytes of all frames, the check by their last, samples by the commonest size."""
    n_sync, size = len(pieces.sync), usual_sizes(pieces, 0.0)[0]
    rows = _rows(pieces, size)
    check, also = find_check(pieces.bodies[:_CHECKED_ROWS], n_sync)
    n_check = check.n_bytes if check else 0
    bodies = [body for body in pieces.bodies if len(body) > n_sync + n_check + 1][:_MOST_ROWS]
    if len(rows) < _FEWEST_ROWS or len(bodies) < _FEWEST_ROWS:
        return None
    stop = min(min(map(len, bodies)) - n_check, n_sync + _REACH + 8)
    heads = np.frombuffer(b"".join(body[:stop] for body in bodies), dtype=np.uint8).reshape(-1, stop)
    sizes = np.array([len(body) for body in bodies], dtype=np.float64)
    known = {*range(n_sync), *(range(stated.at, stated.at + stated.n_bytes) if stated else ())}
    fields = find_fields(heads, n_sync, sizes=sizes, known=known)
    start = max([n_sync, *(f.at + f.n_bytes for f in fields), *(at + 1 for at in known)])
    reading = read_samples(rows[:, start : size - n_check]) if start < size - n_check else None
    if reading is None:
        return None
    return Anatomy(size, pieces.sync, tuple(fields), ((start, reading),), check, also)
