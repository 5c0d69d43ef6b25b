"""The demo's binary frames against published values; the source stands beside each check."""

import numpy as np
import pytest

from pipeline.layouts import Frame, Layout, Part
from pipeline.layouts.catalogue import CATALOGUE
from pipeline.simulate.wire import Event, Sending, check_of, cobs, encode_kinds, on_card, packed


@pytest.mark.parametrize(
    ("name", "check"),
    [
        # Catalogue of parametrised CRC algorithms, the column 'check': of the ASCII digits 1 to 9.
        ("CRC-8/SMBUS", 0xF4),
        ("CRC-16/XMODEM", 0x31C3),
        ("CRC-16/IBM-SDLC", 0x906E),
        ("CRC-32/ISO-HDLC", 0xCBF43926),
        ("CRC-32/BZIP2", 0xFC891918),
    ],
)
def test_checks_are_those_of_the_catalogue(name, check):
    assert check_of(b"123456789", CATALOGUE[name]) == check


def test_stuffing_is_that_of_the_paper():
    # Cheshire and Baker, Consistent Overhead Byte Stuffing, IEEE/ACM Trans. Networking 7:159, 1999, figure 3:
    # 45 00 00 2C 4C 79 00 00 40 06 4F 37 becomes 02 45 01 04 2C 4C 79 01 05 40 06 4F 37.
    packet = bytes.fromhex("4500002C4C79000040064F37")
    assert cobs(packet) == bytes.fromhex("024501042C4C79010540064F37")
    # 254 bytes without a zero are one group, whose code is FF; what follows begins a new one.
    assert cobs(bytes(range(1, 255)) + b"\x07") == b"\xff" + bytes(range(1, 255)) + b"\x02\x07"


@pytest.mark.parametrize(
    ("order", "form", "bits", "codes", "data"),
    [
        # 0x123 and 0xABC by definition: low bits first, or high bits first, without a gap.
        ("little", "unsigned", 12, [0x123, 0xABC], "23C1AB"),
        ("big", "unsigned", 12, [0x123, 0xABC], "123ABC"),
        ("little", "signed", 16, [-2, 0x0102], "FEFF0201"),
        ("big", "signed", 16, [-2, 0x0102], "FFFE0102"),
        ("big", "offset", 8, [-128, 127], "00FF"),
        ("little", "unsigned", 12, [0xFFF], "FF0F"),
    ],
)
def test_codes_are_packed_without_gaps(order, form, bits, codes, data):
    part = Part("samples", bits=bits, form=form, byte_order=order, channels=("a",))
    assert packed(np.array(codes)[:, np.newaxis], part) == bytes.fromhex(data)


def test_a_planar_part_has_one_channel_after_the_other():
    part = Part("samples", bits=8, channels=("a", "b"), arrangement="planar")
    assert packed(np.array([[1, 3], [2, 4]]), part) == bytes([1, 2, 3, 4])


def test_frames_come_in_the_order_in_which_they_are_full(small_layout):
    counts = {"a": np.arange(40), "b": np.arange(100, 108)}
    sending = Sending(first_sequence=254)
    frames = encode_kinds(small_layout, counts, sending, np.random.default_rng(1), [Event(0.25, 9)])
    kinds = [frame[0] for frame in frames]
    assert kinds == [
        1,
        1,
        3,
        1,
        1,
        2,
    ]  # ten samples at 100 Hz; an event; eight at 20 Hz with the fourth of these
    assert [frame[1] for frame in frames] == [254, 255, 0, 1, 2, 3]  # one counter through all, which wraps
    assert frames[0][2:12] == bytes(range(10))


def test_a_card_goes_round():
    sectors = [bytes([i]) * 4 for i in range(3)]
    assert on_card(sectors, 5, 3) == b"\x02\x02\x02\x02" + b"\xff" * 8 + b"\0\0\0\0\x01\x01\x01\x01"
    # More sectors than the card has: the youngest stand where the oldest were.
    assert on_card(sectors, 2, 0) == b"\x02\x02\x02\x02\x01\x01\x01\x01"


@pytest.fixture
def small_layout(channels) -> Layout:
    def kind(value: int, count: int, name: str, is_event: bool = False) -> Frame:
        parts = (
            Part("kind", n_bytes=1, bits=8, value=value),
            Part("sequence", n_bytes=1, bits=8, shared=True),
            Part("samples", bits=8, count=count, channels=(name,)),
        )
        return Frame(name, parts, 64, is_event)

    frames = (kind(1, 10, "a"), kind(2, 8, "b"), kind(3, 1, "c", True))
    return Layout("small", "small", "sync", 100.0, None, frames, channels, None, "")


@pytest.fixture
def channels():
    from shapes import channel

    return (channel("a", sample_hz=100), channel("b", sample_hz=20), channel("c", sample_hz=100))
