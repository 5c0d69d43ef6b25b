"""Layout files: what counts are worth, which units are codes, and what is said of a wrong file."""

import hashlib
import re
from pathlib import Path

import pytest

from pipeline.errors import Problem
from pipeline.layouts import Channel, Layout, load_layout
from pipeline.layouts.catalogue import CATALOGUE
from pipeline.layouts.units import is_ucum

BINARY = """\
framing = "sync"
sample_hz = 125
tick_hz = 32768

[[frame]]
[[frame.part]]
is = "sync"
bytes = "A5 5A"
[[frame.part]]
is = "sequence"
type = "u16"
[[frame.part]]
is = "ticks"
type = "u32"
[[frame.part]]
is = "samples"
type = "u16"
count = 10
channels = ["field"]
[[frame.part]]
is = "checksum"
name = "CRC-16/XMODEM"

[[channel]]
name = "field"
kind = "field"
unit = "V"
"""
TEXT = """\
framing = "text"
sample_hz = 125
tick_hz = 1000

[text]
delimiter = ","
header = true

[[frame]]
[[frame.part]]
is = "sequence"
column = "n"
bits = 16
[[frame.part]]
is = "ticks"
column = "ms"
[[frame.part]]
is = "samples"
channels = ["acc"]
decimals = 3

[[channel]]
name = "acc"
kind = "acceleration"
unit = "[g]"
scale = 1
adc_min = -2000
adc_max = 2000
"""
CONVERTER = "bits = 12\nreference_v = 3.0\nbias_v = 1.5\ngain = 5.0\n"


def read(path: Path, text: str) -> tuple[Layout | None, list[Problem]]:
    file = path / "strap.toml"
    file.write_text(text)
    problems: list[Problem] = []
    return load_layout(file, "layouts/strap.toml", problems), problems


def right(path: Path, text: str) -> Layout:
    layout, problems = read(path, text)
    assert problems == []
    assert layout is not None
    return layout


def channel(path: Path, text: str) -> Channel:
    return right(path, text).channels[0]


def told(path: Path, text: str, *faults: tuple[str, ...]) -> None:
    """Each fault's parts stand in one message, in their order, and there are no other messages."""
    layout, problems = read(path, text)
    messages = [str(problem) for problem in problems]
    assert layout is None
    for parts in faults:
        pattern = re.compile(".*".join(re.escape(part) for part in ("layouts/strap.toml", *parts)))
        fitting = [message for message in messages if pattern.search(message)]
        assert len(fitting) == 1, f"{parts} in {messages}"
        assert ": expected " in fitting[0]
        assert "; found " in fitting[0]
    assert len(messages) == len(faults), messages


# ---------------------------------------------------------------- what counts are worth


@pytest.mark.parametrize(
    ("kind", "keys", "values"),
    [
        # Worked by hand: (code x reference / 2^bits - bias) / gain; common practice, no source.
        # 10 bit, 3.3 V, mid-rail 1.65 V, gain 6: code 512 is 1.65 V at the converter.
        (
            "u16",
            "bits = 10\nreference_v = 3.3\nbias_v = 1.65\ngain = 6\n",
            {512: 0.0, 0: -0.275, 1023: 0.275 - 3.3 / 1024 / 6, 256: -0.1375},
        ),
        # 12 bit, 3.0 V, mid-rail 1.5 V, gain 5: 0.6 V across 4096 codes.
        ("u16", CONVERTER, {2048: 0.0, 0: -0.3, 1024: -0.15, 3072: 0.15, 4095: 0.3 - 0.6 / 4096}),
        # The same without a stated bias: unsigned codes stand about mid-rail.
        ("u16", CONVERTER.replace("bias_v = 1.5\n", ""), {2048: 0.0, 0: -0.3}),
        # 12 bit carried in a signed 16-bit number whose codes begin at 0: still about mid-rail.
        ("i16", CONVERTER.replace("bias_v = 1.5\n", "adc_min = 0\n"), {2048: 0.0, 0: -0.3}),
        # 16 bit signed, 2.048 V across 65536 codes, gain 2: 15.625 uV a count, nothing at code 0.
        (
            "i16",
            "reference_v = 2.048\ngain = 2\n",
            {0: 0.0, 1: 15.625e-6, -32768: -0.512, 32767: 0.511984375},
        ),
        # 24 bit unsigned, 2.5 V, mid-rail, gain 1: 2^23 is the middle.
        ("u24", "reference_v = 2.5\ngain = 1\n", {1 << 23: 0.0, 0: -1.25, 1 << 22: -0.625}),
        # 24 bit signed, 4.8 V, gain 24: 0.2 V across 2^24 codes.
        ("i24", "reference_v = 4.8\ngain = 24\n", {0: 0.0, -(1 << 23): -0.1, 1 << 22: 0.05}),
        # Stated scale and offset, in millivolts.
        ("u16", "scale = 0.5\noffset = -1024\n", {0: -1024.0, 2048: 0.0, 4: -1022.0}),
    ],
)
def test_value_of_a_code(tmp_path: Path, kind: str, keys: str, values: dict[int, float]) -> None:
    made = channel(tmp_path, BINARY.replace('type = "u16"\ncount', f'type = "{kind}"\ncount') + keys)
    for code, volts in values.items():
        assert made.adc_min <= code <= made.adc_max
        assert code * made.scale + made.offset == pytest.approx(volts, rel=1e-12, abs=1e-15)


@pytest.mark.parametrize(
    ("kind", "keys", "codes"),
    [
        ("u16", "bits = 10\n", (0, 1023)),
        ("u16", "bits = 12\n", (0, 4095)),
        ("i16", "bits = 12\n", (-2048, 2047)),
        ("i16", "bits = 12\nadc_min = 0\n", (0, 4095)),
        ("u16", "", (0, 65535)),
        ("i16", "", (-32768, 32767)),
        ("u24", "", (0, 16777215)),
        ("i24", "", (-8388608, 8388607)),
        ("i16", "adc_min = -32767\nadc_max = 32766\n", (-32767, 32766)),
    ],
)
def test_end_codes(tmp_path: Path, kind: str, keys: str, codes: tuple[int, int]) -> None:
    text = BINARY.replace('type = "u16"\ncount', f'type = "{kind}"\ncount') + "reference_v = 3\ngain = 1\n"
    made = channel(tmp_path, text + keys)
    assert (made.adc_min, made.adc_max) == codes


def test_rails_are_input_referred(tmp_path: Path) -> None:
    # (0.1 V - 1.5 V) / 5 = -0.28 V and (2.9 V - 1.5 V) / 5 = 0.28 V.
    made = channel(tmp_path, BINARY + CONVERTER + "amplifier_low_v = 0.1\namplifier_high_v = 2.9\n")
    assert made.amplifier_low == pytest.approx(-0.28)
    assert made.amplifier_high == pytest.approx(0.28)
    assert (made.adc_low, made.adc_high) == pytest.approx((-0.3, 0.3 - 0.6 / 4096))


def test_one_rail_alone(tmp_path: Path) -> None:
    made = channel(tmp_path, BINARY + CONVERTER + "amplifier_high_v = 2.9\n")
    assert made.amplifier_low is None
    assert made.amplifier_high == pytest.approx(0.28)


def test_falling_scale_turns_the_ends_about(tmp_path: Path) -> None:
    made = channel(tmp_path, BINARY + "bits = 12\nscale = -0.001\n")
    assert (made.adc_low, made.adc_high) == pytest.approx((-4.095, 0.0))


def test_decimals_in_text_are_counts(tmp_path: Path) -> None:
    # "-0.981" with three decimals is the count -981, in units of a thousandth of free fall;
    # standard gravity is 9.80665 m/s2 (CGPM 1901).
    made = channel(tmp_path, TEXT)
    assert made.unit == "m/s2"
    assert -981 * made.scale + made.offset == pytest.approx(-0.981 * 9.80665)
    assert (made.adc_low, made.adc_high) == pytest.approx((-2 * 9.80665, 2 * 9.80665))


# ---------------------------------------------------------------- units


@pytest.mark.parametrize(
    ("kind", "unit", "si", "factor"),
    [
        ("field", "V", "V", 1),
        ("field", "mV", "V", 1e-3),
        ("field", "uV", "V", 1e-6),
        ("acceleration", "m/s2", "m/s2", 1),
        ("acceleration", "[g]", "m/s2", 9.80665),  # UCUM: [g] is 9.80665 m/s2
        ("acceleration", "m[g]", "m/s2", 9.80665e-3),
        ("other", "Cel", "Cel", 1),
        ("other", "mg", "mg", 1),  # a milligram, of what is no acceleration
    ],
)
def test_units_become_si(tmp_path: Path, kind: str, unit: str, si: str, factor: float) -> None:
    text = BINARY.replace('kind = "field"\nunit = "V"', f'kind = "{kind}"\nunit = "{unit}"')
    made = channel(tmp_path, text + "scale = 2\noffset = 3\n")
    assert made.unit == si
    assert (made.scale, made.offset) == pytest.approx((2 * factor, 3 * factor))


@pytest.mark.parametrize(
    ("kind", "unit", "parts"),
    [
        ("field", "uVolt", ("one of V, mV, uV", "'uVolt'", "case-sensitive")),
        ("field", "µV", ("one of V, mV, uV", "'µV'", "case-sensitive")),
        ("field", "m[g]", ("one of V, mV, uV", "'m[g]'", "case-sensitive")),
        ("acceleration", "g", ("m/s2, [g], m[g]", "'g' (gram; the unit of free fall is [g])", "UCUM")),
        ("acceleration", "mg", ("m/s2, [g], m[g]", "'mg' (milligram; a thousandth", "m[g])", "UCUM")),
        ("acceleration", "G", ("m/s2, [g], m[g]", "'G' (gauss", "UCUM")),
        ("other", "sec", ("a UCUM code", "'sec'", "V, mV, uV, s")),
    ],
)
def test_units_that_are_refused(tmp_path: Path, kind: str, unit: str, parts: tuple[str, ...]) -> None:
    text = BINARY.replace('kind = "field"\nunit = "V"', f'kind = "{kind}"\nunit = "{unit}"')
    told(tmp_path, text + "scale = 2\n", ("key channel[0].unit", *parts))


# The Unified Code for Units of Measure (ucum.org): case-sensitive symbols, prefixes before metric units only.
UCUM = (
    "V uV m/s2 m.s-2 [g] m[g] Hz kHz s ms min h Cel K Pa hPa % [ppm] deg rad/s deg/s uT pF MOhm mm[Hg] 1 /min"
)
NOT_UCUM = "uVolt sec hz HZ v volt °C degC µV m/s^2 m/s² V/ u% kmin [G] m//s ppm {step 1.5V +1"


@pytest.mark.parametrize("code", [*UCUM.split(), "{step}/min"])
def test_ucum_codes(code: str) -> None:
    assert is_ucum(code)


@pytest.mark.parametrize("code", [*NOT_UCUM.split(), "", "m s-2", "mbar "])
def test_what_is_no_ucum_code(code: str) -> None:
    assert not is_ucum(code)


# ---------------------------------------------------------------- checksums


@pytest.mark.parametrize("name", CATALOGUE)
def test_parameters_equal_the_catalogue(tmp_path: Path, name: str) -> None:
    row = CATALOGUE[name]
    parameters = (
        f"width = {row.width}\npoly = 0x{row.poly:X}\ninit = 0x{row.init:X}\n"
        f"reflect_in = {str(row.reflect_in).lower()}\nreflect_out = {str(row.reflect_out).lower()}\n"
        f"xor_out = 0x{row.xor_out:X}\n"
    )
    by_name = right(tmp_path, BINARY.replace("CRC-16/XMODEM", name) + CONVERTER)
    by_parameters = right(tmp_path, BINARY.replace('name = "CRC-16/XMODEM"\n', parameters) + CONVERTER)
    named, stated = by_name.frame.part("checksum"), by_parameters.frame.part("checksum")
    assert named is not None
    assert stated is not None
    assert named.checksum is not None
    assert stated.checksum is not None
    assert named.n_bytes == stated.n_bytes == row.width // 8
    for key in ("width", "poly", "init", "reflect_in", "reflect_out", "xor_out"):
        assert getattr(named.checksum, key) == getattr(stated.checksum, key) == getattr(row, key)


def test_alias_and_lower_case(tmp_path: Path) -> None:
    # RevEng's catalogue lists CRC-16/ZMODEM as an alias of CRC-16/XMODEM.
    layout = right(tmp_path, BINARY.replace("CRC-16/XMODEM", "crc-16/zmodem") + CONVERTER)
    part = layout.frame.part("checksum")
    assert part is not None
    assert part.checksum == CATALOGUE["CRC-16/XMODEM"]


# ---------------------------------------------------------------- the layout as a whole


def test_binary_layout(tmp_path: Path) -> None:
    text = BINARY.replace("sample_hz", 'byte_order = "big"\nsample_hz') + CONVERTER
    layout = right(tmp_path, text)
    assert (layout.name, layout.title, layout.framing, layout.text) == ("strap", "strap", "sync", None)
    assert (layout.sample_hz, layout.tick_hz) == (125.0, 32768.0)
    assert layout.sha256 == hashlib.sha256(text.encode()).hexdigest()
    parts = [(part.is_, part.n_bytes, part.wraps_at_bits, part.byte_order) for part in layout.frame.parts]
    assert parts == [
        ("sync", 2, 0, "big"),
        ("sequence", 2, 16, "big"),
        ("ticks", 4, 32, "big"),
        ("samples", 2, 16, "big"),
        ("checksum", 2, 16, "big"),
    ]
    assert layout.frame.parts[0].sync == b"\xa5\x5a"
    assert [made.name for made in layout.sampled] == ["field"]


def test_text_layout(tmp_path: Path) -> None:
    layout = right(tmp_path, TEXT)
    assert layout.text is not None
    assert (layout.text.delimiter, layout.text.decimal, layout.text.header) == (",", ".", True)
    parts = [(part.is_, part.columns, part.wraps_at_bits) for part in layout.frame.parts]
    assert parts == [("sequence", ("n",), 16), ("ticks", ("ms",), 0), ("samples", ("acc",), 0)]


def test_rate_of_the_channels_is_the_layouts(tmp_path: Path) -> None:
    layout = right(tmp_path, BINARY + CONVERTER + "sample_hz = 250\n")
    assert layout.sample_hz == layout.channels[0].sample_hz == 250.0


# ---------------------------------------------------------------- faults

SAMPLES = 'is = "samples"\ntype = "u16"\ncount = 10\n'
SEQUENCE = '[[frame.part]]\nis = "sequence"\ntype = "u16"\n'
CHECKSUM = '[[frame.part]]\nis = "checksum"\nname = "CRC-16/XMODEM"\n'
FREE = 'name = "CRC-16/XMODEM"'


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ('"sync"\nsample', '"slip"\nsample', ("key framing", "one of sync, text", "'slip'", "How frames")),
        ("sample_hz = 125", "", ("key sample_hz", "a number above 0 in Hz", "no such key", "Add it")),
        ("sample_hz = 125", "sample_hz = 0", ("key sample_hz", "above 0 in Hz", "0", "Nominal")),
        ("sample_hz = 125", "sample_hz = inf", ("key sample_hz", "above 0 in Hz", "inf", "Nominal")),
        ("sample_hz = 125", "sample_hz = 1" + "0" * 400, ("key sample_hz", "above 0", "...", "Nominal")),
        ("sample_hz = 125", "sampel_hz = 125\nsample_hz = 125", ("key sampel_hz", "mean 'sample_hz'?")),
        (
            "sample_hz = 125",
            "sample_hz = 1" + "0" * 5000,
            ("expected TOML", "text that is none (", "limit", "Correct it"),
        ),
        (
            "tick_hz = 32768",
            "",
            ("key frame[0].part", "tick_hz beside the ticks", "no such key", "Add tick_hz"),
        ),
        ('"A5 5A"', '"A5 5"', ("part[0].bytes", "hexadecimal", "'A5 5'", "'A5 5A'")),
        ('bytes = "A5 5A"', "", ("part[0].bytes", "hexadecimal", "no such key", "'A5 5A'")),
        (
            'bytes = "A5 5A"',
            'bytes = "A5"\ncount = 1',
            ("part[0].count", "keys of 'sync'", "'count'", "Remove"),
        ),
        ('is = "sync"', 'is = "synch"', ("part[0].is", "one of sync", "'synch'", "What the part is")),
        (
            'is = "ticks"\ntype = "u32"',
            'is = "ticks"',
            ("part[2].type", "a number type", "no such key", "Add"),
        ),
        ('type = "u32"', 'type = "i32"', ("part[2].type", "unsigned", "'i32'", "Counters have no sign")),
        ('type = "u32"', 'type = "u48"', ("part[2].type", "one of u8", "'u48'", "Number type")),
        (
            'type = "u32"',
            'type = "u32"\nbits = 32',
            ("part[2].bits", "framing 'sync'", "'bits'", "Remove it"),
        ),
        ("count = 10", "count = 0", ("part[3].count", "at least 1", "0", "Samples")),
        ("count = 10", "count = 1.5", ("part[3].count", "a whole number", "1.5", "Samples")),
        ("count = 10\n", "", ("frame[0].part", "count of the samples", "neither", "Add count")),
        (
            "count = 10",
            "count = 10\ndecimals = 2",
            ("part[3].decimals", "framing 'sync'", "Remove it, or set"),
        ),
        (
            '["field"]',
            '["field", "field"]',
            ("part[3].channels", "each channel once", "'field' 2 times", "Rename"),
        ),
        (FREE, 'name = "CRC-16/XMODE"', ("part[4].name", "the catalogue", "'CRC-16/XMODE'", "CRC-16/XMODEM")),
        (FREE, 'name = "?"', ("part[4].name", "the catalogue", "'?'", "Give its parameters")),
        (FREE, "width = 16", ("part[4].name", "all parameters", "no poly, init", "Add what is missing")),
        (FREE, FREE + "\npoly = 7", ("part[4].name", "either a name", "name and poly", "Remove")),
        (
            FREE,
            "width = 8\npoly = 0x107\ninit = 0\nreflect_in = false\nreflect_out = false\nxor_out = 0",
            ("part[4].poly", "8 bits", "0x107", "Correct it or width"),
        ),
        (
            'kind = "field"',
            'kind = "electric"',
            ("channel[0].kind", "one of field", "'electric'", "measures"),
        ),
        ("bits = 12", "bits = 24", ("channel[0].bits", "16 bits", "24", "Correct one")),
        ("bits = 12", "bits = 64", ("channel[0].bits", "at most 32 in bits", "64", "Width")),
        ("bits = 12", "bits = 12\nadc_max = 0", ("channel[0].adc_max", "above adc_min = 0", "0", "Correct")),
        ("bits = 12", "bits = 12\nadc_min = -1", ("channel[0].adc_min", "from 0 to 65535", "-1", "Correct")),
        ("gain = 5.0", "", ("channel[0].gain", "together", "no such key", "Add it")),
        ("gain = 5.0", "gain = -5.0", ("channel[0].gain", "above 0 in V/V", "-5.0", "Amplification")),
        ("gain = 5.0", "gain = 5.0\nscale = 1", ("channel[0].scale", "either scale or", "both", "Remove")),
        ("gain = 5.0", "gain = 5.0\noffset = 1", ("channel[0].offset", "either offset or", "both", "Remove")),
        (CONVERTER, "", ("channel[0].scale", "scale, or reference_v", "neither", "one count is worth")),
        (CONVERTER, "scale = 0", ("channel[0].scale", "scale, or", "a scale of 0", "one count is worth")),
        (
            CONVERTER,
            "scale = 1\namplifier_high_v = 3",
            ("channel[0].amplifier_high_v", "beside reference_v and gain", "not both", "or remove the rails"),
        ),
        (
            "gain = 5.0",
            "gain = 5.0\namplifier_low_v = 2.9\namplifier_high_v = 0.1",
            ("channel[0].amplifier_high_v", "above amplifier_low_v = 2.9", "0.1", "Correct"),
        ),
        (
            "gain = 5.0",
            "gain = 5.0\nac_corner_hz = 40\nlowpass_hz = 0.1",
            ("channel[0].lowpass_hz", "above ac_corner_hz = 40", "0.1", "Correct"),
        ),
        (
            'kind = "field"\nunit = "V"',
            'kind = "acceleration"\nunit = "[g]"',
            ("channel[0].reference_v", "not 'field'", "reference_v", "Give scale instead"),
        ),
    ],
)
def test_faults_of_a_binary_layout(tmp_path: Path, old: str, new: str, parts: tuple[str, ...]) -> None:
    text = BINARY + CONVERTER
    assert old in text
    told(tmp_path, text.replace(old, new, 1), parts)


def test_channel_that_the_samples_do_not_list(tmp_path: Path) -> None:
    told(
        tmp_path,
        (BINARY + CONVERTER).replace('["field"]', '["feild"]'),
        ("key channel", "a [[channel]] for each", "none named 'feild'", "Did you mean 'field'?"),
        ("key channel", "only the samples' channels", "'field', which no", "Did you mean 'feild'?"),
    )


def test_no_samples(tmp_path: Path) -> None:
    text = BINARY.replace('is = "samples"\ntype = "u16"', 'is = "ignored"').replace(
        'channels = ["field"]\n', ""
    )
    told(
        tmp_path,
        text + "scale = 1\n",
        ("key frame[0].part", "exactly one 'samples'", "0", "Describe"),
        ("key channel", "only the samples' channels", "'field'", "List it there"),
    )


def test_no_parts(tmp_path: Path) -> None:
    parts = BINARY[BINARY.index("[[frame.part]]\nis") : BINARY.index("[[channel")]
    told(
        tmp_path,
        BINARY.replace(parts, "part = []\n") + CONVERTER,
        ("key frame[0].part", "exactly one 'samples'", "0", "Describe"),
        ("key channel", "only the samples' channels", "'field'", "List it there"),
    )


def test_two_frames(tmp_path: Path) -> None:
    frame = BINARY[BINARY.index("[[frame]]") : BINARY.index("[[channel]]")]
    told(
        tmp_path,
        BINARY.replace(frame, frame * 2) + CONVERTER,
        ("key frame", "one [[frame]]", "2 frames", "one kind"),
    )


def test_nothing_at_all(tmp_path: Path) -> None:
    names = ("framing", "sample_hz", "frame", "channel")
    told(tmp_path, "", *((f"key {name}:", "no such key", "Add it") for name in names))


@pytest.mark.parametrize("name", ["Field", "field 1", "1st", "", "sample", "time_s", "quality", "f" * 41])
def test_names_that_no_column_takes(tmp_path: Path, name: str) -> None:
    text = BINARY.replace('name = "field"', f'name = "{name}"').replace('["field"]', f'["{name}"]')
    rule = "lower-case letters, digits and '_', not sample, time_s, quality"
    told(tmp_path, text + CONVERTER, ("key channel[0].name", rule, f"'{name}'", "column name"))


def test_order_of_parts(tmp_path: Path) -> None:
    sync = '[[frame.part]]\nis = "sync"\nbytes = "A5 5A"\n'
    text = (BINARY + CONVERTER).replace(sync, "").replace(CHECKSUM, CHECKSUM + SEQUENCE + sync)
    told(
        tmp_path,
        text,
        ("key frame[0].part", "at most one 'sequence'", "2", "Remove the others"),
        ("key frame[0].part", "'sync' as the first part", "'sequence'", "Begin with the fixed bytes"),
        ("key frame[0].part", "'checksum' as the last part", "'sync'", "Move the checksum"),
    )


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        (
            TEXT[TEXT.index("[text]") : TEXT.index("[[frame]]")],
            "",
            ("key text", "a table", "no such", "Add [text]"),
        ),
        ('delimiter = ","', "", ("key text.delimiter", "a string", "no such key", "Add it")),
        ('delimiter = ","', 'delimiter = ""', ("text.delimiter", "characters", "''", "Name the characters")),
        ('delimiter = ","', 'delimiter = "."', ("text.delimiter", "nor the decimal sign", "'.'", "Name")),
        ('delimiter = ","', 'delimiter = "0"', ("text.delimiter", "neither digits", "'0'", "Name")),
        ("header = true", "decimal = ','\nheader = true", ("text.delimiter", "decimal sign", "','", "Name")),
        ("header = true", "header = 1", ("key text.header", "true or false", "1", "Whether")),
        ('column = "n"\n', "", ("part[0].column", "lines have a header", "no such key", "Add it")),
        (
            'column = "n"',
            'column = "ms"',
            ("part[1].column", "each column once", "'ms' twice", "Name another"),
        ),
        (
            "decimals = 3",
            'columns = ["x", "y"]',
            ("part[2].columns", "one column for each channel", "2 columns for 1 channels", "channels' order"),
        ),
        (
            "decimals = 3",
            'type = "i16"',
            ("part[2].type", "framing 'text'", "'type'", "set framing = 'sync'"),
        ),
        ("adc_min = -2000\n", "", ("channel[0].bits", "bits, or adc_min and adc_max", "no such", "Add bits")),
        (
            "[[channel]]",
            '[[frame.part]]\nis = "checksum"\n[[channel]]',
            ("frame[0].part", "stand in lines", "'checksum'", "set framing = 'sync'"),
        ),
    ],
)
def test_faults_of_a_text_layout(tmp_path: Path, old: str, new: str, parts: tuple[str, ...]) -> None:
    assert old in TEXT
    told(tmp_path, TEXT.replace(old, new, 1), parts)


def test_columns_without_a_header(tmp_path: Path) -> None:
    told(
        tmp_path,
        TEXT.replace("header = true\n", ""),
        ("frame[0].part[0].column", "header = true in [text]", "no header", "then the order decides"),
        ("frame[0].part[1].column", "header = true in [text]", "no header", "then the order decides"),
    )


def test_channels_of_two_rates(tmp_path: Path) -> None:
    text = TEXT.replace('["acc"]', '["acc", "acc2"]') + (
        '[[channel]]\nname = "acc2"\nkind = "acceleration"\nunit = "[g]"\n'
        "scale = 1\nbits = 8\nsample_hz = 50\n"
    )
    told(tmp_path, text, ("key channel", "one rate", "50 Hz and 125 Hz", "Give all channels"))


def test_same_name_twice(tmp_path: Path) -> None:
    text = TEXT + TEXT[TEXT.index("[[channel]]") :]
    told(tmp_path, text, ("key channel", "one channel of each name", "'acc' 2 times", "Rename one"))


def test_layout_that_cannot_be_read(tmp_path: Path) -> None:
    problems: list[Problem] = []
    (tmp_path / "latin.toml").write_bytes(b'title = "a"\n# \xe9\n')
    (tmp_path / "folder.toml").mkdir()
    for name in ("latin.toml", "folder.toml", "no.toml"):
        assert load_layout(tmp_path / name, name, problems) is None
    assert [str(problem) for problem in problems] == [
        "latin.toml, line 2, byte 14: expected UTF-8 text; found the byte 0xE9, which is none. "
        "Save the file as UTF-8.",
        "folder.toml: expected a readable file; found Is a directory. Check the path.",
        "no.toml: expected a TOML file; found no such file. Create it or correct the path.",
    ]
