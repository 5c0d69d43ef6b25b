"""WAV files: whole numbers in chunks of RIFF.

The walk from chunk to chunk is done here, so that every byte has its place and a file that a recorder left
unfinished can be read; what a format means and how its samples become numbers is left to SciPy, which gets
each block of samples as a small WAV file of its own.

Sources: "Multimedia Programming Interface and Data Specifications 1.0" (IBM and Microsoft, August 1991) for
RIFF and WAVE; EBU Tech 3306 (2009) and ITU-R BS.2088 for files beyond 4 GB (RF64, BW64).
"""

import io
import struct
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

from pipeline.errors import Problem
from pipeline.frames.checksum import Bytes
from pipeline.frames.reader import OpenDump
from pipeline.frames.regular import Regular, SeenUnits, read_units
from pipeline.frames.sinks import FrameSink, counts_dtype
from pipeline.layouts import Layout

_FRAME_BYTES = 1 << 16
"""A WAV file has no frames of its own; so many bytes of rows are taken for one."""

_MOST_CHUNKS = 10_000
_LARGEST_FORMAT = 4096
_KINDS = {b"RIFF": "<", b"RIFX": ">", b"RF64": "<", b"BW64": "<"}
_WIDEST_BYTES = 4
_MIDPOINT = 128
"""Code of nothing in samples of 8 bits, which are unsigned (IBM and Microsoft 1991)."""

_Fault = tuple[str, str, str, str]
"""Where, expected, found, what to do."""


@dataclass(frozen=True)
class _Form:
    """What the chunk 'fmt ' says.

    ``order`` is '<' or '>', ``riff`` and ``chunk`` begin a WAV file of the same format.
    """

    order: str
    riff: bytes
    chunk: bytes
    n_channels: int
    sample_hz: int
    row_bytes: int

    @property
    def n_bits(self) -> int:
        """Bits of one sample as it stands in the file, filled up to whole bytes."""
        return self.row_bytes // self.n_channels * 8

    def read(self, rows: bytes) -> npt.NDArray[np.generic]:
        """Numbers of whole rows as SciPy gives them, shape (rows, channels)."""
        # brings a quarter of a second of imports, which other framings never need
        from scipy.io import wavfile

        content = self.chunk + b"data" + struct.pack(self.order + "I", len(rows)) + rows
        size = struct.pack(self.order + "I", 4 + len(content))
        _, numbers = wavfile.read(io.BytesIO(self.riff + size + b"WAVE" + content))
        return np.asarray(numbers).reshape(-1, self.n_channels)

    def counts(self, rows: bytes) -> npt.NDArray[np.int32]:
        """Counts of whole rows: as they stand, of 8 bits less the midpoint."""
        numbers = self.read(rows)
        if self.n_bits == 8:
            return numbers.astype(np.int32) - _MIDPOINT
        if self.n_bits == 24:  # left-justified in 32 bits
            return numbers.astype(np.int32) >> 8
        return numbers.astype(np.int32)


@dataclass(frozen=True)
class _Walk:
    """What stands where; ``form`` is None, and ``fault`` says why, where the file cannot be read."""

    form: _Form | None = None
    place: Regular = field(default_factory=Regular)
    fault: _Fault | None = None
    note: str = ""


class WavReader:
    """The channels of a WAV file, in its order."""

    def __init__(self, layout: Layout) -> None:
        self._layout = layout
        self._fault: _Fault | None = None
        self._seen = SeenUnits()

    def read(self, dump: OpenDump, sinks: Sequence[FrameSink], block_bytes: int) -> SeenUnits:
        """Put the rows of a dump into the sink."""
        walk = _walk(dump.source)
        self._fault = walk.fault or (_contradiction(walk.form, self._layout) if walk.form else None)
        dump.source.seek(0)
        if walk.form is None or self._fault:
            self._seen = read_units(dump.source, block_bytes, Regular(), lambda *_: None)
            return self._seen
        if walk.note:
            dump.notes.append(f"{dump.name}: {walk.note}")
        form, sink = walk.form, sinks[0]

        def take(rows: Bytes, offset: int) -> None:
            _emit(rows, offset, form, walk.place.group, sink, dump.index)

        before = len(sink)
        self._seen = read_units(dump.source, block_bytes, walk.place, take)
        self._seen.n_frames = len(sink) - before
        return self._seen

    def problem(self, dump: OpenDump) -> Problem | None:
        """Say why the dump just read gave no rows."""
        if self._fault:
            return Problem(dump.name, *self._fault)
        if self._seen.n_frames:
            return None
        remedy = "Copy the dump from the device again."
        return Problem(dump.name, "chunk 'data'", "at least one sample of each channel", "none", remedy)


def _emit(rows: Bytes, offset: int, form: _Form, group: int, sink: FrameSink, dump: int) -> None:
    """Hand rows on, cut into frames."""
    counts = form.counts(rows.tobytes())
    raw = [channel.adc_min >= 0 for channel in sink.streams[0].channels]
    if form.n_bits == 8 and any(raw):  # end codes of 0 and more speak of the codes as they stand
        counts += np.where(raw, _MIDPOINT, 0).astype(np.int32)
    starts = np.arange(0, len(rows), group, dtype=np.int64)
    n_rows = np.minimum(group, len(rows) - starts)
    place = offset + starts * form.row_bytes, n_rows * form.row_bytes
    sink.add(dump, *place, (None, None, None), [counts], [n_rows])


def _walk(source: BinaryIO) -> _Walk:
    """Go from chunk to chunk up to the samples."""
    size = source.seek(0, io.SEEK_END)
    source.seek(0)
    head = source.read(12)
    order = _KINDS.get(head[:4])
    if order is None or head[8:12] != b"WAVE":
        found = f"{head[:4]!r} and {head[8:12]!r}" if len(head) == 12 else f"a file of {size} bytes"
        remedy = "Check that the dump belongs to this layout, or give the session a layout of its framing."
        return _Walk(
            fault=("byte 0", "a WAV file, which begins with 'RIFF', a size and 'WAVE'", found, remedy)
        )
    known = [(0, 12)]
    form: _Form | None = None
    large, at = 0, 12
    for _ in range(_MOST_CHUNKS):
        source.seek(at)
        name = source.read(8)
        if len(name) < 8:
            break
        stated = struct.unpack(order + "I", name[4:])[0]
        stop = at + 8 + stated + stated % 2
        if name[:4] == b"ds64":
            sizes = source.read(16)
            large = struct.unpack("<Q", sizes[8:])[0] if len(sizes) == 16 else 0
            known.append((at, stop))
        elif name[:4] == b"fmt ":
            made = _form(source.read(min(stated, _LARGEST_FORMAT)), stated, order)
            if not isinstance(made, _Form):
                return _Walk(fault=made)
            form = made
            known.append((at, stop))
        elif name[:4] == b"data" and form is not None:
            stated = large if large and stated == 0xFFFFFFFF else stated
            known.append((at, at + 8))
            return _samples(source, form, tuple(known), at + 8, stated, size)
        at = stop
    lacks = "no chunk 'data' behind it" if form else "none"
    expected = "a chunk 'fmt ', and behind it a chunk 'data'"
    remedy = "Copy the dump from the device again; nothing says how its bytes are to be read."
    return _Walk(fault=(f"bytes 12 to {size}", expected, lacks, remedy))


def _form(body: bytes, stated: int, order: str) -> _Form | _Fault:
    """What 'fmt ' says, or what is wrong with it."""
    where = "chunk 'fmt '"
    damaged = "Copy the dump from the device again."
    if len(body) < 16 or len(body) < stated:
        return (
            where,
            "a format of at least 16 bytes",
            f"{stated} bytes, of which {len(body)} are there",
            damaged,
        )
    tag, n_channels, sample_hz, _, row_bytes, n_bits = struct.unpack(order + "HHIIHH", body[:16])
    chunk = b"fmt " + struct.pack(order + "I", stated) + body + b"\0" * (stated % 2)
    form = _Form(order, b"RIFX" if order == ">" else b"RIFF", chunk, n_channels, sample_hz, row_bytes)
    if not n_channels or not row_bytes or row_bytes % n_channels:
        found = f"{row_bytes} bytes for {n_channels} channels"
        return where, "whole bytes for each sample of each channel", found, damaged
    n_bytes = row_bytes // n_channels
    try:
        numbers = form.read(bytes(row_bytes))
    except Exception as error:  # whatever the library makes of a damaged format
        return where, "a format of whole numbers (PCM)", str(error) or type(error).__name__, damaged
    if numbers.dtype.kind == "f":
        found = f"floating-point numbers of {8 * n_bytes} bits"
        remedy = (
            "Have the recorder write whole numbers: floating-point numbers carry no counts, hence no rails."
        )
        return where, "whole numbers (PCM)", found, remedy
    if n_bytes > _WIDEST_BYTES or not 0 < n_bits <= 8 * n_bytes or (n_bits <= 8) != (n_bytes == 1):
        found = f"{n_bits} bits in {n_bytes} bytes (format {tag:#06x})"
        return where, "whole numbers in 8, 16, 24 or 32 bits", found, damaged
    return form


def _samples(
    source: BinaryIO, form: _Form, known: tuple[tuple[int, int], ...], start: int, stated: int, size: int
) -> _Walk:
    """Where the samples end: as stated, or with the file where a recorder was cut off."""
    there, note, stop = size - start, "", start + stated
    if stated > there:
        note = f"its chunk 'data' states {stated:,} bytes, of which {there:,} are there; these were read."
        stop = size
    elif stated == 0 and there > 0 and not _is_chunk(source, start, size, form.order):
        note = f"its chunk 'data' states no length, as a recorder leaves it that was cut off; the {there:,} "
        note, stop = note + "bytes up to the file's end were read.", size
    elif stated % 2 and stop < size:
        known = (*known, (stop, stop + 1))
    group = max(1, _FRAME_BYTES // form.row_bytes)
    return _Walk(form, Regular(known, start, stop, form.row_bytes, group), note=note)


def _is_chunk(source: BinaryIO, at: int, size: int, order: str) -> bool:
    """Whether another chunk begins here: a name in letters, and a size that the file holds."""
    source.seek(at)
    name = source.read(8)
    if len(name) < 8 or not all(0x20 <= byte < 0x7F for byte in name[:4]):
        return False
    return at + 8 + int(struct.unpack(order + "I", name[4:])[0]) <= size


def _contradiction(form: _Form, layout: Layout) -> _Fault | None:
    """What the file and the layout say differently."""
    where, stream = "chunk 'fmt '", layout.main
    names = ", ".join(channel.name for channel in stream.channels)
    if len(layout.streams) > 1 or form.n_channels != len(stream.channels):
        n = sum(len(each.channels) for each in layout.streams)
        rates = "" if len(layout.streams) == 1 else f" at {len(layout.streams)} rates"
        remedy = f"List {form.n_channels} channels of one rate in the samples part, in the file's order."
        return where, f"{n} channels{rates}, as the layout lists them ({names})", f"{form.n_channels}", remedy
    if abs(form.sample_hz - stream.sample_hz) >= 1:  # the file states whole hertz
        remedy = f"Write sample_hz = {form.sample_hz}, or check that the dump belongs to this layout."
        return where, f"{stream.sample_hz:g} Hz, as the layout says", f"{form.sample_hz} Hz", remedy
    low, high = -(1 << form.n_bits - 1), (1 << form.n_bits - 1) - 1
    for channel in stream.channels:
        raw = _MIDPOINT if form.n_bits == 8 and channel.adc_min >= 0 else 0
        ends = f"adc_min = {channel.adc_min} and adc_max = {channel.adc_max} of '{channel.name}'"
        fits = np.iinfo(counts_dtype(stream)).max >= high
        if not fits or not low + raw <= channel.adc_min < channel.adc_max <= high + raw:
            expected = f"samples that have room for {ends}" if fits else f"samples no wider than {ends}"
            remedy = f"Write bits = {form.n_bits}; the codes then go from {low + raw} to {high + raw}."
            return where, expected, f"samples of {form.n_bits} bits", remedy
    return None
