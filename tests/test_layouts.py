"""Layout files: what counts are worth, which units are codes, and what a right file says."""

import hashlib
from pathlib import Path

import pytest
from layout_texts import BINARY, CONVERTER, TEXT, channel, right, told

from pipeline.layouts.catalogue import CATALOGUE
from pipeline.layouts.units import is_ucum

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
        ("samples", 0, 16, "big"),
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
