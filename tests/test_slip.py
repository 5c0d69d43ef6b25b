"""Packets of SLIP: RFC 1055, its violations, and what happens around packets."""

from pathlib import Path

import numpy as np
import pytest
from encode import encode_all, encode_frames
from hypothesis import given, settings
from hypothesis import strategies as st
from shapes import kinds_layout, packed_layout, read_all, read_bytes, slip_layout

from pipeline.frames import Frames, slip
from pipeline.frames.frames import Ledger

BOUNDED = settings(max_examples=60, derandomize=True, deadline=None, database=None)
END, ESC, ESC_END, ESC_ESC = b"\xc0", b"\xdb", b"\xdc", b"\xdd"


def _decoded(packet: bytes) -> bytes | None:
    block = np.frombuffer(packet, dtype=np.uint8)
    bare = slip.unstuff(block, np.array([0]), np.array([len(block)]))
    return bare.buffer[bare.starts[0] : bare.stops[0]].tobytes() if bare.intact[0] else None


def test_the_bytes_of_rfc_1055() -> None:
    # RFC 1055: END is octal 300, ESC 333, ESC_END 334, ESC_ESC 335
    assert bytes([0o300, 0o333, 0o334, 0o335]) == END + ESC + ESC_END + ESC_ESC
    assert _decoded(bytes.fromhex("01 DB DC 02 DB DD 03")) == bytes.fromhex("01 C0 02 DB 03")


@pytest.mark.parametrize("packet", [ESC, b"\1" + ESC, ESC + b"\1", ESC + ESC, ESC + ESC + ESC_ESC])
def test_esc_before_anything_else_is_a_violation(packet: bytes) -> None:
    # RFC 1055: after ESC come ESC_END or ESC_ESC
    assert _decoded(packet) is None


@BOUNDED
@given(st.lists(st.binary(max_size=60) | st.sampled_from([END * 5, ESC * 4, ESC + ESC_END]), max_size=30))
def test_all_packets_come_back(packets: list[bytes]) -> None:
    stuffed = [packet.replace(ESC, ESC + ESC_ESC).replace(END, ESC + ESC_END) for packet in packets]
    block = np.frombuffer(END.join(stuffed), dtype=np.uint8)
    stops = np.cumsum([len(packet) + 1 for packet in stuffed], dtype=np.int64) - 1
    starts = stops - np.array([len(packet) for packet in stuffed], dtype=np.int64)
    bare = slip.unstuff(block, starts, stops)
    assert bare.intact.all()
    again = zip(bare.starts, bare.stops, strict=True)
    assert [bare.buffer[start:stop].tobytes() for start, stop in again] == packets


def _counts(n: int, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).integers(-30000, 30000, (n, 2))


def _ledger(frames: Frames) -> Ledger:
    assert frames.dumps[0].ledger.total == frames.dumps[0].n_bytes
    return frames.dumps[0].ledger


def test_end_at_one_end_or_at_both(tmp_path: Path) -> None:
    layout = slip_layout()
    rows = _counts(2000)
    plain = encode_frames(layout, rows)
    for data, n_padding in (
        (b"".join(plain), 0),
        # a delimiter counts with its frame, at either end of it
        (b"".join(END + frame for frame in plain), 0),
        (END + END + b"".join(plain), 2),
        # END before each frame alone: the last has none behind it
        (END + b"".join(plain)[:-1], 0),
    ):
        frames = read_bytes(data, layout, tmp_path)
        assert np.array_equal(frames.counts.read(0, 2000), rows)
        assert _ledger(frames) == Ledger(decoded=len(data) - n_padding, padding=n_padding)


def test_noise_before_a_leading_end_loses_only_itself(tmp_path: Path) -> None:
    # RFC 1055 has END before a packet, too, so that it parts the packet from noise of the line (from memory)
    layout = slip_layout()
    plain = encode_frames(layout, _counts(50))
    data = plain[0] + b"\x07\x13~~" + END + b"".join(plain[1:])
    frames = read_bytes(data, layout, tmp_path)
    assert frames.table.sequence.tolist() == [0, 1, 2, 3, 4]
    assert _ledger(frames).damaged == 5
    # without it, the frame that the noise stands in is lost with it
    frames = read_bytes(plain[0] + b"\x07\x13~~" + b"".join(plain[1:]), layout, tmp_path)
    assert frames.table.sequence.tolist() == [0, 2, 3, 4]


def test_a_violation_damages_the_frame(tmp_path: Path) -> None:
    layout = slip_layout(check="")
    plain = encode_frames(layout, np.full((50, 2), 0x1234))
    at = len(plain[2]) - 3
    # of the right size without the byte of the violation
    plain[2] = plain[2][:at] + ESC + plain[2][at:]
    frames = read_bytes(b"".join(plain), layout, tmp_path)
    assert frames.table.sequence.tolist() == [0, 1, 3, 4]
    assert _ledger(frames).damaged == len(plain[2])
    assert frames.dumps[0].n_damaged_frames == 1


@pytest.mark.parametrize("fill", [b"\0", b"\xff"])
def test_erased_memory_between_frames(tmp_path: Path, fill: bytes) -> None:
    layout = slip_layout(sync=b"\x50\x4f")
    plain = encode_frames(layout, _counts(80))
    pieces = [plain[0], plain[1][:21], fill * 300, *plain[2:4], fill * 16, *plain[4:6], b"glaze on" + END]
    data = b"".join([*pieces, *plain[6:]])
    frames = read_bytes(data, layout, tmp_path)
    assert frames.table.sequence.tolist() == [0, 2, 3, 4, 5, 6, 7]
    assert _ledger(frames).damaged == 21
    assert _ledger(frames).padding == 316
    # what lacks the sync bytes that all frames have is no frame
    assert _ledger(frames).unrecognised == 9
    for block_bytes in (1, 7, 100):
        assert read_bytes(data, layout, tmp_path, block_bytes=block_bytes).dumps == frames.dumps


def test_packed_counts_and_kinds(tmp_path: Path) -> None:
    layout = packed_layout("slip", samples="o20", count=7, order="big")
    rows = np.random.default_rng(1).integers(-(2**19), 2**19, (700, 2))
    frames = read_bytes(b"".join(encode_frames(layout, rows)), layout, tmp_path)
    assert np.array_equal(frames.counts.read(0, 700), rows)
    layout = kinds_layout("slip", shared=True)
    counts = [_counts(200, 1), _counts(80, 2)]
    encoded = encode_all(layout, counts)
    reading = read_all(b"".join(e.data for e in encoded), layout, tmp_path)
    for frames, rows in zip(reading.streams, counts, strict=True):
        assert np.array_equal(frames.counts.read(0, frames.counts.n_rows), rows)


@BOUNDED
@given(
    pieces=st.lists(
        st.sampled_from([b"\xff" * 15, b"\xff" * 16, b"\0" * 17, END, END + END, ESC, ESC + END, b"frame"])
        | st.binary(max_size=9),
        max_size=60,
    )
)
def test_blocks_of_any_size_give_the_same(
    tmp_path_factory: pytest.TempPathFactory, pieces: list[bytes]
) -> None:
    layout = slip_layout(count=2, channels=("a",))
    folder = tmp_path_factory.mktemp("slip")
    frame = encode_frames(layout, _counts(4)[:, :1])
    data = frame[0] + b"".join(frame[1] if piece == b"frame" else piece for piece in pieces)
    whole = read_bytes(data, layout, folder)
    _ledger(whole)
    assert whole.table.sequence.tolist() in ([0] + [1] * n for n in range(len(pieces) + 1))
    for block_bytes in (1, 5, 64):
        again = read_bytes(data, layout, folder, block_bytes=block_bytes)
        assert again.dumps == whole.dumps
        assert np.array_equal(again.table.offset, whole.table.offset)
