"""The layout as the later steps see it: checked, complete, frozen."""

from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

Kind = Literal["field", "acceleration", "other"]
Framing = Literal["sync", "sectors", "cobs", "slip", "text", "wav", "edf"]
PartIs = Literal["sync", "kind", "length", "sequence", "ticks", "received", "samples", "checksum", "ignored"]
Form = Literal["unsigned", "signed", "offset"]
ByteOrder = Literal["little", "big"]
CheckKind = Literal["crc", "sum", "xor", "fletcher", "adler", "internet"]

_FORMS: dict[str, Form] = {"u": "unsigned", "i": "signed", "o": "offset"}

NUMBER_TYPES = {f"{letter}{bits}": (bits, form) for letter, form in _FORMS.items() for bits in range(8, 65)}
"""Number type -> (bits, form): unsigned, two's complement, offset binary. Samples take up to 32 bits."""

LONGEST_SAMPLE_BITS = 32


@dataclass(frozen=True)
class Checksum:
    """A cyclic redundancy check by the parameters of the Rocksoft model (Williams 1993), or a simple sum.

    Of a sum only ``kind`` and ``width`` matter. ``alias`` is the name under which a layout knows it, where
    that is not the catalogue's first.
    """

    name: str
    width: int
    poly: int
    init: int
    reflect_in: bool
    reflect_out: bool
    xor_out: int
    kind: CheckKind = "crc"
    alias: str = field(default="", compare=False)

    @property
    def names(self) -> str:
        """Its names, for messages."""
        return f"{self.alias} ({self.name})" if self.alias else self.name


@dataclass(frozen=True)
class Part:
    """One part of a frame.

    Attributes
    ----------
    n_bytes : int
        Its width in a binary frame, in bytes; 0 for samples (their number decides) and in text.
    bits, form : int, str
        Of one number: a counter, or a sample. Samples of a width that is no whole number of bytes are
        packed, by `byte_order`: 'little' fills each byte from its least significant bit, 'big' from its
        most significant one; the samples of a part end on a whole byte.
    count : int
        Values of each channel for samples (0 where the frame's length decides); bytes (in text: columns)
        to skip for ignored ones.
    channels, arrangement :
        Of samples: row by row, or planar (all of one channel, then all of the next).
    value : int or str or None
        Of a 'kind' part: what stands there in frames of this kind.
    counts : str
        Of a 'length' part: bytes of the frame, after the part, or of the samples; or rows of samples.
    wraps_at_bits : int
        Width at which a counter wraps, 0 where it does not.
    shared : bool
        Of a sequence: it runs through frames of all kinds, not through those of this kind alone.
    hz, epoch_s : float
        Of ticks and received stamps: how many of them a second has, and the second since 1970 (UTC) at
        which they were 0; None where that is not known. ``hz`` is 0 for other parts.
    columns : tuple of str
        Header names in text, empty where position decides.
    decimals : int
        Digits behind the decimal sign in text that make a number a whole code; ``hz`` of received stamps
        counts such codes.
    stamp : str
        Of received stamps in text: a number, or date and time by RFC 3339, which become microseconds.
    """

    is_: PartIs
    n_bytes: int = 0
    bits: int = 0
    form: Form = "unsigned"
    byte_order: ByteOrder = "little"
    count: int = 0
    channels: tuple[str, ...] = ()
    arrangement: Literal["interleaved", "planar"] = "interleaved"
    sync: bytes = b""
    value: int | str | None = None
    counts: Literal["frame", "after_length", "samples", "rows"] = "frame"
    wraps_at_bits: int = 0
    shared: bool = False
    hz: float = 0.0
    epoch_s: float | None = None
    columns: tuple[str, ...] = ()
    decimals: int = 0
    stamp: Literal["number", "rfc3339"] = "number"
    checksum: Checksum | None = None
    covers: Literal["frame", "after_sync"] = "after_sync"

    @property
    def row_bits(self) -> int:
        """Bits of one row of samples."""
        return self.bits * len(self.channels)

    def samples_bytes(self, n_rows: int) -> int:
        """Bytes that `n_rows` rows of samples take, the last one filled up."""
        return -(-n_rows * self.row_bits // 8)


@dataclass(frozen=True)
class Frame:
    """A kind of frame: its parts in order. Frames that are events come at no rate."""

    name: str
    parts: tuple[Part, ...]
    max_bytes: int
    is_event: bool = False

    def part(self, is_: PartIs) -> Part | None:
        """The first part of that kind, or None."""
        return next((part for part in self.parts if part.is_ == is_), None)

    def all(self, is_: PartIs) -> tuple[Part, ...]:
        """All parts of that kind, in order."""
        return tuple(part for part in self.parts if part.is_ == is_)


@dataclass(frozen=True)
class TextForm:
    """How lines are written. ``delimiter`` is 'tab', 'blanks' or the characters themselves.

    ``quote`` may stand around a value; empty where none does.
    """

    delimiter: str
    decimal: str = "."
    comment: str = ""
    header: bool = False
    quote: str = '"'


@dataclass(frozen=True)
class Channel:
    """What the counts of one channel mean: ``value = count * scale + offset`` in ``unit`` (SI).

    ``adc_min`` and ``adc_max`` are the converter's end codes (counts). ``amplifier_low`` and
    ``amplifier_high`` are the amplifier's rails in ``unit``, input-referred; None where not stated.
    ``ac_corner_hz`` and ``lowpass_hz`` are None where the channel has no such filter. ``label`` is the
    signal's name in an EDF file. With ``from_header`` that file says scale, offset and end codes: until it is
    read, ``scale`` is what 1 of the layout's unit is worth in ``unit``, ``offset`` 0, and the end codes those
    of 16 bits.
    """

    name: str
    kind: Kind
    unit: str
    scale: float
    offset: float
    sample_hz: float
    adc_min: int
    adc_max: int
    description: str = ""
    amplifier_low: float | None = None
    amplifier_high: float | None = None
    ac_corner_hz: float | None = None
    lowpass_hz: float | None = None
    label: str = ""
    from_header: bool = False

    @property
    def adc_low(self) -> float:
        """Value of the lowest code, in ``unit``."""
        return min(self.adc_min * self.scale, self.adc_max * self.scale) + self.offset

    @property
    def adc_high(self) -> float:
        """Value of the highest code, in ``unit``."""
        return max(self.adc_min * self.scale, self.adc_max * self.scale) + self.offset


@dataclass(frozen=True)
class Stream:
    """The samples of one rate in frames of one kind: what one time grid is made of.

    Attributes
    ----------
    frame : Frame
        The kind of frame.
    parts : tuple of Part
        Its samples parts at this rate; each has the same number of rows in a frame.
    channels : tuple of Channel
        Of all these parts, in their order: the columns of the counts.
    """

    frame: Frame
    parts: tuple[Part, ...]
    channels: tuple[Channel, ...]

    @property
    def sample_hz(self) -> float:
        """Nominal rate of all its channels; of events a rate that means nothing."""
        return self.channels[0].sample_hz


@dataclass(frozen=True)
class Layout:
    """One kind of dump. ``sha256`` is that of the file it was read from.

    ``sample_hz`` is the rate of the main stream. ``sector_bytes`` is 0 but for framing 'sectors'.
    """

    name: str
    title: str
    framing: Framing
    sample_hz: float
    tick_hz: float | None
    frames: tuple[Frame, ...]
    channels: tuple[Channel, ...]
    text: TextForm | None
    sha256: str
    sector_bytes: int = 0

    @cached_property
    def streams(self) -> tuple[Stream, ...]:
        """Every stream; the main one, which is the fastest (of equals the first), before the others."""
        by_name = {channel.name: channel for channel in self.channels}
        found = list[Stream]()
        for frame in self.frames:
            by_rate: dict[float, list[Part]] = {}
            for part in frame.all("samples"):
                by_rate.setdefault(by_name[part.channels[0]].sample_hz, []).append(part)
            for parts in by_rate.values():
                channels = tuple(by_name[name] for part in parts for name in part.channels)
                found.append(Stream(frame, tuple(parts), channels))
        return tuple(sorted(found, key=lambda stream: (stream.frame.is_event, -stream.sample_hz)))

    @property
    def main(self) -> Stream:
        """The fastest stream: its samples are those of ``samples.parquet``."""
        return self.streams[0]

    @property
    def frame(self) -> Frame:
        """The frame that carries the main stream."""
        return self.main.frame

    @property
    def sampled(self) -> tuple[Channel, ...]:
        """The channels of the main stream, in the order of its counts."""
        return self.main.channels
