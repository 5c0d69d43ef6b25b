"""Frames of a layout: their parts, the order of these, and the checksum."""

import difflib
from collections.abc import Iterator
from typing import Any

from pipeline.checking import Fault, faults_in, nth
from pipeline.errors import Problem
from pipeline.layouts.catalogue import ALIASES, CATALOGUE, by_name
from pipeline.layouts.layout import NUMBER_TYPES, Checksum, Frame, Part
from schemas.keys import Key
from schemas.layout_keys import PART

MAX_FRAME_BYTES = 4096
"""Longest frame believed where a layout with stated lengths sets no bound of its own."""

_PARAMETERS = ("width", "poly", "init", "reflect_in", "reflect_out", "xor_out")
BINARY_ONLY = ("checksum", "length", "sync")
"""Kinds of part that do not stand in lines of text."""

_COUNTERS = ("length", "sequence", "ticks")


def make_frame(
    row: dict[str, Any], where: str, table: dict[str, Any], shown: str, problems: list[Problem]
) -> Frame:
    """Work out one ``[[frame]]`` of the layout `table`, whose keys are already checked.

    Parameters
    ----------
    row : dict
        The frame's own table.
    where : str
        Its path in the file.
    table : dict
        The whole layout.
    shown : str
        File name for messages.
    problems : list of Problem
        Extended in place.
    """
    order = table.get("byte_order", "little")
    parts = tuple(
        _make_part(
            part,
            table["framing"],
            order,
            faults_in(f"{where}.part[{j}]", shown, problems, nth(j, "part", part["is"])),
        )
        for j, part in enumerate(row["part"])
    )
    frame = Frame(row.get("name", "frame"), parts, row.get("max_bytes", MAX_FRAME_BYTES))
    fault = faults_in(where, shown, problems)
    if "ticks" in [part.is_ for part in parts] and "tick_hz" not in table:
        fault("part", "tick_hz beside the ticks", "no such key", "Add tick_hz, the rate of the tick counter.")
    faults_of_order = _faults_in_binary(frame) if table["framing"] == "sync" else _faults_in_text(frame)
    for wanted, found, remedy in (*_faults_of_number(frame), *faults_of_order):
        fault("part", wanted, found, remedy)
    return frame


def _faults_of_number(frame: Frame) -> Iterator[tuple[str, str, str]]:
    kinds = [part.is_ for part in frame.parts]
    for kind in ("sync", "length", "sequence", "ticks", "checksum"):
        if kinds.count(kind) > 1:
            yield f"at most one '{kind}'", str(kinds.count(kind)), "Remove the others."
    if "samples" not in kinds:
        yield "exactly one 'samples'", "0", "Describe where the samples stand."
    elif kinds.count("samples") > 1:
        remedy = (
            "Keep one samples part that lists all channels in their order; channels of different types, or "
            "with other parts between them, are not possible yet."
        )
        yield "exactly one 'samples'", str(kinds.count("samples")), remedy


def _faults_in_text(frame: Frame) -> Iterator[tuple[str, str, str]]:
    for kind in sorted({part.is_ for part in frame.parts} & set(BINARY_ONLY)):
        yield "parts that stand in lines", f"'{kind}'", "Remove it, or set framing = 'sync'."


def _faults_in_binary(frame: Frame) -> Iterator[tuple[str, str, str]]:
    kinds = [part.is_ for part in frame.parts]
    if kinds and kinds[0] != "sync":
        yield "'sync' as the first part", f"'{kinds[0]}'", "Begin with the fixed bytes."
    if "checksum" in kinds and kinds[-1] != "checksum":
        yield "'checksum' as the last part", f"'{kinds[-1]}'", "Move the checksum to the end."
    samples = frame.part("samples")
    if samples and samples.count == 0 and "length" not in kinds:
        yield "count of the samples, or a 'length' part", "neither", "Add count to the samples."


def _make_part(row: dict[str, Any], framing: str, order: Any, fault: Fault) -> Part:
    is_, binary = row["is"], framing == "sync"
    _check_keys(row, framing, fault)
    _check_type(row, binary, fault)
    sync = _sync_bytes(row, fault) if is_ == "sync" else b""
    checksum = _make_checksum(row, fault) if is_ == "checksum" and binary else None
    channels = _channels_of(row, fault) if is_ == "samples" else ()
    bits, form = NUMBER_TYPES.get(row.get("type", ""), (0, "unsigned"))
    n_bytes = len(sync) or (0 if is_ == "samples" else bits // 8)
    if checksum is not None:
        n_bytes = (checksum.width + 7) // 8
    elif is_ == "ignored" and binary:
        n_bytes = row.get("count", 1)
    return Part(
        is_=is_,
        n_bytes=n_bytes,
        bits=bits,
        form=form,
        byte_order=row.get("byte_order", order),
        count=row.get("count", 0 if binary and is_ == "samples" else 1),
        channels=channels,
        sync=sync,
        counts=row.get("counts", "frame"),
        wraps_at_bits=bits if binary else row.get("bits", 0),
        columns=(row["column"],) if "column" in row else tuple(row.get("columns", channels)),
        decimals=row.get("decimals", 0),
        checksum=checksum,
        covers=row.get("covers", "after_sync"),
    )


def keys_of(kind: Any, framing: Any) -> tuple[Key, ...]:
    """The keys that a kind of part takes; of an unknown kind or framing, those of all."""
    kinds = next(key.choices for key in PART if key.name == "is")
    return tuple(
        key
        for key in PART
        if (kind not in kinds or not key.parts or kind in key.parts)
        and (framing not in ("sync", "text") or key.framing in ("", framing))
    )


def _check_keys(row: dict[str, Any], framing: str, fault: Fault) -> None:
    """Find keys that belong to another kind of part or to the other framing: they would be ignored."""
    takes = {key.name: key for key in PART if (not key.parts or row["is"] in key.parts)}
    wanted = ", ".join(key.name for key in keys_of(row["is"], framing))
    for name in row:
        if name not in takes:
            fault(name, f"keys of '{row['is']}': {wanted}", f"'{name}'", "Remove it, or correct 'is'.")
        elif takes[name].framing not in ("", framing):
            remedy = f"Remove it, or set framing = '{takes[name].framing}'."
            fault(name, f"keys of framing '{framing}': {wanted}", f"'{name}'", remedy)


def _check_type(row: dict[str, Any], binary: bool, fault: Fault) -> None:
    if not binary:
        return
    if row["is"] in (*_COUNTERS, "samples") and "type" not in row:
        fault("type", "a number type", "no such key", "Add type, such as 'u16'.")
    if row["is"] in _COUNTERS and row.get("type", "u").startswith("i"):
        fault("type", "an unsigned type", repr(row["type"]), "Counters have no sign.")


def _sync_bytes(row: dict[str, Any], fault: Fault) -> bytes:
    try:
        sync = bytes.fromhex(row.get("bytes", ""))
    except ValueError:
        sync = b""
    if not sync:
        found = repr(row["bytes"]) if "bytes" in row else "no such key"
        fault("bytes", "pairs of hexadecimal digits", found, "Write the fixed bytes such as 'A5 5A'.")
    return sync


def _channels_of(row: dict[str, Any], fault: Fault) -> tuple[str, ...]:
    channels = tuple(row.get("channels", ()))
    if not channels:
        fault("channels", "the channels in their order", "none", "List them by name.")
    for name in sorted({name for name in channels if channels.count(name) > 1}):
        fault(
            "channels", "each channel once", f"'{name}' {channels.count(name)} times", "Rename or remove one."
        )
    columns = row.get("columns", channels)
    if len(columns) != len(channels):
        found = f"{len(columns)} columns for {len(channels)} channels"
        fault("columns", "one column for each channel", found, "Name them in the channels' order.")
    return channels


def _make_checksum(row: dict[str, Any], fault: Fault) -> Checksum | None:
    stated = [name for name in _PARAMETERS if name in row]
    if "name" in row:
        if stated:
            fault(
                "name",
                "either a name or parameters",
                "name and " + ", ".join(stated),
                "Remove one of the two.",
            )
        known = by_name(row["name"])
        if known is None:
            close = difflib.get_close_matches(row["name"].upper(), [*CATALOGUE, *ALIASES], n=3, cutoff=0.3)
            remedy = f"Close names: {', '.join(close)}." if close else "Give its parameters instead."
            fault("name", "a name of the catalogue", repr(row["name"]), remedy)
        return known
    missing = [name for name in _PARAMETERS if name not in row]
    if missing:
        fault(
            "name", "a catalogue name, or all parameters", "no " + ", ".join(missing), "Add what is missing."
        )
        return None
    custom = Checksum("by parameters", *(row[name] for name in _PARAMETERS))
    for key in ("poly", "init", "xor_out"):
        if row[key] >> custom.width:
            fault(key, f"a value of {custom.width} bits", f"0x{row[key]:X}", "Correct it or width.")
    return custom
