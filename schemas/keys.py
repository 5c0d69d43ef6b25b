"""What a user may write: the keys of layouts, studies and policies, described once.

The checks, the commented files of ``sessiongate new`` and the documentation are made from these tables.
"""

from dataclasses import dataclass
from typing import Any, Literal

KeyType = Literal["string", "integer", "number", "boolean", "strings", "table", "tables"]


@dataclass(frozen=True)
class Key:
    """One key of a TOML table.

    ``minimum`` and ``above`` bound numbers (inclusive, exclusive); ``choices`` closes a set of strings.
    ``parts`` are the kinds of part that take the key and ``framing`` the framing that does; empty: all.
    ``example`` is what stands in the files of ``sessiongate new``; ``default`` says in words what holds
    without the key, empty where it is required.
    """

    name: str
    type: KeyType
    description: str
    required: bool = False
    unit: str = ""
    choices: tuple[str, ...] = ()
    minimum: float | None = None
    above: float | None = None
    maximum: float | None = None
    default: str = ""
    example: Any = None
    parts: tuple[str, ...] = ()
    framing: Literal["", "sync", "text"] = ""


LAYOUT = (
    Key(
        "title",
        "string",
        "what kind of dump this is, in words",
        default="the file's name",
        example="Radio capture of the strap (invented)",
    ),
    Key(
        "framing",
        "string",
        "how frames stand in the dump: 'sync' for binary frames that begin with fixed bytes, 'text' for lines",
        required=True,
        choices=("sync", "text"),
        example="sync",
    ),
    Key(
        "byte_order",
        "string",
        "order of the bytes of a number, for every part that does not say otherwise",
        choices=("little", "big"),
        default="little",
        example="little",
        framing="sync",
    ),
    Key(
        "sample_hz",
        "number",
        "nominal sampling rate of every channel that does not say otherwise",
        required=True,
        unit="Hz",
        above=0,
        example=125.0,
    ),
    Key(
        "tick_hz",
        "number",
        "rate of the device's own tick counter; needed with a 'ticks' part",
        unit="Hz",
        above=0,
        default="no ticks",
        example=32768.0,
    ),
    Key(
        "text",
        "table",
        "how lines are written; no key is needed for line ends (LF, CR, CRLF, mixed) and for chatter between the lines",
        default="needed with framing 'text'",
        framing="text",
    ),
    Key(
        "frame",
        "tables",
        "the parts of a frame, in the order in which they stand; in text a frame is a line, and without a "
        "header the order of the parts is the order of the columns",
        required=True,
    ),
    Key("channel", "tables", "what each sample value means", required=True),
)

TEXT = (
    Key(
        "delimiter",
        "string",
        "what stands between values: any characters, or 'tab', or 'blanks' for any run of blanks",
        required=True,
        example=",",
    ),
    Key("decimal", "string", "decimal sign", choices=(".", ","), default="'.'", example="."),
    Key("comment", "string", "lines that begin with this are comments", default="no comments", example="#"),
    Key(
        "header",
        "boolean",
        "whether a line names the columns; parts are then found by `column` or `columns`, without one by "
        "their order",
        default="false",
        example=True,
    ),
)

FRAME = (
    Key("name", "string", "name of this kind of frame", default="frame", example="field and acceleration"),
    Key(
        "max_bytes",
        "integer",
        "longest frame that is believed, for frames that state their length",
        unit="bytes",
        minimum=1,
        default="4096",
        example=512,
        framing="sync",
    ),
    Key("part", "tables", "one part of the frame", required=True),
)

PART = (
    Key(
        "is",
        "string",
        "what the part is",
        required=True,
        choices=("sync", "length", "sequence", "ticks", "samples", "checksum", "ignored"),
        example="samples",
    ),
    Key(
        "bytes",
        "string",
        "the fixed bytes, in hexadecimal",
        default="needed",
        example="A5 5A",
        parts=("sync",),
        framing="sync",
    ),
    Key(
        "type",
        "string",
        "number type: u or i (unsigned, two's complement) and the number of bits",
        choices=("u8", "u16", "u24", "u32", "i8", "i16", "i24", "i32"),
        default="needed",
        example="u16",
        parts=("length", "sequence", "ticks", "samples"),
        framing="sync",
    ),
    Key(
        "byte_order",
        "string",
        "byte order of this part alone",
        choices=("little", "big"),
        default="as the layout says",
        example="big",
        parts=("length", "sequence", "ticks", "samples", "checksum"),
        framing="sync",
    ),
    Key(
        "count",
        "integer",
        "samples: values of each channel in one frame, not needed beside a 'length' part, from which it "
        "follows (in text: values of each channel in one line); ignored: bytes, or columns in text",
        minimum=1,
        default="1; needed for samples in binary frames without a 'length' part",
        example=10,
        parts=("samples", "ignored"),
    ),
    Key(
        "channels",
        "strings",
        "all channels of the frame, in the order in which they are interleaved",
        default="needed",
        example=("field", "acc_x"),
        parts=("samples",),
    ),
    Key(
        "counts_bytes",
        "string",
        "what the stated number counts: bytes of the whole frame, bytes after this part, or bytes of the "
        "samples",
        choices=("frame", "after_length", "samples"),
        default="frame",
        example="frame",
        parts=("length",),
        framing="sync",
    ),
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
        framing="text",
    ),
    Key(
        "column",
        "string",
        "name of the column, with a header",
        default="needed for sequence and ticks with a header",
        example="n",
        parts=("sequence", "ticks", "ignored"),
        framing="text",
    ),
    Key(
        "columns",
        "strings",
        "column names, with a header, where they are not the channels' names",
        default="the channels' names",
        example=("field", "acc_x"),
        parts=("samples",),
        framing="text",
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
        parts=("samples",),
        framing="text",
    ),
    Key(
        "name",
        "string",
        "its name in the catalogue of parametrised CRC algorithms",
        default="all parameters",
        example="CRC-16/XMODEM",
        parts=("checksum",),
        framing="sync",
    ),
    Key(
        "width",
        "integer",
        "instead of a name: bits",
        default="by name",
        unit="bits",
        minimum=8,
        maximum=64,
        example=16,
        parts=("checksum",),
        framing="sync",
    ),
    Key(
        "poly",
        "integer",
        "instead of a name: polynomial, without its leading term",
        default="by name",
        minimum=0,
        example=0x1021,
        parts=("checksum",),
        framing="sync",
    ),
    Key(
        "init",
        "integer",
        "instead of a name: initial value",
        default="by name",
        minimum=0,
        example=0,
        parts=("checksum",),
        framing="sync",
    ),
    Key(
        "reflect_in",
        "boolean",
        "instead of a name: bits of each byte reversed",
        default="by name",
        example=False,
        parts=("checksum",),
        framing="sync",
    ),
    Key(
        "reflect_out",
        "boolean",
        "instead of a name: bits of the result reversed",
        default="by name",
        example=False,
        parts=("checksum",),
        framing="sync",
    ),
    Key(
        "xor_out",
        "integer",
        "instead of a name: final exclusive or",
        default="by name",
        minimum=0,
        example=0,
        parts=("checksum",),
        framing="sync",
    ),
    Key(
        "covers",
        "string",
        "from where on, up to the checksum itself: from the frame's first byte, or after the sync bytes",
        choices=("frame", "after_sync"),
        default="after_sync",
        example="after_sync",
        parts=("checksum",),
        framing="sync",
    ),
)

CHANNEL = (
    Key(
        "name",
        "string",
        "column name in the dataset: lower-case letters, digits, '_'",
        required=True,
        example="field",
    ),
    Key(
        "kind",
        "string",
        "what the channel measures",
        required=True,
        choices=("field", "acceleration", "other"),
        example="field",
    ),
    Key(
        "unit",
        "string",
        "unit by UCUM code, of `scale` and `offset`: V, mV or uV for a field (V with reference_v), m/s2, [g] "
        "or m[g] for an acceleration (m[g] is milli-g, g is gram), any code for another kind",
        required=True,
        example="V",
    ),
    Key(
        "description",
        "string",
        "what the channel is, for the data dictionary",
        default="empty",
        example="electrode at the wrist, input-referred",
    ),
    Key(
        "sample_hz",
        "number",
        "sampling rate of this channel",
        unit="Hz",
        above=0,
        default="as the layout says",
        example=125.0,
    ),
    Key(
        "bits",
        "integer",
        "width of the converter; its range follows from it. Where text prints values in units, leave it out "
        "and give both adc_min and adc_max",
        unit="bits",
        minimum=2,
        maximum=32,
        default="that of the type; in text both end codes are needed instead",
        example=12,
    ),
    Key(
        "adc_min",
        "integer",
        "lowest code of the converter; in text the lowest number that can be printed, times 10^decimals "
        "(-2000 for -2.000 with decimals = 3)",
        default="the type's own, in text 0",
        example=0,
    ),
    Key(
        "adc_max",
        "integer",
        "highest code of the converter; in text the highest number that can be printed, times 10^decimals "
        "(2000 for 2.000 with decimals = 3)",
        default="adc_min + 2^bits - 1",
        example=4095,
    ),
    Key(
        "reference_v",
        "number",
        "voltage across the converter's whole range, for a field; gain goes with it, and scale does not",
        unit="V",
        above=0,
        default="scale says what a count is worth",
        example=3.0,
    ),
    Key(
        "bias_v",
        "number",
        "voltage at the converter while nothing is sensed",
        unit="V",
        default="mid-rail, or 0 where adc_min is below 0",
        example=1.5,
    ),
    Key(
        "gain",
        "number",
        "amplification between electrode and converter; goes with reference_v",
        unit="V/V",
        above=0,
        default="needed beside reference_v: there is no gain that is taken for granted",
        example=5.0,
    ),
    Key(
        "amplifier_low_v",
        "number",
        "lowest output of the amplifier, at the converter",
        unit="V",
        default="the converter's end alone is a rail",
        example=0.1,
    ),
    Key(
        "amplifier_high_v",
        "number",
        "highest output of the amplifier, at the converter",
        unit="V",
        default="the converter's end alone is a rail",
        example=2.9,
    ),
    Key(
        "scale",
        "number",
        "units for each 1 of the number: of the count in binary frames, of the number as printed in text, "
        "whatever decimals says (1 where it is printed in the unit)",
        default="needed unless reference_v and gain are given",
        example=0.00390625,
    ),
    Key(
        "offset",
        "number",
        "value where the number (in text: as printed) is 0, in the unit",
        default="0; with reference_v the bias decides",
        example=0.0,
    ),
    Key(
        "ac_corner_hz",
        "number",
        "corner frequency of the AC coupling",
        unit="Hz",
        above=0,
        default="no AC coupling",
        example=0.16,
    ),
    Key(
        "lowpass_hz",
        "number",
        "corner frequency of the low-pass before the converter",
        unit="Hz",
        above=0,
        default="no low-pass",
        example=40.0,
    ),
)

STUDY = (
    Key("title", "string", "name of the study", required=True, example="A pottery workshop (invented)"),
    Key(
        "time_zone",
        "string",
        "IANA name of the zone in which people read the reports",
        default="UTC",
        example="Europe/Lisbon",
    ),
    Key(
        "mains_hz",
        "number",
        "nominal frequency of the mains, 50 or 60, at every site that is not named below",
        required=True,
        unit="Hz",
        example=50,
    ),
    Key("sessions", "string", "table of sessions", default="sessions.csv", example="sessions.csv"),
    Key(
        "activities",
        "string",
        "activity log",
        default="activities.csv, where there is one",
        example="activities.csv",
    ),
    Key(
        "policy",
        "string",
        "what differs from the built-in policy",
        default="policy.toml, where there is one",
        example="policy.toml",
    ),
    Key("layouts", "string", "folder of the layouts", default="layouts", example="layouts"),
    Key("site", "tables", "a site whose mains differs", default="the mains is the same everywhere"),
)

SITE = (
    Key("name", "string", "as in the sessions table", required=True, example="kiln room"),
    Key(
        "mains_hz",
        "number",
        "nominal frequency of the mains at this site, 50 or 60",
        required=True,
        unit="Hz",
        example=60,
    ),
)

SESSION_COLUMNS = (
    Key(
        "session",
        "string",
        "unique name: letters, digits, hyphens, underscores",
        required=True,
        example="throwing-01",
    ),
    Key("participant", "string", "who wore the device, by a code", required=True, example="P01"),
    Key("site", "string", "where", required=True, example="throwing room"),
    Key("device", "string", "which device", required=True, example="strap-3"),
    Key(
        "layout", "string", "file name in the layouts folder, without .toml", required=True, example="binary"
    ),
    Key(
        "dumps",
        "string",
        "paths below the study folder, several parts separated by ';'",
        required=True,
        example="dumps/throwing-01.bin",
    ),
    Key(
        "started_at",
        "string",
        "start by RFC 3339 with its offset from UTC",
        required=True,
        example="2026-03-02T09:30:00+00:00",
    ),
)

ACTIVITY_COLUMNS = (
    Key("session", "string", "as in the sessions table", required=True, example="throwing-01"),
    Key(
        "start_s",
        "number",
        "start, from the session's first sample",
        required=True,
        unit="s",
        minimum=0,
        example=0,
    ),
    Key(
        "stop_s",
        "number",
        "end, from the session's first sample",
        required=True,
        unit="s",
        above=0,
        example=60,
    ),
    Key("activity", "string", "what was done", required=True, example="wedging"),
    Key(
        "intensity",
        "string",
        "how much of the body moved",
        required=True,
        choices=("rest", "hand", "arm", "body"),
        example="arm",
    ),
)
