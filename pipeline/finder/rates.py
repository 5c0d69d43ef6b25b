"""Which rates a clock of unknown rate is likely to mean: those by which samples come at a round rate."""

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.finder.clocks import COMMON_HZ, rounded
from pipeline.finder.fields import Field

_TICK_HZ = (32_768.0, 1000.0, 1e6, 1024.0, 10_000.0, 100.0, 1e5, 4096.0, 16_384.0, 8e6, 1.6e7, 1e7)
_USUAL_TICK_HZ = 3
_SLOWEST_HZ, _FASTEST_HZ = 4.0, 20_000.0
_NEAR = 0.002
_USUALLY_BELOW_HZ = 2100.0


@dataclass(frozen=True)
class Rates:
    """Guessed rates; 0 where nothing tells."""

    sample_hz: float = 0.0
    tick_hz: float = 0.0


def guessed_rates(fields: Sequence[Field], n_rows: int) -> Rates:
    """The tick rate by which frames of `n_rows` samples come at the roundest sampling rate."""
    ticks = next((field for field in fields if field.is_ in ("ticks", "received")), None)
    if ticks is None:
        return Rates()
    best, fewest = Rates(), 99.0
    for rank, tick_hz in enumerate(_TICK_HZ):
        hz = tick_hz / ticks.step * max(n_rows, 1)
        if _SLOWEST_HZ <= hz <= _FASTEST_HZ and (oddness := _oddness(hz, rank)) < fewest:
            best, fewest = Rates(rounded(hz), tick_hz), oddness
    return best


def _oddness(hz: float, rank: int) -> float:
    """How far-fetched a sampling rate is, and the tick rate that makes it: common ones are less so."""
    unusual = 3.0 if rank >= _USUAL_TICK_HZ else 0.0
    if any(abs(hz / common - 1) <= _NEAR for common in COMMON_HZ):
        return unusual + 0.01 * rank + (hz > _USUALLY_BELOW_HZ)
    digits = next((n for n in range(1, 7) if abs(hz / float(f"{hz:.{n}g}") - 1) <= _NEAR / 10), 7)
    return unusual + 1.0 + digits + 0.01 * rank
