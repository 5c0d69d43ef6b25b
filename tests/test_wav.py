"""WAV files: against files put together byte by byte, files of two other programs, and damage.

Sources: "Multimedia Programming Interface and Data Specifications 1.0" (IBM and Microsoft, August 1991): a
chunk is a name of four characters, its size in 32 bits, little-endian, and its content, filled up to an even
number of bytes; the format of whole numbers has tag 1; samples of 1 to 8 bits are unsigned with midpoint 128,
wider ones two's complement with midpoint 0. EBU Tech 3306 (2009) for RF64.
"""

import random
import struct
import wave
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import scipy.io
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.io import wavfile

from pipeline.errors import Unreadable
from pipeline.frames import Reading, read_frames
from pipeline.layouts import Layout, load_layout

OTHERS = Path(scipy.io.__file__).parent / "tests" / "data"
"""Files that SciPy's own tests read; each was made by another program, with values that its tests state."""

ENDS = {8: (-128, 127), 16: (-(2**15), 2**15 - 1), 24: (-(2**23), 2**23 - 1), 32: (-(2**31), 2**31 - 1)}


def layout_of(
    folder: Path, bits: int, n_channels: int = 2, sample_hz: float = 1000, more: str = ""
) -> Layout:
    """A layout as a user would write it."""
    names = [f"c{i}" for i in range(n_channels)]
    text = f'framing = "wav"\nsample_hz = {sample_hz}\n[[frame]]\n[[frame.part]]\nis = "samples"\n'
    text += f"channels = {names}\n".replace("'", '"')
    for name in names:
        text += (
            f'[[channel]]\nname = "{name}"\nkind = "other"\nunit = "1"\nscale = 1.0\nbits = {bits}\n{more}\n'
        )
    path = folder / "wav.toml"
    path.write_text(text)
    problems: list = []
    layout = load_layout(path, "wav.toml", problems)
    assert layout is not None, problems
    return layout


def signed_8(layout: Layout) -> Layout:
    channels = tuple(replace(channel, adc_min=-128, adc_max=127) for channel in layout.channels)
    return replace(layout, channels=channels)


def chunk(name: bytes, content: bytes, order: str = "<") -> bytes:
    return name + struct.pack(order + "I", len(content)) + content + b"\0" * (len(content) % 2)


def format_of(bits: int, n_channels: int, sample_hz: int = 1000, order: str = "<", tag: int = 1) -> bytes:
    block = n_channels * (-(-bits // 8))
    content = struct.pack(order + "HHIIHH", tag, n_channels, sample_hz, sample_hz * block, block, bits)
    return chunk(b"fmt ", content, order)


def riff(*chunks: bytes, order: str = "<") -> bytes:
    body = b"WAVE" + b"".join(chunks)
    return (b"RIFX" if order == ">" else b"RIFF") + struct.pack(order + "I", len(body)) + body


def packed(counts: np.ndarray, bits: int, order: str = "<") -> bytes:
    """Counts as the specification writes them, one by one."""
    values = [int(value) + (128 if bits == 8 else 0) for value in counts.reshape(-1)]
    way = "little" if order == "<" else "big"
    return b"".join(value.to_bytes(bits // 8, way, signed=bits > 8) for value in values)


def some_counts(bits: int, n_channels: int = 2, n: int = 300) -> np.ndarray:
    low, high = ENDS[bits]
    counts = np.random.default_rng(bits).integers(low, high, (n, n_channels), endpoint=True)
    counts[:4] = np.array([[low], [high], [0], [-1]])
    return counts


def read(data: bytes, layout: Layout, folder: Path, block_bytes: int = 1 << 20) -> Reading:
    (folder / "a.wav").write_bytes(data)
    return read_frames([("dumps/a.wav", folder / "a.wav")], layout, folder, block_bytes)


def counts_of(reading: Reading) -> np.ndarray:
    return reading.main.counts.read(0, reading.main.counts.n_rows).astype(np.int64)


def entries(reading: Reading) -> tuple[int, int, int, int]:
    ledger = reading.dumps[0].ledger
    assert ledger.total == reading.dumps[0].n_bytes
    assert ledger.duplicate == 0
    return ledger.decoded, ledger.damaged, ledger.unrecognised, ledger.padding


def refused(data: bytes, layout: Layout, folder: Path) -> str:
    with pytest.raises(Unreadable) as raised:
        read(data, layout, folder)
    return str(raised.value)


# ---------------------------------------------------------------- values


@pytest.mark.parametrize("bits", ENDS)
@pytest.mark.parametrize("order", ["<", ">"])
def test_every_width_by_the_specification(tmp_path: Path, bits: int, order: str) -> None:
    counts = some_counts(bits)
    layout = layout_of(tmp_path, bits)
    if bits == 8:
        layout = signed_8(layout)
    data = riff(
        format_of(bits, 2, order=order), chunk(b"data", packed(counts, bits, order), order), order=order
    )
    reading = read(data, layout, tmp_path)
    np.testing.assert_array_equal(counts_of(reading), counts)
    assert entries(reading) == (len(data), 0, 0, 0)
    assert reading.notes == ()


def test_codes_of_8_bits_where_the_layout_counts_from_0(tmp_path: Path) -> None:
    counts = some_counts(8)
    layout = replace(layout_of(tmp_path, 8))
    channels = tuple(replace(channel, adc_min=0, adc_max=255) for channel in layout.channels)
    data = riff(format_of(8, 2), chunk(b"data", packed(counts, 8)))
    reading = read(data, replace(layout, channels=channels), tmp_path)
    np.testing.assert_array_equal(counts_of(reading), counts + 128)


@pytest.mark.parametrize("bits", ENDS)
def test_files_that_the_standard_library_wrote(tmp_path: Path, bits: int) -> None:
    counts = some_counts(bits, 3, 1000)
    with wave.open(str(tmp_path / "w.wav"), "wb") as file:
        file.setnchannels(3)
        file.setsampwidth(bits // 8)
        file.setframerate(1000)
        file.writeframes(packed(counts, bits))
    layout = layout_of(tmp_path, bits, 3)
    reading = read((tmp_path / "w.wav").read_bytes(), signed_8(layout) if bits == 8 else layout, tmp_path)
    np.testing.assert_array_equal(counts_of(reading), counts)


def test_long_file_that_scipy_wrote_in_frames_of_rows(tmp_path: Path) -> None:
    counts = some_counts(16, 4, 50_000)
    wavfile.write(tmp_path / "s.wav", 1000, counts.astype(np.int16))
    reading = read((tmp_path / "s.wav").read_bytes(), layout_of(tmp_path, 16, 4), tmp_path, 70_000)
    np.testing.assert_array_equal(counts_of(reading), counts)
    table = reading.main.table
    assert table.n_samples.tolist() == [8192] * 6 + [50_000 - 6 * 8192]
    assert table.offset[:2].tolist() == [44, 44 + 65536]
    assert int(table.n_bytes.sum()) == counts.size * 2


THREE = [
    # SciPy's test of this file: hand-made largest and smallest samples of 24 bits under three conventions.
    [-0x800000, -0x7FFFFF, -2],
    [-0x400000, -0x3FFFFF, -1],
    [0, 0, 0],
    [0x400000, 0x3FFFFF, 1],
    [0x7FFFFF, 0x7FFFFF, 2],
]


@pytest.mark.parametrize("kind", ["le-3ch-5S-24bit", "be-3ch-5S-24bit", "le-3ch-5S-24bit-rf64"])
def test_three_channels_of_24_bits_from_another_program(tmp_path: Path, kind: str) -> None:
    data = (OTHERS / f"test-8000Hz-{kind}.wav").read_bytes()
    reading = read(data, layout_of(tmp_path, 24, 3, 8000), tmp_path)
    assert counts_of(reading).tolist() == THREE
    assert entries(reading) == (len(data), 0, 0, 0)


def test_12_bits_stand_at_the_top_of_16(tmp_path: Path) -> None:
    # SciPy's test of this file: the four lowest bits are 0; the highest is 0x7FF0, the lowest -0x8000.
    data = (OTHERS / "test-8000Hz-le-4ch-9S-12bit.wav").read_bytes()
    counts = counts_of(read(data, layout_of(tmp_path, 16, 4, 8000), tmp_path))
    assert (counts.shape, counts.max(), counts.min()) == ((9, 4), 0x7FF0, -0x8000)
    assert not np.any(counts & 0xF)


def test_20_bits_in_three_bytes(tmp_path: Path) -> None:
    # SciPy's test of this file: plus and minus full scale, then halved each time, in 32 bits.
    data = (OTHERS / "test-1234Hz-le-1ch-10S-20bit-extra.wav").read_bytes()
    counts = counts_of(read(data, layout_of(tmp_path, 24, 1, 1234), tmp_path))
    wanted = [(sign * 0x7FFFF000 >> half) >> 8 for half in range(5) for sign in (1, -1)]
    assert counts[:, 0].tolist() == wanted


# ---------------------------------------------------------------- where every byte goes


def test_other_chunks_are_told_from_fill(tmp_path: Path) -> None:
    counts = some_counts(16, 2, 41)
    samples = chunk(b"data", packed(counts, 16))
    text = chunk(b"LIST", b"INFOICMT" + struct.pack("<I", 7) + b"wedging")
    fill = chunk(b"JUNK", b"\0" * 100)
    reading = read(riff(text, fill, format_of(16, 2), samples, text), layout_of(tmp_path, 16), tmp_path)
    np.testing.assert_array_equal(counts_of(reading), counts)
    # the JUNK chunk has a size of 100 = 0x64 0 0 0, whose zeros the fill goes on with
    fill_bytes = 100 + 3
    assert entries(reading) == (12 + 24 + len(samples), 0, 2 * len(text) + len(fill) - fill_bytes, fill_bytes)


def test_odd_chunks_are_filled_up(tmp_path: Path) -> None:
    counts = some_counts(8, 1, 33)
    data = riff(chunk(b"note", b"odd"), format_of(8, 1), chunk(b"data", packed(counts, 8)))
    reading = read(data, signed_8(layout_of(tmp_path, 8, 1)), tmp_path)
    np.testing.assert_array_equal(counts_of(reading), counts)
    assert entries(reading) == (len(data) - 12, 0, 12, 0)


def test_torn_last_row_is_damaged(tmp_path: Path) -> None:
    counts = some_counts(24, 2, 100)
    data = riff(format_of(24, 2), chunk(b"data", packed(counts, 24)))[:-4]
    reading = read(data, layout_of(tmp_path, 24), tmp_path)
    np.testing.assert_array_equal(counts_of(reading), counts[:-1])
    assert entries(reading) == (len(data) - 2, 2, 0, 0)
    assert reading.dumps[0].n_damaged_frames == 1
    (note,) = reading.notes
    assert note == (
        "dumps/a.wav: its chunk 'data' states 600 bytes, of which 596 are there; these were read."
    )


@pytest.mark.parametrize("stated", [0, 0xFFFFFFFF, 0x7FFFF000])
def test_recorder_that_was_cut_off(tmp_path: Path, stated: int) -> None:
    counts = some_counts(16, 2, 500)
    body = format_of(16, 2) + b"data" + struct.pack("<I", stated) + packed(counts, 16)
    data = b"RIFF" + struct.pack("<I", stated) + b"WAVE" + body
    reading = read(data, layout_of(tmp_path, 16), tmp_path)
    np.testing.assert_array_equal(counts_of(reading), counts)
    assert len(reading.notes) == 1


def test_samples_that_are_there_but_none_is_stated(tmp_path: Path) -> None:
    """A size of 0 is believed where another chunk follows."""
    data = riff(format_of(16, 2), chunk(b"data", b""), chunk(b"LIST", b"INFO"))
    told = refused(data, layout_of(tmp_path, 16), tmp_path)
    assert "at least one sample of each channel; found none" in told


# ---------------------------------------------------------------- what is refused


def whole(bits: int = 16, n_channels: int = 2, **form: int) -> bytes:
    return riff(format_of(bits, n_channels, **form), chunk(b"data", bytes(n_channels * bits // 8 * 10)))


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (
            whole(n_channels=3),
            ("2 channels, as the layout lists them (c0, c1)", "found 3", "List 3 channels"),
        ),
        (whole(sample_hz=500), ("expected 1000 Hz", "found 500 Hz", "Write sample_hz = 500")),
        (whole(24), ("no wider than adc_min = -32768", "found samples of 24 bits", "Write bits = 24")),
        (whole(8), ("have room for adc_min = -32768", "found samples of 8 bits", "Write bits = 8")),
        (b"RIFF" + bytes(4) + b"AVI " + bytes(50), ("'RIFF', a size and 'WAVE'", "b'AVI '", "Check that")),
        (b"1,2,3\n" * 9, ("begins with 'RIFF'", "b'1,2,'", "layout of its framing")),
        (b"RIFF", ("begins with 'RIFF'", "a file of 4 bytes")),
        (riff(), ("a chunk 'fmt ', and behind it a chunk 'data'; found none", "Copy the dump")),
        (riff(format_of(16, 2)), ("found no chunk 'data' behind it",)),
        (riff(chunk(b"data", bytes(40)), format_of(16, 2)), ("found no chunk 'data' behind it",)),
        (riff(format_of(16, 2), chunk(b"data", b"")), ("at least one sample", "found none")),
        (riff(chunk(b"fmt ", b"\1\0")), ("a format of at least 16 bytes", "found 2 bytes, of which 2")),
        (riff(format_of(16, 0)), ("whole bytes for each sample", "found 0 bytes for 0 channels")),
        (whole(40), ("8, 16, 24 or 32 bits", "found 40 bits in 5 bytes")),
    ],
)
def test_what_is_said_of_other_files(tmp_path: Path, data: bytes, told: tuple[str, ...]) -> None:
    message = refused(data, layout_of(tmp_path, 16), tmp_path)
    assert message.startswith("dumps/a.wav, ")
    for part in told:
        assert part in message


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("test-44100Hz-2ch-32bit-float-le.wav", "floating-point numbers of 32 bits. Have the recorder write"),
        ("test-48000Hz-2ch-64bit-float-le-wavex.wav", "floating-point numbers of 64 bits"),
        ("test-8000Hz-le-1ch-1byte-ulaw.wav", "MULAW"),
        ("test-8000Hz-le-3ch-5S-36bit.wav", "36 bits in 5 bytes"),
        ("test-44100Hz-le-1ch-4bytes-incomplete-chunk.wav", "found none"),
    ],
)
def test_formats_of_other_programs_that_are_no_whole_numbers(tmp_path: Path, name: str, told: str) -> None:
    assert told in refused((OTHERS / name).read_bytes(), layout_of(tmp_path, 16), tmp_path)


def test_rate_that_whole_hertz_cannot_say(tmp_path: Path) -> None:
    reading = read(whole(sample_hz=62), layout_of(tmp_path, 16, sample_hz=62.5), tmp_path)
    assert reading.main.stream.sample_hz == 62.5


# ---------------------------------------------------------------- damage


def outcome(data: bytes, layout: Layout, folder: Path, block_bytes: int) -> tuple | None:
    """Everything that was read, or None where nothing was."""
    try:
        reading = read(data, layout, folder, block_bytes)
    except Unreadable:
        return None
    table = reading.main.table
    rows = counts_of(reading).tolist()
    return entries(reading), rows, table.offset.tolist(), table.n_bytes.tolist(), reading.notes


@given(st.data())
@settings(max_examples=150, deadline=None)
def test_result_does_not_depend_on_the_block(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    folder = tmp_path_factory.mktemp("wav")
    draw = data.draw
    n_channels = draw(st.integers(1, 3))
    layout = layout_of(folder, 24, n_channels)
    rows = draw(st.binary(max_size=300))
    between = draw(st.sampled_from([b"", chunk(b"JUNK", b"\0" * 40), chunk(b"note", b"abc")]))
    content = riff(between, format_of(24, n_channels), chunk(b"data", rows), between)
    content += draw(st.sampled_from([b"", b"\xff" * 50, b"\0" * 15, b"rest" + b"\0" * 20]))
    content = content[: len(content) - draw(st.integers(0, 60))]
    blocks = [draw(st.integers(1, 200)) for _ in range(3)]
    first = outcome(content, layout, folder, 1 << 20)
    assert [outcome(content, layout, folder, block) for block in blocks] == [first] * 3


@given(st.binary(max_size=400))
@settings(max_examples=300, deadline=None)
def test_any_bytes_behind_the_head(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    folder = tmp_path_factory.mktemp("any")
    outcome(b"RIFF\x10\0\0\0WAVE" + data, layout_of(folder, 16), folder, 64)


def test_thousands_of_damaged_files(tmp_path: Path) -> None:
    rng = random.Random(11)
    layout = layout_of(tmp_path, 16)
    good = riff(chunk(b"LIST", b"INFOabcd"), format_of(16, 2), chunk(b"data", packed(some_counts(16), 16)))
    n_read = sum(outcome(damaged(good, rng), layout, tmp_path, 4096) is not None for _ in range(3000))
    assert n_read > 500


def damaged(data: bytes, rng: random.Random) -> bytes:
    """Some bytes changed, cut off or put in, mostly where the headers are."""
    result = bytearray(data)
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(min(len(result), 80) if rng.random() < 0.7 else len(result))
        kind = rng.random()
        if kind < 0.6:
            result[at] = rng.choice([0, 1, 0x7F, 0x80, 0xFF, rng.randrange(256)])
        elif kind < 0.8:
            del result[at : at + rng.randint(1, 30)]
        else:
            result[at:at] = rng.randbytes(rng.randint(1, 30))
        if not result:
            return b""
    return bytes(result)
