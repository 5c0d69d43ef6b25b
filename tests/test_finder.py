"""A layout found from nothing reads the dump, and gives the counts that went into it. Dumps are invented."""

import struct
from pathlib import Path

import numpy as np
import pytest
from conftest import REPOSITORY
from encode import Encoded, encode_all, header_line
from hypothesis import given, settings
from hypothesis import strategies as st
from shapes import (
    cobs_layout,
    kinds_layout,
    packed_layout,
    planar_layout,
    sectors_layout,
    slip_layout,
    sync_layout,
    text_kinds_layout,
    text_layout,
)
from smooth import smooth_counts

from pipeline.finder.fields import Field
from pipeline.finder.found import describe, find_layout
from pipeline.finder.rates import guessed_rates
from pipeline.finder.search import smallest_change
from pipeline.frames import Reading, read_frames
from pipeline.layouts import Layout, load_layout

DEMO = REPOSITORY / "demo_raw"
THREE = ("a", "b", "c")


def _found(data: bytes, folder: Path) -> tuple[Layout, Reading]:
    """The printed layout as a file, and what it gives."""
    dump, file = folder / "dump.bin", folder / "found.toml"
    dump.write_bytes(data)
    file.write_text("\n".join(describe(dump)) + "\n")
    problems: list = []
    layout = load_layout(file, "found.toml", problems)
    assert layout is not None, [*map(str, problems), file.read_text()]
    return layout, read_frames([("dump.bin", dump)], layout, folder)


def _decoded(reading: Reading) -> float:
    ledger = reading.dumps[0].ledger
    return ledger.decoded / (ledger.total - ledger.padding)


def _streams(reading: Reading) -> list[np.ndarray]:
    return [frames.counts.read(0, frames.counts.n_rows).astype(np.int64) for frames in reading.streams]


BINARY = {
    "sync": sync_layout(channels=THREE),
    "sync, big-endian": sync_layout(channels=THREE, order="big", samples="u16", sync=b"\x3c\xc3\x99"),
    "sync, check over all": sync_layout(channels=THREE, check="CRC-32/ISCSI", covers="frame"),
    "sync, no check": sync_layout(channels=("a", "b"), check=""),
    "sync, no counters": sync_layout(channels=THREE, sequence="", ticks="", check="CRC-8/MAXIM-DOW"),
    "sync, 24 bits": sync_layout(channels=THREE, samples="i24", check_order="big"),
    "sync, stamps of the receiver": sync_layout(channels=THREE, received="u48"),
    "sync, stated length": sync_layout(channels=THREE, length="u16"),
    "sync, packed": packed_layout(samples="i12", count=8, channels=THREE),
    "sync, packed, big-endian": packed_layout(samples="u12", count=8, channels=THREE, order="big"),
    "sync, planar": planar_layout(channels=THREE),
    "cobs": cobs_layout(channels=THREE),
    "cobs, no check": cobs_layout(channels=("a", "b"), check=""),
    "slip": slip_layout(channels=THREE),
    "sectors": sectors_layout(channels=THREE),
    "sectors, magic": sectors_layout(sync=b"\x50\x4f\x54", samples="i24", channels=("a", "b")),
}


@pytest.mark.parametrize("name", BINARY)
def test_a_binary_layout_is_found(tmp_path: Path, name: str) -> None:
    layout = BINARY[name]
    counts = smooth_counts(layout, 700)
    frames = encode_all(layout, counts, first_received=1_700_000_000_000)
    _, reading = _found(b"".join(frame.data for frame in frames), tmp_path)
    assert _decoded(reading) >= 0.99
    got = _streams(reading)
    assert len(got) == 1
    assert np.array_equal(got[0], counts[0][: len(got[0])])
    assert len(got[0]) >= 0.99 * len(counts[0])


def test_counters_and_check_of_a_dump_are_found(tmp_path: Path) -> None:
    right = BINARY["sync"]
    frames = encode_all(right, smooth_counts(right, 700))
    layout, reading = _found(b"".join(frame.data for frame in frames), tmp_path)
    assert [part.is_ for part in layout.frame.parts] == ["sync", "sequence", "ticks", "samples", "checksum"]
    assert layout.frame.parts[-1].checksum.name == "CRC-16/XMODEM"
    assert layout.frame.part("sequence").bits == 16
    assert layout.frame.part("ticks").bits == 32
    assert (layout.sample_hz, layout.tick_hz) == (250.0, 32768.0)
    assert reading.main.table.sequence.tolist() == [frame.sequence for frame in frames]
    assert reading.main.table.ticks.tolist() == [frame.ticks for frame in frames]


def _by_kind(layout: Layout, frames: list[Encoded]) -> list[np.ndarray]:
    return [
        np.concatenate([frame.counts[0] for frame in frames if frame.kind == kind])
        for kind in range(len(layout.frames))
    ]


@pytest.mark.parametrize("framing", ["sync", "cobs", "slip"])
@pytest.mark.parametrize("shared", [False, True])
def test_kinds_of_frame_are_found(tmp_path: Path, framing: str, shared: bool) -> None:
    right = kinds_layout(framing, shared=shared)
    frames = encode_all(right, smooth_counts(right, 700))
    layout, reading = _found(b"".join(frame.data for frame in frames), tmp_path)
    assert _decoded(reading) >= 0.99
    wanted = _by_kind(right, frames)
    got = _streams(reading)
    assert sorted(map(len, got)) == sorted(map(len, wanted))
    assert all(any(np.array_equal(one, other) for other in wanted) for one in got)
    assert all(frame.part("sequence").shared == shared for frame in layout.frames)


def test_kinds_with_sync_bytes_of_their_own_are_found(tmp_path: Path) -> None:
    right = kinds_layout(syncs=(b"\xa5\x5a", b"\x3c\xc3"), kind_type="")
    frames = encode_all(right, smooth_counts(right, 700))
    _, reading = _found(b"".join(frame.data for frame in frames), tmp_path)
    assert _decoded(reading) >= 0.99
    wanted = _by_kind(right, frames)
    assert all(any(np.array_equal(one, other) for other in wanted) for one in _streams(reading))


@pytest.mark.parametrize("framing", ["sync", "cobs"])
def test_frames_of_many_sizes_are_found_by_their_length(tmp_path: Path, framing: str) -> None:
    make = sync_layout if framing == "sync" else cobs_layout
    for counts_what in ("frame", "after_length", "samples", "rows"):
        right = make(channels=THREE, length="u16", counts=counts_what)
        sizes = np.random.default_rng(2).integers(4, 16, 600).tolist()
        counts = smooth_counts(right, 1200)[0][: sum(sizes)]
        frames = encode_all(right, [counts], samples_per_frame=sizes)
        _, reading = _found(b"".join(frame.data for frame in frames), tmp_path)
        assert _decoded(reading) >= 0.99, counts_what
        assert np.array_equal(_streams(reading)[0], counts), counts_what


TEXT = {
    "plain": text_layout(channels=THREE, ticks_bits=32),
    "semicolons and commas": text_layout(channels=THREE, delimiter=";", decimal=",", decimals=2),
    "tabs and a header": text_layout(channels=THREE, delimiter="tab", header=True, ticks_bits=32),
    "blanks": text_layout(channels=THREE, delimiter="blanks"),
    "instants": text_layout(channels=THREE, received="rfc3339"),
    "no counter": text_layout(channels=("a", "b"), sequence_bits=None),
    "words": text_layout(channels=THREE, ignored=1),
}


@pytest.mark.parametrize("name", TEXT)
def test_a_layout_of_text_is_found(tmp_path: Path, name: str) -> None:
    layout = TEXT[name]
    counts = smooth_counts(layout, 3000)
    frames = encode_all(layout, counts, first_received=1_767_225_600_000_000)
    head = header_line(layout) if layout.text.header else b"radio: on\n"
    found, reading = _found(head + b"".join(frame.data for frame in frames), tmp_path)
    assert _decoded(reading) >= 0.99
    assert np.array_equal(_streams(reading)[0], counts[0])
    for is_ in ("sequence", "ticks", "received"):
        assert (found.frame.part(is_) is None) == (layout.frame.part(is_) is None), is_


def test_kinds_of_line_are_found(tmp_path: Path) -> None:
    right = text_kinds_layout(event=False)
    frames = encode_all(right, smooth_counts(right, 2000))
    layout, reading = _found(b"".join(frame.data for frame in frames), tmp_path)
    assert _decoded(reading) >= 0.99
    assert {frame.part("kind").value for frame in layout.frames} == {"F", "A"}
    wanted = _by_kind(right, frames)
    assert all(any(np.array_equal(one, other) for other in wanted) for one in _streams(reading))


def test_a_wav_file_needs_no_guess(tmp_path: Path) -> None:
    """Chunks as IBM and Microsoft (1991) have them."""
    counts = np.random.default_rng(1).integers(-(2**15), 2**15, (5000, 2))
    rows = counts.astype("<i2").tobytes()
    form = struct.pack("<HHIIHH", 1, 2, 500, 2000, 4, 16)
    body = b"WAVEfmt " + struct.pack("<I", 16) + form + b"data" + struct.pack("<I", len(rows)) + rows
    layout, reading = _found(b"RIFF" + struct.pack("<I", len(body)) + body, tmp_path)
    assert layout.sample_hz == 500
    assert np.array_equal(_streams(reading)[0], counts)


def test_an_edf_file_needs_no_guess(tmp_path: Path) -> None:
    """A header as Kemp et al. (1992) have it."""
    signals = [("wrist", 100), ("EDF Annotations", 10), ("acc", 25)]
    rng, body = np.random.default_rng(4), b""
    for _ in range(30):
        body += rng.integers(-2000, 2000, 100).astype("<i2").tobytes() + bytes(20)
        body += rng.integers(-2000, 2000, 25).astype("<i2").tobytes()
    columns = [(16, lambda s: s[0]), (80, lambda _: ""), (8, lambda _: ""), (8, lambda _: "-3200")]
    columns += [(8, lambda _: "3200"), (8, lambda _: "-32768"), (8, lambda _: "32767"), (80, lambda _: "")]
    columns += [(8, lambda s: str(s[1])), (32, lambda _: "")]
    own = "".join(of(signal).ljust(size) for size, of in columns for signal in signals)
    fixed = [(8, "0"), (80, "X"), (80, "X"), (8, "02.03.26"), (8, "09.30.00")]
    fixed += [(8, str(256 * (1 + len(signals)))), (44, ""), (8, "30"), (8, "1"), (4, str(len(signals)))]
    head = ("".join(text.ljust(size) for size, text in fixed) + own).encode()
    layout, reading = _found(head + body, tmp_path)
    assert [channel.label for channel in layout.channels] == ["wrist", "acc"]
    assert [frames.stream.sample_hz for frames in reading.streams] == [100.0, 25.0]
    assert _decoded(reading) == 1


@pytest.mark.parametrize(
    ("dump", "name"),
    [
        ("strap-a/throw-01.bin", "radio"),
        ("strap-b/throw-02.log", "serial"),
        ("strap-c/kiln-07.img", "card"),
        ("strap-d/throw-09.cap", "capture"),
    ],
)
def test_the_layouts_of_the_demo_are_found(tmp_path: Path, dump: str, name: str) -> None:
    """Counters, rates, packed samples and kinds of sector of four devices; mains makes no channels."""
    right = load_layout(DEMO / "layouts" / f"{name}.toml", name, [])
    wanted = read_frames([(name, DEMO / "dumps" / dump)], right, tmp_path)
    found, reading = _found((DEMO / "dumps" / dump).read_bytes(), tmp_path)
    assert _decoded(reading) >= 0.99
    assert (found.framing, found.sample_hz, found.tick_hz) == (right.framing, right.sample_hz, right.tick_hz)
    got = _streams(reading)
    for frames in wanted.streams:
        if not frames.stream.frame.is_event:
            counts = frames.counts.read(0, frames.counts.n_rows)
            assert any(np.array_equal(counts, other) for other in got), frames.stream.frame.name


def test_losses_and_chatter_do_not_hide_a_layout(tmp_path: Path) -> None:
    right = sync_layout(channels=THREE)
    frames = [frame.data for frame in encode_all(right, smooth_counts(right, 900))]
    rng = np.random.default_rng(8)
    kept = [data for data in frames if rng.random() > 0.05]
    data = b"\xff" * 5000 + b"".join(d + b"kiln is hot\r\n" * (i % 50 == 7) for i, d in enumerate(kept))
    layout, reading = _found(data, tmp_path)
    assert [part.is_ for part in layout.frame.parts] == ["sync", "sequence", "ticks", "samples", "checksum"]
    assert len(reading.main.table) == len(kept)


@pytest.mark.parametrize(
    ("step", "rows", "tick_hz", "sample_hz"),
    [
        (1310.72, 10, 32768.0, 250.0),
        (40.0, 5, 1000.0, 125.0),
        (8000.0, 1, 1e6, 125.0),
        (64.0, 2, 32768.0, 1024.0),
    ],
)
def test_rates_are_guessed_by_a_round_one(step: float, rows: int, tick_hz: float, sample_hz: float) -> None:
    rates = guessed_rates((Field("ticks", 0, 4, "little", 0.0, step),), rows)
    assert (rates.tick_hz, rates.sample_hz) == (tick_hz, sample_hz)


def test_nothing_is_found_in_noise() -> None:
    rng = np.random.default_rng(0)
    for data in (
        b"",
        rng.bytes(200_000),
        bytes(50_000),
        b"\xff" * 50_000,
        b"glaze is on\n" * 500,
        rng.bytes(40),
    ):
        assert find_layout(data) is None


@settings(max_examples=15, deadline=None)
@given(st.binary(max_size=40), st.integers(1, 60), st.binary(max_size=200), st.sampled_from([0, 1, 2, 3]))
def test_whatever_stands_in_a_file_it_is_described(unit: bytes, n: int, rest: bytes, device: int) -> None:
    """Repeated bytes, any bytes, and torn pieces of real dumps: no file makes the finder fail."""
    dump = sorted((DEMO / "dumps").glob("*/*"))[-device].read_bytes()
    for data in (unit * n + rest, rest, dump[n * 37 :][: 40 * n] + rest):
        found = find_layout(data)
        assert found is None or found.fit.decoded <= len(data)
        assert smallest_change(sync_layout(), data) is None or data
