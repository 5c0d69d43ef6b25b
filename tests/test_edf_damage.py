"""EDF files that are damaged, torn, left unfinished, or not what the layout says."""

import random
from pathlib import Path

import pytest
from edf_files import (
    Signal,
    counts_for,
    counts_of,
    edf_bytes,
    entries,
    layout_of,
    one_channel,
    read,
    refused,
    two_signals,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import Unreadable
from pipeline.layouts import Layout

# ---------------------------------------------------------------- where every byte goes


def test_torn_last_record_is_damaged(tmp_path: Path) -> None:
    data = edf_bytes(two_signals(4))[:-7]
    reading = read(data, layout_of(tmp_path), tmp_path, 64)
    assert entries(reading) == (256 * 5 + 750, 243, 0, 0)
    assert reading.dumps[0].n_damaged_frames == 1
    assert "dumps/0.edf: its header states 4 records, of which 3 are there and were read." in reading.notes


@pytest.mark.parametrize("stated", [-1, 0])
def test_recorder_that_was_cut_off_states_no_number(tmp_path: Path, stated: int) -> None:
    data = edf_bytes(two_signals(4), n_records=stated)
    reading = read(data, layout_of(tmp_path), tmp_path)
    assert entries(reading) == (len(data), 0, 0, 0)
    assert len(reading.main.table) == 4


def test_bytes_behind_the_stated_records(tmp_path: Path) -> None:
    data = edf_bytes(two_signals(4), n_records=2) + b"\0" * 100
    reading = read(data, layout_of(tmp_path), tmp_path)
    assert entries(reading) == (len(data) - 600, 0, 500, 100)
    assert "dumps/0.edf: its header states 2 records; 600 bytes behind them were not read." in reading.notes


# ---------------------------------------------------------------- what is refused


def changed(at: int, content: bytes) -> bytes:
    data = edf_bytes(two_signals(2))
    return data[:at] + content + data[at + len(content) :]


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (b"\xff24 bits" + bytes(600), ("as of files with 24 bits to a sample", "scale them on purpose")),
        (b"1,2,3\n" * 99, ("byte 0", "begins with '0' and seven blanks", "b'1,2,3", "layout of its framing")),
        (b"0       ", ("byte 0", "a file of 8 bytes")),
        (changed(252, b"x   "), ("byte 252", "number of signals", "'x   '", "Copy the dump")),
        (changed(184, b"1281    "), ("byte 184", "256 x (1 + 4 signals) = 1280", "'1281' stated, and 1280")),
        (edf_bytes(two_signals(2))[:700], ("byte 184", "'1280' stated, and 700 there")),
        (changed(244, b"0       "), ("byte 244", "duration of a record in s, above 0", "'0       '")),
        (changed(244, b"nan     "), ("byte 244", "'nan     '")),
        (changed(256 + 4 * 216, b"-1      "), ("signal 1", "number of its samples")),
        (changed(256 + 4 * 216, b"99999999"), ("at most 16,777,216 bytes", "found 200,000,198 bytes")),
        (edf_bytes(two_signals(2))[:1280], ("after the header", "at least one whole record; found none")),
        (
            changed(256, b"acc 1 "),
            ("1 signal labelled 'acc x', for channel 'acc_x'", "0 among 'acc 1', 'Field'", "Did you mean"),
        ),
        (changed(272, b"acc x"), ("1 signal labelled 'Field'", "0 among 'acc x', 'acc x'")),
        (edf_bytes(two_signals(2), "0.5"), ("expected 50 Hz", "records of 0.5 s, which is 100 Hz", "= 100")),
        (changed(256 + 4 * 104 - 4 * 8 + 8, b"W"), ("dimension that gives V, such as V, mV", "'WV'")),
        (changed(256 + 4 * 120 + 8, b"2047    "), ("digital ends within 16 bits", "2047 and 2047")),
        (
            changed(256 + 4 * 120 + 8, b"x       "),
            ("digital and physical ends", "'x'", "Write scale, offset"),
        ),
        (changed(256 + 4 * 104 + 8, b"500     "), ("physical ends that differ", "500 and 500")),
    ],
)
def test_what_is_said_of_other_files(tmp_path: Path, data: bytes, told: tuple[str, ...]) -> None:
    message = refused(data, layout_of(tmp_path), tmp_path)
    assert message.startswith("dumps/0.edf, ")
    for part in told:
        assert part in message, message


@pytest.mark.parametrize(
    ("other", "told"),
    [
        (
            edf_bytes([Signal("Field", counts_for("Field", 2, 50), physical=("-400", "500"))]),
            "as in the first",
        ),
        (
            edf_bytes([Signal("Field", counts_for("Field", 2, 50))], onsets=["+0", "+1"], kind="EDF+C"),
            "EDF, whose records do not; found EDF+, whose records say when they begin",
        ),
    ],
)
def test_later_dump_that_contradicts_the_first(tmp_path: Path, other: bytes, told: str) -> None:
    layout = layout_of(tmp_path, one_channel("Field", 50))
    first = edf_bytes([Signal("Field", counts_for("Field", 2, 50))])
    reading = read([first, other], layout, tmp_path)
    assert reading.main.table.dump.tolist() == [0, 0]
    assert entries(reading, 1)[0] == 0
    assert told in reading.notes[-1]
    assert reading.notes[-1].startswith("dumps/1.edf, ")


# ---------------------------------------------------------------- damage


def outcome(data: bytes, layout: Layout, folder: Path, block_bytes: int) -> tuple | None:
    """Everything that was read, or None where nothing was."""
    try:
        reading = read(data, layout, folder, block_bytes)
    except Unreadable:
        return None
    table = reading.main.table
    rows = [counts_of(reading, i).tolist() for i in range(len(reading.streams))]
    return entries(reading), rows, table.offset.tolist(), table.ticks.tolist(), reading.notes


@given(st.data())
@settings(max_examples=100, deadline=None)
def test_result_does_not_depend_on_the_block(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    folder, draw = tmp_path_factory.mktemp("edf"), data.draw
    layout = layout_of(folder, one_channel("Field", 5))
    n = draw(st.integers(1, 6))
    onsets = draw(
        st.one_of(st.none(), st.lists(st.sampled_from(["", "+1", "+2.5", "-3"]), min_size=n, max_size=n))
    )
    kind = draw(st.sampled_from(["EDF+C", "EDF+D"])) if onsets else ""
    signal = Signal("Field", counts_for("Field", n, 5))
    content = edf_bytes(
        [signal], onsets=onsets, kind=kind, n_records=draw(st.sampled_from([-1, n, n + 2, 1]))
    )
    content += draw(st.sampled_from([b"", b"\xff" * 50, b"\0" * 15, b"rest" + b"\0" * 20]))
    content = content[: len(content) - draw(st.integers(0, 30))]
    blocks = [draw(st.integers(1, 200)) for _ in range(3)]
    first = outcome(content, layout, folder, 1 << 20)
    assert [outcome(content, layout, folder, block) for block in blocks] == [first] * 3


def test_thousands_of_damaged_files(tmp_path: Path) -> None:
    rng = random.Random(12)
    layout = layout_of(tmp_path)
    onsets = [f"+{i}" for i in range(3)]
    good = [edf_bytes(two_signals(3)), edf_bytes(two_signals(3), onsets=onsets, kind="EDF+D")]
    n_read = 0
    for i in range(3000):
        n_read += outcome(damaged(good[i % 2], rng), layout, tmp_path, 1 << 16) is not None
    assert n_read > 500


def damaged(data: bytes, rng: random.Random) -> bytes:
    """Some bytes changed, cut off or put in, many of them in the header."""
    result = bytearray(data)
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(result)) if rng.random() < 0.5 else rng.randrange(min(len(result), 256))
        kind = rng.random()
        if kind < 0.7:
            result[at] = rng.choice([0, 0x20, 0x2D, 0x30, 0x39, 0x80, 0xFF, rng.randrange(256)])
        elif kind < 0.85:
            del result[at : at + rng.randint(1, 30)]
        else:
            result[at:at] = rng.randbytes(rng.randint(1, 30))
        if not result:
            return b""
    return bytes(result)
