"""Lines of several kinds, several rates in a line, and the receiving host's stamps."""

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from encode import encode_all
from layout_texts import TEXT_KINDS, right
from shapes import read_all, read_bytes, text_kinds_layout, text_layout

from pipeline.errors import Unreadable
from pipeline.frames import Frames, Ledger, Reading
from pipeline.frames.codes import Text
from pipeline.frames.stamps import read_stamps
from pipeline.layouts import Layout, Part
from pipeline.stamps import StampError, parse_stamp


def _rows(frames: Frames) -> list[list[int]]:
    return frames.counts.read(0, frames.counts.n_rows).tolist()


def _by_kind(reading: Reading) -> dict[str, Frames]:
    return {frames.stream.frame.name: frames for frames in reading.streams}


@pytest.mark.parametrize("delimiter", [",", "tab", "blanks", "; ", "::"])
@pytest.mark.parametrize("shared", [False, True])
def test_each_kind_of_line_goes_to_its_own_stream(tmp_path: Path, delimiter: str, shared: bool) -> None:
    layout = text_kinds_layout(delimiter=delimiter, shared=shared, event=True)
    rng = np.random.default_rng(3)
    counts = [
        rng.integers(-2000, 2001, (n, len(stream.channels)))
        for n, stream in zip((50, 10, 2), layout.streams, strict=True)
    ]
    made = encode_all(layout, counts, event_s=(0.05, 0.1))
    data = b"".join(line.data for line in made)
    reading = read_all(data, layout, tmp_path)
    assert reading.dumps[0].ledger == Ledger(decoded=len(data))
    for number, frames in enumerate(reading.streams):
        mine = [line for line in made if layout.frames[line.kind] is frames.stream.frame]
        assert _rows(frames) == counts[number].tolist()
        assert frames.table.sequence.tolist() == [line.sequence for line in mine]
        assert frames.table.ticks.tolist() == [line.ticks for line in mine]
    assert reading.notes == ()


def test_kinds_with_columns_of_their_own(tmp_path: Path) -> None:
    layout = right(tmp_path, TEXT_KINDS)
    data = b"F,5\nA,6,7\n'F',8\n F , 9 \nA,'1', 2 ,\nF,3"
    reading = _by_kind(read_all(data, layout, tmp_path))
    assert _rows(reading["field"]) == [[5], [8], [9]]
    assert _rows(reading["acceleration"]) == [[6, 7], [1, 2]]
    assert reading["field"].dumps[0].ledger == Ledger(decoded=len(data) - 3, damaged=3)


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        (b"X,4,16,5,6\n", "unrecognised"),
        (b"f,4,16,5,6\n", "unrecognised"),
        (b"4,16,5,6\n", "unrecognised"),
        (b"FF,4,16,5,6\n", "unrecognised"),
        (b"boot ok\n", "unrecognised"),
        (b"F,4,16,5\n", "damaged"),
        (b"F\n", "damaged"),
        (b"F,4,16,5,x\n", "damaged"),
        (b"A,4,16,5,2001\n", "damaged"),
        (b"F,4,16,5,6,7\n", "damaged"),
        (b"M,door\n", "damaged"),
        (b"# F,4,16,5,6\n", "padding"),
        (b"\n", "padding"),
    ],
)
def test_what_stands_between_lines_of_known_kinds(tmp_path: Path, line: bytes, expected: str) -> None:
    before, behind = b"F,1,4,1,2\nF,2,8,3,4\nA,1,8,5,6\n", b"F,3,12,7,8\nM,1,14,9\n"
    reading = read_all(before + line + behind, text_kinds_layout(event=True), tmp_path)
    assert [len(frames.table) for frames in reading.streams] == [3, 1, 1]
    ledger = Ledger(decoded=len(before) + len(behind))
    assert reading.dumps[0].ledger == replace(ledger, **{expected: len(line)})


@pytest.mark.parametrize(
    ("data", "shared", "kept"),
    [
        # of 'F,1230' the end of the number is left; the next line gives it away
        (b"F,30,4,1,2\nA,1231,4,3,4\nF,1232,8,5,6\n", True, 1),
        (b"F,30,9000,1,2\nA,7,4,3,4\nA,8,24,5,6\n", False, 0),
        # without a counter in common nothing contradicts it
        (b"F,30,4,1,2\nA,7,4,3,4\nA,8,24,5,6\n", False, 1),
    ],
)
def test_half_a_first_line_is_told_by_the_next_of_any_kind(
    tmp_path: Path, data: bytes, shared: bool, kept: int
) -> None:
    layout = text_kinds_layout(shared=shared)
    for block_bytes in (1, 20, 1 << 20):
        reading = _by_kind(read_all(data, layout, tmp_path, block_bytes=block_bytes))
        assert len(reading["line F"].table) == kept


def test_a_kind_of_which_there_is_no_line_is_noted(tmp_path: Path) -> None:
    reading = read_all(b"F,1,4,1,2\nACC,1,4,1,2\n", text_kinds_layout(event=True), tmp_path)
    assert reading.notes == ("dumps/part0.dump has no good line of kind 'line A', whose word is 'A'.",)


def test_the_message_names_the_words_of_the_kinds(tmp_path: Path) -> None:
    with pytest.raises(Unreadable, match="lines with 'F' \\(5 values\\) or 'A' \\(5 values\\) in column 1"):
        read_all(b"X,1,4,1,2\nX,2,4,1,2\n", text_kinds_layout(), tmp_path)


def _named(layout: Layout) -> Layout:
    """The same with a header: the parts by the names of their columns."""
    assert layout.text is not None
    names = {"kind": ("what",), "sequence": ("n",), "ticks": ("ms",)}
    frames = tuple(
        replace(
            frame,
            parts=tuple(replace(part, columns=names.get(part.is_, part.channels)) for part in frame.parts),
        )
        for frame in layout.frames
    )
    return replace(layout, frames=frames, text=replace(layout.text, header=True))


def test_with_a_header_all_kinds_have_its_columns(tmp_path: Path) -> None:
    data = b"n,what,ms,a0,b0,a1,b1,mark\n1,F,4,5,6,,,\n1,A,4,,,7,8,\n1,M,6,,,,,9\n2,F,8,1,2,,,\n2,A,8,7\n"
    reading = _by_kind(read_all(data, _named(text_kinds_layout(event=True)), tmp_path))
    assert _rows(reading["line F"]) == [[5, 6], [1, 2]]
    assert _rows(reading["line A"]) == [[7, 8]]
    assert _rows(reading["line M"]) == [[9]]
    assert reading["line F"].dumps[0].ledger.damaged == len(b"2,A,8,7\n")


def test_rows_of_several_rates_in_one_line(tmp_path: Path) -> None:
    layout = text_layout(channels=("a",), count=4)
    slow = replace(layout.channels[0], name="x", sample_hz=62.5)
    other = replace(layout.channels[0], name="y", sample_hz=62.5, adc_min=0)
    frame = layout.frame
    parts = (
        *frame.parts,
        Part("ignored", count=1),
        Part("samples", count=1, channels=("x", "y"), decimals=1),
    )
    layout = replace(layout, frames=(replace(frame, parts=parts),), channels=(*layout.channels, slow, other))
    data = b"1,1,2,3,4,note,0.5,1\n2,5,6,7,8,,-1.5,0\n3,5,6,7,8,,0,-1\n"
    reading = read_all(data, layout, tmp_path)
    fast, slow_frames = reading.streams
    assert _rows(fast) == [[i] for i in range(1, 9)]
    assert _rows(slow_frames) == [[5, 10], [-15, 0]]
    assert fast.table.n_samples.tolist() == [4, 4]
    assert slow_frames.table.n_samples.tolist() == [1, 1]
    assert reading.dumps[0].ledger.damaged == len(b"3,5,6,7,8,,0,-1\n")


def _stamps(words: list[str]) -> list[int | None]:
    sizes = np.array([len(word) for word in words])
    starts = np.cumsum(sizes + 1) - sizes - 1
    text = Text(np.frombuffer(",".join(words).encode(), dtype=np.uint8), ".", np.zeros(256, dtype=bool), "")
    stamps, good = read_stamps(text, starts, starts + sizes)
    return [int(stamp) if is_stamp else None for stamp, is_stamp in zip(stamps, good, strict=True)]


def test_stamps_of_rfc_3339() -> None:
    # RFC 3339 section 5.8, "Examples"; the same instants in milliseconds since 1970 by its section 5.6
    examples = {
        "1985-04-12T23:20:50.52Z": 482196050520,
        "1996-12-19T16:39:57-08:00": 851042397000,
        "1937-01-01T12:00:27.87+00:20": -1041337172130,
        # the leap second is the second that follows it, and the same in any local time
        "1990-12-31T23:59:60Z": 662688000000,
        "1990-12-31T15:59:60-08:00": 662688000000,
    }
    assert _stamps(list(examples)) == [1000 * ms for ms in examples.values()]
    # section 5.6: 't' and 'z' may be lower case, and a blank may stand for the 'T'; 4.3: -00:00 is UTC
    same = ["1985-04-12t23:20:50.52z", "1985-04-12 23:20:50.52Z", "1985-04-12T23:20:50.5200009-00:00"]
    assert _stamps(same) == [482196050520000] * 3
    wrong = [
        *(
            "1985-04-12T23:20:50.52",
            "1985-04-12T23:20:50.Z",
            "1985-04-12T23:20:50,52Z",
            "1985-4-12T23:20:50Z",
        ),
        *("1985-02-29T00:00:00Z", "1985-13-01T00:00:00Z", "1985-00-01T00:00:00Z", "1985-01-32T00:00:00Z"),
        *("1985-04-12T24:00:00Z", "1985-04-12T23:60:00Z", "1985-04-12T23:59:60Z", "1985-04-30T23:59:61Z"),
        *("1985-04-12T23:20:50+24:00", "1985-04-12T23:20:50+01:60", "1985-04-12T23:20:50+0100"),
        *("1985-04-12T23:20:+5Z", "1985-04-12T23:20:-5Z", "1985-04-12T23:20:50.5e1Z", "", "Z", "12"),
    ]
    assert _stamps(wrong) == [None] * len(wrong)


def test_stamps_agree_with_the_parser_of_single_ones() -> None:
    rng, words = np.random.default_rng(8), list[str]()
    for second in rng.integers(0, 3 * 10**11, 4000):
        word = str(np.datetime64("0001-01-02T00:00:00") + second)
        fraction = "".join(rng.choice(list("0123456789"), rng.integers(0, 9)))
        word += f".{fraction}" if fraction else ""
        word += str(rng.choice(["Z", "z", "+01:30", "-23:59", "+24:00"]))
        at = int(rng.integers(0, len(word)))
        if rng.random() < 0.5:
            word = word[:at] + str(rng.choice(list("0123456789:-+.TZ tz"))) + word[at + 1 :]
        words.append(word)
    epoch = parse_stamp("1970-01-01T00:00:00Z")
    for word, found in zip(words, _stamps(words), strict=True):
        try:
            wanted = (parse_stamp(word) - epoch) // timedelta(microseconds=1)
        except StampError:
            assert found is None or word.endswith("-00:00"), word
        else:
            assert found == wanted, word


def test_received_stamps_are_kept_in_microseconds(tmp_path: Path) -> None:
    lines = (
        b"2026-03-02T09:30:00.004+01:00,1,2,3\n"
        b' "2026-03-02 08:30:00.5Z" ,2,4,5\n'
        b"2026-03-02T08:30:00,3,6,7\n"
        b"2026-03-02T08:30:02z,4,8,9\n"
    )
    frames = read_bytes(lines, text_layout(received="rfc3339"), tmp_path)
    first = 1_772_440_200_000_000
    assert frames.table.received.tolist() == [first + 4000, first + 500_000, first + 2_000_000]
    assert frames.table.sequence.tolist() == [1, 2, 4]
    assert frames.dumps[0].ledger.damaged == len(b"2026-03-02T08:30:00,3,6,7\n")


def test_stamps_without_an_offset_are_told(tmp_path: Path) -> None:
    with pytest.raises(Unreadable, match=r"with the offset from UTC.*2 lines without one.*form = 'number'"):
        read_bytes(
            b"2026-03-02T09:30:00,1,2,3\n2026-03-02T09:30:01,2,4,5\n",
            text_layout(received="rfc3339"),
            tmp_path,
        )


def test_stamps_beside_a_decimal_comma(tmp_path: Path) -> None:
    # RFC 3339 has '.' alone; ISO 8601 (4.2.2.4, from memory) has either sign
    layout = text_layout(received="rfc3339", delimiter=";", decimal=",", decimals=2, channels=["a"])
    lines = b"2026-03-02T09:30:00.253+01:00;0;-0,05\n2026-03-02T09:30:00,254+01:00;1;0,06\n"
    frames = read_bytes(lines, layout, tmp_path)
    assert frames.table.received.tolist() == [1772440200253000, 1772440200254000]
    assert frames.counts.read(0, 2).ravel().tolist() == [-5, 6]
