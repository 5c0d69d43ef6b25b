"""Several streams of one device on one clock: other rates, the same rate, events; planted truth."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from encode import encode_frame, streams_of
from shapes import binary_layout, kinds_layout, part, read_all, received_column, text_kinds_layout

from pipeline.errors import Unreadable
from pipeline.frames import room
from pipeline.layouts import Layout
from pipeline.timebase import Placing, aligned, place_session

TICK_HZ = 32768.0


@pytest.fixture(params=["in memory", "in files"], autouse=True)
def where(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where columns are, how many frames are looked at together, and of how many a clock is drawn."""
    if request.param == "in files":
        monkeypatch.setattr(room, "IN_MEMORY_BYTES", 0)
        monkeypatch.setattr(room, "AT_ONCE", 41)
        monkeypatch.setattr(aligned, "_MOST_KEPT", 150)


@dataclass(frozen=True)
class Kind:
    """How one kind of frame is sent: true seconds of its first sample, of one frame, and rows of a frame."""

    start_s: float
    period_s: float
    rows: int
    hz: float


def _device(
    layout: Layout,
    kinds: Sequence[Kind],
    seconds: float,
    *,
    fast: float = 1.0,
    delay_s: Callable[[], float] = lambda: 0.0,
    event_s: Sequence[float] = (),
    lost: Callable[[int, int], bool] = lambda kind, i: False,
    shared: bool = False,
    first: int = 0,
) -> bytes:
    """Frames of all kinds in the order in which they are full; ticks stamp the first sample of each.

    The counts of a row are its number on its kind's own grid, from `first`; of an event, its number.
    """
    planned = []
    for k, kind in enumerate(kinds):
        n = int((seconds - kind.start_s) / kind.period_s)
        planned += [
            (kind.start_s + (i + 1) * kind.period_s, k, i, kind.start_s + i * kind.period_s) for i in range(n)
        ]
    planned += [(second, len(kinds), i, second) for i, second in enumerate(event_s)]
    pieces, n_sent = [], 0
    for full_s, k, i, first_s in sorted(planned):
        frame = layout.frames[k]
        rows = kinds[k].rows if k < len(kinds) else 1
        count = ((first + np.arange(i * rows, (i + 1) * rows)) % 20_000).astype(int)
        counts = [np.stack([count] * len(s.channels), axis=1) for s in streams_of(layout, frame)]
        sequence, ticks, received = frame.part("sequence"), frame.part("ticks"), frame.part("received")
        number = n_sent if shared else i
        n_sent += 1
        if lost(k, i):
            continue
        pieces.append(
            encode_frame(
                layout,
                frame,
                counts,
                sequence=number % (1 << sequence.wraps_at_bits) if sequence else 0,
                ticks=int(first_s * TICK_HZ * fast + 7e6) % (1 << ticks.wraps_at_bits) if ticks else 0,
                received=int((1e6 + full_s + delay_s()) * received.hz) if received else 0,
            )
        )
    return b"".join(pieces)


def _placed(data: bytes, layout: Layout, folder: Path) -> Placing:
    return place_session([read_all(data, layout, folder)])


def _rows(placing: Placing, which: int) -> tuple[np.ndarray, np.ndarray]:
    """Counts of the first channel and presence, of the whole grid."""
    counts, present = placing.grids[which].read(0, placing.grids[which].n_rows)
    return counts, present


def _second_of_counts(placing: Placing, which: int, channel: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """The counts of a channel where it is there, and the seconds that the clock gives them."""
    counts, present = _rows(placing, which)
    rows = np.flatnonzero(present[:, channel])
    return counts[rows, channel], placing.grids[which].clock.time_s(rows)


def _with_stamps(layout: Layout, hz: float = 1000.0) -> Layout:
    """The receiver's stamps in front of the samples of every kind."""
    stamp = replace(received_column("number", hz), n_bytes=4, bits=32, byte_order="little", columns=())
    frames = []
    for frame in layout.frames:
        at = next(i for i, part in enumerate(frame.parts) if part.is_ == "samples")
        frames.append(replace(frame, parts=(*frame.parts[:at], stamp, *frame.parts[at:])))
    return replace(layout, frames=tuple(frames))


FAST = Kind(0.0, 0.04, 10, 250.0)
SLOW = Kind(0.013, 0.08, 4, 50.0)


@pytest.mark.parametrize("ticks", ["u16", "u24", "u32"])
def test_another_rate_has_its_own_grid_on_the_same_clock(tmp_path: Path, ticks: str) -> None:
    layout = kinds_layout(ticks=ticks)
    data = _device(layout, [FAST, SLOW], 60.0, lost=lambda k, i: (k, i) in {(0, 7), (1, 200), (1, 201)})
    placing = _placed(data, layout, tmp_path)
    assert [grid.sample_hz for grid in placing.grids] == [250.0, 50.0]
    assert [grid.clock.source for grid in placing.grids] == ["ticks", "ticks"]
    main, slow = placing.grids
    assert (main.n_rows, main.n_lost_frames, slow.n_lost_frames) == (15_000, 1, 2)
    counts, seconds = _second_of_counts(placing, 1)
    assert np.abs(seconds - (SLOW.start_s + counts / SLOW.hz)).max() < 2 / TICK_HZ
    assert slow.clock.rate_hz == pytest.approx(50.0, rel=1e-6)
    present = _rows(placing, 1)[1]
    assert np.flatnonzero(~present[:, 0]).tolist() == list(range(800, 808))


def test_rates_within_one_kind_of_frame_go_by_their_share(tmp_path: Path) -> None:
    layout = binary_layout("sync", sync=b"\xa5\x5a", slow=("t",), slow_count=2)
    kind = Kind(0.0, 0.04, 10, 250.0)
    pieces = []
    for i in range(1000):
        if i in (500, 501):
            continue
        counts = [np.full((10, 2), i), np.arange(2 * i, 2 * i + 2)[:, None]]
        pieces.append(encode_frame(layout, layout.frame, counts, sequence=i, ticks=int(i * 0.04 * TICK_HZ)))
    placing = _placed(b"".join(pieces), layout, tmp_path)
    main, slow = placing.grids
    assert (main.n_rows, slow.n_rows, slow.sample_hz) == (10_000, 2_000, 50.0)
    counts, seconds = _second_of_counts(placing, 1)
    assert np.array_equal(counts, np.setdiff1d(np.arange(2000), np.arange(1000, 1004)))
    assert np.abs(seconds - counts / 50).max() < 2 / TICK_HZ
    assert placing.dumps[0].ledger.decoded == placing.dumps[0].n_bytes
    assert kind.rows == 10


@pytest.mark.parametrize("by", ["ticks", "stamps", "order"])
def test_seconds_of_another_kind_by_what_there_is(tmp_path: Path, by: str) -> None:
    rng = np.random.default_rng(3)
    layout = kinds_layout(ticks="u32" if by == "ticks" else "")
    layout = _with_stamps(layout) if by == "stamps" else layout
    data = _device(layout, [FAST, SLOW], 300.0, delay_s=lambda: float(rng.exponential(0.02)))
    placing = _placed(data, layout, tmp_path)
    counts, seconds = _second_of_counts(placing, 1)
    off = seconds - (SLOW.start_s + counts / SLOW.hz)
    # the order of arrival tells as much as the main frames are long
    most = {"ticks": 2 / TICK_HZ, "stamps": 2e-3, "order": 0.021}[by]
    assert np.abs(off).max() < most
    assert placing.grids[1].clock.source == {"ticks": "ticks", "stamps": "receiver", "order": "nominal"}[by]


@pytest.mark.parametrize("ticks", ["u32", ""])
def test_a_kind_at_the_same_rate_stands_in_the_same_rows(tmp_path: Path, ticks: str) -> None:
    layout = kinds_layout(ticks=ticks, counts=(10, 25), rates=(250.0, 250.0))
    other = Kind(0.0413, 0.1, 25, 250.0)
    data = _device(layout, [FAST, other], 120.0, lost=lambda k, i: k == 1 and i == 300)
    placing = _placed(data, layout, tmp_path)
    (grid,) = placing.grids
    assert [channel.name for channel in grid.channels] == ["a0", "b0", "a1", "b1"]
    assert [len(grid.parts), grid.n_rows] == [2, 30_000]
    counts, present = _rows(placing, 0)
    first = int(np.flatnonzero(present[:, 2])[0])
    delay_s = grid.parts[1].delay_s
    # 41.3 ms are 10.325 rows
    if ticks:
        assert first == 10
        assert delay_s == pytest.approx(0.0013, abs=1e-4)
        assert "1.30 ms after" in placing.notes[0]
    assert abs(first / 250 + delay_s - 0.0413) < (1e-4 if ticks else 0.021)
    rows = np.flatnonzero(present[:, 2])
    assert np.array_equal(counts[rows, 2], (rows - first) % 20_000)
    lost = first + 300 * 25 + np.arange(25)
    assert not present[lost, 2].any()
    assert present[lost, 0].all()
    assert sum(present.sum(axis=0)) == sum(part.frames.counts.n_rows * 2 for part in grid.parts)
    blocks = list(grid.blocks(block_rows=997))
    assert np.array_equal(np.concatenate([block for _, block, _ in blocks]), counts)
    assert np.array_equal(np.concatenate([p for _, _, p in blocks]), present)


def test_a_kind_that_begins_before_the_main_one_begins_the_rows(tmp_path: Path) -> None:
    layout = kinds_layout(counts=(10, 10), rates=(250.0, 250.0))
    data = _device(layout, [Kind(3.0, 0.04, 10, 250.0), Kind(0.0, 0.04, 10, 250.0)], 20.0)
    placing = _placed(data, layout, tmp_path)
    (grid,) = placing.grids
    counts, present = _rows(placing, 0)
    assert grid.n_rows == 5_000
    assert np.flatnonzero(present[:, 0])[0] == 750
    assert present[:, 2].all()
    assert grid.clock.time_s(np.array([0, 750])) == pytest.approx([0.0, 3.0], abs=1e-4)
    assert counts[750, 0] == 0


def test_kinds_whose_crystals_differ_have_recordings_of_their_own(tmp_path: Path) -> None:
    """Half a sample in ten minutes at 250 Hz are 3.3 ppm (arithmetic): 40 ppm are no agreement."""
    layout = kinds_layout(counts=(10, 10), rates=(250.0, 250.0))
    other = Kind(0.0, 0.04 * (1 + 40e-6), 10, 250.0 / (1 + 40e-6))
    placing = _placed(_device(layout, [FAST, other], 600.0), layout, tmp_path)
    assert [grid.sample_hz for grid in placing.grids] == [250.0, 250.0]
    assert "a recording of their own" in placing.notes[0]
    counts, seconds = _second_of_counts(placing, 1)
    n = np.arange(len(counts))
    assert np.abs(seconds - n / other.hz).max() < 2 / TICK_HZ
    assert placing.grids[1].clock.rate_hz == pytest.approx(other.hz, rel=1e-7)


def test_events_have_the_time_and_the_row_of_their_frames(tmp_path: Path) -> None:
    layout = kinds_layout(event=True)
    event_s = [0.5, 7.25, 7.26, 30.0]
    data = _device(layout, [FAST, SLOW], 40.0, fast=1 + 20e-6, event_s=event_s)
    placing = _placed(data, layout, tmp_path)
    (events,) = placing.events
    assert (events.kind, [channel.name for channel in events.channels]) == ("kind2", ["mark"])
    assert events.counts[:, 0].tolist() == [0, 1, 2, 3]
    assert np.abs(events.time_s - np.array(event_s) * (1 + 20e-6)).max() < 2 / TICK_HZ
    assert np.abs(events.row - np.array(event_s) * 250).max() <= 0.51


def test_an_event_that_two_dumps_hold_is_one_event(tmp_path: Path) -> None:
    layout = kinds_layout(event=True)
    data = _device(layout, [FAST, SLOW], 10.0, event_s=[5.0])
    placing = place_session([read_all([data, data], layout, tmp_path)])
    assert len(placing.events[0].time_s) == 1
    assert [dump.ledger.duplicate for dump in placing.dumps] == [0, len(data)]
    assert placing.dumps[1].ledger.decoded == 0


@pytest.mark.parametrize("ticks", ["u32", ""])
def test_one_sequence_number_through_all_kinds(tmp_path: Path, ticks: str) -> None:
    layout = kinds_layout(ticks=ticks, shared=True)
    gone = {(0, i) for i in range(400, 425)} | {(1, i) for i in range(200, 212)}
    data = _device(layout, [FAST, SLOW], 60.0, shared=True, lost=lambda k, i: (k, i) in gone)
    placing = _placed(data, layout, tmp_path)
    main, slow = placing.grids
    assert (main.n_rows, main.n_lost_frames, main.restarts) == (15_000, 25, ())
    assert abs(slow.n_lost_frames - 12) <= (0 if ticks else 1)
    assert len(slow.parts[0].placed) == 749 - 12
    assert bool([note for note in placing.notes if "its share" in note]) == (not ticks)
    counts, seconds = _second_of_counts(placing, 0)
    assert np.abs(seconds - counts / 250).max() < 2 / TICK_HZ


def test_a_shared_number_of_eight_bits_and_the_receivers_stamps(tmp_path: Path) -> None:
    layout = _with_stamps(kinds_layout(ticks="", shared=True, sequence="u8"))
    rng = np.random.default_rng(5)
    lost_s = (100.0, 280.0)

    def lost(k: int, i: int) -> bool:
        return lost_s[0] <= (0.04, 0.08)[k] * i < lost_s[1]

    data = _device(
        layout, [FAST, SLOW], 400.0, shared=True, lost=lost, delay_s=lambda: float(rng.exponential(0.02))
    )
    placing = _placed(data, layout, tmp_path)
    main, slow = placing.grids
    assert abs(main.n_lost_frames - 4500) <= 1
    assert abs(slow.n_lost_frames - 2250) <= 1
    counts, seconds = _second_of_counts(placing, 0)
    off_s = (seconds - counts / 250 + 40) % 80 - 40
    assert np.abs(off_s).max() < 0.05


def test_a_restart_is_in_every_stream(tmp_path: Path) -> None:
    layout = kinds_layout()
    first = _device(layout, [FAST, SLOW], 20.0)
    second = _device(layout, [FAST, SLOW], 20.0, first=7000)
    placing = _placed(first + second, layout, tmp_path)
    for grid in placing.grids:
        assert len(grid.restarts) == 1
        time_s = grid.clock.time_s(np.arange(grid.n_rows))
        assert np.all(np.diff(time_s) > 0)
    main, slow = placing.grids
    at = slow.clock.time_s(np.array([slow.restarts[0].row]))[0]
    assert at == pytest.approx(
        main.clock.time_s(np.array([main.restarts[0].row]))[0] + SLOW.start_s, abs=2e-3
    )


def test_lines_of_several_kinds(tmp_path: Path) -> None:
    layout = text_kinds_layout(ticks_bits=32, event=True)
    lines = []
    for i in range(5000):
        lines.append((i * 4 + 0.1, f"F,{i % 65536},{i * 4},{i % 999},0\n"))
        if i % 5 == 0:
            lines.append((i * 4 + 2, f"A,{i // 5 % 65536},{i * 4 + 1},{i // 5 % 999},1\n"))
    lines.append((10_000.5, "M,0,10001,7\n"))
    data = "".join(line for _, line in sorted(lines)).encode()
    placing = _placed(data, layout, tmp_path)
    assert [(grid.sample_hz, grid.n_rows) for grid in placing.grids] == [(250.0, 5000), (50.0, 1000)]
    time_s = placing.grids[1].clock.time_s(np.arange(1000))
    assert np.abs(time_s - (np.arange(1000) * 0.02 + 0.001)).max() < 1e-3
    assert placing.events[0].time_s[0] == pytest.approx(10.001, abs=1e-3)
    assert placing.events[0].row.tolist() == [2500]


def test_events_alone_are_no_recording(tmp_path: Path) -> None:
    layout = kinds_layout(event=True)
    data = _device(layout, [FAST, SLOW], 1.0, event_s=[0.2, 0.4], lost=lambda k, i: k < 2)
    with pytest.raises(Unreadable, match="frames of events alone"):
        _placed(data, layout, tmp_path)


@pytest.mark.parametrize("share", [0.0, 0.03])
def test_a_shared_number_counts_events_and_stamps_tell_of_which_kind_a_lost_frame_was(
    tmp_path: Path, share: float
) -> None:
    rng = np.random.default_rng(11)
    plain = kinds_layout(shared=True, event=True, ticks="")
    stamp = part("received", "u48", hz=1000.0)
    frames = tuple(replace(f, parts=(*f.parts[:2], stamp, *f.parts[2:])) for f in plain.frames)
    layout = replace(plain, frames=frames)
    kinds = [Kind(0.0, 0.04, 10, 250.0), Kind(0.01, 0.08, 4, 50.0)]
    gone = {(kind, i): rng.random() < share for kind in (0, 1) for i in range(3000)}
    data = _device(
        layout,
        kinds,
        60.0,
        delay_s=lambda: rng.exponential(0.003),
        event_s=np.arange(2.5, 59, 4.0).tolist(),
        lost=lambda kind, i: i > 0 and gone.get((kind, i), False),
        shared=True,
    )
    placing = _placed(data, layout, tmp_path)
    lost = [sum(gone[kind, i] for i in range(1, n - 1)) for kind, n in ((0, 1500), (1, 749))]
    assert [grid.n_lost_frames for grid in placing.grids] == pytest.approx(lost, abs=0.05 * max(lost))
    assert not any("share of them" in note for note in placing.notes)
    assert len(placing.events[0].time_s) == 15
