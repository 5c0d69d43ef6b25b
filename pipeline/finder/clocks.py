"""What counters and clocks say against the layout, once a dump has been read."""

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from pipeline.finder.changes import place_of
from pipeline.layouts import Frame, Layout, Part

if TYPE_CHECKING:
    from pipeline.timebase import Grid, JoinedGrid

_FAR_OFF = 0.01
"""Crystals keep within 100 ppm, RC oscillators within about a percent (common practice, no source)."""
_ROUND = 0.0015
_COMMON = 0.003
_FAR_STEP = 50
_MOST_BITS = 32
COMMON_HZ = (
    *(10, 20, 25, 32, 40, 50, 64, 80, 100, 125, 128, 200, 250, 256, 400, 500, 512, 800, 1000, 1024, 2000),
    *(2048, 4000, 4096, 8000, 16_000),
)
"""Sampling rates that devices of this sort have (common practice, no source)."""

_COMMON_TICK_HZ = (
    *(1.0, 100.0, 128.0, 256.0, 1000.0, 1024.0, 4096.0, 8000.0, 10_000.0, 16_384.0, 32_768.0),
    *(1e5, 1e6, 8e6, 1e7, 1.6e7),
)

Ints = npt.NDArray[np.int64]


def doubts(grid: "Grid | JoinedGrid") -> Iterator[str]:
    """What is said against the layout by the counters of a grid, and what to write, a sentence each."""
    for part in grid.parts:
        yield from _wrong_widths(part)
    yield from _wrong_rate(grid)


def _wrong_widths(grid: "Grid") -> Iterator[str]:
    frames = grid.frames
    layout, frame, table = frames.layout, frames.stream.frame, frames.table
    for part, values in ((frame.part("sequence"), table.sequence), (frame.part("ticks"), table.ticks)):
        bits = wraps_at(values) if part is not None and not part.shared else 0
        if part is not None and bits and bits != part.wraps_at_bits:
            stated = f"at {part.wraps_at_bits} bits" if part.wraps_at_bits else "not at all"
            where = _place(layout, frame, part)
            yield f"{where} wraps at {bits} bits, by the layout {stated}: {_narrower(layout, part, bits)}"


def wraps_at(values: Ints) -> int:
    """The width at which a counter is seen to wrap; 0 where it is not."""
    steps = np.diff(values)
    back = steps[steps < 0]
    highest = int(values.max(initial=0))
    if not len(back) or highest < 1:
        return 0
    bits = highest.bit_length()
    ahead = back + (1 << bits)
    usual = max(int(np.median(steps)), 1)
    near = (ahead > 0) & (ahead <= _FAR_STEP * usual)
    high = highest >= (1 << bits) - _FAR_STEP * usual
    return bits if bits <= _MOST_BITS and high and usual < 1 << (bits - 3) and near.mean() > 0.5 else 0


def _narrower(layout: Layout, part: Part, bits: int) -> str:
    if layout.framing == "text":
        return f"write bits = {bits} there."
    spare = part.n_bytes - bits // 8
    if bits % 8 or spare <= 0:
        return f"write a type of {bits} bits there."
    side = "after" if part.byte_order == "little" else "before"
    return f'write type = "u{bits}" there, and is = "ignored" with count = {spare} {side} it.'


def _place(layout: Layout, frame: Frame, part: Part) -> str:
    i = next(i for i, own in enumerate(layout.frames) if own.name == frame.name)
    j = next(j for j, own in enumerate(layout.frames[i].parts) if own.is_ == part.is_)
    return place_of(layout, i, j)


def _wrong_rate(grid: "Grid | JoinedGrid") -> Iterator[str]:
    clock, nominal = grid.clock, grid.sample_hz
    if not clock.rate_hz or abs(clock.rate_hz / nominal - 1) <= _FAR_OFF:
        return
    by = {"receiver": "the receiver's stamps", "ticks": "its ticks"}.get(clock.source, "its clock")
    words = f"by {by} the samples come at {clock.rate_hz:.4g} Hz, by the layout at {nominal:g} Hz: write "
    yield words + " or ".join(_rates_to_write(grid, clock.rate_hz)) + "."


def _rates_to_write(grid: "Grid | JoinedGrid", rate_hz: float) -> Iterator[str]:
    """Another sampling rate, or another rate of the ticks: both, unless only one of them is a common one."""
    right = rounded(rate_hz)
    part = grid.parts[0].frames
    ticks = part.stream.frame.part("ticks")
    tick_hz = (ticks.hz if ticks else 0.0) or part.layout.tick_hz or 0.0
    other = rounded(tick_hz * grid.sample_hz / rate_hz) if tick_hz else 0.0
    is_common = other in _COMMON_TICK_HZ and grid.clock.source == "ticks"
    if not is_common or any(abs(right / hz - 1) <= _COMMON for hz in COMMON_HZ):
        yield f"sample_hz = {right:g}"
    if is_common:
        yield f"tick_hz = {other:g}"


def rounded(hz: float) -> float:
    """The roundest number near a measured rate: a common tick rate, or the fewest digits."""
    for common in _COMMON_TICK_HZ:
        if abs(hz / common - 1) <= _COMMON:
            return common
    for digits in range(1, 7):
        near = float(f"{hz:.{digits}g}")
        if abs(hz / near - 1) <= _ROUND:
            return near
    return hz
