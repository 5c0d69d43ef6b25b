"""Samples out of bytes: any width, order, form and arrangement, and what fills their last byte."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from encode import encode_all, encode_frames, pack
from hypothesis import given, settings
from hypothesis import strategies as st
from shapes import binary_layout, packed_layout, part, read_all, read_bytes, sync_layout

from pipeline.frames import Frames
from pipeline.frames.packing import pad_masks, unpack
from pipeline.layouts import Layout, Part

BOUNDED = settings(max_examples=200, derandomize=True, deadline=None, database=None)


def _ends(form: str, bits: int) -> tuple[int, int]:
    return (0, (1 << bits) - 1) if form == "u" else (-(1 << (bits - 1)), (1 << (bits - 1)) - 1)


def _samples(kind: str, order: str, channels: int = 1, arrangement: str = "interleaved") -> Part:
    names = tuple("abcdefgh"[:channels])
    return part("samples", kind, order, channels=names, arrangement=arrangement)


def _unpacked(data: bytes, samples: Part, n_rows: int) -> list[list[int]]:
    values = np.frombuffer(data, dtype=np.uint8)[np.newaxis]
    return unpack(values, samples, n_rows)[0].tolist()


def test_two_counts_of_12_bits_in_three_bytes() -> None:
    """By definition: low bits first, or high bits first, without a gap."""
    assert _unpacked(bytes.fromhex("23C1AB"), _samples("u12", "little"), 2) == [[0x123], [0xABC]]
    assert _unpacked(bytes.fromhex("123ABC"), _samples("u12", "big"), 2) == [[0x123], [0xABC]]
    assert _unpacked(bytes.fromhex("23C1AB"), _samples("i12", "little"), 2) == [[0x123], [0xABC - 0x1000]]
    assert _unpacked(bytes.fromhex("123ABC"), _samples("o12", "big"), 2) == [[0x123 - 0x800], [0xABC - 0x800]]


def test_offset_binary_has_its_zero_in_the_middle() -> None:
    """Common practice, no source: code 0 is the lowest count, half of the codes is 0."""
    data = bytes([0x00, 0x00, 0x00, 0x80, 0xFF, 0xFF])
    assert _unpacked(data, _samples("o16", "little"), 3) == [[-32768], [0], [32767]]
    assert _unpacked(bytes([0, 128, 255]), _samples("o8", "big"), 3) == [[-128], [0], [127]]
    assert _unpacked(bytes(3) + b"\x80\0\0", _samples("o24", "big"), 2) == [[-(1 << 23)], [0]]
    assert _unpacked(bytes(4) + b"\x80\0\0\0", _samples("o32", "big"), 2) == [[-(1 << 31)], [0]]


@BOUNDED
@given(
    bits=st.integers(8, 32),
    form=st.sampled_from("uio"),
    order=st.sampled_from(["little", "big"]),
    arrangement=st.sampled_from(["interleaved", "planar"]),
    channels=st.integers(1, 5),
    rows=st.integers(0, 23),
    seed=st.integers(0, 999),
)
def test_any_width_comes_back(
    bits: int, form: str, order: str, arrangement: str, channels: int, rows: int, seed: int
) -> None:
    samples = _samples(f"{form}{bits}", order, channels, arrangement)
    low, high = _ends(form, bits)
    counts = np.random.default_rng(seed).integers(low, high + 1, (4, rows, channels))
    if rows:
        counts[0, 0], counts[0, -1] = low, high
    ordered = counts.transpose(0, 2, 1) if arrangement == "planar" else counts
    data = [pack([int(value) for value in frame.reshape(-1)], samples) for frame in ordered]
    assert {len(frame) for frame in data} == {samples.samples_bytes(rows)}
    values = np.frombuffer(b"".join(data), dtype=np.uint8).reshape(4, -1)
    assert np.array_equal(unpack(values, samples, rows), counts)


def _all(frames: Frames) -> np.ndarray:
    return frames.counts.read(0, frames.counts.n_rows)


@pytest.mark.parametrize("length", ["", "u16"])
@pytest.mark.parametrize("arrangement", ["interleaved", "planar"])
@pytest.mark.parametrize("samples", ["i12", "o13", "u9", "u31", "i24", "u16"])
@pytest.mark.parametrize("order", ["little", "big"])
def test_in_frames_of_one_size_and_of_many(
    tmp_path: Path, samples: str, order: str, arrangement: str, length: str
) -> None:
    layout = packed_layout("sync", samples, length=length, arrangement=arrangement, order=order, count=7)
    sizes = [3, 8, 1, 20, 5, 8, 0] if length else [7] * 6
    low, high = _ends(samples[0], int(samples[1:]))
    counts = np.random.default_rng(1).integers(low, high + 1, (sum(sizes), 2))
    data = b"".join(encode_frames(layout, counts, samples_per_frame=sizes))
    for block_bytes in (1 << 20, 50):
        frames = read_bytes(data, layout, tmp_path, block_bytes=block_bytes)
        assert np.array_equal(_all(frames), counts)
        assert frames.table.n_samples.tolist() == sizes
        assert frames.dumps[0].ledger.decoded == len(data)


COUNTS = ("frame", "after_length", "samples", "rows")
LENGTHS = [(framing, counts, False) for framing in ("sync", "cobs", "slip", "sectors") for counts in COUNTS]
LENGTHS += [(framing, counts, True) for framing in ("cobs", "slip") for counts in COUNTS]
# behind the samples, in sync, what it counts must tell of them; in sectors it stands at the sector's end
LENGTHS += [("sync", counts, True) for counts in COUNTS if counts != "after_length"]


@pytest.mark.parametrize(("framing", "counts", "length_last"), LENGTHS)
def test_lengths_of_every_kind(tmp_path: Path, framing: str, counts: str, length_last: bool) -> None:
    sync = b"\xa5\x5a" if framing in ("sync", "sectors") else b""
    options = {"sector_bytes": 96} if framing == "sectors" else {}
    layout = binary_layout(
        framing, sync=sync, length="u16", counts=counts, length_last=length_last, slow=("c",), **options
    )
    slow = replace(layout.frame.all("samples")[1], bits=11, count=3)
    frame = replace(
        layout.frame,
        parts=tuple(slow if p is layout.frame.all("samples")[1] else p for p in layout.frame.parts),
    )
    layout = replace(layout, frames=(frame,))
    sizes = [3, 8, 1, 12, 5]
    rng = np.random.default_rng(2)
    rows = [rng.integers(-30000, 30000, (sum(sizes), 2)), rng.integers(-1024, 1024, (15, 1))]
    encoded = encode_all(layout, rows, samples_per_frame=sizes)
    data = b"".join(e.data for e in encoded)
    reading = read_all(data, layout, tmp_path)
    for frames, wanted in zip(reading.streams, rows, strict=True):
        assert np.array_equal(_all(frames), wanted)
    assert reading.streams[0].table.n_samples.tolist() == sizes
    assert reading.streams[1].table.n_samples.tolist() == [3] * 5


def test_a_length_beside_counts_must_agree_with_them(tmp_path: Path) -> None:
    layout = sync_layout(length="u8", counts="rows")
    fixed = [replace(p, count=8) if p.is_ == "samples" else p for p in layout.frame.parts]
    data = encode_frames(layout, np.zeros((40, 2), dtype=int) + 7, samples_per_frame=[8, 8, 5, 8, 8])
    other = replace(layout, frames=(replace(layout.frame, parts=tuple(fixed)),))
    frames = read_bytes(b"".join(data), other, tmp_path)
    assert frames.table.sequence.tolist() == [0, 1, 3, 4]


@pytest.mark.parametrize(
    ("bits", "order", "rows", "mask"),
    [
        (12, "little", 1, 0xF0),
        (12, "big", 1, 0x0F),
        (12, "big", 2, 0),
        (9, "little", 3, 0xF8),
        (13, "big", 3, 1),
    ],
)
def test_the_bits_of_no_sample(bits: int, order: str, rows: int, mask: int) -> None:
    samples = _samples(f"u{bits}", order)
    assert pad_masks(samples, np.array([rows])).tolist() == [mask]


def _padded(layout: Layout, fill: int, sizes: list[int] | None = None) -> tuple[bytes, np.ndarray]:
    rows = np.random.default_rng(3).integers(0, 4096, (sum(sizes) if sizes else 30, 1))
    frames = encode_frames(layout, rows, samples_per_frame=sizes)
    samples = layout.frame.part("samples")
    assert samples is not None
    data = []
    for i, frame in enumerate(frames):
        n_rows = sizes[i] if sizes else samples.count
        body = bytearray(frame)
        body[len(frame) - 1] |= fill & int(pad_masks(samples, np.array([n_rows]))[0])
        data.append(bytes(body))
    return b"".join(data), rows


@pytest.mark.parametrize("order", ["little", "big"])
def test_bits_that_fill_up_the_last_byte_are_kept_beside_the_frame(tmp_path: Path, order: str) -> None:
    options: dict = {"samples": "u12", "channels": ("a",), "order": order, "check": "", "ticks": ""}
    layout = packed_layout("sync", count=3, **options)
    data, rows = _padded(layout, 0x66)
    frames = read_bytes(data, layout, tmp_path)
    assert np.array_equal(_all(frames), rows)
    assert frames.extra is not None
    assert frames.extra.read(0, 10).tolist() == [[0x60 if order == "little" else 0x06]] * 10
    # of open count: 0 where samples fill the byte; ignored bytes stand before it, as in the frame
    layout = packed_layout("sync", length="u8", ignored=2, **options)
    sizes = [3, 4, 1, 2]
    data, rows = _padded(layout, 0x99, sizes)
    frames = read_bytes(data, layout, tmp_path)
    assert np.array_equal(_all(frames), rows)
    assert frames.extra is not None
    kept = 0x90 if order == "little" else 0x09
    assert frames.extra.read(0, 4)[:, 2].tolist() == [kept, 0, kept, 0]
    assert len(set(map(tuple, frames.extra.read(0, 4)[:, :2].tolist()))) == 1
    # nothing is kept where every frame ends on a whole byte
    assert read_bytes(*_whole(tmp_path)).extra is None


def _whole(folder: Path) -> tuple[bytes, Layout, Path]:
    layout = packed_layout("sync", "u12", count=4, channels=("a",))
    return b"".join(encode_frames(layout, np.full((40, 1), 5))), layout, folder
