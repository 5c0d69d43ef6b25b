"""Card and radio of one wearing, and other readings that make good what each of them lost; planted truth."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from encode import encode_frame
from shapes import binary_layout, channel, kinds_layout, read_all, sync_layout, text_layout

from pipeline.frames import room
from pipeline.layouts import Layout
from pipeline.timebase import Placing, laying, place_session

HZ = 250.0
TICK_HZ = 32768.0
N_ROWS = 30_000


@pytest.fixture(params=["in memory", "in files"], autouse=True)
def where(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where columns are, and how many frames are looked at together, changes nothing."""
    if request.param == "in files":
        monkeypatch.setattr(room, "IN_MEMORY_BYTES", 0)
        for module in (room, laying):
            monkeypatch.setattr(module, "AT_ONCE", 41)


def _counts(n: int = N_ROWS, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).integers(-1900, 1900, (n, 2))


def _card(count: int = 50, **options: object) -> Layout:
    """Sectors written by the device: long frames, ticks, no receiver."""
    return sync_layout(**{"sync": b"\xc3\x3c", "count": count, "sequence": "u32", **options})


def _radio(count: int = 10, **options: object) -> Layout:
    """Packets of the same samples: short frames, a short sequence number, the receiver's stamps."""
    return sync_layout(**{"count": count, "sequence": "u8", "ticks": "", "received": "u32", **options})


def _frames(
    layout: Layout,
    counts: np.ndarray,
    *,
    first_sequence: int = 0,
    by_sample: bool = False,
    start_s: float = 0.0,
    tick: int = 0,
    jitter_s: float = 0.0,
    slow: np.ndarray | None = None,
) -> list[bytes]:
    """Frames of counts; ticks and stamps go with true seconds from `start_s`."""
    rng, frame = np.random.default_rng(7), layout.frame
    size = frame.all("samples")[0].count or 1
    sequence, received = frame.part("sequence"), frame.part("received")
    pieces = []
    for i in range(len(counts) // size):
        number = first_sequence + (i * size if by_sample else i)
        full_s = start_s + (i + 1) * size / HZ + float(rng.exponential(jitter_s))
        rows = [counts[i * size : (i + 1) * size]]
        if slow is not None:
            n = frame.all("samples")[1].count
            rows.append(slow[i * n : (i + 1) * n])
        pieces.append(
            encode_frame(
                layout,
                frame,
                rows,
                sequence=number % (1 << sequence.wraps_at_bits) if sequence else 0,
                ticks=tick + int(i * size / HZ * TICK_HZ),
                received=int(1000 * (5000 + full_s)) if received else 0,
            )
        )
    return pieces


def _session(folder: Path, *readings: tuple[Layout, Sequence[bytes]]) -> Placing:
    read = []
    for k, (layout, dumps) in enumerate(readings):
        place = folder / str(k)
        place.mkdir(exist_ok=True)
        layout = replace(layout, name=f"layout{k}")
        reading = read_all(list(dumps), layout, place)
        named = tuple(replace(dump, name=f"{k}/{dump.name}") for dump in reading.dumps)
        streams = tuple(replace(frames, dumps=named) for frames in reading.streams)
        read.append(replace(reading, dumps=named, streams=streams))
    return place_session(read)


def _whole(placing: Placing, which: int = 0) -> tuple[np.ndarray, np.ndarray]:
    grid = placing.grids[which]
    blocks = list(grid.blocks(block_rows=4099))
    return np.concatenate([counts for _, counts, _ in blocks]), np.concatenate([p for _, _, p in blocks])


def _without(pieces: list[bytes], lost: Sequence[int]) -> bytes:
    gone = set(lost)
    return b"".join(piece for i, piece in enumerate(pieces) if i not in gone)


@pytest.mark.parametrize("by_sample", [False, True])
def test_card_and_radio_make_one_recording(tmp_path: Path, by_sample: bool) -> None:
    counts = _counts()
    card, radio = _card(), _radio(sequence="u16" if by_sample else "u8")
    on_card = _frames(card, counts, by_sample=by_sample)
    by_radio = _frames(radio, counts, by_sample=by_sample, jitter_s=0.02)
    lost_card, lost_radio = [100, 101, 400], [0, 503, *range(2001, 2010), *range(2500, 2900)]
    placing = _session(
        tmp_path, (card, [_without(on_card, lost_card)]), (radio, [_without(by_radio, lost_radio)])
    )
    (grid,) = placing.grids
    shown, present = _whole(placing)
    # the card's frames are rows 5000 to 5099 and 20000 to 20049
    lost = np.zeros(N_ROWS, dtype=bool)
    lost[5030:5040] = lost[20_010:20_050] = True
    assert grid.n_rows == N_ROWS
    assert np.array_equal(present, np.repeat(~lost[:, None], 2, axis=1))
    assert np.array_equal(shown, np.where(present, counts, 0))
    assert grid.clock.source == "receiver"
    assert np.abs(grid.clock.time_s(np.arange(N_ROWS)) - np.arange(N_ROWS) / HZ).max() < 0.005
    assert (grid.n_lost_frames, grid.n_expected_frames) == (1, 600)
    mine, theirs = (dump.ledger for dump in placing.dumps)
    # of the radio nine frames are needed in the first gap, and one in the second
    assert (mine.duplicate, theirs.decoded) == (0, 10 * len(by_radio[0]))
    assert theirs.duplicate == (3000 - len(lost_radio) - 10) * len(by_radio[0])
    assert [ledger.total for ledger in (mine, theirs)] == [dump.n_bytes for dump in placing.dumps]
    assert grid.n_duplicate_frames == 3000 - len(lost_radio) - 10


def test_the_order_in_which_readings_are_listed_does_not_matter(tmp_path: Path) -> None:
    counts = _counts(6000)
    card, radio = _card(), _radio()
    data = [
        (card, [_without(_frames(card, counts), [10])]),
        (radio, [_without(_frames(radio, counts), [300])]),
    ]
    one = _session(tmp_path / "a", *data) if (tmp_path / "a").mkdir() is None else None
    other = _session(tmp_path / "b", *data[::-1]) if (tmp_path / "b").mkdir() is None else None
    assert one is not None
    assert other is not None
    assert np.array_equal(_whole(one)[0], _whole(other)[0])
    assert np.array_equal(_whole(one)[1], _whole(other)[1])


@pytest.mark.parametrize("sequence", ["u16", ""])
def test_numbers_that_have_nothing_in_common_are_found_by_counts(tmp_path: Path, sequence: str) -> None:
    counts = _counts()
    card = _card(sequence=sequence)
    radio = _radio()
    on_card = _frames(card, counts[1230:])
    by_radio = _frames(radio, counts[: N_ROWS - 3000], first_sequence=77)
    placing = _session(
        tmp_path, (card, [_without(on_card, [])]), (radio, [_without(by_radio, range(900, 1000))])
    )
    shown, present = _whole(placing)
    assert present.all()
    assert np.array_equal(shown, counts[: len(shown)])
    assert placing.main.n_rows == 1230 + 28_750
    assert placing.main.clock.time_s(np.array([1230]))[0] == pytest.approx(1230 / HZ, abs=2e-3)


def test_a_run_that_one_reading_lacks_stands_between_those_of_the_other(tmp_path: Path) -> None:
    counts = _counts(18_000)
    runs = [counts[:6000], counts[6000:12_000], counts[12_000:]]
    card, radio = _card(), _radio()
    ticks = (3_000_000, 1_000, 2_000)
    on_card = [_frames(card, run, tick=tick) for run, tick in zip(runs, ticks, strict=True)]
    starts = (0.0, 60.0, 200.0)
    by_radio = [_frames(radio, run, start_s=at) for run, at in zip(runs, starts, strict=True)]
    placing = _session(
        tmp_path,
        (card, [b"".join(on_card[0] + on_card[2])]),
        (radio, [b"".join(by_radio[0][:550] + by_radio[1] + by_radio[2][20:300])]),
    )
    shown, present = _whole(placing)
    assert present.all()
    assert np.array_equal(shown, counts)
    assert [restart.row for restart in placing.main.restarts] == [6000, 12_000]
    time_s = placing.main.clock.time_s(np.array([0, 6000, 12_000]))
    assert time_s == pytest.approx(starts, abs=0.01)
    off_s = [restart.off_s for restart in placing.main.restarts]
    assert off_s == pytest.approx([36.0, 116.0], abs=0.01)


def test_readings_of_two_wearings_are_not_mixed(tmp_path: Path) -> None:
    card, radio = _card(), _radio()
    placing = _session(
        tmp_path,
        (card, [b"".join(_frames(card, _counts(seed=1)))]),
        (radio, [b"".join(_frames(radio, _counts(9000, seed=2)))]),
    )
    shown, _ = _whole(placing)
    assert np.array_equal(shown, _counts(seed=1))
    assert "was left out: their counts are not those of one wearing" in placing.notes[-1]
    assert placing.dumps[1].ledger.duplicate == 0


def test_no_common_channel_or_rate_is_told(tmp_path: Path) -> None:
    card = _card()
    for k, (other, why) in enumerate(
        ((_radio(channels=("c", "d")), "no channel in common"), (_radio(sample_hz=125.0), "come at 125 Hz"))
    ):
        folder = tmp_path / str(k)
        folder.mkdir()
        data = [b"".join(_frames(layout, _counts(3000))) for layout in (card, other)]
        placing = _session(folder, (card, [data[0]]), (other, [data[1][:6000]]))
        assert why in placing.notes[-1]
        assert placing.main.n_rows == 3000


def test_a_channel_that_one_reading_has_alone_is_kept(tmp_path: Path) -> None:
    counts = _counts(6000)
    third = np.arange(6000) % 1000
    card = _card(channels=("a", "b", "c"))
    radio = _radio()
    on_card = _frames(card, np.column_stack((counts, third)))
    by_radio = _frames(radio, counts)
    placing = _session(tmp_path, (radio, [b"".join(by_radio)]), (card, [_without(on_card, [4])]))
    assert [channel.name for channel in placing.main.channels] == ["a", "b", "c"]
    shown, present = _whole(placing)
    assert present[:, :2].all()
    assert np.flatnonzero(~present[:, 2]).tolist() == list(range(200, 250))
    assert np.array_equal(shown[present[:, 2], 2], third[present[:, 2]])


def test_slower_channels_of_both_are_merged_too(tmp_path: Path) -> None:
    counts, slow = _counts(6000), np.random.default_rng(9).integers(-500, 500, (1200, 1))
    card = binary_layout("sync", sync=b"\xc3\x3c", sequence="u32", count=50, slow=("t",), slow_count=10)
    radio = binary_layout(
        "sync", sync=b"\xa5\x5a", sequence="u8", ticks="", received="u32", count=10, slow=("t",), slow_count=2
    )
    on_card, by_radio = _frames(card, counts, slow=slow), _frames(radio, counts, slow=slow)
    placing = _session(
        tmp_path, (card, [_without(on_card, [3, 50])]), (radio, [_without(by_radio, [15, *range(400, 420)])])
    )
    assert [grid.sample_hz for grid in placing.grids] == [250.0, 50.0]
    for which, truth in ((0, counts), (1, slow)):
        shown, present = _whole(placing, which)
        lost = ~present[:, 0]
        # the radio's frame 15 is in the card's frame 3
        assert lost.sum() == {0: 10, 1: 2}[which]
        assert np.array_equal(shown[~lost], truth[~lost])
    seconds = placing.grids[1].clock.time_s(np.arange(1200))
    assert np.abs(seconds - np.arange(1200) / 50).max() < 2e-3
    assert placing.dumps[1].ledger.decoded == 9 * len(by_radio[0])


def test_text_of_one_receiver_and_packets_of_another(tmp_path: Path) -> None:
    """Lines carry a sample each; the packets ten."""
    counts = _counts(4000)
    text = text_layout(sequence_bits=16, ticks_bits=None, low=-2000, high=2000)
    radio = _radio()
    lines = [f"{i % 65536},{a},{b}\n".encode() for i, (a, b) in enumerate(counts.tolist())]
    del lines[1000:1500]
    by_radio = _frames(radio, counts)
    placing = _session(tmp_path, (text, [b"".join(lines)]), (radio, [_without(by_radio, range(250, 300))]))
    shown, present = _whole(placing)
    assert present.all()
    assert np.array_equal(shown, counts)


def test_lines_that_nothing_counts_find_their_places(tmp_path: Path) -> None:
    counts = _counts(8000)
    card, text = _card(), text_layout(sequence_bits=None, ticks_bits=None)
    lines = [f"{a},{b}\n".encode() for a, b in counts.tolist()]
    received = [line for i, line in enumerate(lines) if not (1000 <= i < 1500 or 5000 <= i < 5077)]
    placing = _session(
        tmp_path, (text, [b"".join(received)]), (card, [_without(_frames(card, counts), [10, 60, 101])])
    )
    shown, present = _whole(placing)
    # the card's frame 101 is among the lines that are lost
    lost = np.arange(5050, 5077)
    assert np.flatnonzero(~present[:, 0]).tolist() == lost.tolist()
    assert np.array_equal(shown, np.where(present, counts, 0))
    assert placing.main.clock.source == "ticks"


def test_events_of_two_readings_are_counted_once(tmp_path: Path) -> None:
    layout = kinds_layout(event=True, counts=(10,), rates=(250.0,), syncs=(b"\xa5\x5a",))
    other = replace(layout, channels=tuple(channel(c.name, sample_hz=c.sample_hz) for c in layout.channels))
    counts = _counts(5000)
    pieces = []
    for i in range(500):
        numbers = {"sequence": i, "ticks": int(i * 0.04 * TICK_HZ)}
        pieces.append(encode_frame(layout, layout.frames[0], [counts[10 * i : 10 * i + 10]], **numbers))
        if i in (100, 300):
            mark = {"sequence": i // 200, "ticks": numbers["ticks"] + 99}
            pieces.append(encode_frame(layout, layout.frames[1], [np.array([[i]])], **mark))
    placing = _session(tmp_path, (layout, [b"".join(pieces)]), (other, [b"".join(pieces[150:400])]))
    (events,) = placing.events
    assert events.counts[:, 0].tolist() == [100, 300]
    assert placing.dumps[1].ledger.decoded == 0


@pytest.mark.parametrize("seed", range(20))
def test_gaps_are_the_rows_that_no_part_has(tmp_path, seed):
    """Against a mask of all rows."""
    chance = np.random.default_rng(seed)
    n_rows, parts, mask = 3000, [], np.zeros(3000, bool)
    grid = _session(tmp_path, (_radio(), [b"".join(_frames(_radio(), _counts(1000)))])).main.parts[0]
    table = grid.frames.table
    for _ in range(int(chance.integers(0, 4))):
        which = np.flatnonzero(chance.random(len(table)) < 0.6)
        start = np.sort(chance.choice(n_rows - 10, len(which), replace=False)).astype(np.int64)
        parts.append(replace(grid, placed=which, start_row=start, n_rows=n_rows))
        for at in start:
            mask[at : at + 10] = True
    start, stop = laying._gaps(parts, n_rows)
    edges = np.flatnonzero(np.diff(~mask, prepend=False, append=False))
    assert start.tolist() == edges[::2].tolist()
    assert stop.tolist() == edges[1::2].tolist()
