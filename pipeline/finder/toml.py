"""A layout as TOML, with what is only guessed marked as such."""

import json
from collections.abc import Iterator
from typing import Any

from pipeline.layouts import Channel, Frame, Layout, Part

_GUESS = "a guess"
_LETTERS = {"unsigned": "u", "signed": "i", "offset": "o"}


def as_toml(layout: Layout, also: str = "") -> Iterator[str]:
    """Lines of a layout file; names, rates without a clock, kinds and units of channels are guesses.

    Parameters
    ----------
    layout : Layout
        As it was found.
    also : str
        Names of checks that fit as well.
    """
    has_clock = layout.tick_hz is not None
    yield from _keys({"framing": layout.framing})
    if layout.sector_bytes:
        yield from _keys({"sector_bytes": layout.sector_bytes})
    said = f"{_GUESS}, by the ticks" if has_clock else _GUESS
    if layout.framing in ("wav", "edf"):
        said = "as the file's header says"
    yield from _keys({"sample_hz": layout.sample_hz}, said)
    if layout.tick_hz is not None:
        yield from _keys({"tick_hz": layout.tick_hz}, f"{_GUESS}, by which the samples come at a round rate")
    if layout.text:
        yield ""
        yield "[text]"
        form = layout.text
        yield from _keys({"delimiter": form.delimiter})
        yield from _keys({"decimal": form.decimal} if form.decimal != "." else {})
        yield from _keys({"comment": form.comment} if form.comment else {})
        yield from _keys({"header": True} if form.header else {})
    for frame in layout.frames:
        yield from _frame(layout, frame, also)
    for channel in layout.channels:
        yield from _channel(layout, channel)


def _frame(layout: Layout, frame: Frame, also: str) -> Iterator[str]:
    yield ""
    yield "[[frame]]"
    if len(layout.frames) > 1:
        yield from _keys({"name": frame.name})
    if frame.is_event:
        yield from _keys({"event": True}, _GUESS)
    for part in frame.parts:
        yield ""
        yield "[[frame.part]]"
        yield from _keys({"is": part.is_})
        yield from _text_part(layout, part) if layout.framing == "text" else _part(layout, part, also)


def _part(layout: Layout, part: Part, also: str) -> Iterator[str]:
    """The keys of a part of a binary frame."""
    if part.is_ == "sync":
        yield from _keys({"bytes": part.sync.hex(" ").upper()})
    elif part.is_ == "ignored":
        yield from _keys({"count": part.count})
    elif part.is_ == "checksum" and part.checksum:
        yield from _keys({"name": part.checksum.name}, f"these fit, too: {also}" if also else "")
        yield from _keys({"covers": part.covers} if part.covers != "after_sync" else {})
    elif layout.framing not in ("wav", "edf"):
        yield from _keys({"type": f"{_LETTERS[part.form]}{part.bits}"})
    has_order = part.is_ not in ("sync", "ignored") and (part.bits > 8 or part.n_bytes > 1)
    if part.byte_order == "big" and has_order:
        yield from _keys({"byte_order": "big"})
    yield from _own_keys(part)
    if part.is_ == "received":
        yield from _keys({"hz": part.hz}, _GUESS)
    if part.is_ == "samples":
        yield from _keys({"count": part.count} if part.count else {})
        yield from _keys({"arrangement": part.arrangement} if part.arrangement == "planar" else {})
        yield from _keys({"channels": list(part.channels)})


def _own_keys(part: Part) -> Iterator[str]:
    if part.is_ == "kind":
        yield from _keys({"value": part.value})
    if part.is_ == "length":
        yield from _keys({"counts": part.counts})
    if part.is_ == "sequence" and part.shared:
        yield from _keys({"shared": True})


def _text_part(layout: Layout, part: Part) -> Iterator[str]:
    """The keys of a part of a line."""
    named = bool(layout.text and layout.text.header)
    if part.is_ == "samples":
        yield from _keys({"channels": list(part.channels)})
        if named and part.columns != part.channels:
            yield from _keys({"columns": list(part.columns)})
        yield from _keys({"decimals": part.decimals} if part.decimals else {})
        return
    if part.is_ == "ignored":
        yield from _keys({"count": part.count} if part.count != 1 and not named else {})
    if named and part.columns:
        yield from _keys({"column": part.columns[0]})
    if part.is_ in ("sequence", "ticks") and part.wraps_at_bits:
        yield from _keys({"bits": part.wraps_at_bits})
    if part.is_ == "received":
        is_instant = part.stamp == "rfc3339"
        yield from _keys({"form": "rfc3339"} if is_instant else {})
        yield from _keys({} if is_instant else {"hz": part.hz / 10**part.decimals}, _GUESS)
        yield from _keys({"decimals": part.decimals} if part.decimals else {})
    yield from _own_keys(part)


def _channel(layout: Layout, channel: Channel) -> Iterator[str]:
    yield ""
    yield "[[channel]]"
    yield from _keys({"name": channel.name}, "" if channel.label else _GUESS)
    yield from _keys({"label": channel.label} if channel.label and channel.label != channel.name else {})
    if layout.framing == "edf":
        yield from _keys({"kind": channel.kind}, _GUESS)
        yield from _keys({"unit": channel.unit}, _GUESS)
    else:
        yield from _keys({"kind": channel.kind}, f"{_GUESS}: field, acceleration or other")
        yield from _keys({"unit": channel.unit}, _GUESS)
        yield from _keys({"scale": channel.scale}, f"{_GUESS}; for a field reference_v and gain instead")
    if channel.sample_hz != layout.sample_hz:
        yield from _keys({"sample_hz": channel.sample_hz}, _GUESS if layout.framing != "edf" else "")
    if layout.framing == "text":
        yield from _keys({"adc_min": channel.adc_min}, f"{_GUESS}: the lowest code of the converter")
        yield from _keys({"adc_max": channel.adc_max}, f"{_GUESS}: the highest")
    if layout.framing == "wav":
        yield from _keys({"adc_min": channel.adc_min})
        yield from _keys({"adc_max": channel.adc_max})


def _keys(keys: dict[str, Any], comment: str = "") -> Iterator[str]:
    for name, value in keys.items():
        # strings, numbers, truth values and lists of strings are written alike in JSON and in TOML
        written = json.dumps(value, ensure_ascii=False)
        yield f"{name} = {written}" + (f"  # {comment}" if comment else "")
