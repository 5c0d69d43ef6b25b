"""How well a layout fits some bytes: they are read with it, and what it leaves untold is measured in bits.

A byte that no frame takes has to be told whole, eight bits. Of a sample only its step from the one before has
to be told, of a counter only by how much it does not go on as it should, of a check that fits nothing. The
better a layout fits, the less is left: wrong sizes leave bytes over, wrong channels and byte orders make
samples jump (minimum description length; Rissanen 1978, Automatica 14:465, from memory).
"""

import io
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from pipeline.errors import Unreadable
from pipeline.finder.cost import going_on
from pipeline.frames import Dump, Frames, FrameTable, Ledger
from pipeline.frames.reader import OpenDump
from pipeline.frames.readers import READERS
from pipeline.frames.seen import Seen
from pipeline.frames.sinks import sinks_for
from pipeline.frames.sync import BLOCK_BYTES
from pipeline.layouts import Layout
from pipeline.timebase.sequence import signed_difference

_MOST_ROWS = 1 << 15
_MOST_BITS_OF_TEXT = 32
_FILL_RUN = 4

Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Fit:
    """What reading some bytes with a layout gave.

    Attributes
    ----------
    n_bytes, decoded, padding : int
        Bytes read, in frames, and erased or filled.
    bits : float
        What is left to be told of all bytes.
    streams : tuple of Frames
        As read, one for each stream that has frames.
    kept : tuple of list of bytes
        For each kind of frame the first candidates of believable length, before any stuffing, whether or not
        their check fits.
    """

    layout: Layout
    n_bytes: int
    decoded: int = 0
    padding: int = 0
    bits: float = 0.0
    streams: tuple[Frames, ...] = ()
    kept: tuple[list[bytes], ...] = ()

    @property
    def share(self) -> float:
        """Of the bytes that are no padding, the share in frames."""
        rest = self.n_bytes - self.padding
        return self.decoded / rest if rest else 0.0

    @property
    def bits_per_byte(self) -> float:
        """What is left to be told of a byte that is no padding, in bits."""
        return self.bits / max(self.n_bytes - self.padding, 1)


def fit(layout: Layout, data: bytes) -> Fit:
    """Read `data`, the beginning of a dump, and measure what the layout leaves untold.

    A layout with which nothing can be read leaves all of it.
    """
    nothing = Fit(layout, len(data), bits=8.0 * len(data))
    if not data:
        return nothing
    try:
        reader = READERS[layout.framing](layout)
        sinks = sinks_for(layout, Path(tempfile.gettempdir()))
        dump = OpenDump("", Path(), 0, data, source=io.BytesIO(data))
        seen = reader.read(dump, sinks, BLOCK_BYTES)
    except (Unreadable, ValueError, OverflowError):
        return nothing
    kept = tuple(kind.kept for kind in seen.kinds) if isinstance(seen, Seen) else ()
    nothing = replace(nothing, kept=kept)
    ledger = _without_false_padding(seen.tally.ledger(), data)
    entry = Dump("", len(data), "", ledger)
    streams = [frames for sink in sinks if len(sink) for frames in sink.frames(layout, (entry,))]
    if not streams:
        return nothing
    return Fit(
        layout,
        len(data),
        ledger.decoded,
        ledger.padding,
        _left(ledger, streams, layout),
        tuple(streams),
        kept,
    )


def _without_false_padding(ledger: Ledger, data: bytes) -> Ledger:
    """Readers of sectors take what stands behind a frame for padding: what is no fill must be told."""
    block = np.frombuffer(data, dtype=np.uint8)
    edges = np.flatnonzero(np.diff(block)) + 1
    bounds = np.concatenate(([0], edges, [len(block)]))
    sizes, value = np.diff(bounds), block[bounds[:-1]]
    n_fill = int(sizes[((value == 0x00) | (value == 0xFF)) & (sizes >= _FILL_RUN)].sum())
    false = max(ledger.padding - n_fill, 0)
    return replace(ledger, padding=ledger.padding - false, unrecognised=ledger.unrecognised + false)


def _left(ledger: Ledger, streams: Sequence[Frames], layout: Layout) -> float:
    bits = 8.0 * (ledger.damaged + ledger.unrecognised)
    kinds = list[Frames]()
    for frames in streams:
        bits += _of_samples(frames)
        if not any(frames.stream.frame is kind.stream.frame for kind in kinds):
            kinds.append(frames)
    for frames in kinds:
        bits += _of_clocks(frames) + _of_extra(frames)
    return bits + _of_sequences(kinds)


def _of_samples(frames: Frames) -> float:
    """Steps of the samples, each channel by itself; of many rows the first."""
    n_rows = frames.counts.n_rows
    if not n_rows:
        return 0.0
    counts = frames.counts.read(0, min(n_rows, _MOST_ROWS)).astype(np.int64)
    most = max(part.bits for part in frames.stream.parts) or _MOST_BITS_OF_TEXT
    return float(going_on(counts, most).sum()) * n_rows


def _of_sequences(kinds: Sequence[Frames]) -> float:
    """By how much sequences do not go on by one, or by the rows of a frame; shared ones through all kinds."""
    bits, shared = 0.0, list[FrameTable]()
    width = 0
    for frames in kinds:
        part = frames.stream.frame.part("sequence")
        if part is None:
            continue
        if part.shared:
            shared.append(frames.table)
            width = part.wraps_at_bits
        else:
            table = frames.table
            bits += step_cost(table.sequence, part.wraps_at_bits, table.n_samples)
    if shared:
        order = np.argsort(np.concatenate([table.offset for table in shared]), kind="stable")
        sequence = np.concatenate([table.sequence for table in shared])[order]
        bits += step_cost(sequence, width, np.ones(len(sequence), dtype=np.int64))
    return bits


def step_cost(sequence: Ints, wraps_at_bits: int, n_samples: Ints) -> float:
    """Bits by which a counter goes on otherwise than by one, or by the samples of each frame."""
    steps = signed_difference(sequence[1:], sequence[:-1], wraps_at_bits).astype(np.float64)
    by_frames = np.log2(1.0 + np.abs(steps - 1)).sum()
    by_samples = np.log2(1.0 + np.abs(steps - n_samples[:-1])).sum()
    return float(min(by_frames, by_samples))


def _of_clocks(frames: Frames) -> float:
    """By how much ticks and received stamps do not go on evenly."""
    bits, table = 0.0, frames.table
    for is_, values in (("ticks", table.ticks), ("received", table.received)):
        part = next((part for part in frames.stream.frame.parts if part.is_ == is_), None)
        if part is not None and len(values) > 2:
            steps = signed_difference(values[1:], values[:-1], part.wraps_at_bits).astype(np.float64)
            rows = np.maximum(table.n_samples[:-1], 1)
            bits += float(np.log2(1.0 + np.abs(steps - np.median(steps / rows) * rows)).sum())
    return bits


def _of_extra(frames: Frames) -> float:
    """What the layout gives no meaning to: eight bits for each byte that is not what it was before.

    Of text nothing is kept of ignored columns: sixteen bits for each, as for a number of five digits.
    """
    if frames.layout.framing == "text":
        return 16.0 * len(frames.table) * sum(part.count for part in frames.stream.frame.all("ignored"))
    if frames.extra is None or len(frames.table) < 2:
        return 0.0
    extra = frames.extra.read(0, len(frames.table))
    return 8.0 * float(np.count_nonzero(extra[1:] != extra[:-1]))
