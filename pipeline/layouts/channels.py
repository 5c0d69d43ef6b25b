"""From what a layout says of a channel to scale, offset and rails in SI units, input-referred."""

import re
from typing import Any

from pipeline.errors import Problem
from pipeline.layouts.layout import Channel

STANDARD_GRAVITY = 9.80665
"""m/s2; UCUM code [g], CGPM 1901."""

SI_UNITS: dict[str, dict[str, float]] = {
    "field": {"V": 1.0, "mV": 1e-3, "uV": 1e-6},
    "acceleration": {"m/s2": 1.0, "[g]": STANDARD_GRAVITY, "m[g]": STANDARD_GRAVITY / 1000},
}
"""Kind -> UCUM code -> factor to the SI unit, which is the first code."""

_NOT_UCUM = {"g": "gram; the unit of free fall is [g]", "mg": "milligram; a thousandth of free fall is m[g]"}
_RESERVED = ("sample", "time_s", "quality")


def make_channel(
    row: dict[str, Any],
    where: str,
    sample_hz: float,
    signed: bool,
    value_bits: int,
    decimals: int,
    shown: str,
    problems: list[Problem],
) -> Channel | None:
    """Work out one channel; None (and problems) where its description does not hold together.

    Parameters
    ----------
    row : dict
        The ``[[channel]]`` table, its keys already checked.
    where : str
        Its path in the file.
    sample_hz : float
        The layout's rate, for channels without their own.
    signed, value_bits : bool, int
        Number type of the samples part; 0 bits in text.
    decimals : int
        Digits after the decimal sign in text: a count is the number times ten to this power.
    shown : str
        File name for messages.
    problems : list of Problem
        Extended in place.
    """
    before = len(problems)

    def fault(key: str, expected: str, found: str, remedy: str) -> None:
        problems.append(Problem(shown, f"key {where}.{key}", expected, found, remedy))

    if not re.fullmatch(r"[a-z][a-z0-9_]{0,39}", row["name"]) or row["name"] in _RESERVED:
        rule = "lower-case letters, digits and '_', not " + ", ".join(_RESERVED)
        fault("name", rule, repr(row["name"]), "It becomes a column name.")
    unit, factor = _si_unit(row, fault)
    bits = row.get("bits", value_bits or 16)
    if value_bits and bits > value_bits:
        fault("bits", f"at most the {value_bits} bits of the samples' type", str(bits), "Correct one of them.")
    low = row.get("adc_min", -(1 << (bits - 1)) if signed else 0)
    high = row.get("adc_max", low + (1 << bits) - 1)
    if high <= low:
        fault("adc_max", f"a code above adc_min = {low}", str(high), "Correct one of them.")
    scale, offset = _scale_and_offset(row, bits, signed, decimals, factor, fault)
    if len(problems) > before:
        return None
    rails = _amplifier_rails(row, signed, fault)
    if len(problems) > before:
        return None
    return Channel(
        name=row["name"],
        kind=row["kind"],
        unit=unit,
        scale=scale,
        offset=offset,
        sample_hz=float(row.get("sample_hz", sample_hz)),
        adc_min=low,
        adc_max=high,
        description=row.get("description", ""),
        amplifier_low=rails[0],
        amplifier_high=rails[1],
        ac_corner_hz=row.get("ac_corner_hz"),
        lowpass_hz=row.get("lowpass_hz"),
    )


def _si_unit(row: dict[str, Any], fault: Any) -> tuple[str, float]:
    units = SI_UNITS.get(row["kind"])
    if units is None:
        return row["unit"], 1.0
    if row["unit"] not in units:
        meaning = _NOT_UCUM.get(row["unit"], "")
        found = f"'{row['unit']}'" + (f" ({meaning})" if meaning else "")
        fault("unit", "one of " + ", ".join(units), found, "Units are UCUM codes.")
        return next(iter(units)), 1.0
    return next(iter(units)), units[row["unit"]]


def _scale_and_offset(
    row: dict[str, Any], bits: int, signed: bool, decimals: int, factor: float, fault: Any
) -> tuple[float, float]:
    """``value = count * scale + offset`` in the SI unit.

    With a reference: the converter's input is ``count * reference / 2^bits``, of which the bias is
    taken away before the gain is divided out (data-sheet arithmetic; common practice, no source).
    """
    converter = "reference_v" in row or "gain" in row
    if converter and "scale" in row:
        fault("scale", "either scale or reference_v and gain", "both", "Remove one of the two.")
        return 1.0, 0.0
    if converter:
        if row["kind"] != "field":
            fault("reference_v", "scale, for a channel that is not 'field'", "a reference", "Give scale instead.")
        for key in ("reference_v", "gain"):
            if key not in row:
                fault(key, "reference_v and gain together", "no such key", "Add it.")
                return 1.0, 0.0
        volts_per_count = row["reference_v"] / (1 << bits) / row["gain"]
        return volts_per_count / 10**decimals, -_bias_v(row, signed) / row["gain"]
    if "scale" not in row or row["scale"] == 0:
        found = "neither" if "scale" not in row else "a scale of 0"
        fault("scale", "scale, or reference_v and gain", found, "Say what one count is worth.")
        return 1.0, 0.0
    return row["scale"] * factor / 10**decimals, row.get("offset", 0.0) * factor


def _bias_v(row: dict[str, Any], signed: bool) -> float:
    """Where no bias is stated: mid-rail for unsigned codes, nothing for signed ones."""
    return float(row.get("bias_v", 0.0 if signed else row["reference_v"] / 2))


def _amplifier_rails(row: dict[str, Any], signed: bool, fault: Any) -> tuple[float | None, float | None]:
    stated = [row.get("amplifier_low_v"), row.get("amplifier_high_v")]
    if stated == [None, None]:
        return None, None
    if "reference_v" not in row:
        fault("amplifier_low_v", "rails only beside reference_v and gain", "no reference_v", "Add it.")
        return None, None
    low, high = stated
    if low is not None and high is not None and low >= high:
        fault("amplifier_high_v", f"a voltage above amplifier_low_v = {low:g}", f"{high:g}", "Swap them.")
    bias_v = _bias_v(row, signed)
    return tuple(None if v is None else (v - bias_v) / row["gain"] for v in stated)  # type: ignore[return-value]
