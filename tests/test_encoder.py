"""The tests' own encoder against published vectors, so that what it plants is what the formats say."""

import zlib

import numpy as np
import pytest
from checks import adler32, check_of, crc, fletcher16, internet, sum8, xor8
from encode import encode_all, encode_frames, pack
from shapes import kinds_layout, part, sectors_layout, slip_layout, sync_layout, text_kinds_layout
from wrapping import cobs, into_sectors, slip

from pipeline.layouts.catalogue import CATALOGUE

# Cheshire and Baker, "Consistent overhead byte stuffing", IEEE/ACM Transactions on Networking 7(2), 1999: the
# packet of its figure and the rule of 254 bytes; the short ones are the examples that public restatements of
# the algorithm share.
COBS = [
    ("", "01"),
    ("00", "01 01"),
    ("00 00", "01 01 01"),
    ("00 11 00", "01 02 11 01"),
    ("11 22 00 33", "03 11 22 02 33"),
    ("11 22 33 44", "05 11 22 33 44"),
    ("11 00 00 00", "02 11 01 01 01"),
    ("45 00 00 2C 4C 79 00 00 40 06 4F 37", "02 45 01 04 2C 4C 79 01 05 40 06 4F 37"),
    (bytes(range(1, 255)).hex(), "FF" + bytes(range(1, 255)).hex()),
    ("00" + bytes(range(1, 255)).hex(), "01 FF" + bytes(range(1, 255)).hex()),
    (bytes(range(1, 256)).hex(), "FF" + bytes(range(1, 255)).hex() + "02 FF"),
    (bytes(range(2, 256)).hex() + "00", "FF" + bytes(range(2, 256)).hex() + "01 01"),
    (bytes(range(3, 256)).hex() + "00 01", "FE" + bytes(range(3, 256)).hex() + "02 01"),
]


@pytest.mark.parametrize(("data", "stuffed"), COBS)
def test_cobs(data: str, stuffed: str) -> None:
    assert cobs(bytes.fromhex(data)) == bytes.fromhex(stuffed)


@pytest.mark.parametrize(
    ("n", "overhead"), [(0, 1), (1, 1), (254, 1), (255, 2), (508, 2), (509, 3), (10_000, 40)]
)
def test_overhead_of_cobs(n: int, overhead: int) -> None:
    # the same source: one byte, and at most one more for each 254
    assert len(cobs(b"\x01" * n)) == n + overhead
    assert 0 not in cobs(bytes(range(256)) * 40)


def test_slip() -> None:
    # RFC 1055: END 300, ESC 333, ESC_END 334, ESC_ESC 335 (octal)
    assert (0o300, 0o333, 0o334, 0o335) == (0xC0, 0xDB, 0xDC, 0xDD)
    assert slip(bytes.fromhex("01 C0 02 DB 03")) == bytes.fromhex("01 DB DC 02 DB DD 03")


@pytest.mark.parametrize("name", [name for name in CATALOGUE if name.startswith("CRC-")])
def test_cyclic_checks(name: str) -> None:
    # one reflected and one plain row by their catalogue values (G. Cook, RevEng); the others bit by bit
    row = CATALOGUE[name]
    known = {"CRC-16/XMODEM": 0x31C3, "CRC-32/ISO-HDLC": 0xCBF43926, "CRC-8/MAXIM-DOW": 0xA1}
    value = crc(b"123456789", row)
    assert value == known.get(name, value)
    bits = [int(bit) for byte in b"123456789" for bit in f"{byte:08b}"[:: -1 if row.reflect_in else 1]]
    register = row.init
    for bit in bits:
        carry = (register >> (row.width - 1)) ^ bit
        register = ((register << 1) & ((1 << row.width) - 1)) ^ (row.poly if carry else 0)
    if row.reflect_out:
        register = int(f"{register:0{row.width}b}"[::-1], 2)
    assert value == register ^ row.xor_out == check_of(b"123456789", row)


def test_simple_sums() -> None:
    # J. G. Fletcher, IEEE Transactions on Communications 30(1), 1982 (vectors from memory)
    assert [fletcher16(text) for text in (b"abcde", b"abcdef", b"abcdefgh")] == [0xC8F0, 0x2057, 0x0627]
    # RFC 1950 by the library that carries it; RFC 1071, section 3
    assert adler32(b"Wikipedia") == zlib.adler32(b"Wikipedia") == 0x11E60398
    assert internet(bytes.fromhex("00 01 F2 03 F4 F5 F6 F7")) == 0x220D
    assert internet(bytes.fromhex("45 00 00 73 00 00 40 00 40 11 C0 A8 00 01 C0 A8 00 C7")) == 0xB861
    # common practice, no source
    assert (sum8(b"\xff\x02\x10"), xor8(b"\xff\x02\x10")) == (0x11, 0xED)


@pytest.mark.parametrize("name", [name for name in CATALOGUE if not name.startswith("CRC-")])
def test_named_sums_are_known_here(name: str) -> None:
    assert 0 <= check_of(b"123456789", CATALOGUE[name]) < 1 << CATALOGUE[name].width


@pytest.mark.parametrize(
    ("kind", "order", "values", "packed"),
    [
        # worked by hand from the two bit orders; common practice, no source
        ("u12", "big", [0x123, 0xABC], "12 3A BC"),
        ("u12", "little", [0x123, 0xABC], "23 C1 AB"),
        ("u12", "big", [0x123], "12 30"),
        ("u12", "little", [0x123], "23 01"),
        ("i10", "big", [-1, 0, 1], "FF C0 00 04"),
        ("i10", "little", [-1, 0, 1], "FF 03 10 00"),
        ("o12", "big", [-2048, 2047], "00 0F FF"),
        ("i24", "big", [-2], "FF FF FE"),
        ("u16", "little", [0x1234], "34 12"),
    ],
)
def test_packing(kind: str, order: str, values: list[int], packed: str) -> None:
    assert pack(values, part("samples", kind, order, channels=("a",))) == bytes.fromhex(packed)


@pytest.mark.parametrize("last", [False, True])
@pytest.mark.parametrize(
    ("counts", "stated"), [("frame", 15), ("after_length", 12), ("samples", 8), ("rows", 2)]
)
def test_lengths(counts: str, stated: int, last: bool) -> None:
    layout = sync_layout(length="u8", counts=counts, length_last=last, ticks="")
    frame = encode_frames(layout, np.zeros((2, 2), dtype=int), samples_per_frame=2)[0]
    # sync 2, length 1, sequence 2, samples 8, check 2; behind the samples only the check is left
    assert len(frame) == 15
    assert frame[12 if last else 2] == (2 if last and counts == "after_length" else stated)


def test_kinds_in_the_order_of_time() -> None:
    layout = kinds_layout(shared=True, event=True)
    counts = [np.zeros((100, 2), int), np.zeros((20, 2), int), np.zeros((1, 1), int)]
    made = encode_all(layout, counts, event_s=[0.13])
    # 10 rows at 250 Hz every 40 ms, 4 rows at 50 Hz every 80 ms, one event between
    assert [frame.kind for frame in made] == [0, 1, 0, 0, 1, 0, 2, 0, 1, 0, 0, 1, 0, 0, 1, 0]
    assert [frame.sequence for frame in made] == list(range(16))
    assert [frame.data[2] for frame in made] == [frame.kind + 1 for frame in made]
    own = encode_all(kinds_layout(event=True), counts, event_s=[0.13])
    assert [frame.sequence for frame in own if frame.kind == 1] == list(range(5))


def test_lines_with_an_instant() -> None:
    layout = text_kinds_layout(received="rfc3339")
    made = encode_all(layout, [np.zeros((2, 2), int), np.ones((1, 2), int)], first_received=482196050520000)
    # RFC 3339, section 5.8: 1985-04-12T23:20:50.52Z
    assert made[0].data == b"F,1985-04-12T23:20:50.520000Z,0,0,0,0\n"
    assert made[1].data == b"A,1985-04-12T23:20:50.520000Z,0,0,1,1\n"
    assert made[2].data == b"F,1985-04-12T23:20:50.524000Z,1,4,0,0\n"


def test_sectors() -> None:
    layout = sectors_layout(sector_bytes=64)
    frames = encode_frames(layout, np.zeros((30, 2), int))
    assert [len(frame) for frame in frames] == [64] * 3
    assert frames[0].endswith(b"\xff" * 16)
    turned = into_sectors([b"a", b"b", b"c"], 2, fill=0, oldest=2, n_erased=1)
    assert turned == b"b\0c\0a\0\0\0"
    assert into_sectors([b"a", b"b", b"c"], 4, per_sector=2) == b"ab\xff\xffc\xff\xff\xff"
    assert encode_frames(slip_layout(), np.zeros((10, 2), int))[0].endswith(b"\xc0")
