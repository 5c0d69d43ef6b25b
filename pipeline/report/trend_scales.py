"""Where the dots of trends lie: a scale of its own for each question, the same for all rooms or devices."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

WIDTH, HEIGHT = 240, 84
_EDGE = 5
"""Room for half a dot at each side."""

_SAID = {"log": "in steps of equal ratio", "root": "in square-root steps", "linear": "in equal steps"}
_LOG = ("noise_v",)
"""Measures that never reach zero and whose growth by a fifth matters."""
_LINEAR = ("usable_fraction",)
_WIDEST_RATIO = 1000.0
"""Beyond it a scale of equal ratios would hide growth by a fifth; what lies lower stands at its foot."""


@dataclass(frozen=True)
class Scale:
    """From ``low`` to ``high`` in the measure's unit; ``how`` is ``log``, ``root`` or ``linear``."""

    low: float
    high: float
    how: str

    @property
    def said(self) -> str:
        """How it rises, in words."""
        return _SAID[self.how]

    def holds(self, value: float) -> bool:
        """Whether a value lies on it."""
        return self.low <= value <= self.high

    def y(self, value: float) -> float:
        """Height in the picture, from its top."""
        low, high, at = (self._bent(one) for one in (self.low, self.high, value))
        share = min(max((at - low) / (high - low), 0.0), 1.0)
        return round(HEIGHT - _EDGE - share * (HEIGHT - 2 * _EDGE), 1)

    def _bent(self, value: float) -> float:
        if self.how == "log":
            return math.log(max(value, self.low))
        return math.sqrt(max(value, 0.0)) if self.how == "root" else value


def scale_of(measure: str, values: Floats) -> Scale:
    """The scale that a question's values fill: they, not the limit, decide where it ends."""
    low, high = float(values.min()), float(values.max())
    if measure in _LOG and high > 0:
        least = max(float(values[values > 0].min()), high / _WIDEST_RATIO)
        middle, reach = (
            math.sqrt(least * high),
            max(math.sqrt(high / least), 1.25),
        )  # even dots stay in the middle
        return Scale(middle / reach, middle * reach, "log")
    if measure in _LINEAR:
        return Scale(math.floor(min(low, 0.9) * 10) / 10, 1.0, "linear")
    return Scale(0.0, high if high > 0 else 1.0, "root")


def _x(start_s: float, extent_s: tuple[float, float]) -> float:
    span_s = extent_s[1] - extent_s[0]
    return round(_EDGE + (WIDTH - 2 * _EDGE) * ((start_s - extent_s[0]) / span_s if span_s else 0.5), 1)


def dots(start_s: Floats, values: Floats, scale: Scale, extent_s: tuple[float, float]) -> str:
    """A path of dots, each a line of no length."""
    pairs = zip(start_s.tolist(), values.tolist(), strict=True)
    return "".join(f"M{_x(at_s, extent_s):g} {scale.y(value):g}h0" for at_s, value in pairs)


def line(
    start_s: Floats, n_third: int, ends: tuple[float, float], scale: Scale, extent_s: tuple[float, float]
) -> str:
    """A path from the median of the first third to that of the last."""
    early, late = (float(np.median(part)) for part in (start_s[:n_third], start_s[-n_third:]))
    return f"M{_x(early, extent_s):g} {scale.y(ends[0]):g}L{_x(late, extent_s):g} {scale.y(ends[1]):g}"
