"""Binary frames out of their parts, many of one size at once: what readers take apart, put together again."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from pipeline.frames.checksum import check_values
from pipeline.layouts import Frame, Layout, Part
from pipeline.recording.account import Bytes, Ints

_SLIP_END, _SLIP_ESC, _SLIP_ESC_END, _SLIP_ESC_ESC = b"\xc0", b"\xdb", b"\xdb\xdc", b"\xdb\xdd"
_LONGEST_GROUP = 254


@dataclass(frozen=True)
class Pieces:
    """What is in `n` frames of one kind and one size.

    Attributes
    ----------
    counters : mapping
        Kind of part ('sequence', 'ticks', 'received') -> int64, shape (n,).
    counts : tuple of int64 arrays, shape (n, rows, channels)
        One for each samples part of the kind, in order.
    extra : uint8, shape (n, k)
        Bytes that no part gives a meaning to, in their order.
    n_filler : int
        Bytes of filler within each frame, before a checksum at the end of its sector; their value is the last
        of the extra bytes.
    """

    counters: Mapping[str, Ints]
    counts: tuple[Ints, ...]
    extra: Bytes
    n_filler: int = 0

    def __len__(self) -> int:
        return len(self.extra)


def compose(frame: Frame, pieces: Pieces) -> Bytes:
    """The frames before any byte stuffing, uint8 of shape (n, bytes)."""
    n, n_extra, n_samples = len(pieces), 0, 0
    made = list[Bytes]()
    for part in frame.parts:
        if part.is_ == "samples":
            made.append(_samples(part, pieces.counts[n_samples]))
            n_samples += 1
            if part.row_bits * (part.count or 1) % 8:
                # the bits of the last byte that belong to no sample
                made[-1][:, -1:] |= pieces.extra[:, n_extra : n_extra + 1]
                n_extra += 1
        elif part.is_ == "ignored":
            made.append(pieces.extra[:, n_extra : n_extra + part.n_bytes])
            n_extra += part.n_bytes
        elif part.is_ in pieces.counters:
            made.append(_number(pieces.counters[part.is_], part))
        else:
            made.append(np.broadcast_to(np.frombuffer(_fixed(part), dtype=np.uint8), (n, part.n_bytes)))
    _state_length(frame, pieces, made)
    if pieces.n_filler:
        filler = np.broadcast_to(pieces.extra[:, -1:], (n, pieces.n_filler))
        made.insert(_before_filler(frame), filler)
    whole = np.ascontiguousarray(np.concatenate(made, axis=1))
    last = frame.parts[-1]
    if last.is_ == "checksum" and last.checksum is not None:
        stop = whole.shape[1] - last.n_bytes
        skipped = frame.parts[0].n_bytes if frame.parts[0].is_ == "sync" else 0
        start = skipped if last.covers == "after_sync" else 0
        value = check_values(np.ascontiguousarray(whole[:, start:stop]), last.checksum)
        whole[:, stop:] = _number(value.view(np.int64), last)
    return whole


def _before_filler(frame: Frame) -> int:
    """How many parts stand before the filler of a sector: all but the checksum, or up to the open samples."""
    kinds = [part.is_ for part in frame.parts]
    middle = next((i for i, p in enumerate(frame.parts) if p.is_ == "samples" and not p.count), 0)
    is_behind = "length" in kinds and kinds.index("length") > middle
    return middle + 1 if is_behind else len(kinds) - (kinds[-1] == "checksum")


def _fixed(part: Part) -> bytes:
    """The bytes of a part that stand in every frame; zeros where they are still to be worked out."""
    if part.is_ == "sync":
        return part.sync
    if part.is_ == "kind" and isinstance(part.value, int):
        return part.value.to_bytes(part.n_bytes, part.byte_order)
    return bytes(part.n_bytes)


def _number(values: Ints, part: Part) -> Bytes:
    """Unsigned numbers as bytes, shape (n, bytes of the part)."""
    wide = values.astype("<u8").view(np.uint8).reshape(len(values), 8)[:, : part.n_bytes]
    return wide[:, ::-1] if part.byte_order == "big" else wide


def _samples(part: Part, counts: Ints) -> Bytes:
    """Counts as they stand in the frame, packed where their width is no whole number of bytes."""
    if part.arrangement == "planar":
        counts = counts.transpose(0, 2, 1)
    flat = counts.reshape(len(counts), -1)
    if part.form == "offset":
        flat = flat + (1 << (part.bits - 1))
    n_bytes = -(-part.bits // 8)
    wide = flat.astype("<i8")[..., np.newaxis].view(np.uint8)[..., :n_bytes]
    if part.bits % 8 == 0:
        ordered = wide[..., ::-1] if part.byte_order == "big" else wide
        return ordered.reshape(len(counts), -1)
    bits = np.unpackbits(wide, axis=-1, bitorder="little")[..., : part.bits]
    if part.byte_order == "big":
        bits = bits[..., ::-1]
    return np.packbits(bits.reshape(len(counts), -1), axis=-1, bitorder=part.byte_order)


def _state_length(frame: Frame, pieces: Pieces, made: list[Bytes]) -> None:
    """Write the length part, once it is known how long everything is."""
    at = next((i for i, part in enumerate(frame.parts) if part.is_ == "length"), None)
    if at is None:
        return
    part, samples = frame.parts[at], frame.all("samples")
    sizes = [piece.shape[1] for piece in made]
    if part.counts == "frame":
        stated = sum(sizes)
    elif part.counts == "after_length":
        stated = sum(sizes[at + 1 :])
    elif part.counts == "samples":
        stated = sum(n for n, other in zip(sizes, frame.parts, strict=True) if other.is_ == "samples")
    else:
        # of several samples parts the rows of the one are meant whose number is open
        meant = next((i for i, other in enumerate(samples) if not other.count), 0)
        stated = pieces.counts[meant].shape[1]
    made[at] = _number(np.full(len(pieces), stated, dtype=np.int64), part)


def cobs(body: bytes) -> bytes:
    """Consistent overhead byte stuffing without a delimiter (Cheshire and Baker 1999).

    Nothing follows a last group of 254 bytes; the paper's own encoder sends an empty group there.
    """
    groups = list[bytes]()
    for run in body.split(b"\0"):
        whole = len(run) // _LONGEST_GROUP * _LONGEST_GROUP
        groups += [b"\xff" + run[i : i + _LONGEST_GROUP] for i in range(0, whole, _LONGEST_GROUP)]
        groups.append(bytes([len(run) - whole + 1]) + run[whole:])
    if len(groups) > 1 and groups[-1] == b"\x01" and not body.endswith(b"\0"):
        groups.pop()
    return b"".join(groups)


def slip(body: bytes) -> bytes:
    """Escapes of RFC 1055, without a delimiter."""
    return body.replace(_SLIP_ESC, _SLIP_ESC_ESC).replace(_SLIP_END, _SLIP_ESC_END)


def on_the_wire(layout: Layout, body: bytes, n_bytes: int) -> bytes:
    """A frame as it stands in the dump, where it takes `n_bytes` with the delimiter that ends it."""
    if layout.framing == "cobs":
        stuffed, end = cobs(body), b"\0"
        if n_bytes > len(stuffed) + 1:
            stuffed += b"\x01"  # the empty group behind a full one
    elif layout.framing == "slip":
        stuffed, end = slip(body), _SLIP_END
    else:
        return body
    # the last one of a dump may lack its delimiter
    return stuffed + end if n_bytes > len(stuffed) else stuffed
