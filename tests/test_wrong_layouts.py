"""A right layout broken in one way: the very change that mends it is named. Dumps are invented."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from conftest import REPOSITORY
from encode import encode_all, encode_frames, header_line
from shapes import (
    cobs_layout,
    kinds_layout,
    packed_layout,
    read_all,
    sectors_layout,
    slip_layout,
    sync_layout,
    text_layout,
)
from smooth import smooth_counts

from pipeline.errors import Problem
from pipeline.finder.clocks import doubts, rounded, wraps_at
from pipeline.finder.explain import explained
from pipeline.finder.search import smallest_change
from pipeline.frames.fitting import fitting_checks
from pipeline.layouts import Layout, load_layout
from pipeline.layouts.catalogue import CATALOGUE
from pipeline.timebase import place_session

THREE = ("a", "b", "c")


def _dump(layout: Layout, n_frames: int = 300, **more: object) -> bytes:
    frames = encode_all(layout, smooth_counts(layout, n_frames), **more)  # type: ignore[arg-type]
    head = header_line(layout) if layout.text and layout.text.header else b""
    return head + b"".join(frame.data for frame in frames)


def _told(wrong: Layout, data: bytes) -> str:
    change = smallest_change(wrong, data)
    assert change is not None
    assert change.fit.share > 0.99
    return change.words


MAKERS = {
    "sync": lambda **more: sync_layout(**{"channels": THREE, **more}),
    "cobs": lambda **more: cobs_layout(**{"channels": THREE, **more}),
    "slip": lambda **more: slip_layout(**{"channels": THREE, **more}),
    "sectors": lambda **more: sectors_layout(**{"channels": THREE, **more}),
}

WRONG: dict[str, tuple[dict, str]] = {
    "check": ({"check": "CRC-16/KERMIT"}, 'name = "CRC-16/XMODEM"'),
    "check of another width": ({"check": "CRC-32/ISCSI"}, 'name = "CRC-16/XMODEM"'),
    "order of the check": ({"check_order": "big"}, 'byte_order = "little"'),
    "order of all": ({"order": "big"}, 'byte_order = "little" in the layout'),
    "rows": ({"count": 8}, "count = 10"),
    "too few channels": ({"channels": ("a", "b")}, 'channels = ["a", "b", "channel_1"]'),
    "too many channels": ({"channels": (*THREE, "d")}, 'channels = ["a", "b", "c"]'),
    "channels and rows": ({"channels": (*THREE, "d", "e"), "count": 6}, "count = 10"),
    "width of the sequence": ({"sequence": "u8"}, 'type = "u16"'),
    "width of the ticks": ({"ticks": "u16"}, 'type = "u32"'),
    "width of the samples": ({"samples": "i24"}, 'type = "i16"'),
    "sign": ({"samples": "u16"}, 'type = "i16"'),
    "arrangement": ({"arrangement": "planar"}, 'arrangement = "interleaved"'),
    "a part that is not there": ({"ignored": 2}, "no such part in the "),
}


@pytest.mark.parametrize("wrong", WRONG)
@pytest.mark.parametrize("framing", MAKERS)
def test_one_thing_wrong_is_named(framing: str, wrong: str) -> None:
    make, (options, line) = MAKERS[framing], WRONG[wrong]
    assert line in _told(make(**options), _dump(make()))


@pytest.mark.parametrize("framing", MAKERS)
def test_a_right_layout_is_not_doubted(framing: str) -> None:
    make = MAKERS[framing]
    for more in ({}, {"order": "big"}, {"samples": "u24", "check": ""}, {"count": 5, "received": "u48"}):
        assert smallest_change(make(**more), _dump(make(**more))) is None, more


DEVICES = {"strap-a": "radio", "strap-b": "serial", "strap-c": "card", "strap-d": "capture"}


@pytest.mark.parametrize(
    "dump", sorted((REPOSITORY / "demo_raw" / "dumps").glob("*/*")), ids=lambda p: p.name
)
def test_the_layouts_of_the_demo_are_not_doubted(dump: Path) -> None:
    """Nor by mains, which makes each sample like the one a cycle before, as if there were more channels."""
    name = DEVICES[dump.parent.name]
    layout = load_layout(REPOSITORY / "demo_raw" / "layouts" / f"{name}.toml", name, [])
    assert smallest_change(layout, dump.read_bytes()[: 1 << 20]) is None


@pytest.mark.parametrize("part", ["sequence", "ticks", "samples"])
def test_the_order_of_a_single_part_is_named(part: str) -> None:
    right = sync_layout(channels=THREE)
    parts = tuple(replace(p, byte_order="big") if p.is_ == part else p for p in right.frame.parts)
    wrong = replace(right, frames=(replace(right.frame, parts=parts),))
    said = _told(wrong, _dump(right))
    assert 'byte_order = "little" in the ' in said
    assert said.endswith(f"part, {part}.")


def test_what_the_check_covers_is_named() -> None:
    right = sync_layout(channels=THREE)
    assert 'covers = "after_sync"' in _told(sync_layout(channels=THREE, covers="frame"), _dump(right))


@pytest.mark.parametrize(("right", "wrong"), [("cobs", "slip"), ("slip", "cobs")])
def test_cobs_and_slip_are_not_mixed_up(right: str, wrong: str) -> None:
    assert f'framing = "{right}"' in _told(MAKERS[wrong](), _dump(MAKERS[right]()))


@pytest.mark.parametrize("sync", [b"\xa5\x5b", b"\x12\x34\x56"])
def test_sync_bytes_are_named(sync: bytes) -> None:
    right = sync_layout(channels=THREE, sync=b"\xa5\x5a\x3c"[: len(sync)])
    said = _told(sync_layout(channels=THREE, sync=sync), _dump(right))
    assert f'bytes = "{right.frame.parts[0].sync.hex(" ").upper()}" in the 1st part, sync' in said


@pytest.mark.parametrize("sector_bytes", [64, 256, 512])
def test_the_size_of_sectors_is_named(sector_bytes: int) -> None:
    right = sectors_layout(sector_bytes=128, channels=THREE)
    wrong = sectors_layout(sector_bytes=sector_bytes, channels=THREE)
    assert "sector_bytes = 128" in _told(wrong, _dump(right))


@pytest.mark.parametrize("order", ["little", "big"])
def test_the_width_of_packed_samples_is_named(order: str) -> None:
    right = packed_layout(samples="i12", count=8, channels=THREE, order=order)
    wrong = packed_layout(samples="i16", count=8, channels=THREE, order=order)
    assert 'type = "i12"' in _told(wrong, _dump(right))


def test_what_a_length_counts_is_named() -> None:
    right = sync_layout(channels=THREE, length="u16", counts="after_length")
    for counts in ("frame", "samples", "rows"):
        wrong = sync_layout(channels=THREE, length="u16", counts=counts)
        assert 'counts = "after_length"' in _told(wrong, _dump(right))


def test_a_shared_sequence_is_named() -> None:
    assert "shared = true" in _told(kinds_layout(shared=False), _dump(kinds_layout(shared=True)))
    assert "shared = false" in _told(kinds_layout(shared=True), _dump(kinds_layout(shared=False)))


def test_two_things_wrong_are_named_together() -> None:
    data = _dump(sync_layout(channels=THREE))
    said = _told(sync_layout(channels=("a", "b"), check="CRC-16/KERMIT"), data)
    assert 'channels = ["a", "b", "channel_1"] in the 4th part, samples, and name = "CRC-16/XMODEM"' in said


@pytest.mark.parametrize("framing", ["sync", "cobs"])
def test_two_sizes_that_are_wrong_are_named_together(framing: str) -> None:
    make = MAKERS[framing]
    said = _told(make(channels=("a", "b"), sequence="u8"), _dump(make()))
    assert 'channels = ["a", "b", "channel_1"]' in said
    assert 'type = "u16" in the ' in said


def test_orders_of_two_parts_are_named_together() -> None:
    right = sync_layout(channels=THREE)
    parts = tuple(
        replace(p, byte_order="big") if p.is_ in ("ticks", "samples") else p for p in right.frame.parts
    )
    said = _told(replace(right, frames=(replace(right.frame, parts=parts),)), _dump(right))
    assert said.count('byte_order = "little"') == 2


def test_all_checks_that_fit_are_named_and_one_frame_is_not_enough() -> None:
    """Kinds that share a check value are told apart by two frames of different content."""
    right = sync_layout(check="CRC-8/MAXIM-DOW")
    frames = encode_frames(right, smooth_counts(right, 40)[0])
    found = fitting_checks(frames, 2, 1)
    assert [check.checksum.name for check in found] == ["CRC-8/MAXIM-DOW"]
    assert fitting_checks(frames[:1] * 9, 2, 1) == []
    # the check string of the catalogue gives a1 by both kinds, and so does nothing else that differs
    alike = fitting_checks([b"123456789\xa1", b"123456789\xa1"], 0, 1)
    assert alike == []
    both = CATALOGUE["CRC-8/MAXIM-DOW"], CATALOGUE["CRC-8/I-432-1"]
    assert both[0] != both[1]


TEXT_WRONG: dict[str, tuple[Callable[[Layout], Layout], str]] = {
    "delimiter": (lambda r: replace(r, text=replace(r.text, delimiter=";")), 'delimiter = ","'),
    "decimal": (lambda r: replace(r, text=replace(r.text, decimal=",")), 'decimal = "."'),
    "both": (
        lambda r: replace(r, text=replace(r.text, decimal=",", delimiter="tab")),
        'delimiter = "," and decimal',
    ),
    "decimals": (lambda _: _text(decimals=0), "decimals = 1"),
    "too few channels": (lambda _: _text(channels=("a", "b")), 'channels = ["a", "b", "channel_1"]'),
    "too many channels": (lambda _: _text(channels=(*THREE, "d")), 'channels = ["a", "b", "c"]'),
    "a column that is not there": (lambda _: _text(ignored=1), "no such part in the 3rd part, ignored"),
    "a column forgotten": (lambda _: _text(ticks_bits=None), '[[frame.part]] is = "ignored" count = 1'),
    "range": (lambda _: _text(low=-100, high=100), "bits or adc_min and adc_max"),
    "bits of the sequence": (lambda _: _text(sequence_bits=8), "bits = 16 in the 1st part, sequence"),
}


def _text(**more: object) -> Layout:
    options = {"ticks_bits": 32, "channels": THREE, "decimals": 1, **more}
    return text_layout(**options)  # type: ignore[arg-type]


@pytest.mark.parametrize("wrong", TEXT_WRONG)
def test_one_thing_wrong_in_text_is_named(wrong: str) -> None:
    right = _text()
    change, line = TEXT_WRONG[wrong]
    assert line in _told(change(right), _dump(right, 2000))


def test_a_header_and_its_names_are_told() -> None:
    right = _text(header=True)
    data = _dump(right, 500)
    other = data.replace(b"seq", b"count", 1)
    assert 'column = "count" in the 1st part, sequence' in _told(right, other)
    bare = data.partition(b"\n")[2]
    assert "header = false" in _told(right, bare)


def test_a_right_text_layout_is_not_doubted() -> None:
    for more in (
        {},
        {"header": True},
        {"delimiter": "tab"},
        {"delimiter": ";", "decimal": ","},
        {"decimals": 0},
    ):
        assert smallest_change(_text(**more), _dump(_text(**more), 1000)) is None, more


def test_it_is_said_what_shows_a_layout_to_be_wrong() -> None:
    right = sync_layout(channels=THREE)
    data = _dump(right)
    signs = {}
    for is_ in ("sequence", "ticks", "samples"):
        parts = tuple(replace(p, byte_order="big") if p.is_ == is_ else p for p in right.frame.parts)
        change = smallest_change(replace(right, frames=(replace(right.frame, parts=parts),)), data)
        assert change is not None
        signs[is_] = change.signs
    assert signs["sequence"] == "The sequence goes on by 256, by 1 with that."
    assert signs["ticks"].startswith("The ticks are off by ")
    assert signs["samples"].startswith("Samples jump by ")


def _doubts(layout: Layout, data: bytes, folder: Path) -> str:
    placing = place_session([read_all(data, layout, folder)])
    return " ".join(line for grid in placing.grids for line in doubts(grid))


def test_a_wrong_rate_is_told_by_the_stamps_of_the_receiver(tmp_path: Path) -> None:
    right = sync_layout(received="u48", ticks="", channels=THREE)
    wrong = sync_layout(received="u48", ticks="", channels=THREE, sample_hz=500.0)
    said = _doubts(wrong, _dump(right, 800), tmp_path)
    assert "by the receiver's stamps the samples come at 250 Hz, by the layout at 500 Hz" in said
    assert "write sample_hz = 250." in said


@pytest.mark.parametrize("framing", ["sync", "cobs", "text"])
def test_a_wrong_rate_is_told_by_the_ticks(tmp_path: Path, framing: str) -> None:
    make = text_layout if framing == "text" else MAKERS[framing]
    more = {"ticks_bits": 32} if framing == "text" else {}
    right, wrong = make(sample_hz=250.0, **more), make(sample_hz=200.0, **more)
    said = _doubts(wrong, _dump(right, 400), tmp_path)
    assert "come at 250 Hz, by the layout at 200 Hz: write sample_hz = 250." in said
    ticks = make(tick_hz=100.0, sample_hz=250.0, **more)
    said = _doubts(ticks, _dump(right, 400), tmp_path)
    assert f"tick_hz = {right.tick_hz:g}." in said
    assert _doubts(right, _dump(right, 400), tmp_path) == ""


def test_a_counter_that_wraps_early_is_told(tmp_path: Path) -> None:
    wrong = sync_layout(sequence="u16", ticks="")
    frames = encode_all(wrong, smooth_counts(wrong, 256))
    said = _doubts(wrong, b"".join(frame.data for frame in frames * 3), tmp_path)
    assert 'the 2nd part, sequence wraps at 8 bits, by the layout at 16 bits: write type = "u8" there' in said


def test_a_counter_of_text_that_wraps_is_told(tmp_path: Path) -> None:
    lines = "".join(f"{n % 1024},{n % 50},{n % 70}\n" for n in range(3000))
    said = _doubts(text_layout(sequence_bits=0), lines.encode(), tmp_path)
    assert "wraps at 10 bits, by the layout not at all: write bits = 10 there." in said


def test_wraps_are_not_seen_in_restarts_and_losses() -> None:
    count = np.arange(3000)
    assert wraps_at(count) == 0
    assert wraps_at(count % 256) == 8
    assert wraps_at(np.delete(count % 256, slice(250, 262))) == 8
    assert wraps_at(np.concatenate((count[:700], count[:700]))) == 0
    assert wraps_at(count[:200]) == 0


@pytest.mark.parametrize(
    ("measured", "round_one"),
    [(249.97, 250), (32_770.1, 32_768), (124.9981, 125), (133.33, 133.3), (1000.9, 1000)],
)
def test_measured_rates_are_rounded(measured: float, round_one: float) -> None:
    assert rounded(measured) == pytest.approx(round_one, rel=1e-3)
    assert round_one == pytest.approx(measured, rel=0.003)


def test_a_session_that_gives_nothing_is_told_what_to_write(tmp_path: Path) -> None:
    right = sync_layout(channels=THREE)
    dump = tmp_path / "wedging.bin"
    dump.write_bytes(_dump(right))
    problem = explained(Problem("wedging.bin", "", "a", "b", "c"), dump, sync_layout(channels=THREE, count=9))
    assert problem.remedy == (
        "Write count = 10 in the 4th part, samples. Frames are of 70 bytes, by the layout of 64; "
        "0% of the beginning can be read, 100% with that."
    )
    assert explained(Problem("x", "", "a", "b", "c"), tmp_path / "none", right).remedy == "c"


def test_noise_gives_no_change(tmp_path: Path) -> None:
    noise = np.random.default_rng(0).bytes(100_000)
    for layout in (sync_layout(), cobs_layout(), slip_layout(), sectors_layout(), text_layout()):
        assert smallest_change(layout, noise) is None
        assert smallest_change(layout, b"") is None
