"""The keys of ``[[frame.part]]``: what stands where in a frame.

A name may stand here several times, for other kinds of part or in other framings; no part takes two of them.
"""

from dataclasses import replace

from schemas.keys import BINARY, Key, KeyType

PARTS = {
    "sync": "fixed bytes with which a frame begins",
    "kind": "what stands in frames of this kind and tells them from those of others",
    "length": "how long the frame is",
    "sequence": "a counter that goes up by 1 from frame to frame, or by the number of rows",
    "ticks": "the device's own clock",
    "received": "the time stamp that the receiving host gave the frame",
    "samples": "counts of some of the channels; a frame may have several such parts",
    "checksum": "a check of the bytes before it: a cyclic redundancy check, or a simple sum",
    "ignored": "bytes, or columns, that are passed over",
}
"""What the kinds of part are."""

_COUNTERS = ("u8", "u16", "u24", "u32", "u40", "u48", "u56", "u64")
_FROM_HEADER = ("wav", "edf")

_IS = (
    Key(
        "is",
        "string",
        "what the part is",
        required=True,
        choices=("sync", "kind", "length", "sequence", "ticks", "received", "samples", "checksum", "ignored"),
        example="samples",
        framing=BINARY,
    ),
    Key(
        "is",
        "string",
        "what the part is",
        required=True,
        choices=("kind", "sequence", "ticks", "received", "samples", "ignored"),
        example="samples",
        framing=("text",),
    ),
    Key(
        "is",
        "string",
        "what the part is",
        required=True,
        choices=("samples",),
        example="samples",
        framing=_FROM_HEADER,
    ),
)

_NUMBER = (
    Key(
        "bytes",
        "string",
        "the fixed bytes, in hexadecimal",
        required=True,
        pattern=r" *[0-9A-Fa-f]{2}( *[0-9A-Fa-f]{2})* *",
        written="pairs of hexadecimal digits such as 'A5 5A'",
        example="A5 5A",
        parts=("sync",),
        framing=BINARY,
    ),
    Key(
        "type",
        "string",
        "number type: unsigned, and the number of bits",
        required=True,
        choices=_COUNTERS[:4],
        example="u8",
        parts=("kind", "length"),
        framing=BINARY,
    ),
    Key(
        "type",
        "string",
        "number type: unsigned, and the number of bits, at which the counter wraps",
        required=True,
        choices=_COUNTERS,
        example="u16",
        parts=("sequence", "ticks"),
        framing=BINARY,
    ),
    Key(
        "type",
        "string",
        "number type: unsigned, and the number of bits",
        required=True,
        choices=("u32", "u48", "u64"),
        example="u64",
        parts=("received",),
        framing=BINARY,
    ),
    Key(
        "type",
        "string",
        "number type: u, i or o (unsigned, two's complement, offset binary, whose count is the code less "
        "2^(bits-1)) and the number of bits. Widths that are no whole number of bytes are packed: with byte "
        "order 'little' from the least significant bit of each byte on, with 'big' from the most significant "
        "one; the samples of a part end on a whole byte",
        required=True,
        pattern=r"[uio]([89]|[12][0-9]|3[0-2])",
        written="u, i or o and 8 to 32 bits, such as 'i16'",
        example="i16",
        parts=("samples",),
        framing=BINARY,
    ),
    Key(
        "byte_order",
        "string",
        "byte order of this part alone",
        choices=("little", "big"),
        default="as the layout says",
        example="big",
        parts=("kind", "length", "sequence", "ticks", "received", "samples", "checksum"),
        framing=BINARY,
    ),
)

_KIND = (
    Key(
        "value",
        "integer",
        "the number that stands here in frames of this kind",
        required=True,
        minimum=0,
        maximum=2**32 - 1,
        example=1,
        parts=("kind",),
        framing=BINARY,
    ),
    Key(
        "value",
        "string",
        "the word that stands here in lines of this kind",
        required=True,
        example="F",
        parts=("kind",),
        framing=("text",),
    ),
)

_COUNTED = (
    Key(
        "count",
        "integer",
        "rows, that is values of each channel, in one frame; without it a 'length' part says how many, or in "
        "framings 'cobs' and 'slip' the packet's own length",
        minimum=1,
        maximum=1 << 20,
        default="needed for all samples parts of a frame but one",
        example=10,
        parts=("samples",),
        framing=BINARY,
    ),
    Key(
        "count",
        "integer",
        "rows, that is values of each channel, in one line",
        minimum=1,
        maximum=1 << 16,
        default="1",
        example=1,
        parts=("samples",),
        framing=("text",),
    ),
    Key(
        "count",
        "integer",
        "bytes that are passed over",
        minimum=1,
        maximum=1 << 20,
        default="1",
        example=2,
        parts=("ignored",),
        framing=BINARY,
    ),
    Key(
        "count",
        "integer",
        "columns that are passed over",
        minimum=1,
        maximum=1 << 16,
        default="1",
        example=2,
        parts=("ignored",),
        framing=("text",),
    ),
    Key(
        "channels",
        "strings",
        "its channels, in the order in which they stand; all of one rate",
        required=True,
        example=("field", "acc_x"),
        parts=("samples",),
    ),
    Key(
        "arrangement",
        "string",
        "one row after the other, or planar: all values of one channel, then all of the next",
        choices=("interleaved", "planar"),
        default="interleaved",
        example="interleaved",
        parts=("samples",),
        framing=BINARY,
    ),
    Key(
        "counts",
        "string",
        "what the stated number counts: bytes of the whole frame, bytes after this part, bytes of the "
        "samples, or rows of the samples",
        choices=("frame", "after_length", "samples", "rows"),
        default="frame",
        example="frame",
        parts=("length",),
        framing=BINARY,
    ),
    Key(
        "shared",
        "boolean",
        "one counter goes through frames of all kinds, not one through each kind",
        default="false",
        example=True,
        parts=("sequence",),
        framing=(*BINARY, "text"),
    ),
)

_COLUMNS = (
    Key(
        "bits",
        "integer",
        "width at which the counter wraps",
        unit="bits",
        minimum=8,
        maximum=64,
        default="it never wraps",
        example=16,
        parts=("sequence", "ticks"),
        framing=("text",),
    ),
    Key(
        "column",
        "string",
        "name of the column, with a header",
        default="needed with a header",
        example="n",
        parts=("kind", "sequence", "ticks", "received"),
        framing=("text",),
    ),
    Key(
        "column",
        "string",
        "name of the column, with a header; columns that no part names are passed over all the same",
        default="not needed",
        example="battery",
        parts=("ignored",),
        framing=("text",),
    ),
    Key(
        "columns",
        "strings",
        "column names, with a header, where they are not the channels' names",
        default="the channels' names",
        example=("field", "acc_x"),
        parts=("samples",),
        framing=("text",),
    ),
    Key(
        "decimals",
        "integer",
        "the most digits after the decimal sign in any of the columns; where a value has fewer, zeros are "
        "taken for them. A count is the number without its decimal sign: the number times 10^decimals",
        minimum=0,
        maximum=9,
        default="0",
        example=0,
        parts=("samples", "received"),
        framing=("text",),
    ),
)

_INSTANT = r"[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt ][0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]+)?([Zz]|[+-][0-9]{2}:[0-9]{2})"

_CLOCKS = (
    Key(
        "form",
        "string",
        "how the receiving host wrote its time stamp: a number, or date and time by RFC 3339 with the offset",
        choices=("number", "rfc3339"),
        default="number",
        example="number",
        parts=("received",),
        framing=("text",),
    ),
    Key(
        "hz",
        "number",
        "units of the receiving host's time stamp in a second: 1000 for milliseconds",
        required=True,
        unit="Hz",
        above=0,
        example=1000,
        parts=("received",),
        framing=BINARY,
    ),
    Key(
        "hz",
        "number",
        "units of the receiving host's time stamp in a second, as it is printed: 1 for seconds, whatever "
        "decimals says, 1000 for milliseconds",
        unit="Hz",
        above=0,
        default="needed with form 'number'",
        example=1000,
        parts=("received",),
        framing=("text",),
    ),
    Key(
        "epoch",
        "string",
        "when the number was 0, for clocks that know the date; by RFC 3339 with the offset from UTC",
        pattern=_INSTANT,
        written="an instant by RFC 3339 such as '1970-01-01T00:00:00Z'",
        default="the date is not known",
        example="1970-01-01T00:00:00Z",
        parts=("ticks", "received"),
        framing=(*BINARY, "text"),
    ),
)


def _parameter(name: str, key_type: KeyType, description: str, example: object, **bounds: float) -> Key:
    """A parameter of the Rocksoft model (Williams 1993)."""
    unit = "bits" if name == "width" else ""
    return replace(
        Key(
            name, key_type, f"instead of a name: {description}", unit=unit, default="by name", example=example
        ),
        parts=("checksum",),
        framing=BINARY,
        minimum=bounds.get("minimum"),
        maximum=bounds.get("maximum"),
    )


_CHECKSUM = (
    Key(
        "name",
        "string",
        "its name in the catalogue of parametrised CRC algorithms, or that of a sum: SUM-8, XOR-8, "
        "FLETCHER-16, ADLER-32, INTERNET-16",
        default="all parameters",
        example="CRC-16/XMODEM",
        parts=("checksum",),
        framing=BINARY,
    ),
    _parameter("width", "integer", "bits", 16, minimum=8, maximum=64),
    _parameter("poly", "integer", "polynomial, without its leading term", 0x1021, minimum=0),
    _parameter("init", "integer", "initial value", 0, minimum=0),
    _parameter("reflect_in", "boolean", "bits of each byte reversed", False),
    _parameter("reflect_out", "boolean", "bits of the result reversed", False),
    _parameter("xor_out", "integer", "final exclusive or", 0, minimum=0),
    Key(
        "covers",
        "string",
        "from where on, up to the checksum itself: from the frame's first byte, or after the sync bytes",
        choices=("frame", "after_sync"),
        default="after_sync",
        example="after_sync",
        parts=("checksum",),
        framing=BINARY,
    ),
)

PART = (*_IS, *_NUMBER, *_KIND, *_COUNTED, *_COLUMNS, *_CLOCKS, *_CHECKSUM)
