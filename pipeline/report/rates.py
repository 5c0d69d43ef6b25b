"""Where mains lines fall at other sampling rates, and the lowest rate that keeps them out of movement."""

from collections.abc import Iterable

RATES_HZ = (50.0, 64.0, 100.0, 125.0, 128.0, 200.0, 250.0, 256.0, 500.0, 512.0, 1000.0, 1024.0, 2000.0)
"""Rates that devices of this kind offer (common practice, no source)."""
FOLDS_INTO_HZ = (0.5, 10.0)
"""The movement band: a line that folds there cannot be told from movement."""
_MARGIN_HZ = 1.0
_HARMONICS = range(1, 6)


def folded_hz(line_hz: float, sample_hz: float) -> float:
    """Where a line appears at that rate, by the sampling theorem: its distance from the next multiple."""
    return abs(line_hz - round(line_hz / sample_hz) * sample_hz)


def better_hz(mains_hz: float, now_hz: float, rates_hz: Iterable[float] = RATES_HZ) -> float | None:
    """The lowest rate above the present one at which mains stays out of the movement band; None if none does.

    The fundamental has to stand clear of 0 Hz and of half the rate as well, so that it can be measured.
    """
    return next((hz for hz in sorted(rates_hz) if hz > now_hz and _is_clear(mains_hz, hz)), None)


def _is_clear(mains_hz: float, sample_hz: float) -> bool:
    low, high = FOLDS_INTO_HZ
    first = folded_hz(mains_hz, sample_hz)
    if first <= high + _MARGIN_HZ or sample_hz / 2 - first <= _MARGIN_HZ:
        return False
    return all(not low <= folded_hz(mains_hz * k, sample_hz) <= high + _MARGIN_HZ for k in _HARMONICS)
