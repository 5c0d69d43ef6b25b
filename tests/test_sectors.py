"""Frames in the sectors of a memory: where they begin, what fills them, what was torn, and circular logs."""

import random
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from checks import check_of
from encode import encode_all, encode_frame, encode_frames
from hypothesis import given, settings
from hypothesis import strategies as st
from shapes import kinds_layout, read_all, read_bytes, sectors_layout
from wrapping import into_sectors

from pipeline.errors import Unreadable
from pipeline.frames import Frames
from pipeline.frames.circular import oldest
from pipeline.frames.frames import Ledger
from pipeline.layouts import Layout
from pipeline.timebase import place_session

BOUNDED = settings(max_examples=80, derandomize=True, deadline=None, database=None)
SIZE = 64
SYNC = b"\x51\x0c"

MAKES = {
    "sync": {"sync": SYNC, "count": 6},
    "sync of a byte": {"sync": b"\x51", "count": 6, "check": "CRC-8/SMBUS"},
    "16-bit check alone": {"count": 6},
    "8-bit check alone": {"count": 6, "check": "CRC-8/BLUETOOTH"},
    "32-bit check alone": {"count": 6, "check": "CRC-32/ISCSI"},
    "sync without check": {"sync": SYNC, "count": 6, "check": ""},
    "stated length": {"sync": SYNC, "length": "u8"},
    "stated length, no sync": {"length": "u8", "check": "CRC-32/ISCSI"},
}


def _layout(name: str, **more: object) -> Layout:
    return sectors_layout(sector_bytes=SIZE, **{**MAKES[name], **more})


def _counts(n: int, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).integers(-30000, 30000, (n, 2))


def _sectors(layout: Layout, n: int = 40, **more: int) -> list[bytes]:
    per_frame = layout.frame.part("samples").count or 8  # type: ignore[union-attr]
    return encode_frames(layout, _counts(n * per_frame), **more)


def _ledger(frames: Frames) -> Ledger:
    assert frames.dumps[0].ledger.total == frames.dumps[0].n_bytes
    return frames.dumps[0].ledger


def _same_in_blocks(data: bytes, layout: Layout, frames: Frames, folder: Path) -> None:
    for block_bytes in (1, 100, 1000):
        again = read_bytes(data, layout, folder, block_bytes=block_bytes)
        assert again.dumps == frames.dumps
        for column in frames.table.columns:
            assert np.array_equal(getattr(again.table, column), getattr(frames.table, column))


@pytest.mark.parametrize("fill", [0x00, 0xFF, 0x55])
@pytest.mark.parametrize("name", MAKES)
def test_the_rest_of_a_sector_is_padding(tmp_path: Path, name: str, fill: int) -> None:
    layout = _layout(name)
    per_frame = layout.frame.part("samples").count or 8  # type: ignore[union-attr]
    rows = _counts(40 * per_frame)
    encoded = encode_all(layout, [rows], fill=fill)
    frames = read_bytes(b"".join(e.data for e in encoded), layout, tmp_path)
    assert np.array_equal(frames.counts.read(0, frames.counts.n_rows), rows)
    assert frames.table.offset.tolist() == list(range(0, 40 * SIZE, SIZE))
    size = int(frames.table.n_bytes[0])
    assert _ledger(frames) == Ledger(decoded=40 * size, padding=40 * (SIZE - size))


@pytest.mark.parametrize("lost", [1, 17, 63])
@pytest.mark.parametrize("name", MAKES)
def test_leftovers_before_and_behind_and_an_image_that_begins_within_a_sector(
    tmp_path: Path, name: str, lost: int
) -> None:
    layout = _layout(name)
    sectors = _sectors(layout, 60)
    noise = np.random.default_rng(3).integers(1, 255, 6000, dtype=np.uint8).tobytes()
    data = noise[:3000] + b"".join(sectors)[lost:] + noise[3000:]
    frames = read_bytes(data, layout, tmp_path)
    assert frames.table.sequence.tolist()[-59:] == list(range(1, 60))
    # an 8-bit check fits by chance once in 256: what was never written may only stand beside the log
    allowed = 0 if "of a byte" in name or "8-bit" in name else 59
    assert len(frames.table) <= 59 or not allowed
    _ledger(frames)
    _same_in_blocks(data, layout, frames, tmp_path)


@pytest.mark.parametrize("name", [n for n in MAKES if n != "8-bit check alone"])
def test_bytes_that_were_lost_on_the_way(tmp_path: Path, name: str) -> None:
    layout = _layout(name)
    sectors = _sectors(layout, 200)
    sectors[60] = sectors[60][:40]
    sectors[130] = sectors[130][:20] + b"kiln room" + sectors[130][20:]
    data = b"".join(sectors)
    frames = read_bytes(data, layout, tmp_path)
    found = set(frames.table.sequence.tolist())
    assert found >= set(range(200)) - {60, 130}
    assert len(frames.table) == len(found)
    _ledger(frames)
    _same_in_blocks(data, layout, frames, tmp_path)


@pytest.mark.parametrize("fill", [0x00, 0xFF])
@pytest.mark.parametrize("name", [n for n in MAKES if n != "sync without check"])
def test_a_torn_last_write_is_damaged_and_erased_sectors_are_padding(
    tmp_path: Path, name: str, fill: int
) -> None:
    layout = _layout(name)
    filled = bytes([fill])
    sectors = _sectors(layout, 20)
    torn = sectors[10][:23].ljust(SIZE, filled)
    data = b"".join([*sectors[:10], torn, filled * (SIZE * 30)])
    frames = read_bytes(data, layout, tmp_path)
    assert frames.table.sequence.tolist() == list(range(10))
    size = int(frames.table.n_bytes[0])
    n_torn = len(torn.rstrip(filled))
    assert _ledger(frames).damaged == n_torn
    assert _ledger(frames).padding == len(data) - 10 * size - n_torn
    assert frames.dumps[0].n_damaged_frames == 1
    # what the file ends in is torn as well
    frames = read_bytes(b"".join([*sectors[:10], sectors[10][:23]]), layout, tmp_path)
    assert _ledger(frames).damaged == 23


@pytest.mark.parametrize("name", [n for n in MAKES if "check" not in n or "alone" in n])
def test_a_bad_sector_between_good_ones_is_damaged(tmp_path: Path, name: str) -> None:
    layout = _layout(name)
    sectors = _sectors(layout)
    sectors[7] = sectors[7][:20] + bytes([sectors[7][20] ^ 1]) + sectors[7][21:]
    frames = read_bytes(b"".join(sectors), layout, tmp_path)
    assert frames.table.sequence.tolist() == [*range(7), *range(8, 40)]
    assert frames.dumps[0].n_damaged_frames == 1
    assert _ledger(frames).unrecognised == 0


def test_the_last_sector_may_lack_its_filler(tmp_path: Path) -> None:
    layout = _layout("sync")
    data = b"".join(_sectors(layout))
    size = len(data) - len(data.rstrip(b"\xff"))
    frames = read_bytes(data[:-size], layout, tmp_path)
    assert len(frames.table) == 40
    assert _ledger(frames).padding == 39 * size


def test_data_without_the_fixed_bytes_is_not_recognised(tmp_path: Path) -> None:
    layout = _layout("sync")
    sectors = _sectors(layout)
    other = b"glazing log of the kiln room, not ours ".ljust(SIZE, b".")
    data = b"".join([other * 3, *sectors[:20], other, *sectors[20:], other * 5])
    frames = read_bytes(data, layout, tmp_path)
    assert frames.table.sequence.tolist() == list(range(40))
    assert _ledger(frames).unrecognised == 9 * SIZE


def test_zeros_that_pass_a_check_are_no_frames(tmp_path: Path) -> None:
    # CRC-16/XMODEM of zeros is 0: an erased memory would be full of good frames
    layout = _layout("16-bit check alone")
    sectors = _sectors(layout)
    frames = read_bytes(b"".join([*sectors[:20], bytes(SIZE * 50), *sectors[20:]]), layout, tmp_path)
    assert frames.table.sequence.tolist() == list(range(40))
    assert _ledger(frames).damaged == 0


def _apart(layout: Layout, rows: np.ndarray, number: int, filler: bytes) -> bytes:
    """A frame whose checksum stands at the end of its sector, behind the filler."""
    body = encode_frame(layout, layout.frame, [rows], sequence=number)
    check = layout.frame.part("checksum")
    assert check is not None
    assert check.checksum is not None
    body = body[: -check.n_bytes]
    if layout.frame.parts[-2].is_ == "length":
        n = layout.frame.parts[-2].n_bytes
        body = body[:-n] + filler + body[-n:]
    else:
        body += filler
    skipped = layout.frame.parts[0].n_bytes if check.covers == "after_sync" else 0
    value = check_of(body[skipped:], check.checksum)
    return body + value.to_bytes(check.n_bytes, check.byte_order)


@pytest.mark.parametrize("length_last", [False, True])
def test_a_checksum_at_the_end_of_the_sector(tmp_path: Path, length_last: bool) -> None:
    layout = _layout("stated length", counts="rows", length_last=length_last)
    sizes, mixed = [8, 3, 12, 1, 10], b"\xaa\xbb"
    rows, data, at = _counts(sum(sizes)), [], 0
    for i, size in enumerate(sizes):
        n_filler = SIZE - (2 + 1 + 2 + 4 + 2) - 4 * size
        filler = (b"\xee" * n_filler) if size != 12 else mixed.ljust(n_filler, b"\1")
        data.append(_apart(layout, rows[at : at + size], i, filler))
        at += size
    assert {len(sector) for sector in data} == {SIZE}
    whole = b"".join(data)
    frames = read_bytes(whole, layout, tmp_path)
    assert frames.table.n_samples.tolist() == sizes
    assert np.array_equal(frames.counts.read(0, len(rows)), rows)
    assert frames.table.n_bytes.tolist() == [11 + 4 * size for size in sizes]
    assert _ledger(frames).padding == 5 * SIZE - int(frames.table.n_bytes.sum())
    assert frames.extra is not None
    kept = frames.extra.read(0, 5).tolist()
    assert kept == [[1, 0xEE], [1, 0xEE], [2, 0xAA], [1, 0xEE], [1, 0xEE]]
    _same_in_blocks(whole, layout, frames, tmp_path)


def test_a_filler_behind_the_frame_is_kept_beside_it(tmp_path: Path) -> None:
    layout = _layout("stated length")
    encoded = encode_all(layout, [_counts(40)], fill=0x11)
    frames = read_bytes(b"".join(e.data for e in encoded), layout, tmp_path)
    assert frames.extra is not None
    assert frames.extra.read(0, 5).tolist() == [[0, 0x11]] * 5


@pytest.mark.parametrize("turn", [1, 17, 39])
@pytest.mark.parametrize("first", [0, 65520])
def test_a_circular_log_begins_with_its_oldest_sector(tmp_path: Path, turn: int, first: int) -> None:
    layout = _layout("stated length", ignored=1)
    rows = _counts(320)
    plain = [sector.rstrip(b"\xff") for sector in encode_frames(layout, rows, first_sequence=first)]
    data = into_sectors(plain, SIZE, oldest=turn)
    before = b"".join(encode_frames(layout, rows[:80], first_sequence=first - 10))
    frames = read_bytes([before, data], layout, tmp_path)
    assert frames.table.sequence.tolist()[10:] == [(first + i) % 65536 for i in range(40)]
    assert int(frames.table.offset[10]) == turn * SIZE
    table, counts = frames.table, frames.counts
    read = [counts.read(int(a), int(a + n)) for a, n in zip(table.first_row, table.n_samples, strict=True)]
    assert np.array_equal(np.concatenate(read[10:]), rows)
    assert frames.extra is not None
    assert frames.extra.n_rows == 50
    placing = place_session([read_all([before, data], layout, tmp_path)])
    shown = np.concatenate([block for _, block, _ in placing.main.blocks()])
    assert np.array_equal(shown[-320:], rows)
    assert placing.main.n_late == 0


def test_only_a_log_that_goes_on_from_its_last_sector_to_its_first_has_come_round(tmp_path: Path) -> None:
    layout = _layout("sync")
    restarted = _sectors(layout, 20, first_sequence=500) + _sectors(layout, 20)
    frames = read_bytes(b"".join(restarted), layout, tmp_path)
    assert frames.table.sequence.tolist() == [*range(500, 520), *range(20)]
    # with erased sectors where it goes on, and one that was damaged
    sectors = _sectors(layout, 40)
    erased = b"\xff" * SIZE * 3
    turned = [*sectors[25:30], bytes(SIZE), *sectors[31:40], erased, *sectors[:25]]
    frames = read_bytes(b"".join(turned), layout, tmp_path)
    assert frames.table.sequence.tolist() == [*range(30), *range(31, 40)]


def test_where_the_oldest_frame_stands() -> None:
    at = np.arange(300) * SIZE
    n = 300 * SIZE
    # a counter of 8 bits that has wrapped: the break is a step forward, but the only one
    sequence = (np.roll(np.arange(300), -100) + 7) % 256
    assert oldest(sequence, at, 8, n, SIZE) == 200
    assert oldest(np.arange(300), at, 16, n, SIZE) == 0
    assert oldest(np.arange(300) * 10, at, 0, n, SIZE) == 0
    assert oldest(np.roll(np.arange(300) * 10, 120), at, 0, n, SIZE) == 120
    assert oldest(np.zeros(300, dtype=np.int64), at, 16, n, SIZE) == 0
    assert oldest(np.arange(2), at[:2], 16, n, SIZE) == 0


def test_kinds_share_the_memory(tmp_path: Path) -> None:
    layout = kinds_layout("sectors", sector_bytes=SIZE, event=True, shared=True)
    counts = [_counts(400, 1), _counts(160, 2), np.arange(5)[:, np.newaxis]]
    encoded = encode_all(layout, counts, event_s=[0.2, 0.3, 0.5, 0.6, 1.1])
    data = [e.data for e in encoded]
    reading = read_all(b"".join([*data[20:], *data[:20]]), layout, tmp_path)
    for frames, rows in zip(reading.streams, counts, strict=True):
        read = [
            frames.counts.read(int(a), int(a + n))
            for a, n in zip(frames.table.first_row, frames.table.n_samples, strict=True)
        ]
        assert np.array_equal(np.concatenate(read), rows)


PIECES = st.sampled_from(
    ["good"] * 6 + ["lost", "flipped", "erased", "zeros", "other", "short", "long", "torn"]
)


@pytest.mark.parametrize("name", MAKES)
def test_whatever_happens_to_sectors(tmp_path_factory: pytest.TempPathFactory, name: str) -> None:
    layout, folder = _layout(name), tmp_path_factory.mktemp("sectors")
    sectors = _sectors(layout, 40)
    written = {tuple(row) for row in _counts(40 * 8).tolist()}

    @BOUNDED
    @given(st.lists(PIECES, min_size=4, max_size=40), st.integers(0, 999), st.sampled_from([1, 50, 130]))
    def holds(pieces: list[str], seed: int, block_bytes: int) -> None:
        rng, data = random.Random(seed), [sectors[0]]
        for piece, sector in zip(pieces, sectors[1:], strict=False):
            at = rng.randrange(SIZE)
            data.append(
                {
                    "good": sector,
                    "lost": b"",
                    "flipped": sector[:at] + bytes([sector[at] ^ 4]) + sector[at + 1 :],
                    "erased": b"\xff" * SIZE,
                    "zeros": bytes(SIZE * rng.randrange(3)),
                    "other": rng.randbytes(SIZE),
                    "short": sector[:at],
                    "long": sector[:at] + rng.randbytes(5) + sector[at:],
                    "torn": sector[:at].ljust(SIZE, b"\xff"),
                }[piece]
            )
        whole = read_bytes(b"".join(data), layout, folder)
        again = read_bytes(b"".join(data), layout, folder, block_bytes=block_bytes)
        assert whole.dumps == again.dumps
        assert np.array_equal(whole.table.offset, again.table.offset)
        _ledger(whole)
        if layout.frame.part("checksum") and "8-bit" not in name and "of a byte" not in name:
            read = whole.counts.read(0, whole.counts.n_rows).tolist()
            assert all(tuple(row) in written for row in read)

    holds()


@pytest.mark.parametrize("fill", [b"\x51\x0c", b"\0", b"\x51\x0c\x20\0", bytes(range(256))])
@pytest.mark.parametrize("name", MAKES)
def test_hostile_files_take_bounded_time(tmp_path: Path, name: str, fill: bytes) -> None:
    layout = replace(_layout(name), name="hostile")
    sectors, begin = b"".join(_sectors(layout, 4)), time.process_time()
    try:
        frames = read_bytes(sectors + fill * (1_000_000 // len(fill)), layout, tmp_path)
    except Unreadable as error:
        # so many equal frames look like those of another check
        assert "while these fit" in str(error.problem)  # noqa: PT017
    else:
        assert len(frames.table) >= 4
        _ledger(frames)
    assert time.process_time() - begin < 10
