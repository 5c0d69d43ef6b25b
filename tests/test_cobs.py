"""Packets stuffed by COBS: published vectors, the general library, and what happens around packets."""

import random
from pathlib import Path

import numpy as np
import pytest
from cobs import cobs as library
from encode import encode_all, encode_frames
from hypothesis import given, settings
from hypothesis import strategies as st
from shapes import cobs_layout, kinds_layout, read_all, read_bytes
from wrapping import cobs as stuffed

from pipeline.frames import Frames, cobs
from pipeline.frames.frames import Ledger

BOUNDED = settings(max_examples=60, derandomize=True, deadline=None, database=None)

# Cheshire and Baker, "Consistent overhead byte stuffing", IEEE/ACM Transactions on Networking 7(2), 1999,
# from memory: its example packet and the rule of 254 bytes; the short ones are those of its restatements.
PUBLISHED = [
    ("01", ""),
    ("01 01", "00"),
    ("01 01 01", "00 00"),
    ("01 02 11 01", "00 11 00"),
    ("03 11 22 02 33", "11 22 00 33"),
    ("05 11 22 33 44", "11 22 33 44"),
    ("02 11 01 01 01", "11 00 00 00"),
    ("02 45 01 04 2C 4C 79 01 05 40 06 4F 37", "45 00 00 2C 4C 79 00 00 40 06 4F 37"),
    ("FF" + bytes(range(1, 255)).hex(), bytes(range(1, 255)).hex()),
    ("01 FF" + bytes(range(1, 255)).hex(), "00" + bytes(range(1, 255)).hex()),
    ("FF" + bytes(range(1, 255)).hex() + "02 FF", bytes(range(1, 256)).hex()),
    ("FF" + bytes(range(2, 256)).hex() + "01 01", bytes(range(2, 256)).hex() + "00"),
    ("FE" + bytes(range(3, 256)).hex() + "02 01", bytes(range(3, 256)).hex() + "00 01"),
    # the paper's own encoder sends an empty group behind a full one, later ones do not
    ("FF" + bytes(range(1, 255)).hex() + "01", bytes(range(1, 255)).hex()),
]


def _decoded(packets: list[bytes]) -> list[bytes | None]:
    """All packets at once; None for one that breaks the rules."""
    block = np.frombuffer(b"\0".join(packets), dtype=np.uint8)
    stops = np.cumsum([len(packet) + 1 for packet in packets]) - 1
    starts = stops - np.array([len(packet) for packet in packets])
    bare = cobs.unstuff(block, starts, stops)
    return [
        bare.buffer[start:stop].tobytes() if good else None
        for start, stop, good in zip(bare.starts, bare.stops, bare.intact, strict=True)
    ]


def _by_library(packet: bytes) -> bytes | None:
    try:
        return library.decode(packet)
    except library.DecodeError:
        return None


# fewer packets go another way than many
@pytest.mark.parametrize("n_times", [1, 20])
def test_published_vectors(n_times: int) -> None:
    packets = [bytes.fromhex(packet) for packet, _ in PUBLISHED] * n_times
    assert _decoded(packets) == [bytes.fromhex(data) for _, data in PUBLISHED] * n_times


@pytest.mark.parametrize("n", [1, 3, 200])
def test_agrees_with_the_general_library(n: int) -> None:
    rng = random.Random(n)
    for _ in range(30):
        packets = []
        for _ in range(n):
            size = rng.choice([0, 1, 5, 253, 254, 255, 256, 508, 509, rng.randrange(900)])
            share = rng.choice([0, 0.01, 0.3, 1])
            data = bytes(0 if rng.random() < share else rng.randrange(1, 256) for _ in range(size))
            packet = bytearray(library.encode(data))
            if rng.random() < 0.1:
                packet[rng.randrange(len(packet))] = rng.randrange(1, 256)
            packets.append(bytes(packet))
        assert _decoded(packets) == [_by_library(packet) for packet in packets]


@pytest.mark.parametrize("n_bytes", [0, 1, 254, 255, 508, 509, 10_000])
def test_the_most_that_stuffing_adds(n_bytes: int) -> None:
    # the paper's encoder adds one byte, and one more for each 254 (Cheshire and Baker 1999)
    assert len(library.encode(b"\1" * n_bytes)) <= cobs.most_bytes(n_bytes) == n_bytes + n_bytes // 254 + 1


def _counts(n: int, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).integers(-300, 300, (n, 2))


def _ledger(frames: Frames) -> Ledger:
    assert frames.dumps[0].ledger.total == frames.dumps[0].n_bytes
    return frames.dumps[0].ledger


def test_a_delimiter_counts_with_its_frame_and_empty_packets_are_padding(tmp_path: Path) -> None:
    layout = cobs_layout()
    data = encode_frames(layout, _counts(50))
    frames = read_bytes(b"\0\0\0" + b"".join(data[:2]) + b"\0" * 500 + b"".join(data[2:]), layout, tmp_path)
    assert frames.table.n_bytes.tolist() == [len(frame) for frame in data]
    assert frames.table.offset.tolist()[:3] == [3, 3 + len(data[0]), 503 + len(data[0]) + len(data[1])]
    assert _ledger(frames) == Ledger(decoded=sum(map(len, data)), padding=503)


def test_the_last_delimiter_may_be_missing(tmp_path: Path) -> None:
    layout = cobs_layout()
    data = b"".join(encode_frames(layout, _counts(50)))[:-1]
    assert _ledger(read_bytes(data, layout, tmp_path)).decoded == len(data)


def test_what_is_broken_is_damaged_and_nothing_else_is_lost(tmp_path: Path) -> None:
    layout = cobs_layout()
    data = encode_frames(layout, _counts(100))
    # cut off, a code that points too far, a bit, and a lost delimiter
    data[1] = data[1][:20] + b"\0"
    data[3] = b"\xfe" + data[3][1:]
    data[5] = data[5][:9] + bytes([data[5][9] ^ 4 or 1]) + data[5][10:]
    data[7] = data[7][:-1]
    frames = read_bytes(b"".join(data), layout, tmp_path)
    assert frames.table.sequence.tolist() == [0, 2, 4, 6, 9]
    assert _ledger(frames).damaged == sum(len(data[i]) for i in (1, 3, 5, 7, 8))
    assert frames.dumps[0].n_damaged_frames == 4


@pytest.mark.parametrize("n_erased", [16, 17, 300, 5000])
def test_erased_memory_before_a_frame_does_not_lose_it(tmp_path: Path, n_erased: int) -> None:
    layout = cobs_layout()
    data = encode_frames(layout, _counts(80))
    torn = data[1][:21]
    pieces = [
        data[0],
        torn,
        b"\xff" * n_erased,
        *data[2:4],
        b"\xff" * n_erased,
        *data[4:],
        b"\xff" * n_erased,
    ]
    frames = read_bytes(b"".join(pieces), layout, tmp_path)
    assert frames.table.sequence.tolist() == [0, 2, 3, 4, 5, 6, 7]
    decoded = sum(map(len, data)) - len(data[1])
    assert _ledger(frames) == Ledger(decoded=decoded, damaged=21, padding=3 * n_erased)
    for block_bytes in (1, 7, 100):
        again = read_bytes(b"".join(pieces), layout, tmp_path, block_bytes=block_bytes)
        assert again.dumps == frames.dumps
        assert np.array_equal(again.table.offset, frames.table.offset)


def test_a_frame_behind_erased_memory_may_begin_with_its_byte(tmp_path: Path) -> None:
    layout = cobs_layout(sequence="", ticks="", samples="u8", count=253, channels=("a",))
    frame = encode_frames(layout, np.full((253, 1), 7))[0]
    assert frame.startswith(b"\xff\x07")
    frames = read_bytes(b"\xff" * 100 + frame, layout, tmp_path)
    assert frames.table.offset.tolist() == [100]
    assert _ledger(frames) == Ledger(decoded=len(frame), padding=100)


def test_what_is_longer_than_two_frames_is_not_recognised(tmp_path: Path) -> None:
    layout = cobs_layout()
    data = encode_frames(layout, _counts(50))
    noise = bytes(random.Random(1).randrange(1, 256) for _ in range(3000))
    frames = read_bytes(b"".join([data[0], noise, b"\0", *data[1:]]), layout, tmp_path)
    assert len(frames.table) == 5
    assert _ledger(frames).unrecognised == 3001


def test_without_a_checksum_only_the_exact_size_is_a_frame(tmp_path: Path) -> None:
    layout = cobs_layout(check="")
    data = encode_frames(layout, _counts(50))
    pieces = [data[0], data[1][:-5] + b"\0", data[2], stuffed(bytes(60)) + b"\0", *data[3:]]
    frames = read_bytes(b"".join(pieces), layout, tmp_path)
    assert frames.table.sequence.tolist() == [0, 2, 3, 4]


def test_samples_without_count_fill_the_packet(tmp_path: Path) -> None:
    layout = cobs_layout(length="")
    part = layout.frame.part("samples")
    assert part is not None
    object.__setattr__(part, "count", 0)
    sizes = [3, 8, 1, 20, 0, 5]
    rows = _counts(sum(sizes))
    data = b"".join(encode_frames(layout, rows, samples_per_frame=sizes))
    frames = read_bytes(data, layout, tmp_path)
    assert frames.table.n_samples.tolist() == sizes
    assert np.array_equal(frames.counts.read(0, len(rows)), rows)


def test_frames_longer_than_a_group(tmp_path: Path) -> None:
    layout = cobs_layout(samples="u8", count=700, channels=("a",))
    rows = np.random.default_rng(2).integers(1, 256, (7000, 1))
    data = b"".join(encode_frames(layout, rows))
    for block_bytes in (1 << 20, 50):
        frames = read_bytes(data, layout, tmp_path, block_bytes=block_bytes)
        assert np.array_equal(frames.counts.read(0, 7000), rows)
        assert _ledger(frames).decoded == len(data)


def test_kinds_are_told_apart(tmp_path: Path) -> None:
    layout = kinds_layout("cobs", event=True)
    counts = [_counts(200, 1), _counts(80, 2), np.arange(9)[:, np.newaxis]]
    encoded = encode_all(layout, counts, event_s=[0.1 * i for i in range(9)])
    other = stuffed(b"\x09" + bytes(range(20))) + b"\0"
    reading = read_all(b"".join([encoded[0].data, other, *(e.data for e in encoded[1:])]), layout, tmp_path)
    for frames, rows in zip(reading.streams, counts, strict=True):
        assert np.array_equal(frames.counts.read(0, frames.counts.n_rows), rows)
    assert reading.dumps[0].ledger.damaged == len(other)


@BOUNDED
@given(
    pieces=st.lists(
        st.sampled_from([b"\xff" * 15, b"\xff" * 16, b"\xff" * 3, b"\0", b"\0\0", b"\1", b"\xff", b"frame"])
        | st.binary(max_size=9),
        max_size=60,
    ),
    seed=st.integers(0, 99),
)
def test_blocks_of_any_size_give_the_same(
    tmp_path_factory: pytest.TempPathFactory, pieces: list[bytes], seed: int
) -> None:
    layout = cobs_layout(count=2, channels=("a",))
    folder = tmp_path_factory.mktemp("cobs")
    frame = encode_frames(layout, _counts(4, seed)[:, :1])
    data = frame[0] + b"".join(frame[1] if piece == b"frame" else piece for piece in pieces)
    whole = read_bytes(data, layout, folder)
    _ledger(whole)
    assert whole.table.sequence.tolist() in ([0] + [1] * n for n in range(len(pieces) + 1))
    for block_bytes in (1, 5, 64):
        again = read_bytes(data, layout, folder, block_bytes=block_bytes)
        assert again.dumps == whole.dumps
        assert np.array_equal(again.table.offset, whole.table.offset)
