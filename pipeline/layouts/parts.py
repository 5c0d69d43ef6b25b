"""The parts of a frame: what a row of the layout says of one of them."""

import difflib
from typing import Any

from pipeline.checking import Fault
from pipeline.layouts.catalogue import ALIASES, CATALOGUE, by_name
from pipeline.layouts.layout import NUMBER_TYPES, Checksum, Form, Part
from pipeline.stamps import StampError, parse_stamp
from schemas.keys import BINARY

_PARAMETERS = ("width", "poly", "init", "reflect_in", "reflect_out", "xor_out")
_EDF_SAMPLES: tuple[int, Form] = (16, "signed")
"""Samples of EDF (Kemp et al. 1992): two's complement in 16 bits, the low byte first."""


def make_part(row: dict[str, Any], table: dict[str, Any], fault: Fault) -> Part:
    """Work out one ``[[frame.part]]`` of the layout `table`; the keys of both are already checked.

    Parameters
    ----------
    row : dict
        The part's own table.
    table : dict
        The whole layout.
    fault : Fault
        Takes what does not hold together.
    """
    is_, framing, binary = row["is"], table["framing"], table["framing"] in BINARY
    bits, form = _number(row, framing)
    sync = bytes.fromhex(row["bytes"]) if is_ == "sync" else b""
    checksum = _make_checksum(row, fault) if is_ == "checksum" else None
    channels = _channels_of(row, fault) if is_ == "samples" else ()
    hz, epoch_s = _clock(row, table, fault)
    counters = ("sequence", "ticks", "received")
    return Part(
        is_=is_,
        n_bytes=_n_bytes(row, binary, bits, sync, checksum),
        bits=bits,
        form=form,
        byte_order=row.get("byte_order", table.get("byte_order", "little")),
        count=row.get("count", 0 if is_ == "samples" and framing != "text" else 1),
        channels=channels,
        arrangement=row.get("arrangement", "interleaved"),
        sync=sync,
        value=_value(row, bits, fault) if is_ == "kind" else None,
        counts=row.get("counts", "frame"),
        wraps_at_bits=bits if is_ in counters and binary else row.get("bits", 0),
        shared=row.get("shared", False),
        hz=hz,
        epoch_s=epoch_s,
        columns=(row["column"],) if "column" in row else tuple(row.get("columns", channels)),
        decimals=row.get("decimals", 0),
        stamp=row.get("form", "number"),
        checksum=checksum,
        covers=row.get("covers", "after_sync"),
    )


def _number(row: dict[str, Any], framing: str) -> tuple[int, Form]:
    if framing == "edf":
        return _EDF_SAMPLES
    return NUMBER_TYPES[row["type"]] if "type" in row else (0, "unsigned")


def _n_bytes(row: dict[str, Any], binary: bool, bits: int, sync: bytes, checksum: Checksum | None) -> int:
    """Width in a binary frame; 0 for samples, whose number decides, and in text."""
    if row["is"] == "samples" or not binary:
        return 0
    if row["is"] == "ignored":
        return int(row.get("count", 1))
    return (checksum.width + 7) // 8 if checksum else len(sync) or bits // 8


def _value(row: dict[str, Any], bits: int, fault: Fault) -> int | str:
    value: int | str = row["value"]
    if isinstance(value, int):
        if value >> bits:
            fault("value", f"a number of {bits} bits", str(value), "Correct it or the type.")
    elif not value or value != value.strip() or not value.isprintable():
        fault("value", "a word", repr(value), "Write what stands in the column, without blanks around it.")
    return value


def _clock(row: dict[str, Any], table: dict[str, Any], fault: Fault) -> tuple[float, float | None]:
    """Units in a second of a counter of time as it is stored, and the second since 1970 at its 0."""
    if row["is"] == "ticks":
        return float(table.get("tick_hz", 0.0)), _epoch_s(row, fault)
    if row["is"] != "received":
        return 0.0, None
    if row.get("form") == "rfc3339":
        for key in ("hz", "epoch", "decimals"):
            if key in row:
                fault(key, f"no {key} beside form 'rfc3339', which says it", f"'{key}'", "Remove it.")
        return 1e6, 0.0
    if "hz" not in row:
        fault("hz", "hz beside form 'number'", "no such key", "Say how many units of it a second has.")
    return float(row.get("hz", 0.0)) * 10 ** row.get("decimals", 0), _epoch_s(row, fault)


def _epoch_s(row: dict[str, Any], fault: Fault) -> float | None:
    if "epoch" not in row:
        return None
    try:
        return parse_stamp(row["epoch"]).timestamp()
    except StampError as error:
        fault("epoch", "an instant by RFC 3339 with its offset from UTC", error.found, error.remedy)
        return None


def _channels_of(row: dict[str, Any], fault: Fault) -> tuple[str, ...]:
    channels = tuple(row["channels"])
    if not channels:
        fault("channels", "the channels in their order", "none", "List them by name.")
    for name in sorted({name for name in channels if channels.count(name) > 1}):
        found = f"'{name}' {channels.count(name)} times"
        fault("channels", "each channel once", found, "Rename or remove one.")
    columns = row.get("columns", channels)
    if len(columns) != len(channels):
        found = f"{len(columns)} columns for {len(channels)} channels"
        fault("columns", "one column for each channel", found, "Name them in the channels' order.")
    return channels


def _make_checksum(row: dict[str, Any], fault: Fault) -> Checksum | None:
    stated = [name for name in _PARAMETERS if name in row]
    if "name" in row:
        if stated:
            found = "name and " + ", ".join(stated)
            fault("name", "either a name or parameters", found, "Remove one of the two.")
        known = by_name(row["name"])
        if known is None:
            close = difflib.get_close_matches(row["name"].upper(), [*CATALOGUE, *ALIASES], n=3, cutoff=0.3)
            remedy = f"Close names: {', '.join(close)}." if close else "Give its parameters instead."
            fault("name", "a name of the catalogue", repr(row["name"]), remedy)
        return known
    missing = [name for name in _PARAMETERS if name not in row]
    if missing:
        found = "no " + ", ".join(missing)
        fault("name", "a catalogue name, or all parameters", found, "Add what is missing.")
        return None
    custom = Checksum("by parameters", *(row[name] for name in _PARAMETERS))
    for key in ("poly", "init", "xor_out"):
        if row[key] >> custom.width:
            fault(key, f"a value of {custom.width} bits", f"0x{row[key]:X}", "Correct it or width.")
    return custom
