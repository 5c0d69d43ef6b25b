"""Changed samples back into the bytes of a dump: its own frames, checksums and stuffing."""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.drill.places import Edit, Places
from pipeline.layouts import Channel, Layout
from pipeline.recording import Recording, to_units, write_samples
from pipeline.recording.account import Ints
from pipeline.recording.way_back import encode_frames
from pipeline.recording.write import Rows

_DELIMITERS = {"cobs": b"\0", "slip": b"\xc0"}

_NEAR_BYTES = 1 << 16
"""How far from a frame a copy of it is looked for: a radio sends again at once."""


@dataclass(frozen=True)
class Patch:
    """New counts of one channel in the rows from `start` on; samples that were lost stay lost.

    `recording` is the index of the file of samples among those of the session.
    """

    recording: int
    channel: Channel
    start: int
    counts: Ints


def edits_of(
    patches: Sequence[Patch],
    recordings: Sequence[Recording],
    layout: Layout,
    dumps: Sequence[Path],
    places: Places,
    left_alone: Collection[tuple[int, int]],
    folder: Path,
) -> list[Edit]:
    """What to change in the dumps so that they hold the patches.

    Parameters
    ----------
    patches : sequence of Patch
        Must not overlap.
    recordings : sequence of Recording
        The session's files of samples, with the account of their frames.
    layout : Layout
        By which the dumps were read.
    dumps : sequence of Path
        As the user has them; they are only read.
    places : Places
        Of all frames.
    left_alone : collection of (dump, offset)
        Frames that do not come back byte for byte even unchanged.
    folder : Path
        For the changed files of samples, which stay there.
    """
    for i, recording in enumerate(recordings):
        _write(recording, [patch for patch in patches if patch.recording == i], folder / recording.path.name)
    sizes = dict(
        zip(
            zip(places.dump.tolist(), places.offset.tolist(), strict=True),
            places.n_bytes.tolist(),
            strict=True,
        )
    )
    mapped = [np.memmap(path, np.uint8, "r") for path in dumps]
    edits = []
    for dump, offset, made in encode_frames(folder / recordings[0].path.name, layout):
        if (dump, offset) in left_alone:
            continue
        there = mapped[dump][offset : offset + sizes[dump, offset]].tobytes()
        if made != there:
            edits.append(Edit(dump, offset, offset + len(there), rewired(layout, made, there)))
    return edits


def with_copies(edits: Sequence[Edit], dumps: Sequence[Path], places: Places) -> list[Edit]:
    """The edits, and the same of frames that stand in the dump a second time: two that differ are none."""
    known = set(zip(places.dump.tolist(), places.offset.tolist(), strict=True))
    mapped, more = [np.memmap(path, np.uint8, "r") for path in dumps], list[Edit]()
    for edit in edits:
        first = max(edit.start - _NEAR_BYTES, 0)
        near = mapped[edit.dump][first : edit.stop + _NEAR_BYTES].tobytes()
        there = near[edit.start - first : edit.stop - first]
        at = near.find(there)
        while at >= 0:
            if (edit.dump, first + at) not in known:
                more.append(Edit(edit.dump, first + at, first + at + len(there), edit.data))
            at = near.find(there, at + len(there))
    return [*edits, *more]


def cannot_come_back(
    samples: Path, layout: Layout, dumps: Sequence[Path], places: Places
) -> set[tuple[int, int]]:
    """Dump and offset of the frames that are not made again byte for byte from their samples."""
    mapped = [np.memmap(path, np.uint8, "r") for path in dumps]
    missing = set(zip(places.dump.tolist(), places.offset.tolist(), strict=True))
    for dump, offset, made in encode_frames(samples, layout):
        if mapped[dump][offset : offset + len(made)].tobytes() == made:
            missing.discard((dump, offset))
    return missing


def rewired(layout: Layout, made: bytes, there: bytes) -> bytes:
    """A frame with other counts, ended as the one in the dump is.

    Stuffing can take more or fewer bytes for other counts, while the way back reckons with those of the dump
    to tell how its device ended a frame.
    """
    end = _DELIMITERS.get(layout.framing)
    if end is None:
        return made
    stuffed = made.removesuffix(end)
    if layout.framing == "cobs" and stuffed.endswith(b"\x01"):
        too_many = _cobs_size(stuffed) - _cobs_size(there.removesuffix(end))
        stuffed = stuffed[: len(stuffed) - max(too_many, 0)]
    return stuffed + end if there.endswith(end) else stuffed


def _cobs_size(stuffed: bytes) -> int:
    """Bytes of the body that COBS made into `stuffed`."""
    at, size, code = 0, 0, 0
    while at < len(stuffed):
        code = stuffed[at]
        at += max(code, 1)
        size += code - (code == 0xFF)
    return size - (0 < code < 0xFF)


def _write(recording: Recording, patches: Sequence[Patch], path: Path) -> None:
    """The file of samples again, with the patches in it."""
    names = [channel.name for channel in recording.channels]
    values = [(patch, to_units(patch.counts, patch.channel)) for patch in patches]

    def blocks() -> Iterator[Rows]:
        for block in recording.blocks(names):
            columns: dict[str, npt.NDArray[Any]] = {name: np.array(block.columns[name]) for name in names}
            present = np.stack([~np.isnan(columns[name]) for name in names], axis=1)
            stop = block.start + len(block)
            for patch, new in values:
                low, high = max(patch.start, block.start), min(patch.start + len(new), stop)
                if low < high:
                    piece = new[low - patch.start : high - patch.start]
                    columns[patch.channel.name][low - block.start : high - block.start] = piece
            yield present, columns

    write_samples(path, recording.channels, blocks(), recording.metadata)
