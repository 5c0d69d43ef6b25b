"""Delimited text from a serial terminal: good lines come back exactly, all others are told apart."""

from pathlib import Path

import numpy as np
import pytest
from encode import encode_frames, header_line
from shapes import read_bytes, text_layout

from pipeline.errors import Unreadable
from pipeline.frames import Frames, Ledger
from pipeline.frames.numbers import parse_numbers
from pipeline.layouts import Layout


def _counts(n: int, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).integers(-2000, 2001, (n, 2))


def _rows(frames: Frames) -> list[list[int]]:
    return frames.counts.read(0, frames.counts.n_rows).tolist()


def _ledger(data: bytes, layout: Layout, folder: Path) -> Ledger:
    ledger = read_bytes(data, layout, folder).dumps[0].ledger
    assert ledger.total == len(data)
    return ledger


@pytest.mark.parametrize("delimiter", [",", ";", "tab", "blanks", " ", " | ", "::", "\t;"])
@pytest.mark.parametrize("decimal", [".", ","])
@pytest.mark.parametrize("decimals", [0, 2])
@pytest.mark.parametrize("line_end", [b"\n", b"\r\n", b"\r"])
def test_every_way_to_write_lines(
    tmp_path: Path, delimiter: str, decimal: str, decimals: int, line_end: bytes
) -> None:
    if delimiter == decimal:
        pytest.skip("a delimiter is not the decimal sign")
    layout = text_layout(delimiter=delimiter, decimal=decimal, decimals=decimals, ticks_bits=32)
    counts = _counts(50)
    data = b"".join(encode_frames(layout, counts)).replace(b"\n", line_end)
    frames = read_bytes(data, layout, tmp_path)
    assert _rows(frames) == counts.tolist()
    assert frames.dumps[0].ledger == Ledger(decoded=len(data))
    assert frames.table.sequence.tolist() == list(range(50))
    assert frames.table.ticks.tolist() == [4 * i for i in range(50)]


def test_header_by_name_with_columns_in_any_order(tmp_path: Path) -> None:
    layout = text_layout(header=True)
    lines = b"\xef\xbb\xbf# wedging, invented\nnote, b ,seq,a\nx,5,1,-7\n,6,2,-8\nnote, b ,seq,a\ny,7,3,-9\n"
    frames = read_bytes(lines, layout, tmp_path)
    assert _rows(frames) == [[-7, 5], [-8, 6], [-9, 7]]
    comment = len(b"\xef\xbb\xbf# wedging, invented\n")
    assert frames.dumps[0].ledger == Ledger(decoded=len(lines) - comment, padding=comment)


def test_a_header_with_the_columns_in_other_places_holds_from_there_on(tmp_path: Path) -> None:
    layout = text_layout(header=True)
    first = b"seq,a,b\n1,2,3\n2,4,5\n"
    second = b"low: no a, no b, no seq\nb,note,seq,a\n7,x,3,6\n9,y,4,8\n5,10,11\n b,note,seq,a\n11,z,5,10\n"
    third = b"seq,a,b,c\n7,14,15,0\n"
    data = first + second + third
    for block_bytes in (1, 16, 40, 1 << 20):
        frames = read_bytes([data, b"8,16,17,0\n9,18,19,0\n"], layout, tmp_path, block_bytes=block_bytes)
        assert frames.table.sequence.tolist() == [1, 2, 3, 4, 5, 7, 8, 9]
        assert _rows(frames) == [[i, i + 1] for i in (2, 4, 6, 8, 10, 14, 16, 18)]
        ledger = frames.dumps[0].ledger
        assert (ledger.damaged, ledger.unrecognised) == (8, 24)


def test_a_second_part_without_a_header_keeps_the_columns_of_the_first(tmp_path: Path) -> None:
    layout = text_layout(header=True)
    lines = encode_frames(layout, _counts(20))
    frames = read_bytes([header_line(layout) + b"".join(lines[:10]), b"".join(lines[10:])], layout, tmp_path)
    assert _rows(frames) == _counts(20).tolist()
    assert frames.notes == ()


def test_a_missing_column_is_named_beside_those_found(tmp_path: Path) -> None:
    with pytest.raises(Unreadable) as caught:
        read_bytes(b"#c\nseq,a,c\n1,2,3\n", text_layout(header=True), tmp_path)
    problem = caught.value.problem
    assert problem.where == "line 2"
    assert "columns 'seq', 'a', 'c'; missing 'b'" in problem.found
    with pytest.raises(Unreadable, match="no line of names"):
        read_bytes(b"1,2,3\n2,2,3\n", text_layout(header=True), tmp_path)


@pytest.mark.parametrize(
    ("between", "expected"),
    [
        (b"", Ledger()),
        (b"\n\r\n  \n", Ledger(padding=6)),
        (b"# glazing\n", Ledger(padding=10)),
        (b"\0" * 5, Ledger(padding=5)),
        (b"\0" * 5000, Ledger(padding=5000)),
        (b"\xff" * 600, Ledger(padding=600)),
        (b"heap low\n", Ledger(unrecognised=9)),
        (b"[12:30] battery 3,91 V\r\n", Ledger(unrecognised=24)),
        (b"4,5\n", Ledger(damaged=4)),
        (b"4,5,6,7\n", Ledger(damaged=8)),
        (b"4,5,6\x007\n", Ledger(damaged=8)),
        (b"4,5,2001\n", Ledger(damaged=9)),
        (b"4,5,6.5\n", Ledger(damaged=8)),
        (b"4,5,99999999999999999999999\n", Ledger(damaged=28)),
        (b"-4,5,6\n", Ledger(damaged=7)),
        (b"70000,5,6\n", Ledger(damaged=10)),
        (b"4,5,q\n", Ledger(damaged=6)),
        (b"x,y,z\n", Ledger(unrecognised=6)),
        (b"4,5," + b"6" * 70000 + b"\n", Ledger(unrecognised=70005)),
        (b"4,\xff\xfe\xfd\n", Ledger(unrecognised=6)),
    ],
)
def test_what_stands_between_good_lines(tmp_path: Path, between: bytes, expected: Ledger) -> None:
    layout = text_layout()
    lines = encode_frames(layout, _counts(10))
    before, behind = b"".join(lines[:5]), b"".join(lines[5:])
    frames = read_bytes(before + between + behind, layout, tmp_path)
    assert _rows(frames) == _counts(10).tolist()
    ledger = frames.dumps[0].ledger
    assert ledger == Ledger(
        decoded=len(before) + len(behind),
        damaged=expected.damaged,
        padding=expected.padding,
        unrecognised=expected.unrecognised,
    )


def test_half_lines_at_both_ends_are_damaged(tmp_path: Path) -> None:
    layout = text_layout()
    lines = encode_frames(layout, _counts(10), first_sequence=1230)
    # '1230,...' cut to '30,...' still has the right number of values, but does not lead on to 1231
    data = lines[0][2:] + b"".join(lines[1:9]) + lines[9][:-1]
    frames = read_bytes(data, layout, tmp_path)
    assert _rows(frames) == _counts(10)[1:9].tolist()
    assert frames.dumps[0].ledger.damaged == len(lines[0]) - 2 + len(lines[9]) - 1
    assert frames.dumps[0].n_damaged_frames == 2


def test_fill_bytes_at_a_lines_ends_are_padding_and_the_line_stays_good(tmp_path: Path) -> None:
    layout = text_layout()
    lines = encode_frames(layout, _counts(3))
    data = lines[0] + b"\0\0" + lines[1][:-1] + b"\0\0\0\n" + lines[2]
    frames = read_bytes(data, layout, tmp_path)
    assert _rows(frames) == _counts(3).tolist()
    assert frames.dumps[0].ledger == Ledger(decoded=len(data) - 5, padding=5)
    assert frames.table.offset.tolist()[1] == len(lines[0]) + 2


def test_a_line_broken_off_before_erased_memory_is_damaged(tmp_path: Path) -> None:
    layout = text_layout()
    lines = encode_frames(layout, _counts(8), first_sequence=100)
    data = b"".join(lines[:3]) + lines[3][:-2] + b"\0" * 512 + lines[5][1:] + b"".join(lines[6:])
    frames = read_bytes(data, layout, tmp_path)
    assert frames.table.sequence.tolist() == [100, 101, 102, 106, 107]
    ledger = frames.dumps[0].ledger
    assert (ledger.damaged, ledger.padding) == (len(lines[3]) - 2 + len(lines[5]) - 1, 512)


def test_blanks_around_values_and_a_delimiter_after_the_last(tmp_path: Path) -> None:
    frames = read_bytes(b" 1 , 2 ,\t-3,\n2,+4,5 , \r\n", text_layout(), tmp_path)
    assert _rows(frames) == [[2, -3], [4, 5]]


def test_numbers_times_their_decimals_are_exact(tmp_path: Path) -> None:
    layout = text_layout(decimals=3, low=-(10**9), high=10**9)
    text = b"1,0.001,-0.001\n2,.5,5.\n3,-12,999999.999\n4,0.0001,1\n"
    frames = read_bytes(text, layout, tmp_path)
    assert _rows(frames) == [[1, -1], [500, 5000], [-12000, 999999999]]
    assert frames.dumps[0].ledger.damaged == len(b"4,0.0001,1\n")


def test_the_parser_agrees_with_python_on_any_field() -> None:
    rng = np.random.default_rng(4)
    letters = list("0123456789.+-x")
    weights = np.array([8] * 10 + [4, 2, 2, 1], dtype=float)
    fields = [
        "".join(rng.choice(letters, rng.integers(0, 22), p=weights / weights.sum())) for _ in range(3000)
    ]
    fields += [
        "",
        "-",
        "+",
        ".",
        "-.",
        "1.",
        ".1",
        "000000000000000000000001",
        "9" * 18,
        "9" * 19,
        "0" * 31 + "7",
    ]
    block = np.frombuffer(" ".join(fields).encode(), dtype=np.uint8)
    sizes = np.array([len(word) for word in fields])
    starts = np.cumsum(sizes + 1) - sizes - 1
    read = parse_numbers(block, starts, starts + sizes, ".")
    for i, word in enumerate(fields):
        digits = word[1:] if word[:1] in "+-" and word else word
        is_number = digits.replace(".", "", 1).isdigit() and len(word) <= 32
        assert read.is_number[i] == is_number, word
        if is_number:
            whole = int(digits.replace(".", "")) * (-1 if word[0] == "-" else 1)
            assert read.is_huge[i] == (abs(whole) >= 10**18), word
            if not read.is_huge[i]:
                assert read.value[i] == whole, word
                assert read.n_decimals[i] == (len(digits) - digits.index(".") - 1 if "." in digits else 0)


def _message(data: bytes, layout: Layout, folder: Path) -> str:
    with pytest.raises(Unreadable) as caught:
        read_bytes(data, layout, folder)
    assert caught.value.problem.where
    return str(caught.value)


def test_messages_name_what_is_wrong(tmp_path: Path) -> None:
    layout = text_layout()
    assert "no numeric line" in _message(b"boot\nready\n", layout, tmp_path)
    assert "bytes that are no text" in _message(np.random.default_rng(0).bytes(3000), layout, tmp_path)
    assert "UTF-16" in _message("1,2,3\n4,5,6\n".encode("utf-16"), layout, tmp_path)
    message = _message(b"1,2\n2,3\n", layout, tmp_path)
    assert "lines of 3 values between ','" in message
    assert "line 1 has 2" in message
    assert "line 1" in _message(b"1,5000,0\n2,5000,0\n", layout, tmp_path)
    assert "adc_min" in _message(b"1,5000,0\n2,5000,0\n", layout, tmp_path)
    assert "decimals" in _message(b"1,5.25,0.5\n2,5.5,0.5\n", layout, tmp_path)
    assert "an empty file" in _message(b"", layout, tmp_path)


@pytest.mark.parametrize(
    ("stated", "written", "change"),
    [
        ({"decimal": ".", "delimiter": ";"}, {"decimal": ",", "delimiter": ";"}, "decimal = ','"),
        ({"decimal": ",", "delimiter": ";"}, {"decimal": ".", "delimiter": ";"}, "decimal = '.'"),
        ({"delimiter": ","}, {"delimiter": ";"}, "delimiter = ';'"),
        ({"delimiter": ";"}, {"delimiter": "tab"}, "delimiter = 'tab'"),
        ({"delimiter": "tab"}, {"delimiter": "blanks"}, "delimiter = 'blanks'"),
        ({"delimiter": ","}, {"delimiter": ";", "decimal": ","}, "delimiter = ';' and decimal = ','"),
        ({"delimiter": ",", "header": True}, {"delimiter": ";", "header": True}, "delimiter = ';'"),
        ({"header": True}, {"header": False}, "header = false"),
    ],
)
def test_the_form_that_would_fit_is_named(tmp_path: Path, stated: dict, written: dict, change: str) -> None:
    there = text_layout(**written, decimals=2, ticks_bits=32)
    lines = encode_frames(there, _counts(50))
    if there.text is not None and there.text.header:
        lines.insert(0, header_line(there))
    # chatter of the device's log stands in nearly every such dump
    data = b"boot ok, stack: free\n" + b"".join(lines)
    message = _message(data, text_layout(**stated, decimals=2, ticks_bits=32), tmp_path)
    assert f"most lines fit with {change}" in message
    assert f"Write {change} in [text]" in message


def test_a_wrong_name_of_a_column_is_not_taken_for_no_header(tmp_path: Path) -> None:
    message = _message(b"seq,a,c\n1,2,3\n2,2,3\n3,2,3\n", text_layout(header=True), tmp_path)
    assert "missing 'b'" in message
    assert "header = false" not in message


def test_hostile_text_takes_bounded_time(tmp_path: Path) -> None:
    layout = text_layout(delimiter="::")
    for data in (
        b":" * 3_000_000,
        b" " * 3_000_000,
        b"\n" * 3_000_000,
        b"\r\0" * 1_500_000,
        b"1" * 3_000_000,
    ):
        with pytest.raises(Unreadable):
            read_bytes(data, layout, tmp_path)
    turning = read_bytes(b"seq,a,b\nb,a,seq\n1,2,3\n" * 60_000, text_layout(header=True), tmp_path)
    assert turning.dumps[0].ledger.unrecognised > 400_000
