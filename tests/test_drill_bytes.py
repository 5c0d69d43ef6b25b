"""Faults in the bytes of a dump: the frames hold the new counts, and nothing else of the dump is another."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from encode import encode_all, header_line
from file_cases import file_layout, file_pieces
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
from test_way_back import _counts

from pipeline.drill.places import Edit, Places, apply, places_of
from pipeline.drill.rewriting import Patch, cannot_come_back, edits_of, rewired, with_copies
from pipeline.layouts import Layout
from pipeline.recording import Recording, open_recording, rate_suffixes, to_counts, write_recording
from pipeline.recording.compose import cobs
from pipeline.timebase import place_session

ROWS = slice(100, 230)

LAYOUTS = {
    "sync": sync_layout(),
    "sync, packed": packed_layout(samples="u12"),
    "sync, two rates": sync_layout(slow=("c",), slow_count=2, slow_samples="u24"),
    "sync, kinds": kinds_layout(),
    "sectors": sectors_layout(),
    "sectors, check at the end": sectors_layout(length="u16"),
    "cobs": cobs_layout(),
    "cobs, groups of 254": cobs_layout(count=150),
    "slip": slip_layout(),
    "slip, kinds": kinds_layout("slip"),
    "text": text_layout(),
    "text, decimals": text_layout(decimals=3, delimiter=";", decimal=","),
    "wav": file_layout("wav"),
    "edf": file_layout("edf"),
}


@dataclass(frozen=True)
class Read:
    """A dump that was read, and its files of samples."""

    recordings: tuple[Recording, ...]
    places: Places
    n_damaged: int

    def counts(self, recording: int = 0) -> np.ndarray:
        """Counts of all channels, shape (rows, channels); -1 where lost."""
        opened = self.recordings[recording]
        values = opened.read([c.name for c in opened.channels], 0, opened.n_rows)
        columns = [to_counts(np.nan_to_num(values[c.name]), c) for c in opened.channels]
        return np.stack(columns, axis=1)


def _dump(layout: Layout) -> bytes:
    if layout.framing in ("wav", "edf"):
        return b"".join(piece.data for piece in file_pieces(layout.framing, 120, 5))
    frames = [frame.data for frame in encode_all(layout, _counts(layout, 300))]
    head = header_line(layout) if layout.text and layout.text.header else b""
    return head + b"".join([*frames[:2], b"kiln 4" if layout.framing == "sync" else b"", *frames[3:]])


def _read(data: bytes, layout: Layout, folder: Path) -> Read:
    folder.mkdir(parents=True, exist_ok=True)
    reading = read_all(data, layout, folder)
    placing = place_session([reading])
    suffixes = rate_suffixes([grid.sample_hz for grid in placing.grids])
    paths = [folder / f"recording{suffix}.parquet" for suffix in suffixes]
    for grid, path in zip(placing.grids, paths, strict=True):
        write_recording(grid, {}, path, {"dumps/part0.dump": folder / "part0.dump"})
    recordings = tuple(map(open_recording, paths))
    return Read(recordings, places_of(recordings), sum(dump.n_damaged_frames for dump in placing.dumps))


@pytest.mark.parametrize("name", LAYOUTS)
def test_new_counts_stand_in_the_frames_and_all_else_stays(tmp_path: Path, name: str) -> None:
    layout = LAYOUTS[name]
    data = _dump(layout)
    before = _read(data, layout, tmp_path / "before")
    source, target = tmp_path / "before" / "part0.dump", tmp_path / "made.dump"
    main = before.recordings[0]
    rows = slice(ROWS.start, min(ROWS.stop, main.n_rows - 50))
    assert cannot_come_back(main.path, layout, [source], before.places) == set()
    wanted = before.counts()
    wanted[rows] = wanted[rows][::-1]
    patches = [Patch(0, c, rows.start, wanted[rows, i]) for i, c in enumerate(main.channels)]
    (tmp_path / "between").mkdir()

    edits = edits_of(patches, before.recordings, layout, [source], before.places, (), tmp_path / "between")
    apply(edits, [source], [target])

    after = _read(target.read_bytes(), layout, tmp_path / "after")
    assert np.array_equal(after.counts(), wanted)
    assert len(after.recordings) == len(before.recordings)
    for i in range(1, len(before.recordings)):
        assert np.array_equal(after.counts(i), before.counts(i))
    assert after.n_damaged == before.n_damaged
    first_s, last_s = main.at_s(rows.start), main.at_s(rows.stop - 1)
    touched = (before.places.stop_s > first_s) & (before.places.start_s <= last_s + 1e-9)
    spans = set(
        zip(before.places.offset[touched].tolist(), before.places.n_bytes[touched].tolist(), strict=True)
    )
    assert {(edit.start, edit.stop - edit.start) for edit in edits} <= spans
    assert source.read_bytes() == data


def test_edits_leave_all_other_bytes_as_they_were(tmp_path: Path) -> None:
    data = bytes(range(256)) * 20
    (tmp_path / "a").write_bytes(data)
    edits = [Edit(0, 300, 310, b"glaze"), Edit(0, 10, 20, b""), Edit(0, 310, 310, b"clay" * 3)]
    apply(edits, [tmp_path / "a"], [tmp_path / "b"])
    assert (tmp_path / "b").read_bytes() == data[:10] + data[20:300] + b"glaze" + b"clay" * 3 + data[310:]
    with pytest.raises(ValueError, match="overlap"):
        apply([Edit(0, 5, 9, b""), Edit(0, 8, 9, b"")], [tmp_path / "a"], [tmp_path / "b"])


def test_a_frame_sent_twice_gets_the_fault_twice(tmp_path: Path) -> None:
    """Two frames of one number that differ would be damage, which nobody planted."""
    layout = sync_layout()
    frames = [frame.data for frame in encode_all(layout, _counts(layout, 300))]
    data = b"".join([*frames[:22], frames[20], *frames[22:]])
    before = _read(data, layout, tmp_path / "before")
    source, wanted = tmp_path / "before" / "part0.dump", before.counts()
    wanted[195:225] = wanted[195:225][::-1]
    patches = [Patch(0, c, 195, wanted[195:225, i]) for i, c in enumerate(before.recordings[0].channels)]
    (tmp_path / "between").mkdir()
    edits = edits_of(patches, before.recordings, layout, [source], before.places, (), tmp_path / "between")

    apply(with_copies(edits, [source], before.places), [source], [tmp_path / "made"])

    made = (tmp_path / "made").read_bytes()
    size = len(frames[0])
    assert made[20 * size : 21 * size] == made[22 * size : 23 * size] != frames[20]
    assert np.array_equal(_read(made, layout, tmp_path / "after").counts(), wanted)


@pytest.mark.parametrize("n", [3, 253, 254, 255, 508, 600])
def test_stuffing_of_another_length_ends_as_the_dump_ended(n: int) -> None:
    """COBS: the way back adds an empty group wherever the frame was longer; here it would be a zero more."""
    layout = cobs_layout()
    full, zeros = bytes([1]) * n, bytes([1, 0]) * (n // 2) + b"\1" * (n % 2)
    for there, body in ((cobs(full), zeros), (cobs(zeros), full)):
        for made in (cobs(body), cobs(body) + b"\1", cobs(body) + b"\1\0"):
            assert rewired(layout, made, there + b"\0") in (cobs(body) + b"\0", cobs(body) + b"\1\0")
            again = rewired(layout, made, there)
            assert again in (cobs(body), cobs(body) + (b"\1" if cobs(body)[-255:-254] == b"\xff" else b""))


def test_a_delimiter_is_there_where_the_dump_has_one() -> None:
    """SLIP (RFC 1055): more escapes make a frame longer, so that its length tells nothing of its end."""
    layout = slip_layout()
    assert rewired(layout, b"\xdb\xdc\xdb\xdd", b"ab\xc0") == b"\xdb\xdc\xdb\xdd\xc0"
    assert rewired(layout, b"ab\xc0", b"\xdb\xdc\xdb\xdd") == b"ab"
