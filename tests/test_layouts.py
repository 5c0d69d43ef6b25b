"""Layout files: what counts are worth, which units are codes, and what a right file says."""

import hashlib
from pathlib import Path

import pytest
from layout_texts import (
    BINARY,
    CHECKSUM,
    CONVERTER,
    EDF,
    KINDS,
    SYNC,
    TEXT,
    TEXT_KINDS,
    WAV,
    channel,
    right,
    told,
)

from pipeline.layouts import Layout
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
        ("samples", 0, 0, "big"),
        ("checksum", 2, 0, "big"),
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


# ---------------------------------------------------------------- every framing and part


def parts_of(layout: Layout, frame: int, *names: str) -> list[tuple[object, ...]]:
    return [tuple(getattr(part, name) for name in names) for part in layout.frames[frame].parts]


def test_kinds_told_by_a_type_byte_with_their_own_rates(tmp_path: Path) -> None:
    layout = right(tmp_path, KINDS)
    assert [(frame.name, frame.is_event) for frame in layout.frames] == [
        ("field", False),
        ("acceleration", False),
        ("button", True),
    ]
    assert parts_of(layout, 0, "is_", "n_bytes", "bits", "value", "shared", "hz", "wraps_at_bits") == [
        ("sync", 1, 0, None, False, 0.0, 0),
        ("kind", 1, 8, 1, False, 0.0, 0),
        ("sequence", 2, 16, None, True, 0.0, 16),
        ("ticks", 4, 32, None, False, 1000.0, 32),
        ("samples", 0, 12, None, False, 0.0, 0),
        ("checksum", 2, 0, None, False, 0.0, 0),
    ]
    # 2026-03-02T08:30:00Z is 1772440200 s after 1970-01-01T00:00:00Z (date -u -d ... +%s of GNU coreutils)
    assert layout.frames[0].parts[3].epoch_s == 1772440200.0
    assert layout.frames[1].parts[3].epoch_s is None
    assert [(stream.frame.name, stream.sample_hz) for stream in layout.streams][:2] == [
        ("field", 500.0),
        ("acceleration", 50.0),
    ]
    assert layout.sample_hz == 500.0
    assert layout.frames[0].parts[4].samples_bytes(8) == 12  # 8 x 12 bits


def test_two_rates_in_one_frame(tmp_path: Path) -> None:
    part = '[[frame.part]]\nis = "samples"\ntype = "o16"\ncount = 2\narrangement = "planar"\n'
    part += 'channels = ["x", "y"]\n'
    keys = 'kind = "other"\nunit = "1"\nscale = 1\nsample_hz = 25\n'
    slow = "".join(f'[[channel]]\nname = "{name}"\n{keys}' for name in "xy")
    layout = right(tmp_path, (BINARY + CONVERTER).replace(CHECKSUM, part + CHECKSUM) + slow)
    assert parts_of(layout, 0, "is_", "form", "count", "arrangement", "channels")[3:5] == [
        ("samples", "unsigned", 10, "interleaved", ("field",)),
        ("samples", "offset", 2, "planar", ("x", "y")),
    ]
    assert [(stream.sample_hz, len(stream.channels)) for stream in layout.streams] == [(125.0, 1), (25.0, 2)]
    # offset binary: the code 0 is the count -2^15
    assert (layout.channels[1].adc_min, layout.channels[1].adc_max) == (-32768, 32767)


@pytest.mark.parametrize("framing", ["cobs", "slip"])
def test_packets_need_neither_sync_nor_count(tmp_path: Path, framing: str) -> None:
    text = BINARY.replace('"sync"\nsample', f'"{framing}"\nsample').replace("count = 10\n", "")
    layout = right(tmp_path, text.replace(SYNC, "") + CONVERTER)
    assert layout.framing == framing
    assert parts_of(layout, 0, "is_", "count")[2] == ("samples", 0)
    assert layout.frame.max_bytes == 4096


def test_sectors(tmp_path: Path) -> None:
    text = BINARY.replace('"sync"\nsample', '"sectors"\nsector_bytes = 512\nsample')
    layout = right(tmp_path, text.replace(SYNC, "") + CONVERTER)
    assert (layout.framing, layout.sector_bytes, layout.frame.max_bytes) == ("sectors", 512, 512)
    assert layout.frame.part("sync") is None


def test_length_behind_the_samples_counts_rows(tmp_path: Path) -> None:
    length = '[[frame.part]]\nis = "length"\ntype = "u8"\ncounts = "rows"\n'
    text = BINARY.replace("count = 10\n", "").replace(CHECKSUM, length + CHECKSUM)
    layout = right(tmp_path, text + CONVERTER)
    assert parts_of(layout, 0, "is_", "counts", "count")[3:5] == [
        ("samples", "frame", 0),
        ("length", "rows", 1),
    ]


def test_frames_longer_than_the_usual_bound_set_it_themselves(tmp_path: Path) -> None:
    assert right(tmp_path, BINARY.replace("count = 10", "count = 4000") + CONVERTER).frame.max_bytes == 8010


def test_received_stamps(tmp_path: Path) -> None:
    part = '[[frame.part]]\nis = "received"\ntype = "u48"\nhz = 1000\nepoch = "1970-01-01T00:00:00Z"\n'
    layout = right(tmp_path, (BINARY + CONVERTER).replace(CHECKSUM, part + CHECKSUM))
    assert parts_of(layout, 0, "is_", "n_bytes", "hz", "epoch_s", "wraps_at_bits")[4] == (
        "received",
        6,
        1000.0,
        0.0,
        48,
    )


@pytest.mark.parametrize(
    ("keys", "hz", "epoch_s", "decimals", "stamp"),
    [
        ("hz = 1000\n", 1000.0, None, 0, "number"),
        ("hz = 1\ndecimals = 3\n", 1000.0, None, 3, "number"),  # 12.345 s is the code 12345
        ('hz = 1\nepoch = "1970-01-01T01:00:00+01:00"\n', 1.0, 0.0, 0, "number"),
        ('form = "rfc3339"\n', 1e6, 0.0, 0, "rfc3339"),
    ],
)
def test_received_stamps_in_lines(
    tmp_path: Path, keys: str, hz: float, epoch_s: float | None, decimals: int, stamp: str
) -> None:
    part = f'[[frame.part]]\nis = "received"\ncolumn = "at"\n{keys}'
    layout = right(tmp_path, TEXT.replace("[[frame]]\n", f"[[frame]]\n{part}"))
    assert parts_of(layout, 0, "hz", "epoch_s", "decimals", "stamp")[0] == (hz, epoch_s, decimals, stamp)


def test_lines_of_several_kinds(tmp_path: Path) -> None:
    layout = right(tmp_path, TEXT_KINDS)
    assert [frame.part("kind").value for frame in layout.frames] == ["F", "A"]  # type: ignore[union-attr]
    assert layout.text is not None
    assert layout.text.quote == "'"
    assert [stream.sample_hz for stream in layout.streams] == [250.0, 50.0]


def test_wav(tmp_path: Path) -> None:
    layout = right(tmp_path, WAV)
    assert (layout.framing, layout.sample_hz) == ("wav", 1000.0)
    assert parts_of(layout, 0, "is_", "bits", "count", "channels") == [("samples", 0, 0, ("field", "acc"))]
    assert [(made.adc_min, made.adc_max) for made in layout.channels] == [(-32768, 32767), (0, 255)]


def test_edf_leaves_scale_and_range_to_the_header(tmp_path: Path) -> None:
    layout = right(tmp_path, EDF)
    field, acc = layout.channels
    assert (field.label, field.from_header, field.scale, field.offset) == ("EF wrist", True, 1e-6, 0.0)
    assert (acc.label, acc.from_header, acc.scale, acc.adc_min) == ("", False, 9.80665 / 1000, -2048)
    assert [(part.bits, part.form, part.count) for part in layout.frame.parts] == [(16, "signed", 0)] * 2
    assert [stream.sample_hz for stream in layout.streams] == [200.0, 50.0]
