"""Checksums against the public catalogue, published vectors, a general library and the theory of errors."""

import zlib

import fastcrc
import numpy as np
import pytest
from checks import check_of

from pipeline.frames.checksum import _check_overlapping, check_each_place, check_spans, check_values
from pipeline.layouts import Checksum
from pipeline.layouts.catalogue import ALIASES, CATALOGUE, by_name

# Check value: the CRC of ASCII "123456789". Source: G. Cook,
# "Catalogue of parametrised CRC algorithms" (RevEng).
PUBLISHED = {
    "CRC-8/SMBUS": 0xF4,
    "CRC-8/MAXIM-DOW": 0xA1,
    "CRC-8/I-432-1": 0xA1,
    "CRC-8/NRSC-5": 0xF7,
    "CRC-8/AUTOSAR": 0xDF,
    "CRC-8/SAE-J1850": 0x4B,
    "CRC-8/BLUETOOTH": 0x26,
    "CRC-8/ROHC": 0xD0,
    "CRC-8/DVB-S2": 0xBC,
    "CRC-8/CDMA2000": 0xDA,
    "CRC-8/WCDMA": 0x25,
    "CRC-16/ARC": 0xBB3D,
    "CRC-16/MODBUS": 0x4B37,
    "CRC-16/USB": 0xB4C8,
    "CRC-16/MAXIM-DOW": 0x44C2,
    "CRC-16/UMTS": 0xFEE8,
    "CRC-16/IBM-3740": 0x29B1,
    "CRC-16/XMODEM": 0x31C3,
    "CRC-16/KERMIT": 0x2189,
    "CRC-16/IBM-SDLC": 0x906E,
    "CRC-16/GENIBUS": 0xD64E,
    "CRC-16/SPI-FUJITSU": 0xE5CC,
    "CRC-16/MCRF4XX": 0x6F91,
    "CRC-16/DNP": 0xEA82,
    "CRC-16/T10-DIF": 0xD0DB,
    "CRC-24/OPENPGP": 0x21CF02,
    "CRC-32/ISO-HDLC": 0xCBF43926,
    "CRC-32/BZIP2": 0xFC891918,
    "CRC-32/MPEG-2": 0x0376E6E7,
    "CRC-32/CKSUM": 0x765E7680,
    "CRC-32/JAMCRC": 0x340BC6D9,
    "CRC-32/ISCSI": 0xE3069283,
    "CRC-64/ECMA-182": 0x6C40DF5F0B497347,
    # from memory
    "CRC-64/XZ": 0x995DC9BBDF1939FA,
}

# The same string by definition: 49 + 50 + ... + 57 = 477 = 256 + 221, and so on; Adler-32 by zlib.
SUMS = {
    "SUM-8": 0xDD,
    "XOR-8": 0x31,
    "FLETCHER-16": 0x1EDE,
    "ADLER-32": zlib.adler32(b"123456789"),
    "INTERNET-16": 0xF62A,
}

# The catalogue again; a width and a mixed reflection that no row of ours has. From memory.
FURTHER = ((Checksum("CRC-12/UMTS", 12, 0x80F, 0, False, True, 0), 0xDAF),)


def _one(data: bytes, checksum: Checksum) -> int:
    return int(check_values(np.frombuffer(data, dtype=np.uint8)[None, :], checksum)[0])


def _bitwise(data: bytes, checksum: Checksum) -> int:
    """The Rocksoft model (Williams 1993), bit for bit."""
    register, mask = checksum.init, (1 << checksum.width) - 1
    for byte in data:
        bits = range(8) if checksum.reflect_in else range(7, -1, -1)
        for bit in bits:
            top = (register >> (checksum.width - 1)) ^ (byte >> bit)
            register = ((register << 1) & mask) ^ (checksum.poly if top & 1 else 0)
    if checksum.reflect_out:
        register = int(f"{register:0{checksum.width}b}"[::-1], 2)
    return register ^ checksum.xor_out


def test_every_row_of_the_catalogue_has_a_published_value() -> None:
    assert set(PUBLISHED) | set(SUMS) == set(CATALOGUE)
    assert set(ALIASES.values()) <= set(CATALOGUE)


@pytest.mark.parametrize("name", CATALOGUE)
def test_check_value_of_the_catalogue(name: str) -> None:
    assert _one(b"123456789", CATALOGUE[name]) == (PUBLISHED | SUMS)[name]


@pytest.mark.parametrize(
    ("name", "data", "value"),
    [
        # J. G. Fletcher, IEEE Transactions on Communications 30(1), 1982; these vectors from memory
        ("FLETCHER-16", b"abcde", 0xC8F0),
        ("FLETCHER-16", b"abcdef", 0x2057),
        ("FLETCHER-16", b"abcdefgh", 0x0627),
        # RFC 1950; the value by the library that carries it
        ("ADLER-32", b"Wikipedia", 0x11E60398),
        # RFC 1071, section 3: the sum DDF2, of which the checksum is the complement
        ("INTERNET-16", bytes.fromhex("0001F203F4F5F6F7"), 0x220D),
        # the header of an IPv4 packet without its checksum, which is B861 (a widely restated example)
        ("RFC-1071", bytes.fromhex("450000730000400040110000C0A80001C0A800C7"), 0xB861),
        # common practice, no source
        ("SUM-8", b"\xff\x02\x10", 0x11),
        ("XOR-8", b"\xff\x02\x10", 0xED),
    ],
)
def test_published_vectors_of_sums(name: str, data: bytes, value: int) -> None:
    checksum = by_name(name)
    assert checksum is not None
    assert _one(data, checksum) == value


def test_what_sums_are_known_for() -> None:
    """RFC 1071: with its checksum at the end the sum is 0, odd bytes are filled up on the right."""
    rng = np.random.default_rng(3)
    data = rng.bytes(40)
    stored = _one(data, CATALOGUE["INTERNET-16"]).to_bytes(2, "big")
    assert _one(data + stored, CATALOGUE["INTERNET-16"]) == 0
    assert _one(data[:39], CATALOGUE["INTERNET-16"]) == _one(data[:39] + b"\0", CATALOGUE["INTERNET-16"])
    # modulo 255, 0x00 and 0xFF are the same (Fletcher 1982, a known weakness)
    swapped = data[:5] + b"\xff" + data[5:]
    assert _one(swapped, CATALOGUE["FLETCHER-16"]) == _one(
        swapped.replace(b"\xff", b"\0"), CATALOGUE["FLETCHER-16"]
    )


@pytest.mark.parametrize("name", SUMS)
def test_sums_of_any_spans_agree_with_the_plain_loop(name: str) -> None:
    rng = np.random.default_rng(9)
    block = rng.integers(0, 256, 3000, dtype=np.uint8)
    block[:700] = 255
    starts = rng.integers(0, 2500, 60)
    stops = starts + rng.integers(0, 500, 60)
    wanted = [check_of(block[a:b].tobytes(), CATALOGUE[name]) for a, b in zip(starts, stops, strict=True)]
    assert check_spans(block, starts, stops, CATALOGUE[name]).tolist() == wanted
    assert check_values(block[:2990].reshape(-1, 299), CATALOGUE[name]).tolist() == [
        check_of(row.tobytes(), CATALOGUE[name]) for row in block[:2990].reshape(-1, 299)
    ]


@pytest.mark.parametrize(
    "name", ["CRC-8/WCDMA", "CRC-16/XMODEM", "CRC-16/MODBUS", "CRC-24/OPENPGP", "CRC-64/XZ", "XOR-8"]
)
@pytest.mark.parametrize(
    ("size", "length"), [(700, 30), (128, 64), (65, 64), (63, 1), (5, 9), (64, 64), (9, 0)]
)
def test_the_check_of_each_place(name: str, size: int, length: int) -> None:
    block = np.random.default_rng(size).integers(0, 256, size, dtype=np.uint8)
    starts = np.arange(max(size - length + 1, 0))
    wanted = check_spans(block, starts, starts + length, CATALOGUE[name])
    assert check_each_place(block, length, CATALOGUE[name]).tolist() == wanted.tolist()


@pytest.mark.parametrize(("checksum", "value"), FURTHER, ids=lambda x: getattr(x, "name", ""))
def test_check_value_of_other_widths(checksum: Checksum, value: int) -> None:
    assert _one(b"123456789", checksum) == value


@pytest.mark.parametrize(
    ("data", "value"),
    [
        (bytes(32), 0x8A9136AA),
        (b"\xff" * 32, 0x62A8AB43),
        (bytes(range(32)), 0x46DD794E),
        (bytes(range(31, -1, -1)), 0x113FDB5C),
    ],
)
def test_crc32c_vectors_of_rfc_3720_appendix_b4(data: bytes, value: int) -> None:
    """From memory; the RFC prints the bytes in the order in which they are sent."""
    checksum = by_name("CRC-32C")
    assert checksum is not None
    assert _one(data, checksum) == value


@pytest.mark.parametrize(
    ("name", "reference"),
    [
        ("CRC-8/SMBUS", fastcrc.crc8.smbus),
        ("CRC-8/BLUETOOTH", fastcrc.crc8.bluetooth),
        ("CRC-16/XMODEM", fastcrc.crc16.xmodem),
        ("CRC-16/MODBUS", fastcrc.crc16.modbus),
        ("CRC-32/ISO-HDLC", fastcrc.crc32.iso_hdlc),
        ("CRC-32/ISCSI", fastcrc.crc32.iscsi),
        ("CRC-32/BZIP2", fastcrc.crc32.bzip2),
    ],
)
@pytest.mark.parametrize("length", [0, 1, 2, 7, 86, 129, 300, 511])
def test_many_frames_at_once_agree_with_a_general_library(name: str, reference, length: int) -> None:
    rng = np.random.default_rng(length)
    frames = rng.integers(0, 256, (500, length), dtype=np.uint8)
    assert check_values(frames, CATALOGUE[name]).tolist() == [reference(row.tobytes()) for row in frames]


@pytest.mark.parametrize(
    "name", ["CRC-8/WCDMA", "CRC-16/XMODEM", "CRC-16/DNP", "CRC-24/OPENPGP", "CRC-32/CKSUM"]
)
def test_overlapping_spans_agree_with_the_model_bit_for_bit(name: str) -> None:
    rng = np.random.default_rng(7)
    block = rng.integers(0, 256, 3000, dtype=np.uint8)
    starts = rng.integers(0, 2500, 60)
    stops = starts + rng.integers(0, 500, 60)
    wanted = [_bitwise(block[a:b].tobytes(), CATALOGUE[name]) for a, b in zip(starts, stops, strict=True)]
    assert _check_overlapping(block, starts, stops, CATALOGUE[name]).tolist() == wanted
    assert check_spans(block, starts, stops, CATALOGUE[name]).tolist() == wanted


def test_a_16_bit_check_catches_every_burst_of_at_most_16_bits() -> None:
    """Peterson and Brown, "Cyclic codes for error detection", Proc. IRE 49 (1961); all bursts, all places."""
    checksum = CATALOGUE["CRC-16/XMODEM"]
    frame = np.random.default_rng(1).integers(0, 256, 32, dtype=np.uint8)
    stored = _one(frame[:30].tobytes(), checksum)
    frame[30], frame[31] = stored >> 8, stored & 0xFF
    # a burst of at most 16 bits that ends at a given bit is any odd number of 16 bits, shifted there
    bursts = np.arange(1, 1 << 16, 2, dtype=np.uint32)
    for end in range(256):
        first = max(0, 31 - end // 8 - 2)
        errors = np.zeros((len(bursts), 32), dtype=np.uint8)
        for place in range(first, 32 - end // 8):
            shift = 8 * (31 - end // 8 - place)
            errors[:, place] = ((bursts << (end % 8)) >> shift) & 0xFF
        errors = errors[np.any(errors, axis=1)]
        received = frame ^ errors
        computed = check_values(received[:, :30], checksum)
        assert not np.any(computed == (received[:, 30].astype(np.uint64) << np.uint64(8) | received[:, 31]))


def test_random_corruption_escapes_an_8_bit_check_once_in_256() -> None:
    """2**-8 = 3.9e-3 for corruption longer than the check (Peterson and Brown 1961)."""
    rows = np.random.default_rng(2).integers(0, 256, (200_000, 21), dtype=np.uint8)
    escaped = check_values(rows[:, :20], CATALOGUE["CRC-8/SMBUS"]) == rows[:, 20]
    expected, spread = 200_000 / 256, (200_000 / 256) ** 0.5
    assert abs(int(escaped.sum()) - expected) < 4 * spread
