"""Long columns: what stands in a file reads as what stands in memory does, and takes none.

That the result does not depend on where columns are, nor on how many frames are looked at together, follows
from what is asked of it, and wants no source; the resident memory of a process is the kernel's own count.
"""

import errno
import random
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from cases import CASES
from damage import MOVING, mixed
from shapes import read_all

from pipeline.errors import Unreadable
from pipeline.frames import room
from pipeline.frames.room import Room, blocks_of, mapped, n_true, sums_before
from pipeline.recording.account import Telling, packed, unpacked
from pipeline.recording.way_back import frames_metadata
from pipeline.timebase import arrival
from pipeline.timebase.ledgers import settle
from pipeline.timebase.matching import AnyGrid
from pipeline.timebase.runs import runs_of_segments
from pipeline.timebase.sorting import in_order, sorted_parts
from pipeline.timebase.streams import place_reading

TWO_LONG_COLUMNS = """
import resource, sys
from pathlib import Path
from pipeline.frames.room import Room, blocks_of, sums_before
peak = lambda: resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1e6 if sys.platform == "darwin" else 1e3)
n, before = 1 << 25, peak()  # 256 MB each
column = Room(Path(sys.argv[1])).zeros(n)
for block in blocks_of(n):
    column[block] = 1
assert sums_before(column, Room(Path(sys.argv[1])))[-1] == n - 1
print(peak() - before)
"""


@pytest.fixture
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    """Everything in files, 100 frames together."""
    monkeypatch.setattr(room, "IN_MEMORY_BYTES", 0)
    monkeypatch.setattr(room, "AT_ONCE", 100)


@pytest.mark.usefixtures("small")
def test_a_column_in_a_file_is_one_like_any_other(tmp_path: Path) -> None:
    column = Room(tmp_path).zeros(1050, np.int32)
    assert not column.flags.owndata
    assert not column.any()
    for block in blocks_of(len(column)):
        column[block] = np.arange(block.start, block.stop)
    assert np.array_equal(column, np.arange(1050))
    assert list(tmp_path.iterdir()) == []  # it has no name
    longer = Room(tmp_path).copy(column, 2000)
    assert longer[1049] == 1049
    assert longer[1050:].sum() == 0


@pytest.mark.skipif(not hasattr(room.mmap, "MADV_DONTNEED"), reason="no way to let go of pages here")
def test_columns_of_any_length_take_the_memory_of_a_block(tmp_path: Path) -> None:
    peak = subprocess.run(
        [sys.executable, "-c", TWO_LONG_COLUMNS, str(tmp_path)], capture_output=True, text=True, check=True
    )
    assert float(peak.stdout) < 100


@pytest.mark.usefixtures("small")
@pytest.mark.parametrize("number", [errno.ENODEV, errno.EMFILE])
def test_where_no_file_can_be_mapped_memory_has_to_do(
    number: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(*_: object) -> None:
        raise OSError(number, "as some file systems say")

    monkeypatch.setattr(room.mmap, "mmap", refused)
    assert Room(tmp_path).zeros(10).tolist() == [0] * 10


@pytest.mark.usefixtures("small")
def test_a_full_disk_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "no room")

    monkeypatch.setattr(room, "_reserve", full)
    with pytest.raises(OSError, match="no room"):
        Room(tmp_path).zeros(10)


@pytest.mark.usefixtures("small")
def test_sums_and_masks_go_on_from_block_to_block(tmp_path: Path) -> None:
    chance = np.random.default_rng(2)
    sizes = chance.integers(0, 9, 1234)
    assert np.array_equal(sums_before(sizes, Room(tmp_path)), np.cumsum(sizes) - sizes)
    assert n_true(sizes > 4) == int((sizes > 4).sum())


@pytest.mark.usefixtures("small")
def test_bytes_of_a_file_are_mapped_and_an_empty_one_has_none(tmp_path: Path) -> None:
    (tmp_path / "some").write_bytes(bytes(range(200)))
    (tmp_path / "none").write_bytes(b"")
    assert mapped(tmp_path / "some").tolist() == list(range(200))
    assert not len(mapped(tmp_path / "none"))


@pytest.mark.usefixtures("small")
def test_segments_give_each_frame_its_run_and_place() -> None:
    starts, n = np.array([0, 3, 150, 151, 420]), 555
    placed = [(0, 10), (-1, 0), (0, 200), (1, 0), (1, 300)]
    runs = runs_of_segments(placed, starts, n, [])
    sizes = np.diff(np.append(starts, n))
    assert runs.run.tolist() == np.repeat([run for run, _ in placed], sizes).tolist()
    ahead = np.repeat([place for _, place in placed] - starts, sizes)
    assert runs.position.tolist() == ahead.tolist()
    assert np.array_equal(runs.absurd, runs.run < 0)


@pytest.mark.usefixtures("small")
def test_parts_sorted_one_by_one_are_sorted_as_a_whole() -> None:
    chance = np.random.default_rng(7)
    late = np.argsort(np.arange(3000) + np.where(chance.random(3000) < 0.05, 40 * chance.random(3000), 0))
    run, position = (late // 1000).astype(np.int32), late % 1000
    parts = list(sorted_parts(run, position))
    assert len(parts) > 10
    whole = np.concatenate([part.start + np.lexsort((position[part], run[part])) for part in parts])
    assert np.array_equal(whole, np.lexsort((position, run)))
    assert in_order(run[whole], position[whole])
    twice = np.tile(np.arange(500), 2)
    assert list(sorted_parts(np.zeros(1000, np.int32), twice)) == [slice(0, 1000)]


@pytest.mark.usefixtures("small")
def test_an_account_is_the_same_from_blocks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    chance = np.random.default_rng(3)
    columns = {
        "steady": np.arange(1001) * 7,
        "jitters": np.cumsum(chance.integers(90, 110, 1001)),
        "wild": chance.integers(-(1 << 60), 1 << 60, 1001),
        "same": np.full(1001, 4),
    }

    def told(where: Room) -> str:
        gives = {name: (lambda block, of=values: of[block]) for name, values in columns.items()}
        return packed(Telling({"a": 1}, 1001, gives, {"blob": b"xyz" * 50}, where))

    in_blocks = told(Room(tmp_path))
    monkeypatch.undo()
    assert in_blocks == told(Room())
    for name, values in unpacked(in_blocks).columns.items():
        assert np.array_equal(values, columns[name])
    gives = {"wild": lambda block: columns["wild"][block]}
    assert packed(Telling({}, 1001, gives, {}, Room()), most_bytes=1000) == ""


def same_grids(one: AnyGrid, other: AnyGrid) -> None:
    assert one.n_rows == other.n_rows
    for mine, own in zip(one.parts, other.parts, strict=True):
        for name in ("placed", "start_row", "duplicate", "absurd"):
            assert np.array_equal(getattr(mine, name), getattr(own, name)), name
    for name in ("n_late", "n_lost_frames", "n_expected_frames", "n_duplicate_frames"):
        assert getattr(one, name) == getattr(other, name), name
    for name in ("restarts", "breaks", "steps"):
        rows = [[event.row for event in getattr(grid, name)] for grid in (one, other)]
        assert rows[0] == rows[1], name
    assert one.clock.time_s(np.arange(one.n_rows)) == pytest.approx(other.clock.time_s(np.arange(one.n_rows)))


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("name", CASES)
def test_frames_have_the_same_places_whatever_is_looked_at_together(
    name: str, seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    case, chance = CASES[name], random.Random(seed)
    encoded = case.encoded(300, seed)
    actions = chance.choices(["keep", *MOVING, "extreme"], [30, 1, 1, 1, 1, 1, 1], k=len(encoded))
    data = mixed([frame.data for frame in encoded], actions, chance)
    if seed == 2:  # overlapping parts of a recording
        data += data[len(data) // 3 :]
    placed = []
    for mode in ("in memory", "in files"):
        with monkeypatch.context() as patched:
            if mode == "in files":
                patched.setattr(room, "IN_MEMORY_BYTES", 0)
                for module in (room, arrival):
                    patched.setattr(module, "AT_ONCE", 41)
            folder = tmp_path / mode
            folder.mkdir()
            try:
                reading = read_all(data, case.layout, folder)
                grids = place_reading(reading)
            except Unreadable as error:
                placed.append(str(error))
                continue
            told = [
                frames_metadata(grid, {"dumps/part0.dump": folder / "part0.dump"}) for grid in grids.grids
            ]
            placed.append((grids, settle(grids.settled), told))
    if isinstance(placed[0], str):
        assert placed[0] == placed[1]
        return
    (one, ledgers, told), (other, own, again) = placed
    assert ledgers == own
    assert told == again
    for mine, theirs in zip(one.grids, other.grids, strict=True):
        same_grids(mine, theirs)
