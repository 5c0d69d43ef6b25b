"""A layout as it is handed on: shapes, numbers and units; no title, comment, fixed bytes or column's name.

It says how counts became units. It does not read a dump any more, since fixed bytes and words by which frames
are found can be a device's address or serial number.
"""

import json
import tomllib
from collections.abc import Iterator, Mapping
from typing import Any

from pipeline.bundle.names import Names, neutral_unit
from pipeline.layouts.catalogue import by_name
from schemas.keys import Key
from schemas.layout_keys import CHANNEL, FRAME, LAYOUT, TEXT
from schemas.part_keys import PART

_NUMBERS_THAT_NAME = frozenset(("value",))
"""Numbers by which frames are told apart: a radio's address may be among them."""

_FORMS = frozenset(("type", "counts"))
"""Texts that say a number's form and nothing else, held to a pattern when the layout was read."""

_Table = Mapping[str, Any]


def layout_copy(text: str, names: Names) -> str:
    """A layout's TOML, recoded; word for word where layouts are to be kept."""
    if names.passes("layouts", text):
        return text
    table = tomllib.loads(text)
    lines = ["# How the recording was laid out. Left out: what names a device, and all free text.", ""]
    lines += _plain(table, LAYOUT)
    if isinstance(table.get("text"), Mapping):
        lines += ["", "[text]", *_plain(table["text"], TEXT)]
    for i, frame in enumerate(table["frame"], 1):
        lines += ["", "[[frame]]", f'name = "frame-{i}"', *_plain(frame, FRAME)]
        for part in frame.get("part", ()):
            lines += ["", "[[frame.part]]", *_plain(part, PART), *_channels(part, names)]
    for channel in table["channel"]:
        lines += ["", "[[channel]]", f"name = {json.dumps(names.channel(channel['name']))}"]
        lines += [f"unit = {json.dumps(neutral_unit(channel['unit']))}", *_plain(channel, CHANNEL)]
        if names.passes("descriptions", channel.get("description", "")) and "description" in channel:
            lines.append(f"description = {json.dumps(channel['description'], ensure_ascii=False)}")
    return "\n".join(lines) + "\n"


def _plain(table: _Table, keys: tuple[Key, ...]) -> Iterator[str]:
    """Lines of what is a number, a truth, or one of a closed set of words."""
    for name, value in table.items():
        known = [key for key in keys if key.name == name]
        if not known or name in _NUMBERS_THAT_NAME:
            continue
        number = isinstance(value, bool | int | float)
        closed = isinstance(value, str) and any(value in key.choices for key in known)
        form = isinstance(value, str) and name in _FORMS
        if number or closed or form:
            yield f"{name} = {json.dumps(value)}"


def _channels(part: _Table, names: Names) -> Iterator[str]:
    if isinstance(part.get("channels"), list):
        yield f"channels = {json.dumps([names.channel(name) for name in part['channels']])}"
    if part.get("is") == "checksum" and (known := by_name(str(part.get("name", "")))):
        yield f"name = {json.dumps(known.name)}"
