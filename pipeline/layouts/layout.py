"""The layout as the later steps see it: checked, complete, frozen."""

from dataclasses import dataclass, field
from typing import Literal

Kind = Literal["field", "acceleration", "other"]
PartIs = Literal["sync", "length", "sequence", "ticks", "samples", "checksum", "ignored"]

BINARY_TYPES: dict[str, tuple[int, bool]] = {
    f"{sign}{bits}": (bits // 8, sign == "i") for sign in "ui" for bits in (8, 16, 24, 32)
}
"""Number type -> (bytes, signed)."""


@dataclass(frozen=True)
class Checksum:
    """A cyclic redundancy check by the parameters of the Rocksoft model (Williams 1993).

    ``alias`` is the name under which a layout knows it, where that is not the catalogue's first.
    """

    name: str
    width: int
    poly: int
    init: int
    reflect_in: bool
    reflect_out: bool
    xor_out: int
    alias: str = field(default="", compare=False)

    @property
    def names(self) -> str:
        """Its names, for messages."""
        return f"{self.alias} ({self.name})" if self.alias else self.name


@dataclass(frozen=True)
class Part:
    """One part of a frame.

    ``n_bytes`` is its width in a binary frame (of one value for samples; 0 in text), ``count`` the
    values of each channel for samples (0 where the frame's length decides) and the bytes (in text: the
    columns) to skip for ignored ones. ``columns`` are header names in text, empty where position decides.
    ``wraps_at_bits`` is the width at which a counter wraps, 0 where it does not.
    """

    is_: PartIs
    n_bytes: int = 0
    signed: bool = False
    byte_order: Literal["little", "big"] = "little"
    count: int = 0
    channels: tuple[str, ...] = ()
    sync: bytes = b""
    counts_bytes: Literal["frame", "after_length", "samples"] = "frame"
    wraps_at_bits: int = 0
    columns: tuple[str, ...] = ()
    decimals: int = 0
    checksum: Checksum | None = None
    covers: Literal["frame", "after_sync"] = "after_sync"


@dataclass(frozen=True)
class Frame:
    """A kind of frame: its parts in order."""

    name: str
    parts: tuple[Part, ...]
    max_bytes: int

    def part(self, is_: PartIs) -> Part | None:
        """The first part of that kind, or None."""
        return next((part for part in self.parts if part.is_ == is_), None)


@dataclass(frozen=True)
class TextForm:
    """How lines are written. ``delimiter`` is 'tab', 'blanks' or the characters themselves."""

    delimiter: str
    decimal: str = "."
    comment: str = ""
    header: bool = False


@dataclass(frozen=True)
class Channel:
    """What the counts of one channel mean: ``value = count * scale + offset`` in ``unit`` (SI).

    ``adc_min`` and ``adc_max`` are the converter's end codes (counts). ``amplifier_low`` and
    ``amplifier_high`` are the amplifier's rails in ``unit``, input-referred; None where not stated.
    ``ac_corner_hz`` and ``lowpass_hz`` are None where the channel has no such filter.
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

    @property
    def adc_low(self) -> float:
        """Value of the lowest code, in ``unit``."""
        return min(self.adc_min * self.scale, self.adc_max * self.scale) + self.offset

    @property
    def adc_high(self) -> float:
        """Value of the highest code, in ``unit``."""
        return max(self.adc_min * self.scale, self.adc_max * self.scale) + self.offset


@dataclass(frozen=True)
class Layout:
    """One kind of dump. ``sha256`` is that of the file it was read from."""

    name: str
    title: str
    framing: Literal["sync", "text"]
    sample_hz: float
    tick_hz: float | None
    frames: tuple[Frame, ...]
    channels: tuple[Channel, ...]
    text: TextForm | None
    sha256: str

    @property
    def frame(self) -> Frame:
        """The frame that carries samples."""
        return next(frame for frame in self.frames if frame.part("samples"))

    @property
    def sampled(self) -> tuple[Channel, ...]:
        """The channels in the order in which the samples part interleaves them."""
        samples = self.frame.part("samples")
        by_name = {channel.name: channel for channel in self.channels}
        return tuple(by_name[name] for name in samples.channels) if samples else ()
