"""From what a layout says of a channel to scale, offset and rails in SI units, input-referred."""

from dataclasses import dataclass
from typing import Any

from pipeline.checking import Fault, faults_in, nth
from pipeline.errors import Problem
from pipeline.layouts.layout import Channel, Framing
from pipeline.layouts.units import MISTAKEN, SI_UNITS, is_ucum

_IN_HEADER = frozenset({"bits", "adc_min", "adc_max", "reference_v", "bias_v", "gain", "scale", "offset"})
"""Keys of which an EDF file's header takes the place where a channel has none of them."""


@dataclass(frozen=True)
class NumberForm:
    """How the samples part writes a number.

    ``bits`` is 0 in text and WAV, whose numbers have no width that the layout says; ``decimals`` is 0 but in
    text; ``at_no_rate`` is for frames that are events.
    """

    framing: Framing
    bits: int
    signed: bool
    decimals: int
    at_no_rate: bool = False


@dataclass(frozen=True)
class _Converter:
    """Width of the converter in bits, and its end codes."""

    bits: int
    low: int
    high: int


def make_channel(
    row: dict[str, Any], index: int, form: NumberForm, sample_hz: float, shown: str, problems: list[Problem]
) -> Channel | None:
    """Work out one channel; None (and problems) where its description does not hold together.

    Parameters
    ----------
    row : dict
        The ``[[channel]]`` table, its keys already checked.
    index : int
        Which of the file's channels it is.
    form : NumberForm
        How its numbers are written.
    sample_hz : float
        The layout's rate, for channels without their own.
    shown : str
        File name for messages.
    problems : list of Problem
        Extended in place.
    """
    before = len(problems)
    fault = faults_in(f"channel[{index}]", shown, problems, nth(index, "channel", row["name"]))
    if form.at_no_rate and "sample_hz" in row:
        fault("sample_hz", "no rate of a channel in event frames", f"{row['sample_hz']:g}", "Remove it.")
    unit, factor = _si_unit(row, fault)
    converter = _converter(row, form, fault)
    from_header = form.framing == "edf" and not _IN_HEADER & row.keys()
    scale, offset = factor, 0.0
    if not from_header:
        scale, offset = _scale_and_offset(row, converter, form.decimals, factor, fault)
    rails = _amplifier_rails(row, converter, fault)
    corners = _corners(row, fault)
    if len(problems) > before:
        return None
    return Channel(
        name=row["name"],
        kind=row["kind"],
        unit=unit,
        scale=scale,
        offset=offset,
        sample_hz=float(row.get("sample_hz", sample_hz)),
        adc_min=converter.low,
        adc_max=converter.high,
        description=row.get("description", ""),
        amplifier_low=rails[0],
        amplifier_high=rails[1],
        ac_corner_hz=corners[0],
        lowpass_hz=corners[1],
        label=row.get("label", ""),
        from_header=from_header,
    )


def _si_unit(row: dict[str, Any], fault: Fault) -> tuple[str, float]:
    """The SI unit and the factor to it; a channel of another kind keeps the unit that the layout names."""
    units = SI_UNITS.get(row["kind"])
    if units is None:
        if not is_ucum(row["unit"]):
            remedy = "Units are case-sensitive: V, mV, uV, s, Hz, Cel, Pa, deg, %, 1."
            fault("unit", "a UCUM code", repr(row["unit"]), remedy)
        return row["unit"], 1.0
    if row["unit"] not in units:
        meaning = MISTAKEN.get(row["unit"], "") if row["kind"] == "acceleration" else ""
        found = repr(row["unit"]) + (f" ({meaning})" if meaning else "")
        fault("unit", "one of " + ", ".join(units), found, "Units are UCUM codes, which are case-sensitive.")
        return next(iter(units)), 1.0
    return next(iter(units)), units[row["unit"]]


def _converter(row: dict[str, Any], form: NumberForm, fault: Fault) -> _Converter:
    """Width and end codes: stated, or the number type's own; a number in text has no width of its own."""
    has_range = "bits" in row or {"adc_min", "adc_max"} <= row.keys()
    if form.framing in ("text", "wav") and not has_range:
        remedy = "Add bits, the width of the converter, or both of its end codes; saturation is told by them."
        wanted = f"bits, or adc_min and adc_max, in a '{form.framing}' layout"
        fault("bits", wanted, "no such key", remedy)
    bits = row.get("bits", form.bits or 16)
    # WAV: samples of 8 bits or less are unsigned, wider ones two's complement (IBM and Microsoft 1991)
    signed = bits > 8 if form.framing == "wav" else form.signed
    low = row.get("adc_min", -(1 << (bits - 1)) if signed else 0)
    high = row.get("adc_max", low + (1 << bits) - 1)
    if high <= low:
        fault("adc_max", f"a code above adc_min = {low}", str(high), "Correct one of them.")
    if form.bits and bits > form.bits:
        fault("bits", f"at most the {form.bits} bits of the samples' type", str(bits), "Correct one of them.")
    elif form.bits:
        lowest = -(1 << (form.bits - 1)) if form.signed else 0
        highest = lowest + (1 << form.bits) - 1
        for key, code in (("adc_min", low), ("adc_max", high)):
            if not lowest <= code <= highest:
                fault(key, f"a code from {lowest} to {highest}, as the type has it", str(code), "Correct it.")
    return _Converter(bits, low, high)


def _scale_and_offset(
    row: dict[str, Any], converter: _Converter, decimals: int, factor: float, fault: Fault
) -> tuple[float, float]:
    """``value = count * scale + offset`` in the SI unit.

    With a reference: the converter's input is ``count * reference / 2^bits``, of which the bias is
    taken away before the gain is divided out (data-sheet arithmetic; common practice, no source).
    """
    if not {"reference_v", "gain"} & row.keys():
        if "bias_v" in row:
            fault("bias_v", "a bias only beside reference_v and gain", "neither", "Add both, or remove it.")
        if not row.get("scale"):
            found = "a scale of 0" if "scale" in row else "neither"
            fault("scale", "scale, or reference_v and gain", found, "Say what one count is worth.")
        return row.get("scale", 1.0) * factor / 10**decimals, row.get("offset", 0.0) * factor
    for key in ("scale", "offset"):
        if key in row:
            fault(key, f"either {key} or reference_v and gain", "both", "Remove one of the two.")
    if row["kind"] != "field":
        remedy = "Give scale instead."
        fault("reference_v", "scale, for a channel that is not 'field'", "reference_v or gain", remedy)
    for key in ("reference_v", "gain"):
        if key not in row:
            fault(key, "reference_v and gain together", "no such key", "Add it.")
            return 1.0, 0.0
    volts_per_count = row["reference_v"] / (1 << converter.bits) / row["gain"]
    return volts_per_count / 10**decimals, -_bias_v(row, converter) / row["gain"]


def _bias_v(row: dict[str, Any], converter: _Converter) -> float:
    """Where no bias is stated: mid-rail, but nothing where the codes go below 0."""
    return float(row.get("bias_v", 0.0 if converter.low < 0 else row["reference_v"] / 2))


def _amplifier_rails(
    row: dict[str, Any], converter: _Converter, fault: Fault
) -> tuple[float | None, float | None]:
    """The lowest and the highest output of the amplifier, divided by its gain."""
    low, high = row.get("amplifier_low_v"), row.get("amplifier_high_v")
    if low is None and high is None:
        return None, None
    if low is not None and high is not None and low >= high:
        fault(
            "amplifier_high_v",
            f"a voltage above amplifier_low_v = {low:g}",
            f"{high:g}",
            "Correct one of them.",
        )
    if not {"reference_v", "gain"} <= row.keys():
        key = "amplifier_low_v" if low is not None else "amplifier_high_v"
        remedy = "Add both, or remove the rails."
        fault(key, "rails only beside reference_v and gain", "not both of them", remedy)
        return None, None
    bias_v = _bias_v(row, converter)
    return (
        None if low is None else (low - bias_v) / row["gain"],
        None if high is None else (high - bias_v) / row["gain"],
    )


def _corners(row: dict[str, Any], fault: Fault) -> tuple[float | None, float | None]:
    low, high = row.get("ac_corner_hz"), row.get("lowpass_hz")
    if low is not None and high is not None and low >= high:
        fault("lowpass_hz", f"a frequency above ac_corner_hz = {low:g}", f"{high:g}", "Correct one of them.")
    return None if low is None else float(low), None if high is None else float(high)
