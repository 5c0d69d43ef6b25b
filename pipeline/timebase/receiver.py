"""The receiver's clock: when each row was sampled by the stamps at which its frames arrived."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from pipeline.timebase.device import DeviceTime
from pipeline.timebase.grid import Clock, ClockBreak, ClockStep, Restart
from pipeline.timebase.knots import increasing
from pipeline.timebase.sequence import Floats, Ints
from pipeline.timebase.skew import lines_under, slope_uncertainty
from pipeline.timebase.stamps import Seen, Stamps, jitter_of, seen_by
from pipeline.timebase.steps import LEAST_STEP_S, find_steps

_FLOOR_S = 60.0
_FEWEST_OF_FLOOR = 16
_COARSEST = 1e-3
_CONTRADICTION = 5.0
_NEAR_S = 1.0


@dataclass(frozen=True)
class Mapped:
    """The clock by the receiver, and what was found on the way; ``start_s`` is since 1970, of row 0."""

    clock: Clock
    restarts: tuple[Restart, ...]
    breaks: tuple[ClockBreak, ...]
    steps: tuple[ClockStep, ...]
    start_s: float | None


@dataclass
class _Chain:
    """Frames of one run by the stamps of one dump, in stretches between which that clock was set."""

    run: int
    dump: int
    stretches: list[Ints]
    intercept: list[float] = field(default_factory=list)

    @property
    def n(self) -> int:
        return sum(len(stretch) for stretch in self.stretches)


@dataclass
class _Account:
    """What is added to the device's seconds from which row on, and what that says."""

    row: list[int] = field(default_factory=list)
    added: list[float] = field(default_factory=list)
    restarts: list[Restart] = field(default_factory=list)
    breaks: list[ClockBreak] = field(default_factory=list)
    steps: list[ClockStep] = field(default_factory=list)

    def add(self, row: int, added: float) -> None:
        self.row.append(row)
        self.added.append(added)

    def at(self, rows: Ints | Floats) -> Floats:
        which = np.searchsorted(np.array(self.row), rows, side="right") - 1
        return np.array(self.added)[np.maximum(which, 0)]


def map_to_receiver(device: DeviceTime, stamps: Stamps, restarts: Sequence[Restart]) -> Mapped | None:
    """The device's seconds as those of the receiver.

    Within a run between restarts the device's clock tells the shape; the line under the delays of its frames
    tells how its seconds go with the receiver's. One slope serves all runs, since the crystal is the same;
    each has an offset of its own, from which follows for how long the device was off.

    Parameters
    ----------
    device : DeviceTime
        Of the grid.
    stamps : Stamps
        Of its frames.
    restarts : sequence of Restart
        Of the grid, in the order of rows.

    Returns
    -------
    Mapped or None
        None where the stamps do not advance with the rows. Steps of the receiver's clock are taken out of
        the seconds. Where the device has no ticks, a step forward may as well be a pause of the device: it
        stays in, as a break.
    """
    seen = seen_by(device, stamps, np.array([restart.row for restart in restarts], dtype=np.int64))
    x, y = seen.x, seen.y
    chains = _chains(seen)
    points = [(x[at], y[at]) for chain in chains for at in chain.stretches]
    lines = lines_under(points)
    if lines is None or lines.slope <= 0:
        return None
    slope, error = lines.slope, slope_uncertainty(points, 1 / stamps.hz)
    known = error is not None and (error < _COARSEST or abs(slope - 1) > _CONTRADICTION * error)
    # over a short stretch stamps say nothing of the rate
    slope = slope if known else 1.0
    delay = np.full(len(x), np.nan)
    for chain in chains:
        for at in chain.stretches:
            delay[at] = y[at] - slope * x[at]
            chain.intercept.append(float(delay[at].min()))
            delay[at] -= chain.intercept[-1]
    account = _reconcile(device, seen, chains, restarts, slope)
    row, second = _knots(device, account, slope)
    clock = Clock(
        source="receiver",
        knot_row=row,
        knot_s=second,
        rate_hz=1 / (device.period_s * slope),
        residual_s=_highest_floor(x, delay),
        skew_ppm=(1 / slope - 1) * 1e6 if known else None,
        skew_uncertainty_ppm=error / slope**2 * 1e6 if known and error is not None else None,
        jitter_s=jitter_of(device, stamps, slope),
        offset_s=stamps.zero_s + account.added[0],
    )
    start_s = None if stamps.epoch_s is None else stamps.epoch_s + stamps.zero_s + account.added[0]
    found = (tuple(account.restarts), tuple(account.breaks), tuple(account.steps))
    return Mapped(clock, *found, start_s)


def _chains(seen: Seen) -> list[_Chain]:
    """One for each run and dump, in the order of runs."""
    chains = list[_Chain]()
    for run in np.unique(seen.run).tolist():
        of_run = np.flatnonzero(seen.run == run)
        for dump in np.unique(seen.dump[of_run]).tolist():
            at = of_run[seen.dump[of_run] == dump]
            cuts, strays = find_steps(seen.x[at], seen.y[at])
            edges = [0, *cuts.tolist(), len(at)]
            kept = np.ones(len(at), dtype=bool)
            kept[strays] = False
            chains.append(_Chain(run, dump, [at[a:b][kept[a:b]] for a, b in pairwise(edges)]))
    return chains


def _reconcile(
    device: DeviceTime, seen: Seen, chains: list[_Chain], restarts: Sequence[Restart], slope: float
) -> _Account:
    """Offsets of all runs on one time: what the receiver's clock was set by is out, what passed is in."""
    account = _Account(breaks=list(device.breaks), steps=list(device.steps))
    ahead, added, last = dict[int, float](), chains[0].intercept[0], -1
    account.add(0, added)
    for run in range(len(restarts) + 1):
        mine = [chain for chain in chains if chain.run == run]
        main = max(mine, key=lambda chain: chain.n, default=None)
        if run:
            row = restarts[run - 1].row
            before, behind = device.at(np.array([row - 1, row])).tolist()
            by_device = slope * (behind - before - device.period_s)
            off_s: float | None = None
            if main is not None and last >= 0:
                off_s = by_device + main.intercept[0] - ahead.get(main.dump, ahead[last]) - added
            if off_s is not None and off_s < -LEAST_STEP_S:
                # nobody can begin before it ended: the receiver's clock was set back meanwhile
                account.steps.append(ClockStep(row, off_s))
                off_s = None
            off_s = None if off_s is None else max(off_s, 0.0)
            account.restarts.append(Restart(row, restarts[run - 1].reason, off_s))
            added += (off_s or 0.0) - by_device
            account.add(row, added)
        if main is not None:
            added = _within(device, seen, main, account, added)
            ahead.update({chain.dump: chain.intercept[-1] - added for chain in mine})
            last = main.dump
    return account


def _within(device: DeviceTime, seen: Seen, chain: _Chain, account: _Account, added: float) -> float:
    """Steps and pauses inside a run; what is added to the device's seconds at its end."""
    for k, (before, behind) in enumerate(pairwise(chain.intercept)):
        size = behind - before
        row, n_lost = seen.row_of_step(int(chain.stretches[k][-1]), int(chain.stretches[k + 1][0]), size)
        paused = _pause_at(device, row, n_lost, size)
        if paused is not None:
            # ticks that wrap soon show what is left of the pause after whole wraps
            account.breaks = [pause for pause in account.breaks if pause.row != paused.row]
            account.steps = [step for step in account.steps if step.row != paused.row]
            account.breaks.append(paused)
            row = paused.row
        elif device.source == "nominal" and size > 0:
            account.breaks.append(ClockBreak(row, size, "receiver"))
        else:
            account.steps.append(ClockStep(row, size))
            continue
        added += size
        account.add(row, added)
    return added


def _pause_at(device: DeviceTime, row: int, n_lost: int, size: float) -> ClockBreak | None:
    """The pause before a row where the receiver saw whole wraps of the ticks more pass than these tell.

    Either the ticks jump there, or so much is lost there that they may have wrapped unseen.
    """
    if not device.wraps_s:
        return None
    taken_out = {step.row for step in device.steps}
    near = [jump for jump in device.jumps if abs(jump[0] - row) * device.period_s < _NEAR_S]
    unseen = [(row, 0.0)] if not near and n_lost * device.period_s > device.wraps_s else []
    for at, ticked_s in (*near, *unseen):
        gap_s = size + (0.0 if at in taken_out else ticked_s)
        wraps = round((gap_s - ticked_s) / device.wraps_s)
        if wraps > 0 and abs(gap_s - ticked_s - wraps * device.wraps_s) < LEAST_STEP_S:
            return ClockBreak(at, gap_s, "receiver")
    return None


def _knots(device: DeviceTime, account: _Account, slope: float) -> tuple[Floats, Floats]:
    """Knots of the device's seconds and of both sides of every place where something is added."""
    beside = np.array(account.row, dtype=np.float64)
    row = np.unique(np.concatenate((device.knot_row, beside, beside[1:] - 1)))
    second = slope * device.at(row) + account.at(row)
    second = increasing(row, second, device.period_s * slope)
    return row, second - second[0]


def _highest_floor(x: Floats, delay: Floats) -> float:
    """The largest of the least delays in stretches of a minute: how far the clocks are from a line."""
    known = ~np.isnan(delay)
    minute = np.floor_divide(x[known], _FLOOR_S)
    begins = np.flatnonzero(np.diff(minute, prepend=-1.0) != 0)
    floor = np.minimum.reduceat(delay[known], begins)
    many = np.diff(np.append(begins, len(minute))) >= min(_FEWEST_OF_FLOOR, len(minute))
    return float(floor[many].max(initial=0.0))
