"""Binary frames by sync pattern: what is planted comes back, whatever happens around it."""

import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from encode import encode_frames
from shapes import read_bytes, sync_layout

from pipeline.errors import Unreadable
from pipeline.frames import Frames, read_frames
from pipeline.frames.leftover import chain
from pipeline.layouts import Layout
from pipeline.layouts.catalogue import by_name


def _counts(n: int, low: int, high: int, n_channels: int = 2, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).integers(low, high + 1, (n, n_channels))


def _all(frames: Frames) -> np.ndarray:
    return frames.counts.read(0, frames.counts.n_rows)


def _summed(frames: Frames) -> bool:
    return all(dump.ledger.total == dump.n_bytes for dump in frames.dumps)


@pytest.mark.parametrize("order", ["little", "big"])
@pytest.mark.parametrize(
    ("samples", "low", "high"),
    [
        ("u8", 0, 255),
        ("i8", -128, 127),
        ("u16", 0, 65535),
        ("i16", -32768, 32767),
        ("u24", 0, 2**24 - 1),
        ("i24", -(2**23), 2**23 - 1),
        ("u32", 0, 2**32 - 1),
        ("i32", -(2**31), 2**31 - 1),
    ],
)
def test_every_number_type_comes_back_exactly(
    tmp_path: Path, samples: str, low: int, high: int, order: str
) -> None:
    layout = sync_layout(samples=samples, order=order, count=7)
    counts = _counts(70, low, high)
    counts[0], counts[1] = low, high
    frames = read_bytes(b"".join(encode_frames(layout, counts)), layout, tmp_path)
    assert np.array_equal(_all(frames), counts)
    assert frames.dumps[0].ledger.decoded == frames.dumps[0].n_bytes


@pytest.mark.parametrize("width", ["u8", "u16", "u24", "u32"])
@pytest.mark.parametrize("order", ["little", "big"])
def test_counters_of_every_width(tmp_path: Path, width: str, order: str) -> None:
    layout = sync_layout(sequence=width, ticks=width, order=order, ignored=3)
    first = (1 << int(width[1:])) - 2
    frames = read_bytes(
        b"".join(encode_frames(layout, _counts(40, -9, 9), first_sequence=first, first_tick=5)),
        layout,
        tmp_path,
    )
    assert frames.table.sequence.tolist() == [first, first + 1, 0, 1]
    # 10 samples at 250 Hz and 32768 Hz: 1310.72 ticks
    expected = [(5 + round(i * 1310.72)) % (1 << int(width[1:])) for i in range(4)]
    assert frames.table.ticks.tolist() == expected


@pytest.mark.parametrize("sync", [b"\x7e", b"\xa5\x5a", b"\x00\x00\x01", b"\xde\xad\xbe\xef\x01\x02\x03\x04"])
@pytest.mark.parametrize("check", ["", "CRC-8/SMBUS", "CRC-16/MODBUS", "CRC-24/OPENPGP", "CRC-32/ISO-HDLC"])
def test_sync_patterns_of_any_length(tmp_path: Path, sync: bytes, check: str) -> None:
    layout = sync_layout(sync=sync, check=check)
    counts = _counts(500, 1000, 1200)
    frames = read_bytes(b"".join(encode_frames(layout, counts)), layout, tmp_path)
    assert np.array_equal(_all(frames), counts)


@pytest.mark.parametrize("counts", ["frame", "after_length", "samples"])
@pytest.mark.parametrize("check", ["", "CRC-16/XMODEM"])
@pytest.mark.parametrize("order", ["little", "big"])
def test_stated_lengths(tmp_path: Path, counts: str, check: str, order: str) -> None:
    layout = sync_layout(length="u16", counts=counts, check=check, order=order)
    sizes = [3, 8, 1, 20, 5]
    counts = _counts(sum(sizes), -1000, 1000)
    data = encode_frames(layout, counts, samples_per_frame=sizes)
    frames = read_bytes(b"".join(data), layout, tmp_path)
    assert frames.table.n_samples.tolist() == sizes
    assert frames.table.n_bytes.tolist() == [len(frame) for frame in data]
    assert np.array_equal(_all(frames), counts)


def test_a_pattern_within_samples_is_passed_over(tmp_path: Path) -> None:
    layout = sync_layout()
    counts = np.full((100, 2), 0x5AA5)
    frames = read_bytes(b"".join(encode_frames(layout, counts)), layout, tmp_path)
    assert np.array_equal(_all(frames), counts)
    assert frames.dumps[0].n_damaged_frames == 0


def test_a_bad_frame_hides_no_good_one_behind_it(tmp_path: Path) -> None:
    layout = sync_layout(length="u16")
    data = encode_frames(layout, _counts(80, -1000, 1000))
    broken = bytearray(data[3])
    # length of 4000 bytes: it would swallow all that follows
    broken[2:4] = (4000).to_bytes(2, "little")
    frames = read_bytes(b"".join([*data[:3], bytes(broken), *data[4:]]), layout, tmp_path)
    assert frames.table.sequence.tolist() == [0, 1, 2, 4, 5, 6, 7, 8, 9]
    assert frames.dumps[0].ledger.damaged == len(broken)
    assert frames.dumps[0].n_damaged_frames == 1


def test_a_length_that_cannot_be_damages_to_the_next_frame(tmp_path: Path) -> None:
    layout = sync_layout(length="u16")
    data = encode_frames(layout, _counts(80, -1000, 1000))
    broken = bytearray(data[3])
    broken[2:4] = (65000).to_bytes(2, "little")
    frames = read_bytes(b"".join([*data[:3], bytes(broken), *data[4:]]), layout, tmp_path)
    ledger = frames.dumps[0].ledger
    assert (len(frames.table), ledger.damaged, ledger.unrecognised) == (9, len(broken), 0)


def test_torn_frames_noise_and_padding_are_told_apart(tmp_path: Path) -> None:
    layout = sync_layout()
    data = encode_frames(layout, _counts(80, -1000, 1000))
    size = len(data[0])
    noise = bytes(range(1, 30))
    pieces = [
        noise,
        data[0],
        data[1][:20],
        data[2],
        b"\xff" * 500,
        data[3],
        b"\x00" * 15,
        data[4],
        data[5][:30],
    ]
    frames = read_bytes(b"".join(pieces), layout, tmp_path)
    ledger = frames.dumps[0].ledger
    assert frames.table.sequence.tolist() == [0, 2, 3, 4]
    assert (ledger.decoded, ledger.damaged, ledger.padding) == (4 * size, 50, 500)
    # fifteen zeros are no run of padding yet
    assert ledger.unrecognised == len(noise) + 15
    assert frames.dumps[0].n_damaged_frames == 2
    assert _summed(frames)


def test_a_frame_cut_off_by_erased_memory_is_damaged_only_as_far_as_it_goes(tmp_path: Path) -> None:
    layout = sync_layout()
    data = encode_frames(layout, _counts(30, 1, 1000))
    frames = read_bytes(data[0] + data[1][:21] + b"\xff" * 1000 + data[2], layout, tmp_path)
    ledger = frames.dumps[0].ledger
    assert (ledger.damaged, ledger.padding) == (21, 1000)


def test_without_a_checksum_structure_decides(tmp_path: Path) -> None:
    layout = sync_layout(check="")
    data = encode_frames(layout, _counts(100, -1000, 1000))
    lone = b"\x01\x02" + layout.frame.parts[0].sync + bytes(range(60))
    pieces = [lone, *data[:3], data[3][:17], *data[4:8], b"\xff" * 300, data[8], data[9]]
    frames = read_bytes(b"".join(pieces), layout, tmp_path)
    assert frames.table.sequence.tolist() == [0, 1, 2, 4, 5, 6, 7, 8, 9]
    assert frames.dumps[0].ledger.damaged >= 17
    assert _summed(frames)


@pytest.mark.parametrize("check", ["", "CRC-16/XMODEM"])
@pytest.mark.parametrize("length", ["", "u8"])
def test_blocks_of_any_size_give_the_same(tmp_path: Path, check: str, length: str) -> None:
    layout = sync_layout(check=check, length=length, max_bytes=200)
    rng = np.random.default_rng(5)
    pieces = encode_frames(layout, _counts(600, -1000, 1000))
    for i in range(0, len(pieces), 7):
        pieces[i] = [pieces[i][:11], b"\xff" * 40 + pieces[i], rng.bytes(50), pieces[i][:30] + b"\0" * 100][
            i % 4
        ]
    data = b"".join(pieces)
    whole = read_bytes(data, layout, tmp_path)
    assert _summed(whole)
    for block_bytes in (1, 3, 17, 64, 1000):
        again = read_bytes(data, layout, tmp_path, block_bytes=block_bytes)
        assert again.dumps == whole.dumps
        assert np.array_equal(again.table.offset, whole.table.offset)
        assert np.array_equal(_all(again), _all(whole))


def test_greedy_choice_agrees_with_the_plain_loop() -> None:
    rng = np.random.default_rng(3)
    for _ in range(50):
        starts = np.unique(rng.integers(0, 300, 40))
        stops = starts + rng.integers(1, 40, len(starts))
        wanted, end = [], 20
        for i, (start, stop) in enumerate(zip(starts, stops, strict=True)):
            if start >= end:
                wanted.append(i)
                end = stop
        assert chain(starts, stops, 20).tolist() == wanted


@pytest.mark.parametrize(
    "data",
    [
        b"\xa5\x5a" * 1_000_000,
        b"\xa5\x5a\x00\x08" * 500_000,
        b"\x00" * 2_000_000,
        b"\xa5\x5a\x10\x00" * 500_000,
    ],
    ids=["patterns", "patterns with long lengths", "zeros", "patterns with short lengths"],
)
@pytest.mark.parametrize("check", ["", "CRC-8/SMBUS", "CRC-32/ISO-HDLC"])
def test_hostile_files_take_bounded_time(tmp_path: Path, data: bytes, check: str) -> None:
    layout = sync_layout(length="u16", check=check, ticks="", samples="u8", channels=("a",))
    begin = time.process_time()
    try:
        frames = read_bytes(data, layout, tmp_path)
        assert _summed(frames)
    except Unreadable:
        pass
    assert time.process_time() - begin < 10


def _message(data: bytes, layout: Layout, folder: Path) -> str:
    with pytest.raises(Unreadable) as caught:
        read_bytes(data, layout, folder)
    problem = caught.value.problem
    assert problem.file == "dumps/part0.dump"
    assert problem.where
    assert problem.expected
    assert problem.found
    assert problem.remedy
    return str(problem)


def test_messages_name_what_is_wrong(tmp_path: Path) -> None:
    layout = sync_layout()
    assert "an empty file" in _message(b"", layout, tmp_path)
    assert "lines of text" in _message(b"1,2,3\n" * 100, layout, tmp_path)
    assert "found none in" in _message(bytes(range(128, 165)) * 100, layout, tmp_path)
    message = _message(b"\xa5\x5a" + bytes(range(1, 100)), layout, tmp_path)
    assert "1 sync pattern, of which 1 failed the checksum" in message
    with pytest.raises(Unreadable, match="no such file"):
        read_frames([("dumps/a.bin", tmp_path / "a.bin")], layout, tmp_path)
    with pytest.raises(Unreadable, match="a folder"):
        read_frames([("dumps", tmp_path)], layout, tmp_path)


def test_a_wrong_checksum_is_told_with_all_that_would_fit(tmp_path: Path) -> None:
    data = encode_frames(sync_layout(check="CRC-16/MODBUS", check_order="big"), _counts(200, -1000, 1000))
    message = _message(b"".join(data), sync_layout(check="CRC-16/XMODEM"), tmp_path)
    assert "CRC-16/MODBUS, covers = 'after_sync', byte_order = 'big'" in message
    assert "20 sync patterns, of which 20 failed the checksum" in message
    # an 8-bit check fits by chance once in 256: frames that pass by chance are no recording
    data = encode_frames(sync_layout(check="CRC-8/MAXIM-DOW"), _counts(20_000, -1000, 1000))
    message = _message(b"".join(data), sync_layout(check="CRC-8/SMBUS"), tmp_path)
    assert "CRC-8/MAXIM-DOW" in message


def test_of_a_right_checksum_only_the_keys_that_are_wrong_are_named_first(tmp_path: Path) -> None:
    data = b"".join(encode_frames(sync_layout(check_order="big", covers="frame"), _counts(200, -1000, 1000)))
    for keys, change in (
        ({"check_order": "big"}, "covers = 'frame'"),
        ({"covers": "frame"}, "byte_order = 'big'"),
        ({}, "covers = 'frame' and byte_order = 'big'"),
    ):
        message = _message(data, sync_layout(**keys), tmp_path)
        assert f"failed the checksum, while it fits with {change}" in message
        assert message.endswith(f"Write {change} in the checksum part of the layout.")


def test_a_checksum_is_named_as_in_the_layout_and_as_in_the_catalogue(tmp_path: Path) -> None:
    layout = sync_layout()
    parts = list(layout.frame.parts)
    parts[-1] = replace(parts[-1], n_bytes=1, checksum=by_name("crc-8"))
    other = replace(layout, frames=(replace(layout.frame, parts=tuple(parts)),))
    data = b"".join(encode_frames(sync_layout(check="CRC-8/MAXIM-DOW"), _counts(200, -1000, 1000)))
    assert "frames whose crc-8 (CRC-8/SMBUS) fits" in _message(data, other, tmp_path)


@pytest.mark.parametrize("counts", ["frame", "after_length", "samples"])
def test_a_count_that_the_length_contradicts(tmp_path: Path, counts: str) -> None:
    layout = sync_layout(length="u8", counts=counts)
    data = b"".join(encode_frames(layout, _counts(400, -1000, 1000), samples_per_frame=8))
    parts = [replace(part, count=10) if part.is_ == "samples" else part for part in layout.frame.parts]
    other = replace(layout, frames=(replace(layout.frame, parts=tuple(parts)),))
    message = _message(data, other, tmp_path)
    assert "frames of 51 bytes, as the samples' count = 10 makes them" in message
    assert "whose length part says 43 bytes, which is count = 8" in message
    assert "remove count" in message


def test_one_bad_dump_does_not_lose_the_others(tmp_path: Path) -> None:
    layout = sync_layout()
    data = b"".join(encode_frames(layout, _counts(50, -1000, 1000)))
    frames = read_bytes([b"", data], layout, tmp_path)
    assert frames.dumps[0].n_bytes == 0
    assert len(frames.table) == 5
    assert "empty" in frames.notes[0]
    dumps = [("dumps/lost.bin", tmp_path / "lost.bin"), ("dumps/part1.dump", tmp_path / "part1.dump")]
    reading = read_frames(dumps, layout, tmp_path)
    frames = replace(reading.main, notes=reading.notes)
    assert (frames.dumps[0].n_bytes, frames.dumps[1].n_bytes) == (0, len(data))
    assert "no such file" in frames.notes[0]
    assert frames.table.dump.tolist() == [1] * 5
