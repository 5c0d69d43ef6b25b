"""Units as layouts write them: UCUM codes, of which the common ones are known here.

Source: The Unified Code for Units of Measure (ucum.org), table of units ``ucum-essence.xml``: symbols are
case-sensitive, a prefix stands before metric units only, '.' multiplies, '/' divides, exponents follow bare.
"""

import math
import re

STANDARD_GRAVITY = 9.80665
"""m/s2; UCUM code [g], CGPM 1901."""

BOLTZMANN = 1.380649e-23
"""J/K, exact (SI Brochure, 9th edition, 2019)."""

ROOM_K = 300.0

SI_UNITS: dict[str, dict[str, float]] = {
    "field": {"V": 1.0, "mV": 1e-3, "uV": 1e-6},
    "acceleration": {"m/s2": 1.0, "[g]": STANDARD_GRAVITY, "m[g]": STANDARD_GRAVITY / 1000},
}
"""Kind of channel -> UCUM code -> factor to the SI unit, which is the first code."""

MISTAKEN = {
    "g": "gram; the unit of free fall is [g]",
    "mg": "milligram; a thousandth of free fall is m[g]",
    "G": "gauss; the unit of free fall is [g]",
}
"""Codes that mean another quantity than who writes them for an acceleration has in mind."""

_PREFIXES = ("", *"YZEPTGMkhdcmunpfazy", "da")
_METRIC = (
    *(
        "m",
        "s",
        "g",
        "rad",
        "sr",
        "K",
        "C",
        "cd",
        "mol",
        "Hz",
        "N",
        "Pa",
        "J",
        "W",
        "A",
        "V",
        "F",
        "Ohm",
        "S",
    ),
    *("Wb", "Cel", "T", "H", "lm", "lx", "Bq", "Gy", "Sv", "l", "L", "bar", "eV", "Np", "B", "cal", "G"),
    *("bit", "By", "[g]", "m[Hg]"),
)
_NOT_METRIC = (
    "%",
    "[ppth]",
    "[ppm]",
    "[ppb]",
    "[pH]",
    "deg",
    "'",
    "''",
    "min",
    "h",
    "d",
    "[degF]",
    "10*",
    "10^",
)
_ATOMS = frozenset([prefix + unit for prefix in _PREFIXES for unit in _METRIC] + list(_NOT_METRIC))
_TERM = re.compile(
    r"(?P<atom>\[[^\]]*\]|10[*^]|[^\d{}+-]*(?:\[[^\]]*\])?)(?P<power>[+-]?\d+)?(?:\{[!-z|~]*\})?"
)


def is_ucum(code: str) -> bool:
    """Whether a code is a product of known units, as UCUM writes it (``m/s2``, ``uV``, ``m[g]``, ``1``)."""
    terms = re.split(r"[./]", code.removeprefix("/"))
    return all(_is_term(term) for term in terms)


def _is_term(term: str) -> bool:
    match = _TERM.fullmatch(term)
    if not match or not term:
        return False
    if not match["atom"]:  # a bare number, or a mere annotation
        return match["power"] is None or match["power"].isdecimal()
    return match["atom"] in _ATOMS


def thermal_noise_v(farad: float) -> float:
    """Deviation of the voltage at a capacitance whose charge some resistor leaks: ``sqrt(k T / C)``."""
    return math.sqrt(BOLTZMANN * ROOM_K / farad)
