"""Read a layout file; every fault in it is named in one pass."""

import difflib
import hashlib
from pathlib import Path
from typing import Any

from pipeline.checking import check_table, read_toml
from pipeline.errors import Problem
from pipeline.layouts.catalogue import ALIASES, CATALOGUE, by_name
from pipeline.layouts.channels import make_channel
from pipeline.layouts.layout import BINARY_TYPES, Channel, Checksum, Frame, Layout, Part, TextForm
from schemas.keys import CHANNEL, FRAME, LAYOUT, PART, TEXT

MAX_FRAME_BYTES = 4096
"""Longest frame believed where a layout with stated lengths sets no bound of its own."""


def load_layout(path: Path, shown: str, problems: list[Problem]) -> Layout | None:
    """Read one layout.

    Parameters
    ----------
    path : Path
        The TOML file.
    shown : str
        Its name as the user knows it, for messages.
    problems : list of Problem
        Extended in place by every fault found.

    Returns
    -------
    Layout or None
        None where a fault leaves nothing to work with.
    """
    before = len(problems)
    table = read_toml(path, shown, problems)
    if table is None or not _keys_are_right(table, shown, problems):
        return None
    binary = table["framing"] == "sync"
    frames = tuple(
        _make_frame(frame, f"frame[{i}]", table, shown, problems) for i, frame in enumerate(table["frame"])
    )
    if len(frames) != 1:
        found = f"{len(frames)} frames"
        problems.append(Problem(shown, "key frame", "one [[frame]]", found, "Describe one kind of frame."))
    channels = _make_channels(table, frames, shown, problems)
    text = None if binary else _make_text(table, shown, problems)
    if len(problems) > before:
        return None
    return Layout(
        name=path.stem,
        title=table.get("title", path.stem),
        framing=table["framing"],
        sample_hz=float(table["sample_hz"]),
        tick_hz=float(table["tick_hz"]) if "tick_hz" in table else None,
        frames=frames,
        channels=channels,
        text=text,
        sha256=hashlib.sha256(path.read_bytes()).hexdigest(),
    )


def _keys_are_right(table: dict[str, Any], shown: str, problems: list[Problem]) -> bool:
    right = check_table(table, LAYOUT, shown, "", problems)
    nested = (("text", TEXT),) if isinstance(table.get("text"), dict) else ()
    for name, keys in nested:
        right &= check_table(table[name], keys, shown, name, problems)
    for name, keys in (("frame", FRAME), ("channel", CHANNEL)):
        for i, row in enumerate(_tables(table, name)):
            right &= check_table(row, keys, shown, f"{name}[{i}]", problems)
            for j, part in enumerate(_tables(row, "part") if name == "frame" else ()):
                right &= check_table(part, PART, shown, f"frame[{i}].part[{j}]", problems)
    return right


def _tables(table: dict[str, Any], name: str) -> list[dict[str, Any]]:
    rows = table.get(name, [])
    return [row for row in rows if isinstance(row, dict)] if isinstance(rows, list) else []


def _make_text(table: dict[str, Any], shown: str, problems: list[Problem]) -> TextForm | None:
    if "text" not in table:
        remedy = "Add [text] with at least delimiter = ','."
        problems.append(Problem(shown, "key text", "a table, since framing is 'text'", "no such key", remedy))
        return None
    form = TextForm(**{key: table["text"][key] for key in table["text"]})
    if not form.delimiter or form.delimiter == form.decimal or "\n" in form.delimiter:
        remedy = "Name the characters that stand between two values."
        wanted = "characters that are not the decimal sign"
        problems.append(Problem(shown, "key text.delimiter", wanted, repr(form.delimiter), remedy))
    return form


def _make_frame(
    row: dict[str, Any], where: str, table: dict[str, Any], shown: str, problems: list[Problem]
) -> Frame:
    binary = table["framing"] == "sync"
    order = table.get("byte_order", "little")
    parts = tuple(
        _make_part(part, f"{where}.part[{j}]", binary, order, shown, problems)
        for j, part in enumerate(row["part"])
    )
    frame = Frame(row.get("name", "frame"), parts, row.get("max_bytes", MAX_FRAME_BYTES))
    for wanted, found, remedy in _faults_of_order(frame, binary, "tick_hz" in table):
        problems.append(Problem(shown, f"key {where}.part", wanted, found, remedy))
    return frame


def _faults_of_order(frame: Frame, binary: bool, has_tick_hz: bool) -> list[tuple[str, str, str]]:
    kinds = [part.is_ for part in frame.parts]
    faults = []
    for kind in ("sync", "length", "sequence", "ticks", "checksum"):
        if kinds.count(kind) > 1:
            faults.append((f"at most one '{kind}'", str(kinds.count(kind)), "Remove the others."))
    if kinds.count("samples") != 1:
        faults.append(("exactly one 'samples'", str(kinds.count("samples")), "Describe where samples stand."))
    if "ticks" in kinds and not has_tick_hz:
        faults.append(("tick_hz beside the ticks", "no such key", "Add tick_hz, the rate of the tick counter."))
    if not binary:
        for kind in sorted({"sync", "length", "checksum"} & set(kinds)):
            faults.append(("parts that stand in lines", f"'{kind}'", "Remove it, or set framing = 'sync'."))
        return faults
    if kinds[0] != "sync":
        faults.append(("'sync' as the first part", f"'{kinds[0]}'", "Begin with the fixed bytes."))
    if "checksum" in kinds and kinds[-1] != "checksum":
        faults.append(("'checksum' as the last part", f"'{kinds[-1]}'", "Move it to the end."))
    samples = frame.part("samples")
    if samples and samples.count == 0 and "length" not in kinds:
        faults.append(("count of the samples, or a 'length' part", "neither", "Add count to the samples."))
    return faults


def _make_part(
    row: dict[str, Any], where: str, binary: bool, order: str, shown: str, problems: list[Problem]
) -> Part:
    is_ = row["is"]

    def fault(key: str, expected: str, found: str, remedy: str) -> None:
        problems.append(Problem(shown, f"key {where}.{key}", expected, found, remedy))

    n_bytes, signed = BINARY_TYPES.get(row.get("type", ""), (0, False))
    checksum = _make_checksum(row, fault) if is_ == "checksum" else None
    sync = b""
    if is_ == "sync":
        try:
            sync = bytes.fromhex(row.get("bytes", ""))
        except ValueError:
            pass
        if not sync:
            fault("bytes", "pairs of hexadecimal digits", repr(row.get("bytes", "")), "Such as 'A5 5A'.")
        n_bytes = len(sync)
    elif checksum is not None:
        n_bytes = (checksum.width + 7) // 8
    elif binary and is_ not in ("ignored", "checksum") and n_bytes == 0:
        fault("type", "a number type", "no such key", "Add type, such as 'u16'.")
    if binary and signed and is_ in ("length", "sequence", "ticks"):
        fault("type", "an unsigned type", repr(row["type"]), "Counters have no sign.")
    if is_ == "samples" and not row.get("channels"):
        fault("channels", "the channels in their order", "none", "List them by name.")
    columns = tuple(row.get("columns", row.get("channels", ()) if is_ == "samples" else ()))
    return Part(
        is_=is_,
        n_bytes=n_bytes,
        signed=signed,
        byte_order=row.get("byte_order", order),
        count=row.get("count", 0 if binary and is_ == "samples" else 1),
        channels=tuple(row.get("channels", ())),
        sync=sync,
        counts_bytes=row.get("counts_bytes", "frame"),
        wraps_at_bits=n_bytes * 8 if binary else row.get("bits", 0),
        columns=(row["column"],) if "column" in row else columns,
        decimals=row.get("decimals", 0),
        checksum=checksum,
        covers=row.get("covers", "after_sync"),
    )


def _make_checksum(row: dict[str, Any], fault: Any) -> Checksum | None:
    parameters = ("width", "poly", "init", "reflect_in", "reflect_out", "xor_out")
    if "name" in row:
        known = by_name(row["name"])
        if known is None:
            close = difflib.get_close_matches(row["name"].upper(), [*CATALOGUE, *ALIASES], n=3, cutoff=0.3)
            fault("name", "a name of the catalogue", repr(row["name"]), f"Close names: {', '.join(close)}.")
        return known
    missing = [name for name in parameters if name not in row]
    if missing:
        fault("name", "a catalogue name, or all parameters", "no " + ", ".join(missing), "Add what is missing.")
        return None
    custom = Checksum("by parameters", *(row[name] for name in parameters))
    if max(custom.poly, custom.init, custom.xor_out) >> custom.width:
        fault("width", f"parameters of {custom.width} bits", "a wider one", "Correct width or parameter.")
    return custom


def _make_channels(
    table: dict[str, Any], frames: tuple[Frame, ...], shown: str, problems: list[Problem]
) -> tuple[Channel, ...]:
    samples = next((part for frame in frames for part in frame.parts if part.is_ == "samples"), None)
    signed = bool(samples and samples.signed)
    value_bits = samples.n_bytes * 8 if samples else 0
    decimals = samples.decimals if samples else 0
    channels = []
    for i, row in enumerate(table["channel"]):
        channel = make_channel(
            row, f"channel[{i}]", float(table["sample_hz"]), signed, value_bits, decimals, shown, problems
        )
        if channel:
            channels.append(channel)
    names = [row["name"] for row in table["channel"]]
    listed = list(samples.channels) if samples else []
    for name in sorted({name for name in names if names.count(name) > 1}):
        problems.append(
            Problem(shown, "key channel", "one channel of each name", f"'{name}' twice", "Rename one.")
        )
    for name in sorted(set(listed) ^ set(names)):
        place = "among the samples' channels only" if name in listed else "as a [[channel]] only"
        remedy = "Name it in both places or in neither."
        problems.append(Problem(shown, "key channel", "the samples' channels", f"'{name}' {place}", remedy))
    rates = sorted({channel.sample_hz for channel in channels})
    if len(rates) > 1:
        found = " and ".join(f"{rate:g} Hz" for rate in rates)
        remedy = "Give all channels of the frame one rate."
        problems.append(Problem(shown, "key channel", "one rate for the channels of a frame", found, remedy))
    return tuple(channels)


