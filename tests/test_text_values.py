"""Values in lines of text: ways to write numbers, quotation marks, blanks; both ways of reading agree."""

import re
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapes import read_all, read_bytes, text_kinds_layout, text_layout

from pipeline.errors import Unreadable
from pipeline.frames import Frames, Ledger, codes, columns, text
from pipeline.frames.codes import NO_NUMBER, TOO_FINE, TOO_LARGE, Text, read_plain, settle
from pipeline.frames.delimiters import find_delimiters, part_lines
from pipeline.frames.lines import LineForm, line_form, split_line
from pipeline.layouts import Layout

BOUNDED = settings(max_examples=40, derandomize=True, deadline=None, database=None)
BLANK = np.zeros(256, dtype=bool)
BLANK[[9, 32]] = True


def _rows(frames: Frames) -> list[list[int]]:
    return frames.counts.read(0, frames.counts.n_rows).tolist()


def _code(word: str, decimals: int) -> tuple[int, int]:
    """By exact fractions: the code, and what is wrong with the word (0: nothing)."""
    word = word.strip(" \t")
    if len(word) > 1 and word[0] == word[-1] == '"':
        word = word[1:-1].strip(" \t")
    match = re.fullmatch(r"([+-]?)(\d*)(?:\.(\d*))?(?:[eE]([+-]?\d+))?", word)
    if not match or not (match[2] or match[3]) or len(word) > 32:
        return 0, NO_NUMBER
    whole, rest, exponent = match[2], match[3] or "", match[4]
    if exponent and (not decimals or abs(int(exponent)) > 99):
        return 0, NO_NUMBER
    value = Fraction(int(whole + rest)) * Fraction(10) ** (int(exponent or 0) - len(rest) + decimals)
    is_long = len((whole + rest).lstrip("0")) > 18
    if not exponent and len(rest) > decimals:
        return 0, TOO_FINE
    if exponent and (value.denominator > 1 or (is_long and len(rest) - int(exponent) > decimals)):
        return 0, TOO_FINE
    if is_long or value > 2**63 - 1:
        return 0, TOO_LARGE
    return (-1 if match[1] == "-" else 1) * int(value), 0


def _words(seed: int) -> list[str]:
    rng = np.random.default_rng(seed)
    letters, weights = list('0123456789.+-xe" '), np.array([8] * 10 + [3, 1, 1.5, 0.5, 0.5, 0.5, 0.5])
    words = [
        "".join(rng.choice(letters, rng.integers(0, 24), p=weights / weights.sum())) for _ in range(1500)
    ]
    words += [str(rng.integers(-(10 ** int(k)), 10 ** int(k))) for k in rng.integers(1, 18, 800)]
    for places in rng.integers(0, 10, 1500):
        words.append(f"{rng.normal() * 10.0 ** int(rng.integers(-3, 9)):.{places}f}")
    for places in rng.integers(1, 6, 500):
        words.append(f"{rng.normal() * 10.0 ** int(rng.integers(-6, 9)):.{places}{rng.choice(['g', 'e'])}}")
    words += ["", "-", "+", ".", "-.", "1.", ".1", "9" * 18, "9" * 19, "0" * 31 + "7", "1e0", "1e", "1e+"]
    rng.shuffle(words)
    return words


@pytest.mark.parametrize("decimals", range(10))
def test_codes_agree_with_exact_fractions_by_either_way(decimals: int) -> None:
    words = _words(decimals)
    sizes = np.array([len(word) for word in words])
    starts = np.cumsum(sizes + 1) - sizes - 1
    block = Text(np.frombuffer(",".join(words).encode(), dtype=np.uint8), ".", BLANK, '"')
    wanted = [_code(word, decimals) for word in words]
    plain, odd = read_plain(block, starts, starts + sizes, decimals)
    for i in np.setdiff1d(np.arange(len(words)), odd).tolist():
        assert (int(plain[i]), 0) == wanted[i], words[i]
    settled, why = settle(block, starts, starts + sizes, np.full(len(words), decimals))
    for i, (code, reason) in enumerate(zip(settled.tolist(), why.tolist(), strict=True)):
        assert (code, reason) == wanted[i], words[i]


LAYOUTS: dict[str, Layout] = {
    "plain": text_layout(),
    "ticks and decimals": text_layout(ticks_bits=32, decimals=2, delimiter=";", decimal=","),
    "two rows of a line": text_layout(count=2, decimals=1, delimiter="tab"),
    "blanks": text_layout(delimiter="blanks", ignored=1),
    "wide delimiter": text_layout(delimiter="; "),
    "header": text_layout(header=True, ticks_bits=16),
    "stamps": text_layout(received="rfc3339"),
    "stamps as numbers": text_layout(received="number", received_decimals=3),
    "kinds": text_kinds_layout(event=True, shared=True),
}

DELIMITERS = {"tab": "\t", "blanks": " "}
STAMPS = (
    "2026-03-02T09:30:00Z",
    "2026-03-02t09:30:00.125+01:00",
    "2026-02-29T00:00:00Z",
    "1772443800.5",
    "12",
)
PIECES = ("", " ", "+5", "007", "1e3", "1.5E-1", '"3"', '"a, b"', '5"', '"', "x", "-", "99999999999999999999")
ENDS = (b"\n", b"\r\n", b"\r", b"", b" \n", b"\0\n", b"\xff" * 20, b"\0" * 20 + b"\n")


@st.composite
def _dump(draw: Callable, layout: Layout) -> bytes:
    assert layout.text is not None
    delimiter, out = DELIMITERS.get(layout.text.delimiter, layout.text.delimiter), list[bytes]()
    number = st.integers(-2100, 2100).map(str) | st.decimals(-21, 21, places=2).map(str)
    value = st.integers(0, 30).flatmap(lambda i: st.sampled_from(PIECES) if i == 0 else number)
    first = st.sampled_from(("F", "A", "M", "X")) if "kinds" in layout.name else st.nothing()
    stamp = st.sampled_from(STAMPS) if layout.frame.part("received") else st.nothing()
    n_values = sum(part.count * max(len(part.channels), 1) for part in layout.frames[0].parts)
    for i in range(draw(st.integers(0, 25))):
        words = [draw(kind) for kind in (first, stamp) if not kind.is_empty] + [str(i % 65536)]
        words += [
            draw(value) for _ in range(n_values - len(words) + draw(st.sampled_from((0,) * 12 + (-1, 1))))
        ]
        line = delimiter.join(words).replace(".", layout.text.decimal).encode()
        line = line[draw(st.sampled_from((0,) * 15 + (1, 3))) :] + draw(st.sampled_from((b"\n",) * 8 + ENDS))
        out.append(draw(st.sampled_from((line,) * 12 + (b"seq,ms,a,b\n", b"# c\n", b"boot ok\n", b"\n"))))
    return draw(st.sampled_from((b"", b"\xef\xbb\xbf", b"seq,ms,a,b\n"))) + b"".join(out)


def _what(data: bytes, layout: Layout, **more: int) -> list[object]:
    with TemporaryDirectory() as folder:
        try:
            reading = read_all(data, layout, Path(folder), **more)
        except Unreadable as error:
            return [str(error)]
        what: list[object] = [reading.dumps, reading.notes]
        for frames in reading.streams:
            what.append(_rows(frames))
            what += [getattr(frames.table, column).tolist() for column in frames.table.columns]
        return what


@BOUNDED
@pytest.mark.parametrize("name", list(LAYOUTS))
@given(data=st.data(), block_bytes=st.integers(1, 300))
def test_the_result_does_not_depend_on_how_it_is_read(
    name: str, data: st.DataObject, block_bytes: int
) -> None:
    layout = LAYOUTS[name]
    dump = data.draw(_dump(layout))
    if not dump:
        return
    quickly = _what(dump, layout)
    assert _what(dump, layout, block_bytes=block_bytes) == quickly
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(columns, "read_plain", _nothing_plain)
        patch.setattr(codes, "read_plain", _nothing_plain)
        patch.setattr(text, "find_marks", lambda *_: None)
        assert _what(dump, layout) == quickly


def _nothing_plain(
    block: Text, starts: np.ndarray, stops: np.ndarray, decimals: int, signs: bool = True
) -> tuple[np.ndarray, np.ndarray]:
    """No field is found to be plain: all of them go through the whole grammar."""
    return np.zeros(len(starts), dtype=np.int64), np.arange(len(starts))


@pytest.mark.parametrize(
    ("written", "decimals", "count"),
    [
        ("+5", 0, 5),
        ("007", 0, 7),
        ("-0", 0, 0),
        ("1.", 0, 1),
        ("-.5", 1, -5),
        ("1e3", 1, 10_000),
        ("1.5E-2", 3, 15),
        ("1.500000e-02", 3, 15),
        ("2E+1", 2, 2_000),
        ("1.5", 3, 1_500),
    ],
)
def test_ways_to_write_a_number(tmp_path: Path, written: str, decimals: int, count: int) -> None:
    layout = text_layout(decimals=decimals, low=-100_000, high=100_000)
    frames = read_bytes(f"1,{written},0\n2,0,{written}\n".encode(), layout, tmp_path)
    assert _rows(frames) == [[count, 0], [0, count]]


@pytest.mark.parametrize(
    ("written", "decimals"),
    [
        ("1e3", 0),
        ("1.5E-2", 1),
        ("1.0", 0),
        ("1.50", 1),
        ("1e", 1),
        ("1e1.0", 1),
        ("0x1F", 0),
        ("1 2", 0),
        ("1_0", 0),
    ],
)
def test_what_is_no_code(tmp_path: Path, written: str, decimals: int) -> None:
    layout = text_layout(decimals=decimals)
    bad = f"2,{written},0\n".encode()
    frames = read_bytes(b"1,0,0\n" + bad + b"3,0,0\n", layout, tmp_path)
    assert len(frames.table) == 2
    assert frames.dumps[0].ledger == Ledger(decoded=12, damaged=len(bad))


@pytest.mark.parametrize(
    "line",
    [b"2,,4\n", b"2,4,\n", b",4,5\n", b'2,"",4\n', b"2, ,4\n", b"2,4,5,,\n"],
    ids=lambda line: line.decode(),
)
def test_a_missing_value_damages_its_line(tmp_path: Path, line: bytes) -> None:
    frames = read_bytes(b"1,2,3\n" + line + b"3,2,3\n", text_layout(), tmp_path)
    assert frames.table.sequence.tolist() == [1, 3]
    assert frames.dumps[0].ledger.damaged == len(line)


def test_columns_that_no_part_names_may_be_empty(tmp_path: Path) -> None:
    frames = read_bytes(b"1,,2,3\n2,kiln,4,5,\n3, ,6,7\n", text_layout(ignored=1), tmp_path)
    assert _rows(frames) == [[2, 3], [4, 5], [6, 7]]


def test_a_blank_behind_a_delimiter_that_holds_one_may_be_missing_at_the_end(tmp_path: Path) -> None:
    frames = read_bytes(b"1; 2; 3; \n2; 4; 5\n3; 6; 7; \r\n", text_layout(delimiter="; "), tmp_path)
    assert _rows(frames) == [[2, 3], [4, 5], [6, 7]]


# RFC 4180 section 2, and the cases of the public set csv-spectrum (max-mapper/csv-spectrum, BSD-2-Clause)
# built anew from their names: comma_in_quotes, empty, escaped_quotes, json, location_coordinates, newlines,
# quotes_and_newlines, simple, utf8, each with LF and CRLF.
SPECTRUM: dict[str, tuple[bytes, list[str]]] = {
    "simple": (b"1,2,3", ["1", "2", "3"]),
    "utf8": ("1,ʤ,3".encode(), ["1", "ʤ", "3"]),
    "empty": (b'1,"",""', ["1", '""', '""']),
    "empty, no quotes": (b"1,,", ["1", "", ""]),
    "comma in quotes": (b'1,"shelf 4, left",2', ["1", '"shelf 4, left"', "2"]),
    "escaped quotes": (b'1,"glaze ""ash"", thin"', ["1", '"glaze ""ash"", thin"']),
    "json": (
        b'1,"{""kiln"": ""B"", ""at"": [102.0, 0.5]}"',
        ["1", '"{""kiln"": ""B"", ""at"": [102.0, 0.5]}"'],
    ),
    "location coordinates": ("1,\"37° 36' N, 121° 2' W\"".encode(), ["1", "\"37° 36' N, 121° 2' W\""]),
    "blanks around": (b'1, "a, b" ,2', ["1", ' "a, b" ', "2"]),
    # what is no record by the RFC: marks are characters like others
    "a line end in quotes": (b'1,"trimming, and', ["1", '"trimming', " and"]),
    "a mark within": (b'1,5" bowl, glazed,2', ["1", '5" bowl', " glazed", "2"]),
    "a mark not doubled": (b'1,"a, "b" c",2', ["1", '"a', ' "b" c"', "2"]),
}


@pytest.mark.parametrize("name", list(SPECTRUM))
def test_values_in_quotation_marks(name: str) -> None:
    line, values = SPECTRUM[name]
    form = line_form(text_layout())
    assert split_line(form, line.decode()) == values
    assert _split(line, form) == [value.encode() for value in values]


def _split(line: bytes, form: LineForm) -> list[bytes]:
    """The values of a line as the reader of blocks parts them."""
    block, ends = np.frombuffer(line, dtype=np.uint8), (np.zeros(1, dtype=np.int64), np.array([len(line)]))
    parted = part_lines(find_delimiters(block, form, *ends), *ends)
    n_values = int(parted.n_values[0])
    cells = parted.first(np.zeros(1, dtype=np.int64), n_values)
    spans = [cells.span(i) for i in range(n_values)]
    return [line[int(start[0]) : int(stop[0])] for start, stop in spans]


@settings(BOUNDED, max_examples=400)
@given(
    line=st.text('1",; \tx', min_size=1, max_size=14).map(str.strip).filter(bool),
    delimiter=st.sampled_from([",", "; ", "tab", "blanks", ",,"]),
)
def test_both_splitters_part_any_line_alike(line: str, delimiter: str) -> None:
    form = line_form(text_layout(delimiter=delimiter))
    assert [value.decode() for value in _split(line.encode(), form)] == split_line(form, line)


@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
def test_quoted_values_in_lines(tmp_path: Path, end: bytes) -> None:
    lines = [
        b'"1","2","-3"',
        b'2," 4 ","+5"',
        b' "3" , 6,"7",',
        b'4,8,"9""0"',
        b'5,"8,9",1',
        b'"6",10,11',
    ]
    frames = read_bytes(end.join(lines) + end, text_layout(), tmp_path)
    assert frames.table.sequence.tolist() == [1, 2, 3, 6]
    assert _rows(frames) == [[2, -3], [4, 5], [6, 7], [10, 11]]
    assert frames.dumps[0].ledger.damaged == len(lines[3]) + len(lines[4]) + 2 * len(end)


def test_a_note_in_quotation_marks_hides_its_delimiters(tmp_path: Path) -> None:
    data = b'1,"wedging, then ""throwing""",2,3\n2,6" bowl,4,5\n3,plain,6,7\n4,"lost, mark,8,9\n5,,8,9\n'
    frames = read_bytes(data, text_layout(ignored=1), tmp_path)
    assert frames.table.sequence.tolist() == [1, 2, 3, 5]
    assert _rows(frames) == [[2, 3], [4, 5], [6, 7], [8, 9]]


def test_a_line_end_within_quotation_marks_ends_the_line(tmp_path: Path) -> None:
    data = b'1,"a",2,3\n2,"glazing\nand firing",4,5\n3,"b",6,7\n'
    frames = read_bytes(data, text_layout(ignored=1), tmp_path)
    assert frames.table.sequence.tolist() == [1, 3]


def test_other_marks_and_none(tmp_path: Path) -> None:
    layout = text_layout(ignored=1)
    assert layout.text is not None
    data = b"1,'a,b',2,3\n2,c,4,5\n"
    single = replace(layout, text=replace(layout.text, quote="'"))
    none = replace(layout, text=replace(layout.text, quote=""))
    assert _rows(read_bytes(data, single, tmp_path)) == [[2, 3], [4, 5]]
    assert _rows(read_bytes(data, none, tmp_path)) == [[4, 5]]
    assert read_bytes(b'1,"a",2,3\n2,c,"4",5\n', none, tmp_path).table.sequence.tolist() == [1]


def test_header_in_quotation_marks_with_units_and_a_trailing_delimiter(tmp_path: Path) -> None:
    layout = text_layout(header=True)
    parts = [
        replace(part, columns=("a (mV)", "b, raw [1]")) if part.is_ == "samples" else part
        for part in layout.frame.parts
    ]
    layout = replace(layout, frames=(replace(layout.frame, parts=tuple(parts)),))
    header = b'"seq","b, raw [1]",note,"a (mV)",\n'
    data = header + b"1,5,x,-7,\n2,6,,-8\n" + header + b'3,7,"y, z",-9,\n'
    frames = read_bytes(data, layout, tmp_path)
    assert _rows(frames) == [[-7, 5], [-8, 6], [-9, 7]]
    assert frames.dumps[0].ledger == Ledger(decoded=len(data))


def test_half_lines_glued_together_are_damaged(tmp_path: Path) -> None:
    data = b"10,1,2\n11,3,4\n12,513,6,7\n14,8,9\n15,10,\n,1\n16,11,12\n"
    frames = read_bytes(data, text_layout(), tmp_path)
    assert frames.table.sequence.tolist() == [10, 11, 14, 16]
    assert frames.dumps[0].ledger.damaged == len(b"12,513,6,7\n15,10,\n,1\n")


def test_received_numbers_are_kept_with_their_decimals(tmp_path: Path) -> None:
    layout = text_layout(received="number", received_decimals=3)
    data = b"1772443800.004,1,2,3\n1772443800.008,2,4,5\n1772443800.0125,3,6,7\n-5,4,6,7\n1772443801,5,8,9\n"
    frames = read_bytes(data, layout, tmp_path)
    assert frames.table.received.tolist() == [1772443800004, 1772443800008, 1772443801000]
    assert frames.table.sequence.tolist() == [1, 2, 5]
