"""Quick measures of a recording, one pass over its counts: codes, rails, repeats, movement."""

import math
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from pipeline.layouts import Channel
from pipeline.timebase import Grid, JoinedGrid
from pipeline.verdict.policy import Policy

_CHANCE = 1e-6
_SHORTEST_RUN = 6

Counts = npt.NDArray[np.integer]
Bools = npt.NDArray[np.bool_]


@dataclass
class ChannelSeen:
    """What was seen of one channel; codes are counts.

    ``runs`` are lengths of runs of one code; samples at a rail are in none of them.
    """

    channel: Channel
    n_present: int = 0
    low: int = 0
    high: int = 0
    n_at_rail: int = 0
    n_equal: int = 0
    runs: list[int] = field(default_factory=list)
    n_overloaded: int = 0
    n_settling: int = 0

    @property
    def at_rail(self) -> float:
        """Share of the samples at a rail."""
        return self.n_at_rail / self.n_present if self.n_present else 0.0

    @property
    def overloaded(self) -> float:
        """Share of the samples at a rail or settling after that."""
        return self.n_overloaded / self.n_present if self.n_present else 0.0

    @property
    def repeated(self) -> float:
        """Share of the samples that repeat one code for longer than a signal does."""
        n_inside = sum(self.runs) - len(self.runs)
        n_pairs = self.n_present - n_inside
        p = max((self.n_equal - n_inside) / n_pairs, 1 / n_pairs) if n_pairs > 0 else 0.0
        limit = 0.0
        if 0 < p < 0.999:
            limit = math.log(max(self.n_present * (1 - p), 1.0) / _CHANCE) / -math.log(p)
        return sum(run for run in self.runs if run >= limit) / self.n_present if self.n_present else 0.0


@dataclass
class Seen:
    """What was seen of one grid.

    ``lost`` is the share of samples that are missing, ``longest_gap_s`` the longest time without any;
    ``overloaded`` the largest share of a field channel that is at a rail or settles afterwards; ``moving``
    the share of seconds in which an accelerometer moves, None where there is none.
    """

    channels: list[ChannelSeen]
    lost: float = 0.0
    overloaded: float = 0.0
    longest_gap_s: float = 0.0
    moving: float | None = None


def look_at(grid: Grid | JoinedGrid, policy: Policy) -> Seen:
    """Measure a grid block by block."""
    settings = policy.settings
    rate_hz = grid.clock.rate_hz or grid.sample_hz
    shortest = max(_SHORTEST_RUN, round(settings["stuck.shortest_s"] * rate_hz))
    seen = [ChannelSeen(channel) for channel in grid.channels]
    inner = [_between_rails(channel, settings) for channel in grid.channels]
    settling = [_settling_rows(channel, settings, rate_hz) for channel in grid.channels]
    axes = [i for i, channel in enumerate(grid.channels) if channel.kind == "acceleration"]
    n_present, n_still, n_seconds, gap, longest_gap = 0, 0, 0, 0, 0
    for _, counts, present in grid.blocks():
        for i, one in enumerate(seen):
            _take(one, counts[:, i], present[:, i], inner[i], shortest)
            _overload(one, counts[:, i], present[:, i], inner[i], settling[i])
        some = present[:, 0] if len(grid.parts) == 1 else np.asarray(present.any(axis=1))
        n_present += int(present.sum())
        gap, longest = _longest_gap(some, gap)
        longest_gap = max(longest_gap, longest)
        still, seconds = _still(counts, present, grid, axes, settings["movement.still_m_s2"])
        n_still, n_seconds = n_still + still, n_seconds + seconds
    size = grid.n_rows * len(seen)
    lost = 1 - n_present / size if size else 1.0
    moving = 1 - n_still / n_seconds if n_seconds else None
    fields = [one for one in seen if one.channel.kind == "field" and one.n_present]
    overloaded = max((one.overloaded for one in fields), default=0.0)
    return Seen(seen, lost, overloaded, longest_gap / rate_hz, moving)


def _between_rails(channel: Channel, settings: dict[str, float]) -> tuple[float, float]:
    """The lowest and the highest count that are at no rail of converter or amplifier."""
    margin = max(
        settings["saturation.rail_margin_fraction"] * (channel.adc_max - channel.adc_min),
        settings["saturation.rail_margin_counts"],
    )
    rails = [
        (rail - channel.offset) / channel.scale
        for rail in (channel.amplifier_low, channel.amplifier_high)
        if rail is not None
    ]
    middle = (channel.adc_min + channel.adc_max) / 2
    low = max([channel.adc_min, *(rail for rail in rails if rail < middle)])
    high = min([channel.adc_max, *(rail for rail in rails if rail >= middle)])
    # half a count of slack: a code on the bound is at the rail
    return low + margin + 0.5, high - margin - 0.5


def _take(
    one: ChannelSeen, counts: Counts, present: Bools, inner: tuple[float, float], shortest: int
) -> None:
    values = counts if present.all() else counts[present]
    if not len(values):
        return
    low, high = int(values.min()), int(values.max())
    one.low = low if not one.n_present else min(one.low, low)
    one.high = high if not one.n_present else max(one.high, high)
    one.n_present += len(values)
    between = None
    if low < inner[0] or high > inner[1]:
        between = (values >= inner[0]) & (values <= inner[1])
        one.n_at_rail += len(values) - int(np.count_nonzero(between))
    equal = values[1:] == values[:-1]
    if between is not None:
        equal &= between[1:]
    one.n_equal += int(np.count_nonzero(equal))
    edges = np.flatnonzero(equal[1:] != equal[:-1]) + 1
    bounds = np.concatenate(([0], edges, [len(equal)]))
    sizes = np.diff(bounds)[0 if len(equal) and equal[0] else 1 :: 2] + 1
    one.runs += sizes[sizes >= shortest].tolist()


def _settling_rows(channel: Channel, settings: dict[str, float], rate_hz: float) -> int:
    """Rows that the AC coupling takes to recover, exp(-t / tau), down to what counts as settled."""
    if channel.kind != "field" or not channel.ac_corner_hz:
        return 0
    tau_s = 1 / (2 * math.pi * channel.ac_corner_hz)
    return math.ceil(-math.log(settings["saturation.settled_residue"]) * tau_s * rate_hz)


def _overload(
    one: ChannelSeen, counts: Counts, present: Bools, inner: tuple[float, float], n_settling: int
) -> None:
    """Count samples at a rail, and those in the recovery behind two or more of them in a row."""
    low, high = (int(counts.min()), int(counts.max())) if len(counts) else (0, 0)
    if low >= inner[0] and high <= inner[1] and not one.n_settling:
        return
    beyond = ((counts < inner[0]) | (counts > inner[1])) & present
    ends = np.flatnonzero(beyond[1:] & beyond[:-1]) + 1
    last = np.full(len(counts), -(n_settling + 1), dtype=np.int64)
    last[ends] = ends
    last[0] = max(last[0], one.n_settling - n_settling - 1)
    last = np.maximum.accumulate(last)
    index = np.arange(len(counts))
    one.n_overloaded += int(np.count_nonzero((beyond | (index - last <= n_settling)) & present))
    one.n_settling = max(n_settling - int(index[-1] - last[-1]), 0)


def _longest_gap(present: Bools, before: int) -> tuple[int, int]:
    """Rows missing at the end of a block, and the most in a row; `before` were missing in front of it."""
    there = np.flatnonzero(present)
    if not len(there):
        return before + len(present), before + len(present)
    inside = int(np.diff(there).max(initial=1)) - 1
    return len(present) - 1 - int(there[-1]), max(before + int(there[0]), inside)


def _still(
    counts: Counts, present: Bools, grid: Grid | JoinedGrid, axes: list[int], still_m_s2: float
) -> tuple[int, int]:
    """Seconds in which the accelerometer lies still, and whole seconds without a loss."""
    step = max(round(grid.sample_hz), 2)
    n = len(counts) // step
    if not axes or not n:
        return 0, 0
    whole = present[: n * step, axes[0]].reshape(n, step).all(axis=1)
    variance = np.zeros(n)
    for i in axes:
        rows = counts[: n * step, i].reshape(n, step)
        variance += rows.std(axis=1, dtype=np.float32).astype(np.float64) ** 2 * grid.channels[i].scale ** 2
    return int(np.count_nonzero(variance[whole] < still_m_s2**2)), int(np.count_nonzero(whole))
