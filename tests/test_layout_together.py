"""What is said where kinds of frame, counts and rates of a layout do not go together."""

from pathlib import Path

import pytest
from layout_texts import (
    BINARY,
    CHECKSUM,
    CONVERTER,
    KINDS,
    RIGHT,
    SECTORS,
    TEXT_KINDS,
    Faults,
    right,
    spoilt,
    told,
)

FRAME = BINARY[BINARY.index("[[frame]]") : BINARY.index("[[channel]]")]
KIND_3 = '[[frame.part]]\nis = "kind"\ntype = "u8"\nvalue = 3\n'


# ---------------------------------------------------------------- kinds


@pytest.mark.parametrize(
    ("old", "new", "faults"),
    [
        (
            "value = 2",
            "value = 1",
            (
                (
                    "key frame:",
                    "a value of its own for each 'kind'",
                    "1 in the 1st frame, field, and the 2nd frame",
                ),
            ),
        ),
        (
            KIND_3,
            "",
            (
                (
                    "a 'kind' part in each of two",
                    "the same sync bytes and not both",
                    "1st frame, field, and the 3rd",
                ),
                (
                    "a 'kind' part in each of two",
                    "the same sync bytes and not both",
                    "the 2nd frame, acceleration",
                ),
            ),
        ),
        (
            KIND_3,
            '[[frame.part]]\nis = "ignored"\n' + KIND_3,
            (
                (
                    "'kind' at the same byte, type",
                    "two places in the 1st frame, field, and the 3rd",
                    "move it",
                ),
                (
                    "'kind' at the same byte, type",
                    "two places in the 2nd frame, acceleration, and",
                    "move it",
                ),
            ),
        ),
        (
            KIND_3,
            KIND_3.replace("u8", "u16"),
            (
                ("'kind' at the same byte, type", "1st frame, field, and the 3rd frame, button"),
                ("'kind' at the same byte, type", "2nd frame, acceleration, and the 3rd frame, button"),
            ),
        ),
        (
            'bytes = "A5"\n' + KIND_3,
            'bytes = "A5 03"\n',
            (
                ("sync bytes that differ from the first byte on", "'A5' and 'A5 03' in the 1st", "as 'kind'"),
                ("sync bytes that differ from the first byte on", "'A5' and 'A5 03' in the 2nd", "as 'kind'"),
            ),
        ),
        (
            "value = 3",
            "value = 300",
            (("frame[2].part[1].value", "a number of 8 bits", "300", "or the type"),),
        ),
        ("value = 3", 'value = "B"', (("frame[2].part[1].value", "a whole number", "'B'", "The number"),)),
        ("value = 3", "", (("frame[2].part[1].value", "no such key", "Add it: the number that stands"),)),
        (
            'type = "u16"\nshared',
            'type = "u8"\nshared',
            (("one width of a shared sequence", "8 bits and 16 bits", "It is one counter"),),
        ),
        (
            'unit = "1"\nscale = 1\n',
            'unit = "1"\nscale = 1\nsample_hz = 1\n',
            (("channel[2].sample_hz (the 3rd channel, button)", "in event frames", "1", "Remove it"),),
        ),
        (
            "tick_hz = 1000",
            "",
            tuple((f"frame[{i}].part", "tick_hz beside the ticks", "Add tick_hz") for i in range(3)),
        ),
        (
            'channels = ["acc"]',
            'channels = ["acc", "field"]',
            (
                (
                    "key frame:",
                    "each channel in one samples part",
                    "'field' in 2 of them",
                    "its own channels",
                ),
                ("frame[1].part[4].channels", "one rate", "50 Hz and 500 Hz", "a samples part of their own"),
            ),
        ),
    ],
)
def test_kinds_of_frame(tmp_path: Path, old: str, new: str, faults: Faults) -> None:
    spoilt(tmp_path, KINDS, old, new, faults)


def test_kinds_with_other_sync_bytes_need_no_kind(tmp_path: Path) -> None:
    text = KINDS.replace('bytes = "A5"\n' + KIND_3, 'bytes = "5A"\n')
    assert right(tmp_path, text).frames[2].part("kind") is None


def test_kind_behind_samples_without_count(tmp_path: Path) -> None:
    kind = '[[frame.part]]\nis = "kind"\ntype = "u8"\nvalue = 1\n'
    text = SECTORS.replace("sectors", "cobs").replace("sector_bytes = 512\n", "").replace("count = 10\n", "")
    told(
        tmp_path,
        text.replace(CHECKSUM, kind + CHECKSUM),
        (
            "key frame:",
            "'kind' before samples without count",
            "behind them in the 1st frame",
            "Move the kind",
        ),
    )


def test_events_alone(tmp_path: Path) -> None:
    text = RIGHT.replace("[[frame]]\n", "[[frame]]\nevent = true\n")
    told(
        tmp_path, text, ("key frame:", "at least one [[frame]] at a rate", "none", "carry samples at a rate")
    )


def test_no_frame_at_all(tmp_path: Path) -> None:
    told(
        tmp_path,
        BINARY.replace(FRAME, "").replace("tick_hz", "frame = []\ntick_hz") + CONVERTER,
        ("key frame:", "at least one [[frame]] at a rate", "none", "Describe"),
        ("key channel", "only the samples' channels", "'field'", "List it there"),
    )


@pytest.mark.parametrize(
    ("old", "new", "faults"),
    [
        (
            'value = "A"',
            'value = "F"',
            (("a value of its own for each 'kind'", "'F' in the 1st frame, field"),),
        ),
        ('value = "A"', "value = 2", (("frame[1].part[0].value", "a string", "2", "The word"),)),
        ('value = "A"', 'value = " A"', (("frame[1].part[0].value", "a word", "' A'", "without blanks"),)),
        ('value = "A"', 'value = ""', (("frame[1].part[0].value", "a word", "''", "without blanks"),)),
        ('value = "A"', """value = "A'B\"""", (("frame[1].part[0].value", "without the quote", "A'B"),)),
        (
            '[[frame.part]]\nis = "kind"\nvalue = "A"\n',
            '[[frame.part]]\nis = "sequence"\n[[frame.part]]\nis = "kind"\nvalue = "A"\n',
            (("'kind' at the same column of two frames", "two places in the 1st", "move it"),),
        ),
        (
            '[[frame.part]]\nis = "kind"\nvalue = "A"\n',
            "",
            (("a 'kind' part in each of two frames", "not both of them in the 1st frame, field, and"),),
        ),
        (
            'quote = "\'"',
            'quote = ","',
            (("text.quote", "one character that is no digit", "','", "or write"),),
        ),
        ('quote = "\'"', "quote = \"''\"", (("text.quote", "one character that is no digit", "\"''\""),)),
    ],
)
def test_kinds_of_line(tmp_path: Path, old: str, new: str, faults: Faults) -> None:
    spoilt(tmp_path, TEXT_KINDS, old, new, faults)


def test_kind_that_holds_the_delimiter(tmp_path: Path) -> None:
    text = TEXT_KINDS.replace('value = "A"', 'value = "A,B"')
    assert right(tmp_path, text)
    spoilt(
        tmp_path,
        text,
        'quote = "\'"',
        'quote = ""',
        (("frame[1].part[0].value", "a word without the delimiter", "'A,B'"),),
    )


# ---------------------------------------------------------------- counts and rates


def with_second(keys: str, more: str = "") -> str:
    """Another samples part in front of the checksum, and its channel."""
    part = f'[[frame.part]]\nis = "samples"\ntype = "i16"\n{keys}channels = ["acc"]\n'
    channel = f'[[channel]]\nname = "acc"\nkind = "acceleration"\nunit = "[g]"\nscale = 1\n{more}'
    return RIGHT.replace(CHECKSUM, part + CHECKSUM) + channel


def test_a_samples_part_for_each_channel(tmp_path: Path) -> None:
    assert len(right(tmp_path, with_second("count = 10\n")).main.channels) == 2
    assert len(right(tmp_path, with_second("count = 2\n", "sample_hz = 25\n")).streams) == 2


@pytest.mark.parametrize(
    ("keys", "more", "parts"),
    [
        ("count = 5\n", "", ("the same count in samples parts at 125 Hz", "10 and 5", "Correct count or")),
        ("count = 5\n", "sample_hz = 25\n", ("ratio of the rates 125 Hz and 25 Hz", "10 and 5", "Correct")),
        ("", "", ("count of the samples, or a 'length' part", "neither", "Add count")),
    ],
)
def test_counts_against_rates(tmp_path: Path, keys: str, more: str, parts: tuple[str, ...]) -> None:
    faults = [("key frame[0].part", *parts)]
    if not keys:
        faults.append(("key frame[0].part", "the same count", "10 and none", "Correct count"))
    told(tmp_path, with_second(keys, more), *faults)


def test_two_samples_parts_without_count(tmp_path: Path) -> None:
    text = with_second("", "sample_hz = 25\n").replace("count = 10\n", "")
    length = '[[frame.part]]\nis = "length"\ntype = "u8"\n'
    told(
        tmp_path,
        text.replace(CHECKSUM, length + CHECKSUM),
        (
            "key frame[0].part",
            "at most one samples part without count",
            "2 (field; acc)",
            "all of them but one",
        ),
    )


def test_length_that_says_nothing_of_the_samples_before_it(tmp_path: Path) -> None:
    length = '[[frame.part]]\nis = "length"\ntype = "u8"\ncounts = "after_length"\n'
    told(
        tmp_path,
        RIGHT.replace("count = 10\n", "").replace(CHECKSUM, length + CHECKSUM),
        ("key frame[0].part", "behind the samples that counts them", "'after_length'", "Set counts to"),
    )


def test_packet_of_two_samples_parts_needs_one_count(tmp_path: Path) -> None:
    text = with_second("count = 1\n", "sample_hz = 25\n").replace("count = 10\n", "")
    for framing in ("cobs", "slip"):
        assert right(tmp_path, text.replace('"sync"\nsample', f'"{framing}"\nsample'))


# ---------------------------------------------------------------- one pass


def test_faults_of_keys_and_of_meaning_in_one_pass(tmp_path: Path) -> None:
    text = KINDS.replace("value = 2", "vlaue = 2").replace("CRC-16/XMODEM", "CRC-16/?").replace('"V"', '"v"')
    told(
        tmp_path,
        text,
        ("frame[1].part[1].vlaue", "unknown key 'vlaue'", "Did you mean 'value'?"),
        ("frame[1].part[1].value", "no such key", "Add it"),
        ("frame[0].part[5].name", "a name of the catalogue", "'CRC-16/?'", "Close names"),
        ("frame[2].part[5].name", "a name of the catalogue", "'CRC-16/?'", "Close names"),
        ("channel[0].unit", "one of V, mV, uV", "'v'"),
    )


def test_names_are_checked_where_the_framing_is_not_known(tmp_path: Path) -> None:
    told(
        tmp_path,
        KINDS.replace('"sync"\nsample', '"sink"\nsample').replace("value = 2", "vlaue = 2"),
        ("key framing", "one of sync", "'sink'"),
        ("frame[1].part[1].vlaue", "unknown key 'vlaue'", "Did you mean 'value'?"),
    )
