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
    example: Any = None


LAYOUT = (
    Key("title", "string", "what kind of dump this is, in words", example="Radio capture of the strap"),
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
        example="little",
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
    Key("tick_hz", "number", "rate of the device's own tick counter", unit="Hz", above=0, example=32768.0),
    Key("text", "table", "how lines are written (framing 'text' only)"),
    Key("frame", "tables", "the parts of a frame, in the order in which they stand", required=True),
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
    Key("decimal", "string", "decimal sign", choices=(".", ","), example="."),
    Key("comment", "string", "lines that begin with this are comments", example="#"),
    Key("header", "boolean", "whether the first line that is not a comment names the columns", example=True),
)

FRAME = (
    Key("name", "string", "name of this kind of frame", example="field"),
    Key("max_bytes", "integer", "longest frame that is believed, for frames that state their length", minimum=1),
    Key("part", "tables", "one part of the frame", required=True),
)

PART = (
    Key(
        "is",
        "string",
        "what the part is",
        required=True,
        choices=("sync", "length", "sequence", "ticks", "samples", "checksum", "ignored"),
    ),
    Key("bytes", "string", "sync: the fixed bytes, in hexadecimal", example="A5 5A"),
    Key(
        "type",
        "string",
        "number type in binary frames: u or i (unsigned, two's complement) and the number of bits",
        choices=("u8", "u16", "u24", "u32", "i8", "i16", "i24", "i32"),
    ),
    Key("byte_order", "string", "byte order of this part alone", choices=("little", "big")),
    Key("count", "integer", "samples: values of each channel in one frame; ignored: bytes", minimum=1),
    Key("channels", "strings", "samples: the channels, in the order in which they are interleaved"),
    Key(
        "counts_bytes",
        "string",
        "length: what the stated number counts",
        choices=("frame", "after_length", "samples"),
    ),
    Key("bits", "integer", "sequence or ticks in text: width at which the counter wraps", minimum=8, maximum=64),
    Key("column", "string", "text with a header: name of the column"),
    Key("columns", "strings", "samples in text with a header: column names, where they are not the channels'"),
    Key("decimals", "integer", "samples in text: digits after the decimal sign", minimum=0, maximum=9),
    Key("name", "string", "checksum: its name in the catalogue", example="CRC-16/XMODEM"),
    Key("width", "integer", "checksum by parameters: bits", minimum=8, maximum=64),
    Key("poly", "integer", "checksum by parameters: polynomial, without its leading term", minimum=0),
    Key("init", "integer", "checksum by parameters: initial value", minimum=0),
    Key("reflect_in", "boolean", "checksum by parameters: bits of each byte reversed"),
    Key("reflect_out", "boolean", "checksum by parameters: bits of the result reversed"),
    Key("xor_out", "integer", "checksum by parameters: final exclusive or", minimum=0),
    Key(
        "covers",
        "string",
        "checksum: from which part on, up to the checksum itself (default: after the sync bytes)",
        choices=("frame", "after_sync"),
    ),
)

CHANNEL = (
    Key("name", "string", "column name in the dataset", required=True, example="field"),
    Key(
        "kind",
        "string",
        "what the channel measures",
        required=True,
        choices=("field", "acceleration", "other"),
        example="field",
    ),
    Key("unit", "string", "unit by UCUM code, of `scale` and `offset` (m[g] is milli-g, g is gram)", required=True),
    Key("description", "string", "what the channel is, for the data dictionary"),
    Key("sample_hz", "number", "sampling rate of this channel", unit="Hz", above=0),
    Key("bits", "integer", "width of the converter; its range follows from it", minimum=2, maximum=32),
    Key("adc_min", "integer", "lowest code of the converter, where it is not the type's own"),
    Key("adc_max", "integer", "highest code of the converter, where it is not the type's own"),
    Key("reference_v", "number", "voltage across the converter's whole range", unit="V", above=0),
    Key("bias_v", "number", "voltage at the converter while nothing is sensed (mid-rail)", unit="V"),
    Key("gain", "number", "amplification between electrode and converter", unit="1", above=0),
    Key("amplifier_low_v", "number", "lowest output of the amplifier, at the converter", unit="V"),
    Key("amplifier_high_v", "number", "highest output of the amplifier, at the converter", unit="V"),
    Key("scale", "number", "unit per count, where no reference and gain are given"),
    Key("offset", "number", "value at count 0, where no reference and gain are given"),
    Key("ac_corner_hz", "number", "corner frequency of the AC coupling", unit="Hz", above=0),
    Key("lowpass_hz", "number", "corner frequency of the low-pass before the converter", unit="Hz", above=0),
)

STUDY = (
    Key("title", "string", "name of the study", required=True, example="A pottery workshop (invented)"),
    Key("time_zone", "string", "IANA name of the zone in which people read the reports", example="Europe/Lisbon"),
    Key(
        "mains_hz",
        "number",
        "nominal frequency of the mains, 50 or 60, at every site that is not named below",
        required=True,
        unit="Hz",
        example=50,
    ),
    Key("sessions", "string", "table of sessions", example="sessions.csv"),
    Key("activities", "string", "activity log", example="activities.csv"),
    Key("policy", "string", "what differs from the built-in policy", example="policy.toml"),
    Key("layouts", "string", "folder of the layouts", example="layouts"),
    Key("site", "tables", "a site whose mains differs"),
)

SITE = (
    Key("name", "string", "as in the sessions table", required=True),
    Key("mains_hz", "number", "nominal frequency of the mains at this site", required=True, unit="Hz"),
)

SESSION_COLUMNS = (
    Key("session", "string", "unique name: letters, digits, hyphens", required=True),
    Key("participant", "string", "who wore the device, by a code", required=True),
    Key("site", "string", "where", required=True),
    Key("device", "string", "which device", required=True),
    Key("layout", "string", "file name in the layouts folder, without .toml", required=True),
    Key("dumps", "string", "paths below the study folder, several parts separated by ';'", required=True),
    Key("started_at", "string", "start by RFC 3339 with offset", required=True, example="2026-03-02T09:30:00+00:00"),
)

ACTIVITY_COLUMNS = (
    Key("session", "string", "as in the sessions table", required=True),
    Key("start_s", "number", "seconds from the session's first sample", required=True, unit="s"),
    Key("stop_s", "number", "seconds from the session's first sample", required=True, unit="s"),
    Key("activity", "string", "what was done", required=True),
    Key("intensity", "string", "how much of the body moved", required=True, choices=("rest", "hand", "arm", "body")),
)
