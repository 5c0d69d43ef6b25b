"""Does what comes out hold what went in? One dump to samples and back, byte for byte."""

import tempfile
from pathlib import Path

import numpy as np

from pipeline.errors import Unreadable
from pipeline.finder.explain import explained
from pipeline.frames import read_frames
from pipeline.layouts import Layout
from pipeline.peek.words import n_of
from pipeline.recording import rate_suffixes, write_recording
from pipeline.recording.way_back import encode_frames, spelt_otherwise
from pipeline.timebase import Placing, place_session


def prove(dump: Path, layout: Layout) -> int:
    """Write the samples of a dump, make its frames again from them, and compare these with the dump.

    Prints one line. Everything is written to a folder that goes again.

    Returns
    -------
    int
        0 where every frame that was placed came back byte for byte, else 1.
    """
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        try:
            placing = place_session([read_frames([(str(dump), dump)], layout, folder)])
        except Unreadable as error:
            print(explained(error.problem, dump, layout))
            return 1
        samples = _written(placing, dump, folder)
        data = np.memmap(dump, np.uint8, "r")
        n_same, first = 0, ""
        for _, offset, frame in encode_frames(samples, layout):
            there = data[offset : offset + len(frame)].tobytes()
            n_same += frame == there
            first = first or ("" if frame == there else _difference(offset, there, frame))
        kinds = {part.frames.stream.frame.name: len(part.placed) for g in placing.grids for part in g.parts}
        n_placed = sum(kinds.values())
        kept = spelt_otherwise(samples)
    if n_same < n_placed and not first:
        first = f"; {n_of(n_placed - n_same, 'frame')} cannot be made again from the samples"
    also = f"; {n_of(kept, 'line')} spelt otherwise than the others came back as kept" if kept else ""
    print(f"{n_same:,} of {n_of(n_placed, 'frame')} came back byte for byte{also}{first}")
    return 0 if n_same == n_placed else 1


def _written(placing: Placing, dump: Path, folder: Path) -> Path:
    """The samples of each rate as files; the main one."""
    suffixes = rate_suffixes([grid.sample_hz for grid in placing.grids])
    for grid, suffix in zip(placing.grids, suffixes, strict=True):
        write_recording(grid, {}, folder / f"samples{suffix}.parquet", {str(dump): dump})
    return folder / f"samples{suffixes[0]}.parquet"


def _difference(offset: int, there: bytes, made: bytes) -> str:
    """Where a frame first differs, and both bytes."""
    at = next((i for i, pair in enumerate(zip(there, made, strict=False)) if pair[0] != pair[1]), None)
    if at is None:
        return f"; first that did not: the frame at byte {offset}, which ends too early in the dump"
    return (
        f"; first that did not: the frame at byte {offset}, whose byte {offset + at} is "
        f"{there[at]:02X} in the dump and {made[at]:02X} out of the samples"
    )
