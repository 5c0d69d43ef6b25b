"""Read a layout file; every fault in it is named in one pass."""

import hashlib
from pathlib import Path
from typing import Any

from pipeline.checking import check_table, did_you_mean, faults_in, nth, read_toml
from pipeline.errors import Problem
from pipeline.layouts.channels import NumberForm, make_channel
from pipeline.layouts.layout import Channel, Frame, Layout, Part, TextForm
from pipeline.layouts.parts import keys_of, make_frame
from schemas.layout_keys import CHANNEL, FRAME, LAYOUT, PART, TEXT


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
    frames = tuple(
        make_frame(frame, f"frame[{i}]", table, shown, problems) for i, frame in enumerate(table["frame"])
    )
    if len(frames) != 1:
        found = f"{len(frames)} frames"
        problems.append(Problem(shown, "key frame", "one [[frame]]", found, "Describe one kind of frame."))
    channels = _make_channels(table, frames, shown, problems)
    text = _make_text(table, frames, shown, problems) if table["framing"] == "text" else None
    if len(problems) > before:
        return None
    return Layout(
        name=path.stem,
        title=table.get("title", path.stem),
        framing=table["framing"],
        sample_hz=channels[0].sample_hz,
        tick_hz=float(table["tick_hz"]) if "tick_hz" in table else None,
        frames=frames,
        channels=channels,
        text=text,
        sha256=hashlib.sha256(path.read_bytes()).hexdigest(),
    )


def _keys_are_right(table: dict[str, Any], shown: str, problems: list[Problem]) -> bool:
    right = check_table(table, LAYOUT, shown, "", problems)
    if isinstance(table.get("text"), dict):
        right &= check_table(table["text"], TEXT, shown, "text", problems)
    for name, keys in (("frame", FRAME), ("channel", CHANNEL)):
        for i, row in enumerate(_tables(table, name)):
            meant = nth(i, name, row.get("name"))
            right &= check_table(row, keys, shown, f"{name}[{i}]", problems, meant)
            for j, part in enumerate(_tables(row, "part") if name == "frame" else ()):
                where, meant = f"frame[{i}].part[{j}]", nth(j, "part", part.get("is"))
                offered = keys_of(part.get("is"), table.get("framing"))
                right &= check_table(part, PART, shown, where, problems, meant, offered)
    return right


def _tables(table: dict[str, Any], name: str) -> list[dict[str, Any]]:
    rows = table.get(name, [])
    return [row for row in rows if isinstance(row, dict)] if isinstance(rows, list) else []


def _make_text(
    table: dict[str, Any], frames: tuple[Frame, ...], shown: str, problems: list[Problem]
) -> TextForm | None:
    if "text" not in table:
        remedy = "Add [text] with at least delimiter = ','."
        problems.append(Problem(shown, "key text", "a table, since framing is 'text'", "no such key", remedy))
        return None
    form = TextForm(**table["text"])
    fault = faults_in("text", shown, problems)
    if not form.delimiter or form.delimiter == form.decimal or set(form.delimiter) & set("0123456789+-\r\n"):
        wanted = "characters that are neither digits nor signs nor the decimal sign"
        fault("delimiter", wanted, repr(form.delimiter), "Name the characters that stand between two values.")
    if not form.header:
        for i, row in enumerate(table["frame"]):
            for j, part in enumerate(row["part"]):
                fault = faults_in(f"frame[{i}].part[{j}]", shown, problems, nth(j, "part", part["is"]))
                for key in sorted({"column", "columns"} & part.keys()):
                    wanted = "header = true in [text], where parts are named by their columns"
                    remedy = "Add header = true, or remove the names; then the order decides."
                    fault(key, wanted, "no header", remedy)
    else:
        _check_columns(frames, shown, problems)
    return form


def _check_columns(frames: tuple[Frame, ...], shown: str, problems: list[Problem]) -> None:
    """With a header every part needs its column's name, each of its own."""
    seen: set[str] = set()
    for i, frame in enumerate(frames):
        for j, part in enumerate(frame.parts):
            fault = faults_in(f"frame[{i}].part[{j}]", shown, problems, nth(j, "part", part.is_))
            if part.is_ in ("sequence", "ticks") and not part.columns:
                fault("column", "the column's name, since lines have a header", "no such key", "Add it.")
            for name in part.columns:
                if name in seen:
                    fault("column", "each column once", f"'{name}' twice", "Name another column.")
                seen.add(name)


def _make_channels(
    table: dict[str, Any], frames: tuple[Frame, ...], shown: str, problems: list[Problem]
) -> tuple[Channel, ...]:
    samples = next((part for frame in frames if (part := frame.part("samples"))), Part("samples"))
    in_text = table["framing"] == "text"
    form = NumberForm(in_text, samples.bits, samples.form != "unsigned", samples.decimals)
    made = [
        make_channel(row, i, form, float(table["sample_hz"]), shown, problems)
        for i, row in enumerate(table["channel"])
    ]
    channels = tuple(channel for channel in made if channel is not None)
    _check_names([row["name"] for row in table["channel"]], samples.channels, shown, problems)
    rates = sorted({channel.sample_hz for channel in channels})
    if len(rates) > 1:
        found = " and ".join(f"{rate:g} Hz" for rate in rates)
        remedy = "Give all channels of the frame one rate."
        problems.append(Problem(shown, "key channel", "one rate for the channels of a frame", found, remedy))
    return channels


def _check_names(described: list[str], listed: tuple[str, ...], shown: str, problems: list[Problem]) -> None:
    """Each channel is described once, and stands among the samples."""
    fault = faults_in("", shown, problems)
    for name in sorted({name for name in described if described.count(name) > 1}):
        fault("channel", "one channel of each name", f"'{name}' {described.count(name)} times", "Rename one.")
    for name in sorted(set(listed) - set(described)):
        remedy = did_you_mean(name, set(described) - set(listed)) or "Describe it, or remove it there."
        fault("channel", "a [[channel]] for each of the samples' channels", f"none named '{name}'", remedy)
    for name in sorted(set(described) - set(listed)):
        remedy = did_you_mean(name, set(listed) - set(described)) or "List it there, or remove it."
        fault("channel", "only the samples' channels", f"'{name}', which no samples part lists", remedy)
