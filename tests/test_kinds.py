"""Several kinds of frame in one stream, told apart by sync bytes or by their kind part."""

import random
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from encode import Encoded, encode_all
from hypothesis import given, settings
from hypothesis import strategies as st
from shapes import kinds_layout, part, read_all, sync_layout, sync_part

from pipeline.frames import Reading
from pipeline.frames.kinds import kinds_of
from pipeline.layouts import Frame, Layout

BOUNDED = settings(max_examples=80, derandomize=True, deadline=None, database=None)

LAYOUTS = {
    "kind part": kinds_layout(),
    "kind part of 16 bits, big": kinds_layout(kind_type="u16", order="big"),
    "sync bytes": kinds_layout(syncs=(b"\xa5\x5a", b"\x5a\xa5"), kind_type=""),
    "one pattern begins the other": kinds_layout(syncs=(b"\xa5\x5a", b"\xa5"), kind_type=""),
    "both": kinds_layout(syncs=(b"\xa5\x5a", b"\x3c\x3c\x3c"), event=True),
    "stated length": kinds_layout(length="u8"),
    "no check": kinds_layout(check=""),
    "no check, sync bytes": kinds_layout(syncs=(b"\xa5\x5a", b"\x5a\xa5"), kind_type="", check=""),
    "no check, stated length": kinds_layout(check="", length="u8"),
}


def _planted(layout: Layout, n: int = 200, seed: int = 0) -> tuple[list[Encoded], list[np.ndarray]]:
    rng = np.random.default_rng(seed)
    counts = [
        rng.integers(0, 30000, (max(8, round(n * stream.sample_hz / 250)), len(stream.channels)))
        for stream in layout.streams
    ]
    events = [0.05, 0.31, 0.32] if layout.frames[-1].is_event else []
    return encode_all(layout, counts, event_s=events), counts


def _written(encoded: list[Encoded], layout: Layout) -> list[np.ndarray]:
    """The rows of each stream, of frames that are whole."""
    rows: dict[int, list[np.ndarray]] = {}
    for frame in encoded:
        rows.setdefault(frame.kind, []).append(frame.counts[0])
    return [np.concatenate(rows[layout.frames.index(stream.frame)]) for stream in layout.streams]


def _read(reading: Reading) -> list[np.ndarray]:
    return [frames.counts.read(0, frames.counts.n_rows) for frames in reading.streams]


@pytest.mark.parametrize("name", LAYOUTS)
def test_each_kind_gives_its_own_streams(tmp_path: Path, name: str) -> None:
    layout = LAYOUTS[name]
    encoded, _ = _planted(layout)
    data = b"".join(frame.data for frame in encoded)
    for block_bytes in (1 << 20, 1, 33):
        reading = read_all(data, layout, tmp_path, block_bytes=block_bytes)
        for read, wanted in zip(_read(reading), _written(encoded, layout), strict=True):
            assert np.array_equal(read, wanted)
        assert reading.dumps[0].ledger.decoded == len(data)
        sizes = [int(frames.table.n_bytes.sum()) for frames in reading.streams]
        assert sum(sizes) == len(data)


@pytest.mark.parametrize("name", ["kind part", "kind part of 16 bits, big", "both", "stated length"])
def test_an_unknown_kind_is_damaged_up_to_the_next_pattern(tmp_path: Path, name: str) -> None:
    layout = LAYOUTS[name]
    encoded, _ = _planted(layout)
    kind = layout.frames[0].part("kind")
    sync = layout.frames[0].part("sync")
    assert kind is not None
    assert sync is not None
    other = sync.sync + (99).to_bytes(kind.n_bytes, kind.byte_order) + bytes(range(1, 30))
    pieces = [frame.data for frame in encoded]
    reading = read_all(b"".join([*pieces[:5], other, *pieces[5:]]), layout, tmp_path)
    for read, wanted in zip(_read(reading), _written(encoded, layout), strict=True):
        assert np.array_equal(read, wanted)
    assert reading.dumps[0].ledger.damaged == len(other)
    assert reading.dumps[0].n_damaged_frames == 1


def test_without_a_check_the_pattern_of_any_kind_bears_a_frame_out(tmp_path: Path) -> None:
    layout = LAYOUTS["no check, sync bytes"]
    encoded, _ = _planted(layout, 400)
    pieces = [frame.data for frame in encoded]
    # two of the second kind follow each other nowhere: each is borne out by one of the first
    lone = b"\x5a\xa5" + bytes(range(1, 60))
    reading = read_all(b"".join([lone, *pieces]), layout, tmp_path)
    for read, wanted in zip(_read(reading), _written(encoded, layout), strict=True):
        assert np.array_equal(read, wanted)
    assert reading.dumps[0].ledger.unrecognised == len(lone)


def test_a_kind_with_a_check_beside_one_without(tmp_path: Path) -> None:
    layout = kinds_layout(syncs=(b"\xa5\x5a", b"\x5a\xa5"), kind_type="")
    bare = replace(layout.frames[1], parts=layout.frames[1].parts[:-1])
    layout = replace(layout, frames=(layout.frames[0], bare))
    encoded, _ = _planted(layout, 400)
    pieces = [frame.data for frame in encoded]
    bad = next(i for i, frame in enumerate(encoded) if frame.kind == 0 and i)
    pieces[bad] = pieces[bad][:9] + bytes([pieces[bad][9] ^ 1]) + pieces[bad][10:]
    data = b"".join(pieces)
    reading = read_all(data, layout, tmp_path)
    kept = encoded[:bad] + encoded[bad + 1 :]
    for read, wanted in zip(_read(reading), _written(kept, layout), strict=True):
        assert np.array_equal(read, wanted)
    for block_bytes in (1, 40):
        assert read_all(data, layout, tmp_path, block_bytes=block_bytes).dumps == reading.dumps


def test_a_kind_part_behind_samples_of_open_count(tmp_path: Path) -> None:
    layout = sync_layout(length="u8")
    plain = layout.frames[0]
    frames = tuple(
        replace(
            plain,
            name=f"kind {value}",
            parts=(*plain.parts[:-1], part("kind", "u8", value=value), plain.parts[-1]),
        )
        for value in (1, 2)
    )
    renamed = [p if p.is_ != "samples" else replace(p, channels=("c", "d")) for p in frames[1].parts]
    channels = (*layout.channels, *(replace(c, name=n) for c, n in zip(layout.channels, "cd", strict=True)))
    layout = replace(layout, frames=(frames[0], replace(frames[1], parts=tuple(renamed))), channels=channels)
    encoded, _ = _planted(layout)
    data = b"".join(frame.data for frame in encoded)
    for block_bytes in (1 << 20, 7):
        reading = read_all(data, layout, tmp_path, block_bytes=block_bytes)
        for read, wanted in zip(_read(reading), _written(encoded, layout), strict=True):
            assert np.array_equal(read, wanted)


def test_stamps_of_every_width(tmp_path: Path) -> None:
    for width in ("u32", "u48", "u64"):
        layout = sync_layout(received=width, received_hz=1000.0)
        first = 1_760_000_000_123 if width != "u32" else 4_000_000_000
        encoded = encode_all(layout, [np.zeros((50, 2), dtype=int)], first_received=first)
        reading = read_all(b"".join(frame.data for frame in encoded), layout, tmp_path)
        assert reading.main.table.received.tolist() == [first + 40 * i for i in range(5)]


def test_the_patterns_of_a_layout() -> None:
    kinds = kinds_of(LAYOUTS["both"])
    assert kinds.patterns == (b"\xa5\x5a", b"\x3c\x3c\x3c")
    assert kinds.longest_pattern == 3
    assert [number for number, _ in kinds.of(b"\xa5\x5a")] == [0, 2]
    frame = Frame("bare", (sync_part(b"\1"),), 10)
    with pytest.raises(ValueError, match="no samples"):
        kinds_of(replace(LAYOUTS["both"], frames=(frame,)))


@pytest.mark.parametrize("name", LAYOUTS)
def test_whatever_happens_to_frames(tmp_path_factory: pytest.TempPathFactory, name: str) -> None:
    layout, folder = LAYOUTS[name], tmp_path_factory.mktemp("kinds")
    encoded, _ = _planted(layout)
    written = [{tuple(row) for row in rows.tolist()} for rows in _written(encoded, layout)]
    actions = st.sampled_from(["keep"] * 6 + ["lose", "flip", "cut", "noise", "pad", "twice"])

    @BOUNDED
    @given(st.lists(actions, min_size=3, max_size=24), st.integers(0, 999), st.sampled_from([1, 20, 90]))
    def holds(actions: list[str], seed: int, block_bytes: int) -> None:
        rng, data = random.Random(seed), [encoded[0].data * 2, encoded[1].data]
        for action, frame in zip(actions, encoded[2:], strict=False):
            at = rng.randrange(len(frame.data))
            data.append(
                {
                    "keep": frame.data,
                    "lose": b"",
                    "flip": frame.data[:at] + bytes([frame.data[at] ^ 16]) + frame.data[at + 1 :],
                    "cut": frame.data[:at],
                    "noise": rng.randbytes(at) + frame.data,
                    "pad": frame.data + bytes([rng.choice((0, 255))]) * at,
                    "twice": frame.data * 2,
                }[action]
            )
        whole = read_all(b"".join(data), layout, folder)
        again = read_all(b"".join(data), layout, folder, block_bytes=block_bytes)
        assert whole.dumps == again.dumps
        for one, other in zip(whole.streams, again.streams, strict=True):
            assert np.array_equal(one.table.offset, other.table.offset)
        ledger = whole.dumps[0].ledger
        assert ledger.total == whole.dumps[0].n_bytes
        decoded = sum(int(frames.table.n_bytes.sum()) for frames in whole.streams)
        assert decoded == ledger.decoded
        if not name.startswith("no check"):
            for rows, known in zip(_read(whole), written, strict=True):
                assert all(tuple(row) in known for row in rows.tolist())

    holds()
