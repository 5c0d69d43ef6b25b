"""Counts to units and back: not one count may change, in memory, through Parquet, or for a stranger."""

import json
import math

import numpy as np
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from make import recording_of

from pipeline.layouts import Channel, load_layout
from pipeline.recording import stored_type, to_counts, to_units

# bits, signed, stored as: a binary32 has 24 significant bits (IEEE 754-2019), of which one is the rounding's.
WIDTHS = [
    (10, False, "float32"),
    (12, False, "float32"),
    (16, False, "float32"),
    (16, True, "float32"),
    (24, True, "float32"),
    (24, False, "float64"),
]
SCALES = [3.0 / 4096 / 5.0, 5e-6, 9.80665e-3, 1 / 3, 0.00390625, 4.5 / 2**24 / 24, 1e-12, 7.3e5]
"""Volts and m/s2 a count of usual front ends, a third, a power of two, and two far ends."""


def channel_of(bits: int, signed: bool, scale: float, offset: float = 0.0) -> Channel:
    low = -(1 << (bits - 1)) if signed else 0
    return Channel("field", "field", "V", scale, offset, 250.0, low, low + (1 << bits) - 1)


def chunks(channel: Channel, n: int = 1 << 20):
    """All codes of a channel, a million at a time."""
    for first in range(channel.adc_min, channel.adc_max + 1, n):
        yield np.arange(first, min(first + n, channel.adc_max + 1), dtype=np.int64)


def ends_and_random(channel: Channel, n: int = 20_000) -> np.ndarray:
    low, high = channel.adc_min, channel.adc_max
    codes = np.random.default_rng(7).integers(low, high + 1, n)
    return np.concatenate((np.arange(low, low + 200), codes, np.arange(high - 199, high + 1)))


@pytest.mark.parametrize(("bits", "signed", "stored"), WIDTHS)
def test_every_code_comes_back(bits, signed, stored):
    channel = channel_of(bits, signed, 4.5 / 2**bits / 24)
    for codes in chunks(channel):
        values = to_units(codes, channel)
        assert values.dtype == stored
        assert np.array_equal(to_counts(values, channel), codes)


@pytest.mark.parametrize(("bits", "signed", "stored"), WIDTHS)
@pytest.mark.parametrize("scale", SCALES)
@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("offset_counts", [0.0, "mid-rail", 0.37, 3000.3])
def test_every_scale_and_offset_gives_counts_back(bits, signed, stored, scale, sign, offset_counts):
    shift = (1 << (bits - 1)) + 0.25 if offset_counts == "mid-rail" else offset_counts
    channel = channel_of(bits, signed, sign * scale, -shift * scale)
    codes = ends_and_random(channel) if bits > 16 else next(chunks(channel))
    assert np.array_equal(to_counts(to_units(codes, channel), channel), codes)


@settings(max_examples=300, deadline=None)
@given(
    bits=st.sampled_from([8, 10, 12, 16, 20, 24, 32]),
    signed=st.booleans(),
    scale=st.floats(1e-9, 1e6),
    offset=st.floats(-1.0, 1.0),
    data=st.data(),
)
def test_any_channel_gives_any_count_back(bits, signed, scale, offset, data):
    # Offsets up to the converter's own range: a bias lies within its rails.
    channel = channel_of(bits, signed, scale, offset * scale * 2**bits)
    codes = data.draw(st.lists(st.integers(channel.adc_min, channel.adc_max), min_size=1, max_size=20))
    array = np.array(codes, np.int64)
    assert np.array_equal(to_counts(to_units(array, channel), channel), array)


def test_float32_would_lose_counts_where_float64_is_chosen():
    channel = channel_of(24, False, 1 / 3)
    assert stored_type(channel) == "float64"
    codes = np.arange((1 << 24) - 1000, 1 << 24)
    narrow = to_units(codes, channel).astype(np.float32)
    assert not np.array_equal(to_counts(narrow, channel), codes)


@pytest.mark.parametrize(("bits", "signed", "stored"), WIDTHS)
def test_a_stranger_gets_the_counts_from_the_file_alone(tmp_path, bits, signed, stored):
    channel = channel_of(bits, signed, 3.3 / 2**bits / 6, 0.0 if signed else -3.3 / 12)
    codes = ends_and_random(channel)
    present = np.ones(len(codes), bool)
    present[5:9] = present[-1] = False
    recording_of(tmp_path / "samples.parquet", [channel], [codes], 250.0, present)

    table = pq.read_table(tmp_path / "samples.parquet")
    metadata = table.schema.field("field").metadata
    scale, offset = json.loads(metadata[b"scale"]), json.loads(metadata[b"offset"])
    values = table.column("field").to_numpy().astype(np.float64)

    assert metadata[b"unit"] == b"V"
    assert metadata[b"description"]
    assert table.column("field").null_count == 5
    assert str(table.schema.field("field").type) == {"float32": "float", "float64": "double"}[stored]
    back = np.rint((values[present] - offset) / scale).astype(np.int64)
    assert np.array_equal(back, codes[present])
    assert np.isnan(values[~present]).all()


LAYOUT = """\
framing = "sync"
sample_hz = 250
[[frame]]
[[frame.part]]
is = "sync"
bytes = "A5 5A"
[[frame.part]]
is = "samples"
type = "i16"
count = 10
channels = ["field", "acc_x", "acc_y"]
[[channel]]
name = "field"
kind = "field"
unit = "V"
bits = 12
adc_min = 0
adc_max = 4095
reference_v = 3.0
bias_v = 1.5
gain = 5.0
amplifier_low_v = 0.1
amplifier_high_v = 2.9
[[channel]]
name = "acc_x"
kind = "acceleration"
unit = "m[g]"
scale = 0.244140625
[[channel]]
name = "acc_y"
kind = "acceleration"
unit = "[g]"
scale = 0.000244140625
"""


@pytest.fixture
def layout(tmp_path):
    path, problems = tmp_path / "strap.toml", []
    path.write_text(LAYOUT)
    loaded = load_layout(path, "strap.toml", problems)
    assert not problems
    return loaded


def test_a_front_end_gives_volts_at_the_electrode(layout):
    # Data-sheet arithmetic: (code * reference / 2^bits - bias) / gain (common practice, no source).
    field = layout.channels[0]
    assert field.scale == pytest.approx(3.0 / 4096 / 5.0, rel=1e-15)
    assert field.offset == pytest.approx(-0.3, rel=1e-15)
    codes = np.array([0, 2048, 4095])
    assert to_units(codes, field) == pytest.approx([-0.3, 0.0, (3.0 * 4095 / 4096 - 1.5) / 5], rel=1e-6)
    assert (field.amplifier_low, field.amplifier_high) == pytest.approx((-0.28, 0.28))


def test_a_milli_g_is_a_thousandth_of_standard_gravity(layout):
    # g_n = 9.80665 m/s2 (CGPM 1901; UCUM code [g], value 980665e-5 m/s2).
    milli, whole = layout.channels[1:]
    assert milli.unit == whole.unit == "m/s2"
    assert 4096 * milli.scale == pytest.approx(9.80665, rel=1e-15)
    assert milli.scale == pytest.approx(whole.scale, rel=1e-15)
    assert math.isclose(float(to_units(np.array([4096]), milli)[0]), 9.80665, rel_tol=1e-7)
