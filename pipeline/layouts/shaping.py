"""A kind of frame: which parts it has, in which order, and how long it may be."""

from collections.abc import Iterator
from typing import Any

from pipeline.checking import faults_in, nth
from pipeline.errors import Problem
from pipeline.layouts.layout import Frame, Part, PartIs
from pipeline.layouts.parts import make_part
from schemas.keys import BINARY

MAX_FRAME_BYTES = 4096
"""Longest frame believed where a layout with stated lengths sets no bound of its own."""

LONGEST_FRAME_BYTES = 1 << 20
"""No layout describes frames longer than this: memory stays bounded."""

_ONCE: tuple[PartIs, ...] = ("sync", "kind", "length", "sequence", "ticks", "received", "checksum")
_DELIMITED = ("cobs", "slip")
_Faults = Iterator[tuple[str, str, str]]
"""Expected, found and remedy of each fault of the key 'part'."""


def make_frame(
    row: dict[str, Any], index: int, table: dict[str, Any], shown: str, problems: list[Problem]
) -> Frame:
    """Work out one ``[[frame]]`` of the layout `table`, whose keys are already checked.

    Parameters
    ----------
    row : dict
        The frame's own table.
    index : int
        Which of the file's frames it is.
    table : dict
        The whole layout.
    shown : str
        File name for messages.
    problems : list of Problem
        Extended in place.
    """
    where = f"frame[{index}]"
    parts = tuple(
        make_part(part, table, faults_in(f"{where}.part[{j}]", shown, problems, nth(j, "part", part["is"])))
        for j, part in enumerate(row["part"])
    )
    framing, sector_bytes = table["framing"], table.get("sector_bytes", 0)
    longest = sector_bytes or max(row.get("max_bytes", MAX_FRAME_BYTES), least_bytes(parts))
    frame = Frame(row.get("name", "frame"), parts, longest, row.get("event", False))
    faults = [*_faults_of_number(frame)]
    if any(part.is_ == "ticks" for part in parts) and "tick_hz" not in table:
        remedy = "Add tick_hz, the rate of the tick counter."
        faults.append(("tick_hz beside the ticks", "no such key", remedy))
    if framing in BINARY:
        faults += _faults_of_order(frame, framing)
        faults += _faults_of_length(frame, framing)
        faults += _faults_of_size(frame, sector_bytes)
    fault = faults_in(where, shown, problems, nth(index, "frame", row.get("name")))
    for wanted, found, remedy in faults:
        fault("part", wanted, found, remedy)
    return frame


def least_bytes(parts: tuple[Part, ...]) -> int:
    """Bytes of the shortest frame that these parts make; of samples without count none are reckoned."""
    return sum(part.n_bytes + part.samples_bytes(part.count) for part in parts)


def _faults_of_number(frame: Frame) -> _Faults:
    kinds = [part.is_ for part in frame.parts]
    for kind in _ONCE:
        if kinds.count(kind) > 1:
            yield f"at most one '{kind}'", str(kinds.count(kind)), "Remove the others."
    if "samples" not in kinds:
        yield "at least one 'samples'", "0", "Describe where the samples stand."


def _faults_of_order(frame: Frame, framing: str) -> _Faults:
    kinds = [part.is_ for part in frame.parts]
    if framing == "sync" and kinds and kinds[0] != "sync":
        yield "'sync' as the first part", f"'{kinds[0]}'", "Begin with the fixed bytes."
    elif "sync" in kinds and kinds[0] != "sync":
        yield "'sync' as the first part, if there is one", f"'{kinds[0]}'", "Move it to the beginning."
    if "checksum" in kinds and kinds[-1] != "checksum":
        yield "'checksum' as the last part", f"'{kinds[-1]}'", "Move the checksum to the end."
    if framing == "sectors" and not {"sync", "checksum"} & set(kinds):
        remedy = "Without either, a sector that was written looks like any other; describe one of them."
        yield "a 'sync' or a 'checksum' in sectors", "neither", remedy


def _faults_of_length(frame: Frame, framing: str) -> _Faults:
    open_ended = [part for part in frame.all("samples") if not part.count]
    if len(open_ended) > 1:
        found = f"{len(open_ended)} ({'; '.join(', '.join(part.channels) for part in open_ended)})"
        yield "at most one samples part without count", found, "Add count to all of them but one."
    length = frame.part("length")
    if not open_ended or framing in _DELIMITED:
        return
    if length is None:
        yield "count of the samples, or a 'length' part", "neither", "Add count to the samples."
    elif length.counts == "after_length" and frame.parts.index(length) > frame.parts.index(open_ended[0]):
        remedy = "Set counts to what the number counts: 'frame', 'samples' or 'rows'."
        yield "a 'length' behind the samples that counts them", "counts = 'after_length'", remedy


def _faults_of_size(frame: Frame, sector_bytes: int) -> _Faults:
    least = least_bytes(frame.parts)
    found = f"parts of {least} bytes"
    if sector_bytes and least > sector_bytes:
        remedy = "Correct the parts or sector_bytes."
        yield f"frames of at most sector_bytes = {sector_bytes} bytes", found, remedy
    elif least > LONGEST_FRAME_BYTES:
        yield f"frames of at most {LONGEST_FRAME_BYTES} bytes", found, "Correct count."
