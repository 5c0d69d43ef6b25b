"""One sequence counter through frames of all kinds: which place each frame has among those of its kind."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from pipeline.frames import Frames, FrameTable
from pipeline.layouts import Frame, Part
from pipeline.timebase.arrival import without_delays
from pipeline.timebase.by_ticks import find_runs_by_ticks
from pipeline.timebase.compare import comparison
from pipeline.timebase.counters import budget_of, make_counters
from pipeline.timebase.dump_order import in_another_order, order_of_dumps
from pipeline.timebase.grid import Grid
from pipeline.timebase.jumps import Counters
from pipeline.timebase.place import as_listed, make_grids
from pipeline.timebase.runs import Runs, find_runs
from pipeline.timebase.sequence import Bools, Ints, extend, measure_tick_rate, signed_difference

_BY_SHARE = (
    "One sequence number runs through frames of all kinds, and no clock tells of which kind a lost frame "
    "was: each kind was given its share of them."
)
_SURE = 0.35
"""Frames by which the receiver's stamps may miss a whole number of them to tell how many were lost."""


def is_shared(frame: Frame) -> bool:
    """Whether the frame's sequence number runs through frames of other kinds as well."""
    part = frame.part("sequence")
    return part is not None and part.shared


def place_shared(kinds: Sequence[Sequence[Frames]], events: Sequence[Frames] = ()) -> list[list[Grid]]:
    """Place frames of several kinds that have one sequence number between them.

    By the ticks of each kind where it has them. Without ticks frames that arrived in a row tell how many of
    each kind there were; where frames are lost, the receiver's stamps tell how many of them were of a kind,
    where they jitter by less than a third of a frame, else each kind gets its share.

    Parameters
    ----------
    kinds : sequence of sequences of Frames
        The streams of each kind, with at least one frame.
    events : sequence of Frames
        Frames at no rate that the sequence counts as well.

    Returns
    -------
    list of lists of Grid
        As :func:`pipeline.timebase.place.place_kind` gives them.
    """
    placed = [_by_ticks(streams) for streams in kinds]
    if None not in placed:
        return [grids for grids in placed if grids is not None]
    runs, by_kind = _runs_of_all([*kinds, *([frames] for frames in events)])
    return [
        grids if grids is not None else _by_share(streams, runs, mine, len(runs.run))
        for grids, streams, mine in zip(placed, kinds, by_kind, strict=False)
    ]


def _by_ticks(streams: Sequence[Frames]) -> list[Grid] | None:
    """The grids of a kind by its ticks alone; None where it has none that advance with its samples."""
    order = order_of_dumps(streams[0])
    in_time = [_in_order(frames, order) for frames in streams]
    counters = make_counters(in_time[0], with_sequence=False)
    if counters.ticks is None or counters.arrival:
        return None
    runs = find_runs_by_ticks(counters, comparison(in_time[0]))
    size = round(counters.typical)
    counted = bool(np.all(counters.n_samples == size) and np.all(runs.position % size == 0))
    if counted:
        runs = replace(runs, position=runs.position // size)
    grids = make_grids(in_time, runs, counters, counted)
    if order is None:
        return grids
    return [as_listed(grid, frames, order) for grid, frames in zip(grids, streams, strict=True)]


def _in_order(frames: Frames, order: Ints | None) -> Frames:
    return frames if order is None else replace(frames, table=in_another_order(frames.table, order))


def _runs_of_all(kinds: Sequence[Sequence[Frames]]) -> tuple[Runs, list[Ints]]:
    """Runs and positions of the frames of all kinds in the order of arrival; and which are of each kind."""
    tables = [streams[0].table for streams in kinds]
    kind = np.repeat(np.arange(len(kinds)), [len(table) for table in tables])
    own = np.concatenate([np.arange(len(table)) for table in tables])
    dump, offset = (np.concatenate([getattr(table, name) for table in tables]) for name in ("dump", "offset"))
    order = np.lexsort((offset, dump))
    kind, own = kind[order], own[order]
    sequence = np.concatenate([table.sequence for table in tables])[order]
    comparisons = [comparison(streams[0]) for streams in kinds]

    def compare(first: int, second: int) -> bool | None:
        if kind[first] != kind[second]:
            return False
        return comparisons[int(kind[first])](int(own[first]), int(own[second]))

    counters = _counters([streams[0].stream.frame for streams in kinds], tables, sequence, order)
    return find_runs(counters, compare), [np.flatnonzero(kind == k) for k in range(len(kinds))]


def _counters(frames: list[Frame], tables: list[FrameTable], sequence: Ints, order: Ints) -> Counters:
    """Counters of frames of all kinds, each taken as one sample; with the receiver's stamps if each has."""
    part, n = frames[0].part("sequence"), len(sequence)
    bits = part.wraps_at_bits if part else 0
    limit, budget = budget_of(n)
    plain = Counters(
        sequence, bits, 1, None, None, 0.0, np.ones(n, dtype=np.int64), 1.0, limit=limit, budget=budget
    )
    received = [frame.part("received") for frame in frames]
    if not all(is_like(stamp, received[0]) for stamp in received) or received[0] is None or n < 2:
        return plain
    hz, stamp_bits = received[0].hz, received[0].wraps_at_bits or received[0].bits
    stamps = extend(np.concatenate([table.received for table in tables])[order], stamp_bits)
    follows = signed_difference(sequence[1:], sequence[:-1], bits) == 1
    nominal = max(float(stamps[-1] - stamps[0]) / n, 1e-9)
    rate = measure_tick_rate(stamps, plain.n_samples, follows, nominal, 0)
    stamps = without_delays(stamps, plain.n_samples, follows, rate, hz)
    slack = max(float(np.quantile(np.abs(rate.excess_of_steps(stamps, plain.n_samples[:-1])), 0.98)), hz)
    return replace(plain, ticks=stamps, rate=rate, tick_hz=hz, slack=slack, arrival=True, goes_on=True)


def is_like(one: Part | None, other: Part | None) -> bool:
    """Whether two counters are of the same clock, as far as the layout tells."""
    if one is None or other is None or not one.hz or not other.hz:
        return False
    return one.hz == other.hz


def _by_share(streams: Sequence[Frames], runs: Runs, mine: Ints, n_all: int) -> list[Grid]:
    """The grids of one kind, whose frames are at `mine` among those of all kinds."""
    lead = streams[0]
    arrival = np.lexsort((lead.table.offset, lead.table.dump))
    skipped = _skipped_by_stamps(lead, arrival)
    position = _own_positions(runs, mine, len(mine) / n_all, skipped)
    order = np.argsort(arrival, kind="stable")
    own = Runs(runs.run[mine][order], position[order], runs.absurd[mine][order], runs.reasons)
    counters = make_counters(lead)
    grids = make_grids(streams, own, replace(counters, unit=1, ticks=None, rate=None), True)
    if skipped is None and any(grid.n_lost_frames for grid in grids[:1]):
        grids[0] = replace(grids[0], frames=replace(lead, notes=(*lead.notes, _BY_SHARE)))
    return grids


def _skipped_by_stamps(lead: Frames, arrival: Ints) -> Ints | None:
    """Frames of the kind missing between each two that arrived, by the stamps; None if they cannot tell."""
    counters = make_counters(replace(lead, table=in_another_order(lead.table, arrival)), with_sequence=False)
    if counters.ticks is None or counters.rate is None or not counters.arrival or len(arrival) < 2:
        return None
    frame = counters.typical * counters.rate.per_sample
    excess = counters.rate.excess_of_steps(counters.ticks, counters.n_samples[:-1]) / frame
    whole = np.rint(excess)
    if float(np.quantile(np.abs(excess - whole), 0.95)) > _SURE:
        return None
    return whole.astype(np.int64)


def _own_positions(runs: Runs, mine: Ints, share: float, skipped: Ints | None) -> Ints:
    """Positions among the frames of one kind: those that arrived before, and those lost that were of it."""
    is_mine = np.zeros(len(runs.run), dtype=bool)
    is_mine[mine] = True
    order = np.lexsort((runs.position, runs.run))
    run, position = runs.run[order], runs.position[order]
    begins = np.diff(run, prepend=-2) != 0
    step = np.diff(position, prepend=0)
    lost = np.where(begins, 0, np.maximum(step - 1, 0))
    # of frames in one place only the first counts
    first = begins | (step > 0)
    n_before = np.cumsum(is_mine[order] & first)
    n_lost = np.rint(share * np.cumsum(lost)).astype(np.int64)
    if skipped is not None:
        n_lost = _lost_by_stamps(np.cumsum(lost), order, is_mine, skipped, share)
    found = np.empty(len(order), dtype=np.int64)
    found[order] = n_before + n_lost
    return found[mine]


def _lost_by_stamps(all_lost: Ints, order: Ints, is_mine: Bools, skipped: Ints, share: float) -> Ints:
    """Lost frames of the kind up to each frame: by the stamps, but no more than were lost of all kinds.

    Where frames did not arrive in their order the stamps between them say nothing: then it is their share.
    """
    places = np.flatnonzero(is_mine[order])
    nth = np.cumsum(is_mine)[order[places]] - 1
    between = np.diff(all_lost[places])
    own = np.rint(share * between).astype(np.int64)
    follows = np.flatnonzero(np.diff(nth) == 1)
    own[follows] = np.clip(skipped[nth[follows]], 0, between[follows])
    total = np.concatenate(([round(share * int(all_lost[places[0]]))], own)) if len(places) else own
    n_lost = np.zeros(len(order), dtype=np.int64)
    n_lost[places] = np.cumsum(total)
    return n_lost
