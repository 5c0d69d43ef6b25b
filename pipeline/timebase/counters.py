"""What the frames of one stream say of their order: which counters can be believed, and how they advance."""

from dataclasses import dataclass

import numpy as np

from pipeline.frames import Frames, FrameTable
from pipeline.frames.room import n_true
from pipeline.layouts import Part
from pipeline.timebase.arrival import without_delays
from pipeline.timebase.device import is_calendar, ticks_hz
from pipeline.timebase.jumps import MAX_DROPOUT, Counters, Guide
from pipeline.timebase.sequence import (
    Bools,
    Ints,
    TickRate,
    extend,
    follows_by,
    measure_tick_rate,
    steps_where,
    typical_of,
)

_LONGEST_GAP_S = 86_400.0
_MOST_ROWS_PER_READ = 50
_ENOUGH_STEPS = 8
_LEAST_SLACK = 2.0
_MOST_JITTER_FRAMES = 32
_ARRIVAL_S = 0.25
_ALIKE = 0.25
_LONG_S = 60.0
_NOT_FAR = 0.1


@dataclass(frozen=True)
class _Clocked:
    """Ticks or stamps, by how many they may be off (None: they follow nothing), what the sequence counts."""

    values: Ints
    rate: TickRate
    slack: float | None
    unit: int


def make_counters(frames: Frames, with_sequence: bool = True) -> Counters:
    """Counters of frames in the order of arrival.

    Ticks that follow nothing are left out. Where there are none, the receiver's stamps, their delays taken
    off, serve instead; where there are, the stamps are the guide over wraps. The sequence may be left out.
    """
    table, stream = frames.table, frames.stream
    sequence = stream.frame.part("sequence") if with_sequence else None
    typical = typical_of(table.n_samples)
    bits = sequence.wraps_at_bits if sequence else 0
    unit = _unit_of(table, bits, int(typical)) if sequence else 1
    ticked = _by_ticks(frames, sequence, unit, typical)
    stamped = _by_stamps(frames, sequence, ticked.unit if ticked else unit, typical)
    unit = stamped.unit if stamped else ticked.unit if ticked else unit
    ticked = ticked if ticked and ticked.slack is not None else None
    stamped = stamped if stamped and stamped.slack is not None else None
    used, arrival = ticked or stamped, stamped is not None and ticked is None
    received = stream.frame.part("received")
    limit, budget = budget_of(len(table), stream.sample_hz / typical)
    return Counters(
        sequence=table.sequence,
        bits=bits,
        unit=unit,
        ticks=used.values if used else None,
        rate=used.rate if used else None,
        tick_hz=received.hz if arrival and received else ticks_hz(frames),
        n_samples=table.n_samples,
        typical=typical,
        limit=limit,
        budget=budget,
        slack=(used.slack if used else None) or _LEAST_SLACK,
        arrival=arrival,
        goes_on=arrival or is_calendar(stream.frame.part("ticks")),
        guide=Guide(stamped.values, stamped.rate.per_sample) if stamped and ticked else None,
        room=table.room,
    )


def _by_ticks(frames: Frames, sequence: Part | None, unit: int, typical: float) -> _Clocked | None:
    table, part, hz = frames.table, frames.stream.frame.part("ticks"), ticks_hz(frames)
    if part is None or not hz:
        return None
    nominal = hz / frames.stream.sample_hz
    follows, rate, unit = _rate_of(table, sequence, unit, nominal, table.ticks, part.wraps_at_bits)
    slack = _slack(table.ticks, table.n_samples, rate, follows, typical)
    return _Clocked(table.ticks, rate, slack, unit)


def _by_stamps(frames: Frames, sequence: Part | None, unit: int, typical: float) -> _Clocked | None:
    table, part = frames.table, frames.stream.frame.part("received")
    if part is None or not part.hz or len(table) < 2:
        return None
    stamps = extend(table.received, part.wraps_at_bits or part.bits, table.room)
    nominal = part.hz / frames.stream.sample_hz
    follows, rate, unit = _rate_of(table, sequence, unit, nominal, stamps, 0)
    if sequence:
        stamps = without_delays(stamps, table.n_samples, follows, rate, part.hz, table.room)
        rate = measure_tick_rate(stamps, table.n_samples, follows, rate.per_sample, 0)
        lasted = n_true(follows) * typical * rate.per_sample
        if lasted < _LONG_S * part.hz and abs(rate.per_sample / nominal - 1) < _NOT_FAR:
            rate = TickRate(nominal, 0)  # delays tell less of the rate than the layout does
    slack = _slack(stamps, table.n_samples, rate, follows, typical, _ARRIVAL_S * part.hz)
    return _Clocked(stamps, rate, slack, unit)


def budget_of(n_frames: int, frames_per_s: float | None = None) -> tuple[int, int]:
    """The most frames of one gap, which is at most a day where their rate is known, and of all gaps."""
    budget = max(_MOST_ROWS_PER_READ * n_frames, MAX_DROPOUT)
    day = budget if frames_per_s is None else int(_LONGEST_GAP_S * frames_per_s)
    return max(1, min(day, budget)), budget


def _rate_of(
    table: FrameTable, sequence: Part | None, unit: int, nominal: float, values: Ints, bits: int
) -> tuple[Bools, TickRate, int]:
    """Which frames follow each other, how ticks advance between them, and by what the sequence does.

    Where every so many frames one arrived, a counter of frames looks like one of samples; ticks tell.
    """
    follows = _follows(table, sequence, unit)
    rate = measure_tick_rate(values, table.n_samples, follows, nominal, bits)
    if unit > 1 and abs(rate.per_sample / nominal / unit - 1) < _ALIKE:
        unit, follows = 1, _follows(table, sequence, 1)
        rate = measure_tick_rate(values, table.n_samples, follows, nominal, bits)
    return follows, rate, unit


def _follows(table: FrameTable, sequence: Part | None, unit: int) -> Bools:
    if sequence is None:
        return np.broadcast_to(np.bool_(True), max(len(table) - 1, 0))
    return follows_by(table.sequence, sequence.wraps_at_bits, unit, table.room)


def _slack(
    values: Ints,
    n_samples: Ints,
    rate: TickRate,
    follows: Bools,
    typical: float,
    least: float = _LEAST_SLACK,
) -> float | None:
    """By how many ticks stamps are off where frames follow each other; None where ticks follow nothing."""
    excess, _ = steps_where(values, n_samples, follows, rate)
    if len(excess) < _ENOUGH_STEPS:
        return least
    np.abs(excess, out=excess)
    frame = typical * rate.per_sample
    most = min(_MOST_JITTER_FRAMES * frame, rate.modulus / 8 or np.inf)
    slack = max(min(float(np.quantile(excess, 0.98)), most), least)
    return slack if (excess <= 0.45 * frame + slack).mean() > 0.5 else None


def _unit_of(table: FrameTable, bits: int, typical: int) -> int:
    """1 where the sequence counts frames, the samples of a frame where it counts samples."""
    n = len(table) - 1
    if typical < 2 or n < _ENOUGH_STEPS:
        return 1
    return typical if n_true(follows_by(table.sequence, bits, typical, table.room)) > 0.5 * n else 1
