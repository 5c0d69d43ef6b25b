"""Whatever happens to a dump: the ledger sums to its size, and no sample is decoded that was not planted."""

from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from encode import encode_frames
from hypothesis import given, settings
from hypothesis import strategies as st
from shapes import read_bytes, sync_layout, text_layout

from pipeline.errors import Unreadable
from pipeline.frames import Frames
from pipeline.layouts import Layout
from pipeline.timebase import final_ledgers, place_frames

BOUNDED = settings(max_examples=100, derandomize=True, deadline=None, database=None)

LAYOUTS: dict[str, Layout] = {
    "fixed, 32-bit check": sync_layout(check="CRC-32/ISO-HDLC", count=3),
    "fixed, 16-bit check, short counter": sync_layout(check="CRC-16/XMODEM", sequence="u8", count=2),
    "stated length": sync_layout(check="CRC-32/BZIP2", length="u8", max_bytes=120),
    "no sequence": sync_layout(check="CRC-32/ISCSI", sequence="", count=3),
    "no ticks": sync_layout(check="CRC-32/ISCSI", ticks="", count=3),
    "no check": sync_layout(check="", count=3),
    "no check, stated length": sync_layout(check="", length="u8", max_bytes=120),
    "text": text_layout(),
    "text with ticks and a wide delimiter": text_layout(ticks_bits=32, delimiter="; "),
    "text without counters": text_layout(sequence_bits=None, delimiter="blanks"),
}

ACTION = st.sampled_from(["keep"] * 12 + ["lose", "flip", "insert", "cut", "repeat", "swap", "pad"])


def _session(layout: Layout, actions: list[str], seed: int, flips: bool = True) -> tuple[bytes, np.ndarray]:
    rng = np.random.default_rng(seed)
    counts = rng.integers(-2000, 2001, (len(actions) * 8, 2))
    frames = encode_frames(
        layout, counts, first_sequence=int(rng.integers(0, 65536)), first_tick=int(rng.integers(0, 2**32))
    )
    pieces = list[bytes]()
    for frame, action in zip(frames, actions, strict=False):
        at = int(rng.integers(0, len(frame)))
        if action == "flip" and flips:
            frame = frame[:at] + bytes([frame[at] ^ (1 << int(rng.integers(0, 8)))]) + frame[at + 1 :]
        elif action == "insert":
            frame = frame[:at] + rng.bytes(int(rng.integers(1, 40))) + frame[at:] if flips else frame
        elif action == "cut":
            frame = frame[:at]
        elif action == "repeat":
            frame += frame
        elif action == "pad":
            frame += bytes([int(rng.choice([0, 255]))]) * int(rng.integers(1, 60))
        if action != "lose":
            pieces.append(frame)
        if action == "swap" and len(pieces) > 1:
            pieces[-2:] = pieces[:-3:-1]
    return b"".join(pieces), counts


def _read(data: bytes, layout: Layout, **more: int) -> Frames | None:
    with TemporaryDirectory() as folder:
        try:
            return read_bytes(data, layout, Path(folder), **more)
        except Unreadable:
            return None


def _ledgers_sum(frames: Frames) -> None:
    for dump in frames.dumps:
        assert dump.ledger.total == dump.n_bytes
        assert min(vars(dump.ledger).values()) >= 0


@settings(BOUNDED, max_examples=300)
@given(
    name=st.sampled_from(list(LAYOUTS)),
    actions=st.lists(ACTION, min_size=3, max_size=40),
    seed=st.integers(0, 2**32 - 1),
)
def test_any_mixture_of_faults(name: str, actions: list[str], seed: int) -> None:
    layout = LAYOUTS[name]
    # text carries no check: a flipped digit is another number, so that only losses and cuts can be told there
    data, counts = _session(layout, actions, seed, flips=layout.framing == "sync")
    frames = _read(data, layout)
    if frames is None:
        return
    _ledgers_sum(frames)
    planted = {tuple(row): i for i, row in enumerate(counts.tolist())}
    decoded = frames.counts.read(0, frames.counts.n_rows).tolist()
    checked = layout.frame.part("checksum") is not None
    if checked or (layout.framing == "text" and layout.frame.part("sequence")):
        # without counters, what is left of a cut line may make a whole one together with the next line
        assert all(tuple(row) in planted for row in decoded)
    grid = place_frames(frames)
    for dump in final_ledgers([grid]):
        assert dump.ledger.total == dump.n_bytes
    assert np.all(np.diff(grid.start_row) > 0)
    ends = grid.start_row + frames.table.n_samples[grid.placed]
    assert np.all(ends[:-1] <= grid.start_row[1:])
    assert int(ends[-1]) == grid.n_rows
    shown = [(start, block, present[:, 0]) for start, block, present in grid.blocks(block_rows=7)]
    assert sum(present.sum() for _, _, present in shown) == int(frames.table.n_samples[grid.placed].sum())
    if checked:
        assert not grid.restarts
        shift = {
            planted[tuple(row)] - start - i
            for start, block, present in shown
            for i, row in enumerate(block.tolist())
            if present[i]
        }
        assert len(shift) == 1
    seconds = grid.clock.time_s(np.arange(grid.n_rows))
    assert seconds[0] == 0
    assert np.all(np.diff(seconds) > 0)


@settings(BOUNDED, max_examples=200)
@given(
    name=st.sampled_from(list(LAYOUTS)),
    actions=st.lists(ACTION, min_size=3, max_size=30),
    seed=st.integers(0, 2**32 - 1),
    block=st.integers(1, 400),
)
def test_blocks_of_any_size_give_the_same(name: str, actions: list[str], seed: int, block: int) -> None:
    layout = LAYOUTS[name]
    data, _ = _session(layout, actions, seed)
    whole, again = _read(data, layout), _read(data, layout, block_bytes=block)
    assert (whole is None) == (again is None)
    if whole is not None and again is not None:
        assert whole.dumps == again.dumps
        for column in vars(whole.table):
            assert np.array_equal(getattr(whole.table, column), getattr(again.table, column)), column
        n = whole.counts.n_rows
        assert np.array_equal(whole.counts.read(0, n), again.counts.read(0, n))


@settings(BOUNDED, max_examples=200)
@given(
    name=st.sampled_from(list(LAYOUTS)),
    data=st.binary(max_size=600)
    | st.text("0123456789,.;-+# \t\r\n\0x\xa5\x5a", max_size=300).map(str.encode),
)
def test_any_bytes(name: str, data: bytes) -> None:
    frames = _read(data, LAYOUTS[name])
    if frames is not None:
        _ledgers_sum(frames)
        place_frames(frames)
