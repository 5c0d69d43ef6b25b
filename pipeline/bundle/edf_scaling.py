"""Ranges in an EDF+ header by which a reader gets the values, and from them the counts, back."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.layouts import Channel

FIELD_CHARACTERS = 8
"""Of a range in the header (EDF, Kemp et al. 1992): three digits fewer than an offset may need."""

_PREFIXES = (("m", 1e3), ("u", 1e6), ("", 1.0), ("n", 1e9))
_WITH_PREFIX = frozenset({"V", "A", "T", "Pa", "m/s2", "rad/s"})
_REACH = 1 << 16
"""Codes beside the wanted range that are looked through for an end with a short number."""


@dataclass(frozen=True)
class Scaling:
    """How counts of one channel stand in the file.

    Attributes
    ----------
    digital : (int, int)
        Range of the stored numbers.
    physical : (float, float)
        The values of these two in ``unit``; as text they have at most eight characters.
    unit : str
        The dimension, with its prefix.
    shift : int
        ``count = digital + shift``; 0 unless the counts do not fit as they are.
    filler : int
        What stands where there is no sample: the lowest stored number, which no sample has where there is
        room for one more.
    """

    digital: tuple[int, int]
    physical: tuple[float, float]
    unit: str
    shift: int
    filler: int


def for_edfio(scaling: Scaling) -> tuple[float, float]:
    """The physical range, such that edfio's rounding down and up to eight characters ends on it exactly."""
    inward = []
    for value, sign in zip(scaling.physical, (0.25, -0.25), strict=True):
        digits = len(str(int(abs(value)))) + (value < 0)
        step = 10.0 ** (digits + 1 - FIELD_CHARACTERS)
        inward.append(value if value.is_integer() else value + sign * step)
    return inward[0], inward[1]


def scaling_of(channel: Channel, low: int, high: int, bits: int) -> Scaling | None:
    """Ranges for counts from `low` to `high` in numbers of that many bits; None where these are too few.

    The header's eight characters seldom hold the value of the lowest or highest count exactly. But the ends
    need not be those counts: of the codes beside the range, those are taken whose values are short.
    """
    least, most = -(1 << (bits - 1)), (1 << (bits - 1)) - 1
    if high - low > most - least:
        return None
    shift = 0 if least <= low and high <= most else low - least
    low, high = low - shift, high - shift
    if low == least and high < most and shift:  # room for a filler below
        shift, low, high = shift - 1, low + 1, high + 1
    bottom = np.arange(max(low - 1, least), max(low - _REACH, least) - 1, -1)
    top = np.arange(high, min(high + _REACH, most) + 1)
    if len(top) > 1 and top[0] == bottom[0]:
        top = top[1:]
    scaled: list[tuple[float, bool, int, list[tuple[int, float, float]], str]] = []
    for prefix, factor in _PREFIXES if channel.unit in _WITH_PREFIX else (("", 1.0),):
        ends = [_shortest(codes, channel, shift, factor) for codes in (bottom, top)]
        error = max(end[2] for end in ends)
        is_plain = 1 <= max(abs(ends[0][1]), abs(ends[1][1])) < 1e5
        scaled.append((error, not is_plain, len(scaled), ends, prefix))
    _, _, _, ends, prefix = min(scaled)
    digital = (int(bottom[ends[0][0]]), int(top[ends[1][0]]))
    unit = "" if channel.unit == "1" else prefix + channel.unit
    unit = unit if len(unit) <= FIELD_CHARACTERS and unit.isascii() else ""
    return Scaling(digital, (ends[0][1], ends[1][1]), unit, shift, digital[0])


def _shortest(
    codes: npt.NDArray[np.int64], channel: Channel, shift: int, factor: float
) -> tuple[int, float, float]:
    """Which of the codes has the value that suffers least from eight characters, that value, and its error.

    The error is in counts, and 0 below a millionth of one; of equals the first is taken.
    """
    values = ((codes + shift) * channel.scale + channel.offset) * factor
    whole = np.where(np.abs(values) < 1, 1, np.floor(np.log10(np.maximum(np.abs(values), 1))) + 1)
    decimals = FIELD_CHARACTERS - 1 - whole - (values < 0)
    steps = 10.0 ** np.maximum(decimals, 0)
    rounded = np.rint(values * steps) / steps
    error = np.abs(rounded - values) / abs(channel.scale * factor)
    error[error < 1e-6] = 0
    error[np.abs(rounded) >= 10.0 ** (FIELD_CHARACTERS - (rounded < 0))] = np.inf  # too long at all
    best = int(np.argmin(error))
    return best, float(rounded[best]), float(error[best])
