"""Read a layout file; every fault in it is named in one pass."""

import hashlib
from pathlib import Path
from typing import Any

from pipeline.checking import read_toml
from pipeline.errors import Problem
from pipeline.layouts.channels import NumberForm, make_channel
from pipeline.layouts.kinds import check_kinds
from pipeline.layouts.layout import Channel, Frame, Layout, Part
from pipeline.layouts.lines import make_text
from pipeline.layouts.rates import check_names, check_rates
from pipeline.layouts.shaping import make_frame
from pipeline.layouts.written import wrong_tables


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
    if table is None:
        return None
    wrong = wrong_tables(table, shown, problems)
    if "" in wrong:
        return None
    frames = _make_frames(table, wrong, shown, problems)
    channels = _make_channels(table, frames, wrong, shown, problems)
    if wrong:
        return None
    framing = table["framing"]
    text = make_text(table, frames, shown, problems) if framing == "text" else None
    check_names([row["name"] for row in table["channel"]], frames, shown, problems)
    check_kinds(frames, framing, shown, problems)
    check_rates(frames, {channel.name: channel for channel in channels}, framing, shown, problems)
    if len(problems) > before:
        return None
    periodic = {
        name for frame in frames if not frame.is_event for part in frame.parts for name in part.channels
    }
    return Layout(
        name=path.stem,
        title=table.get("title", path.stem),
        framing=framing,
        sample_hz=max(channel.sample_hz for channel in channels if channel.name in periodic),
        tick_hz=float(table["tick_hz"]) if "tick_hz" in table else None,
        frames=frames,
        channels=channels,
        text=text,
        sha256=hashlib.sha256(path.read_bytes()).hexdigest(),
        sector_bytes=table.get("sector_bytes", 0),
    )


def _make_frames(
    table: dict[str, Any], wrong: frozenset[str], shown: str, problems: list[Problem]
) -> tuple[Frame, ...]:
    """Every kind of frame of which no table is wrong."""
    return tuple(
        make_frame(row, i, table, shown, problems)
        for i, row in enumerate(table["frame"])
        if not any(path.startswith(f"frame[{i}]") for path in wrong)
    )


def _make_channels(
    table: dict[str, Any],
    frames: tuple[Frame, ...],
    wrong: frozenset[str],
    shown: str,
    problems: list[Problem],
) -> tuple[Channel, ...]:
    """Every channel that can be worked out by now."""
    homes: dict[str, tuple[Part, bool]] = {}
    for frame in frames:
        for part in frame.all("samples"):
            for name in part.channels:
                homes.setdefault(name, (part, frame.is_event))
    is_whole = len(frames) == len(table["frame"])
    made = list[Channel | None]()
    for i, row in enumerate(table["channel"]):
        if f"channel[{i}]" in wrong or (row["name"] not in homes and not is_whole):
            continue
        samples, is_event = homes.get(row["name"], (Part("samples"), False))
        signed = samples.form != "unsigned"
        form = NumberForm(table["framing"], samples.bits, signed, samples.decimals, is_event)
        made.append(make_channel(row, i, form, float(table["sample_hz"]), shown, problems))
    return tuple(channel for channel in made if channel is not None)
