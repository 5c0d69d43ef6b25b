"""The way back: from a file of samples to the bytes of the dump, for every framing and spelling."""

import base64
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from encode import encode_all, encode_frames, header_line
from hypothesis import given
from hypothesis import strategies as st
from shapes import (
    channel,
    cobs_layout,
    kinds_layout,
    packed_layout,
    planar_layout,
    read_all,
    sectors_layout,
    slip_layout,
    sync_layout,
    text_kinds_layout,
    text_layout,
)

from pipeline.layouts import Frame, Layout, Part
from pipeline.recording import open_recording, way_back, write_recording
from pipeline.recording.account import Telling, packed, unpacked
from pipeline.recording.way_back import frames_metadata, spelt_otherwise
from pipeline.timebase import Placing, place_session


def _counts(layout: Layout, n: int, seed: int = 1) -> list[np.ndarray]:
    """Random counts over the whole range of each stream's parts, `n` frames of them."""
    rng, made = np.random.default_rng(seed), []
    for stream in layout.streams:
        columns = []
        for part in stream.parts:
            if not part.bits:
                ends = (stream.channels[0].adc_min, stream.channels[0].adc_max)
            elif part.form == "unsigned":
                ends = (0, (1 << part.bits) - 1)
            else:
                ends = (-(1 << (part.bits - 1)), (1 << (part.bits - 1)) - 1)
            rows = n * max(part.count, 1)
            columns.append(rng.integers(ends[0], ends[1], (rows, len(part.channels)), endpoint=True))
        made.append(np.concatenate(columns, axis=1))
    return made


def _written(data: bytes | Sequence[bytes], layout: Layout, folder: Path) -> Placing:
    """Read dumps and write their recordings, as the way back wants them."""
    placing = place_session([read_all(data, layout, folder)])
    n_dumps = 1 if isinstance(data, bytes) else len(data)
    paths = {f"dumps/part{i}.dump": folder / f"part{i}.dump" for i in range(n_dumps)}
    for i, grid in enumerate(placing.grids):
        name = "samples.parquet" if i == 0 else f"samples_{grid.sample_hz:g}hz.parquet"
        write_recording(grid, frames_metadata(grid, paths), folder / name)
    return placing


def _came_back(data: bytes | Sequence[bytes], layout: Layout, folder: Path) -> int:
    """How many frames were made again; each is what stands in the dump."""
    pieces = [data] if isinstance(data, bytes) else list(data)
    placing = _written(data, layout, folder)
    found = list(way_back.encode_frames(folder / "samples.parquet", layout))
    for dump, offset, frame in found:
        assert frame == pieces[dump][offset : offset + len(frame)], offset
    kinds = {(part.frames.stream.frame.name): len(part.placed) for g in placing.grids for part in g.parts}
    assert len(found) == sum(kinds.values())
    return len(found)


BINARY = {
    "sync": sync_layout(),
    "sync, big-endian, covers all": sync_layout(order="big", check_order="little", covers="frame"),
    "no check, no counters": sync_layout(check="", sequence="", ticks=""),
    "received": sync_layout(received="u48", ignored=3),
    "length": sync_layout(length="u16", counts="frame"),
    "length of samples": sync_layout(length="u8", counts="samples", length_last=True),
    "rows": sync_layout(length="u8", counts="rows", order="big"),
    "after length": sync_layout(length="u24", counts="after_length", check="CRC-32/ISO-HDLC"),
    "two rates": sync_layout(slow=("c",), slow_count=2, slow_samples="u24"),
    "offset binary": sync_layout(samples="o16", order="big"),
    "packed 12": packed_layout(samples="u12"),
    "packed 10, big-endian, padded": packed_layout(samples="i10", order="big", count=7, channels=("a",)),
    "packed 18, offset": packed_layout(samples="o18", count=5),
    "packed 31": packed_layout(samples="u31", count=3, channels=("a",)),
    "planar": planar_layout(),
    "planar, packed": planar_layout(samples="i12", order="big"),
    "kinds": kinds_layout(),
    "kinds, shared sequence": kinds_layout(shared=True, syncs=(b"\xa5\x5a", b"\xa5\xa5"), kind_type=""),
    "kinds at one rate": kinds_layout(counts=(10, 10), rates=(250.0, 250.0)),
    "kinds at one rate, in other frames": kinds_layout("cobs", counts=(10, 5), rates=(250.0, 250.0)),
    "kinds, one with a length": kinds_layout(length="u16", counts=(0, 4)),
    "cobs": cobs_layout(),
    "cobs, packed": packed_layout("cobs", samples="i12"),
    "cobs, length": cobs_layout(length="u16", check="CRC-8/SMBUS"),
    "cobs, long": cobs_layout(count=150),
    "slip": slip_layout(),
    "slip, kinds": kinds_layout("slip"),
    "slip, planar": planar_layout("slip", samples="i24"),
    "sectors": sectors_layout(),
    "sectors, magic": sectors_layout(sync=b"\x50\x4f\x54", length="u16"),
    "sectors, kinds": kinds_layout("sectors"),
}


@pytest.mark.parametrize("name", BINARY)
def test_binary_frames_come_back(tmp_path: Path, name: str) -> None:
    layout = BINARY[name]
    frames = encode_all(layout, _counts(layout, 300), first_sequence=65500, samples_per_frame=None)
    data = b"".join(frame.data for frame in frames[:40] + frames[41:90] + frames[92:])
    assert _came_back(data, layout, tmp_path) > 0.97 * len(frames)


@pytest.mark.parametrize("both_ends", [False, True])
@pytest.mark.parametrize("make", [cobs_layout, slip_layout])
def test_delimiters_on_both_sides_come_back(tmp_path: Path, make, both_ends: bool) -> None:
    layout = make(count=60)
    frames = encode_all(layout, _counts(layout, 50), both_ends=both_ends)
    assert _came_back(b"".join(frame.data for frame in frames), layout, tmp_path) == 50


@pytest.mark.parametrize("trailing", [False, True])
def test_both_ways_to_end_a_full_group_of_cobs_come_back(tmp_path: Path, trailing: bool) -> None:
    """A last group of 254 bytes needs no group behind it; the encoder of the paper (1999) sends one."""
    layout = cobs_layout(sequence="", ticks="u16", check="", samples="u8", count=252, channels=("a",))
    frames = [
        b"\xff" + bytes([i + 1, 1]) + bytes(range(1, 253)) + b"\1" * trailing + b"\0" for i in range(20)
    ]
    assert _came_back(b"".join(frames), layout, tmp_path) == 20


@pytest.mark.parametrize("sizes", [[8, 3, 5, 8, 1, 2] * 20, [4] * 60])
@pytest.mark.parametrize("make", [sync_layout, cobs_layout, sectors_layout])
def test_frames_of_varying_length_come_back(tmp_path: Path, make, sizes: list[int]) -> None:
    layout = make(length="u16")
    counts = _counts(layout, sum(sizes))
    frames = encode_all(layout, counts, samples_per_frame=sizes)
    assert _came_back(b"".join(f.data for f in frames), layout, tmp_path) == len(sizes)


def test_dumps_out_of_order_with_copies_and_chatter_come_back(tmp_path: Path) -> None:
    layout = sync_layout()
    frames = encode_frames(layout, _counts(layout, 100)[0])
    swapped = [*frames[:10], frames[11], frames[10], *frames[12:50]]
    dumps = [b"kiln" + b"".join(swapped), b"".join(frames[45:60]) + b"\xff" * 99 + b"".join(frames[60:])]
    assert _came_back(dumps, layout, tmp_path) == 100


TEXT = {
    "plain": text_layout(),
    "decimals": text_layout(decimals=3, delimiter=";", decimal=","),
    "ticks, no sequence": text_layout(sequence_bits=None, ticks_bits=32),
    "tab": text_layout(delimiter="tab", header=True),
    "blanks": text_layout(delimiter="blanks"),
    "received": text_layout(received="rfc3339"),
    "received, decimals": text_layout(received="number", received_decimals=3),
    "several rows": text_layout(count=4, ignored=2),
    "kinds": text_kinds_layout(received="rfc3339"),
}


@pytest.mark.parametrize("name", TEXT)
def test_lines_come_back(tmp_path: Path, name: str) -> None:
    layout = TEXT[name]
    first = 1_767_225_600_000_000 if "received" in name or name == "kinds" else 0
    frames = encode_all(layout, _counts(layout, 400), first_received=first)
    head = header_line(layout) if layout.text.header else b""
    lines = [frame.data for frame in frames]
    data = head + b"".join([*lines[:50], b"glaze on\n", *lines[53:]])
    assert _came_back(data, layout, tmp_path) > 390
    assert spelt_otherwise(tmp_path / "samples.parquet") == 0


@pytest.mark.parametrize(
    "spell",
    [
        lambda n, a, b: f"{n},{a},{b}\r\n",
        lambda n, a, b: f"{n:5d}, {a:6d}, {b:6d}\n",
        lambda n, a, b: f"{n:05d},{a:+06d},{b:+06d}\n",
        lambda n, a, b: f"{n},\t{a},{b},\r",
        lambda n, a, b: f"  {n} , {a} , {b}\n",
    ],
    ids=["CRLF", "right-aligned", "zeros and signs", "spare delimiter", "blanks"],
)
def test_the_spelling_of_a_dump_is_learnt(tmp_path: Path, spell) -> None:
    layout = text_layout()
    counts = _counts(layout, 500)[0]
    data = "".join(spell(n, a, b) for n, (a, b) in enumerate(counts.tolist())).encode()
    assert _came_back(data, layout, tmp_path) == 500
    assert spelt_otherwise(tmp_path / "samples.parquet") == 0


def test_lines_spelt_otherwise_are_kept_and_counted(tmp_path: Path) -> None:
    layout = text_layout(decimals=1)
    lines = [f"{n},{n % 7}.5,-{1 + n % 9}.0\n" for n in range(300)]
    lines[17] = "17,+3.5,-8.0\n"
    lines[100] = "100, 2.5 ,-1\r\n"
    lines[200] = "0200,4.5,-2.\n"
    assert _came_back("".join(lines).encode(), layout, tmp_path) == 300
    assert spelt_otherwise(tmp_path / "samples.parquet") == 3


def test_columns_that_the_layout_leaves_out_come_back(tmp_path: Path) -> None:
    layout = text_layout(header=True)
    lines = [f'wheel {n % 3},{n},{n % 50},"{n}",{-n % 40}\n' for n in range(300)]
    data = ("where,seq,a,note,b\n" + "".join(lines)).encode()
    assert _came_back(data, layout, tmp_path) == 300
    assert spelt_otherwise(tmp_path / "samples.parquet") == 0


def _file_layout(framing: str, rates: Sequence[tuple[float, Sequence[str]]], bits: int = 16) -> Layout:
    """Channels of a WAV or EDF file: names by rate."""
    parts = tuple(Part("samples", channels=tuple(names)) for _, names in rates)
    low = 0 if bits == 8 and framing == "wav" else -(1 << (bits - 1))
    described = tuple(channel(name, low, low + (1 << bits) - 1, hz) for hz, names in rates for name in names)
    frame = Frame("frame", parts, 4096)
    return Layout("file", "file", framing, rates[0][0], None, (frame,), described, None, "")  # type: ignore[arg-type]


@pytest.mark.parametrize("order", ["little", "big"])
@pytest.mark.parametrize("bits", [8, 16, 24, 32])
def test_rows_of_wav_come_back(tmp_path: Path, bits: int, order: str) -> None:
    """Chunks as IBM and Microsoft (1991) have them."""
    layout = _file_layout("wav", [(1000.0, ("a", "b"))], bits)
    low = 0 if bits == 8 else -(1 << (bits - 1))
    counts = np.random.default_rng(bits).integers(low, low + (1 << bits), (30_000, 2))
    rows = b"".join(int(v).to_bytes(bits // 8, order, signed=bits > 8) for v in counts.reshape(-1))
    n = bits // 8
    numbers = [(1, 2), (2, 2), (1000, 4), (2000 * n, 4), (2 * n, 2), (bits, 2)]
    form = b"".join(value.to_bytes(size, order) for value, size in numbers)
    size = [len(part).to_bytes(4, order) for part in (form, rows)]
    body = b"WAVEfmt " + size[0] + form + b"data" + size[1] + rows
    data = (b"RIFX" if order == "big" else b"RIFF") + len(body).to_bytes(4, order) + body
    _written(data, layout, tmp_path)
    found = list(way_back.encode_frames(tmp_path / "samples.parquet", layout))
    assert b"".join(frame for _, _, frame in found) == rows
    assert found[0][1] == data.index(rows)


@pytest.mark.parametrize("most", [way_back.MOST_BYTES, 2_000])
def test_records_of_edf_come_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, most: int) -> None:
    """A header as Kemp et al. (1992) have it; a signal without a channel, and annotations, come back too.

    But where there are too many of them to be kept.
    """
    monkeypatch.setattr(way_back, "MOST_BYTES", most)
    layout = _file_layout("edf", [(100.0, ("a", "b")), (25.0, ("c",))])
    signals = [("a", 100), ("room", 10), ("c", 25), ("EDF Annotations", 20), ("b", 100)]
    records = list[bytes]()
    rng = np.random.default_rng(4)
    for second in range(40):
        for label, n in signals:
            if label == "EDF Annotations":
                records.append(f"+{second}\x14\x14\0".encode().ljust(2 * n, b"\0"))
            else:
                records.append(rng.integers(-2000, 2000, n).astype("<i2").tobytes())
    body = b"".join(records)
    columns = [(16, lambda s: s[0]), (80, lambda _: ""), (8, lambda _: "uV"), (8, lambda _: "-3200")]
    columns += [(8, lambda _: "3200"), (8, lambda _: "-32768"), (8, lambda _: "32767"), (80, lambda _: "")]
    columns += [(8, lambda s: str(s[1])), (32, lambda _: "")]
    own = "".join(of(signal).ljust(size) for size, of in columns for signal in signals)
    fixed = [(8, "0"), (80, "X X X X"), (80, "Startdate 02-MAR-2026 X X X"), (8, "02.03.26"), (8, "09.30.00")]
    fixed += [(8, str(256 * (1 + len(signals)))), (44, "EDF+C"), (8, "40"), (8, "1"), (4, str(len(signals)))]
    head = ("".join(text.ljust(size) for size, text in fixed) + own).encode()
    placing = _written(head + body, layout, tmp_path)
    assert [grid.sample_hz for grid in placing.grids] == [100.0, 25.0]
    found = list(way_back.encode_frames(tmp_path / "samples.parquet", layout))
    assert b"".join(frame for _, _, frame in found) == (body if most > 2_000 else b"")
    assert not found or found[0][1] == len(head)


def test_what_is_no_samples_may_be_too_much_to_keep(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(way_back, "MOST_BYTES", 3_000)
    binary = sync_layout(ignored=30)
    many = b"".join(frame.data for frame in encode_all(binary, _counts(binary, 200)))
    words = "".join(f"wheel {n % 3} of three,{n},{n % 50},,{-n % 40}\n" for n in range(300))
    for name, layout, data in (
        ("binary", binary, many),
        ("text", text_layout(header=True), f"where,seq,a,note,b\n{words}".encode()),
    ):
        (tmp_path / name).mkdir()
        _written(data, layout, tmp_path / name)
        samples = tmp_path / name / "samples.parquet"
        assert not [key for key in open_recording(samples).metadata if key.startswith("frames:")]
        assert list(way_back.encode_frames(samples, layout)) == []


@given(
    st.lists(st.integers(-(2**63), 2**63 - 1), max_size=50),
    st.binary(max_size=50),
)
def test_an_account_comes_back(values: list[int], blob: bytes) -> None:
    column = np.array(values, dtype=np.int64)
    columns = {"x": lambda block: column[block], "y": lambda block: np.cumsum(column)[block]}
    account = unpacked(packed(Telling({"a": 1}, len(column), columns, {"z": blob})))
    assert np.array_equal(account.columns["x"], column)
    assert np.array_equal(account.columns["y"], np.cumsum(column))
    assert account.blobs["z"] == blob


def test_the_account_of_an_hour_is_small(tmp_path: Path) -> None:
    """90,000 frames, their ticks off by one here and there and their stamps by some ms: below 200 kB."""
    rng, n = np.random.default_rng(3), 90_000
    frame = np.arange(n)
    columns = {
        "dump": frame * 0,
        "n_bytes": frame * 0 + 90,
        "skipped": np.where(rng.random(n) < 0.01, 90, 0),
        "n_rows": frame * 0 + 10,
        "lost": np.where(rng.random(n) < 0.01, 10, 0),
        "sequence": frame % 65536,
        "ticks": np.rint(frame * 1310.72).astype(np.int64),
        "received": frame * 40 + np.rint(rng.gamma(2, 4, n)).astype(np.int64),
    }
    told = Telling({}, n, {name: values.__getitem__ for name, values in columns.items()}, {})
    assert len(packed(told)) < 150_000


@pytest.mark.parametrize("behind", [False, True])
@pytest.mark.parametrize("fill", [0x00, 0xEE])
def test_a_check_at_the_end_of_its_sector_comes_back(tmp_path: Path, behind: bool, fill: int) -> None:
    layout = sectors_layout(length="u16", length_last=behind, channels=("a", "b"))
    sizes = [8, 3, 5, 8, 1, 12] * 20
    frames = encode_all(
        layout, _counts(layout, sum(sizes)), samples_per_frame=sizes, check_at_end=True, fill=fill
    )
    assert _came_back(b"".join(f.data for f in frames), layout, tmp_path) == len(sizes)
    found = list(way_back.encode_frames(tmp_path / "samples.parquet", layout))
    assert all(len(frame) == layout.sector_bytes for _, _, frame in found)


def test_a_circular_memory_comes_back(tmp_path: Path) -> None:
    layout = sectors_layout()
    frames = [frame.data for frame in encode_all(layout, _counts(layout, 60))]
    assert _came_back(b"".join(frames[40:] + frames[:40]), layout, tmp_path) == 60


def test_where_frames_stood_is_told_once_in_a_file(tmp_path):
    """Arrow keeps a copy of its schema's metadata in the footer, and whoever opens a file reads it all."""
    layout = sync_layout()
    frames = encode_all(layout, _counts(layout, 300))
    _written(b"".join(frame.data for frame in frames), layout, tmp_path)
    samples = tmp_path / "samples.parquet"
    (account,) = (text for key, text in open_recording(samples).metadata.items() if key.startswith("frames:"))
    held = samples.read_bytes()
    assert held.count(account.encode()) == 1
    assert held.count(base64.b64encode(account.encode())[4:-4]) == 0
    assert not [key for key in pq.read_schema(samples).metadata if key.startswith(b"frames:")]
