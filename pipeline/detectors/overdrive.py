"""How far a signal was driven beyond the rails, from the share of its cycles that it spent there."""

from dataclasses import dataclass

import numpy as np

from pipeline.detectors.findings import Spans

LEAST_CYCLES = 3
REGULAR = 0.5
"""So many whole cycles, with quartiles of their length apart by at most half of it."""

CHATTER = 0.25
"""Gaps shorter than this part of the usual one lie within one visit to the rail: noise about its margin."""

HARMONICS = 7


@dataclass(frozen=True)
class Overdrive:
    """Amplitude over the rails' distance from the middle, and harmonics that clipping alone makes of it.

    ``ratio`` is None where it cannot be had, and ``absent`` says why. ``harmonics`` has the amplitudes of
    orders 2, 3, ... over that of the fundamental.
    """

    ratio: float | None = None
    n_cycles: int = 0
    absent: str = ""
    harmonics: tuple[float, ...] = ()


def overdrive(low: Spans, high: Spans, narrowed: float = 1.0) -> Overdrive:
    """Amplitude of the sine that spends as long at the rails.

    A sine of amplitude A is beyond +c for a share ``acos(c / A) / pi`` of its cycle; with shares ``f`` at the
    lower and ``g`` at the upper rail ``A = (c_high - c_low) / (cos pi f + cos pi g)``, which is the code
    density of IEEE 1057 solved for A (closed form). One rail alone tells it against the middle of the sine.

    Parameters
    ----------
    low, high : Spans
        Samples at each rail in one stretch of overloads.
    narrowed : float
        Where samples count as at the rail, over where the rails are: the margin moves them inwards.
    """
    side, other = (high, low) if len(high) >= len(low) else (low, high)
    starts = _starts(side)
    if len(starts) <= LEAST_CYCLES:
        return Overdrive(absent=f"fewer than {LEAST_CYCLES} whole cycles met a rail")
    lengths = np.diff(starts)
    quarter, middle, three = np.percentile(lengths, [25, 50, 75])
    if three - quarter > REGULAR * middle:
        return Overdrive(absent="the overloads come too irregularly to reckon with a sine")
    whole = int(starts[0]), int(starts[-1])
    shares = [spans.clipped(*whole).n_samples / (whole[1] - whole[0]) for spans in (side, other)]
    if max(shares) >= 0.5:
        return Overdrive(absent="more than half of each cycle lies at one rail, as of no sine")
    one_sided = shares[1] == 0
    across = np.cos(np.pi * shares[0]) if one_sided else np.cos(np.pi * np.array(shares)).mean()
    ratio = narrowed / float(across)
    cuts = [np.cos(np.pi * share) if share else 1.0 for share in shares]
    return Overdrive(ratio, len(starts) - 1, "", _harmonics(-float(cuts[1]), float(cuts[0])))


def _starts(spans: Spans) -> np.ndarray:
    """Where each visit begins."""
    if len(spans) < 2:
        return spans.start
    gaps = spans.start[1:] - spans.stop[:-1]
    bridge = int(CHATTER * np.percentile(gaps, 75))
    return Spans.merged(spans, bridge=bridge).start


def _harmonics(low: float, high: float) -> tuple[float, ...]:
    """Amplitudes of a sine of amplitude 1 clipped to [low, high], orders from 2 on, over the first."""
    n = 4096
    wave = np.clip(np.sin(2 * np.pi * (np.arange(n) + 0.5) / n), low, high)
    size = np.abs(np.fft.rfft(wave))
    return tuple((size[2 : HARMONICS + 1] / size[1]).tolist())
