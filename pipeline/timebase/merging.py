"""Several readings of one wearing made one: what one lost comes from another, each sample once."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.frames.room import blocks_of
from pipeline.timebase.aligned import rows_at
from pipeline.timebase.device import ticks_hz
from pipeline.timebase.events import Events, merged_events
from pipeline.timebase.grid import Grid, JoinedGrid
from pipeline.timebase.joining import join_kind, retimed
from pipeline.timebase.knots import increasing
from pipeline.timebase.laying import Laid, frames_lost, lay, needed
from pipeline.timebase.ledgers import Settled
from pipeline.timebase.matching import AnyGrid
from pipeline.timebase.sequence import Floats
from pipeline.timebase.stamps import stamps_of
from pipeline.timebase.streams import PlacedReading
from pipeline.timebase.weave import Shift


@dataclass(frozen=True)
class _Move:
    """How rows and seconds of one reading's main grid become those of the whole."""

    before: AnyGrid
    way: tuple[Shift, ...]
    after: AnyGrid

    def seconds(self, second: Floats) -> Floats:
        """Seconds on the clock of the whole."""
        row = rows_at(self.before.clock, second)
        for shift in self.way:
            which = np.searchsorted(shift.begin, np.floor(row + 1e-6), side="right") - 1
            row = row + shift.by[np.maximum(which, 0)]
        return self.after.clock.time_s(row)

    def grid(self, grid: AnyGrid) -> AnyGrid:
        """A grid of another rate on the clock of the whole."""
        clock = grid.clock
        second = self.seconds(clock.knot_s)
        rate_hz = clock.rate_hz or grid.sample_hz
        second = increasing(clock.knot_row, second, 1 / rate_hz)
        return replace(grid, clock=replace(clock, source=self.after.clock.source, knot_s=second))


def merge_readings(placed: Sequence[PlacedReading]) -> PlacedReading:
    """Make one of the readings of several layouts.

    Parameters
    ----------
    placed : sequence of PlacedReading
        At least one. The one with the most samples is the base; the others are laid on it in turn, by the
        channels of the same name and rate, whose counts must be equal where both have them.

    Returns
    -------
    PlacedReading
        On the clock of whichever has the receiver's stamps, else of whichever has ticks. Frames all of whose
        samples another reading has are duplicates. A reading that cannot be laid on the base is left out,
        with a note.
    """
    # rows of which a counter tells what is lost are the better frame for others
    order = sorted(
        range(len(placed)),
        key=lambda k: (not placed[k].main.n_expected_frames, -n_present(placed[k].main), k),
    )
    whole = placed[order[0]]
    for k in order[1:]:
        whole = _merge_two(whole, placed[k])
    return whole


def n_present(grid: AnyGrid) -> int:
    """Samples that a grid has, of all channels."""
    return sum(_n_rows_of(part) * len(part.channels) for part in grid.parts)


def _n_rows_of(part: Grid) -> int:
    n_samples = part.frames.table.n_samples
    return sum(int(n_samples[part.placed[block]].sum()) for block in blocks_of(len(part.placed)))


def _merge_two(base: PlacedReading, other: PlacedReading) -> PlacedReading:
    laid = lay(base.main, other.main) if base.main.sample_hz == other.main.sample_hz else None
    if laid is None:
        return _left_out(base, other)
    main, start_s = _merged_main(base.main, laid)
    moves = (_Move(base.main, laid.my_way, main), _Move(other.main, laid.their_way, main))
    grids, notes = _merged_others(base, other, moves)
    parts = [part for grid in (main, *grids) for part in grid.parts]
    mine, theirs = (
        [_moved_events(events, move, main) for events in reading.events]
        for reading, move in zip((base, other), moves, strict=True)
    )
    events, again = merged_events(mine, theirs)
    return PlacedReading(
        grids=(main, *grids),
        events=events,
        settled=tuple(_settled(own, parts, again) for own in (*base.settled, *other.settled)),
        notes=tuple(dict.fromkeys([*base.notes, *other.notes, *notes])),
        device_start_s=_start_s(base.device_start_s, moves[0]) or _start_s(other.device_start_s, moves[1]),
        receiver_start_s=start_s,
    )


def _left_out(base: PlacedReading, other: PlacedReading) -> PlacedReading:
    """The base alone, and why."""
    names = ", ".join(dump.name for dump in other.settled[0].frames.dumps)
    common = {channel.name for channel in base.main.channels} & {c.name for c in other.main.channels}
    if base.main.sample_hz != other.main.sample_hz:
        why = f"its samples come at {other.main.sample_hz:g} Hz, the others at {base.main.sample_hz:g} Hz"
    elif not common:
        why = "it has no channel in common with them by name"
    else:
        why = "their counts are not those of one wearing where both ought to have them"
    note = f"{names}: could not be laid on the samples of the other dumps and was left out: {why}."
    return replace(base, settled=(*base.settled, *other.settled), notes=(*base.notes, *other.notes, note))


def _merged_main(base: AnyGrid, laid: Laid) -> tuple[JoinedGrid, float | None]:
    """The main grid of both, on the corrected clock; and the second of its row 0 by the receiver."""
    every = (*laid.mine, *laid.theirs)
    stamped = next((stamps for part in every if (stamps := stamps_of(part))), None)
    ticked = next((part for part in every if part.rate and ticks_hz(part.frames)), laid.mine[0])
    return retimed(_whole(base, laid), stamped, ticked)


def _whole(base: AnyGrid, laid: Laid) -> JoinedGrid:
    """Both grids as one, without the frames that are not needed; on a clock that is still the base's."""
    parts = (*laid.mine, *(needed(part, laid.mine) for part in laid.theirs))
    joined = JoinedGrid(parts, laid.n_rows, base.clock, restarts=laid.restarts)
    n_lost, n_expected = frames_lost(joined, base)
    return replace(joined, n_lost_frames=n_lost, n_expected_frames=n_expected)


def _merged_others(
    base: PlacedReading, other: PlacedReading, moves: tuple[_Move, _Move]
) -> tuple[list[AnyGrid], list[str]]:
    """The grids of other rates of both, one for each rate as far as they go together."""
    found, notes = [moves[0].grid(grid) for grid in base.grids[1:]], list[str]()
    for grid in (moves[1].grid(grid) for grid in other.grids[1:]):
        same = next((k for k, own in enumerate(found) if own.sample_hz == grid.sample_hz), None)
        merged = _merge_slower(found[same], grid) if same is not None else None
        if same is not None and merged is not None:
            found[same] = merged
        elif same is None:
            found.append(grid)
        else:
            name = grid.frames.dumps[0].name
            notes.append(
                f"{name}: its samples at {grid.sample_hz:g} Hz do not fit the others; they were left out."
            )
    return sorted(found, key=lambda grid: -grid.sample_hz), notes


def _merge_slower(base: AnyGrid, other: AnyGrid) -> AnyGrid | None:
    """Grids of one rate that is not the main one, by their counts, else by their seconds."""
    laid = lay(base, other)
    if laid is None:
        joined: AnyGrid | None = base
        for part in other.parts:
            own = replace(part, clock=other.clock, restarts=other.restarts)
            joined = join_kind(joined, own) if joined is not None else None
        if joined is None:
            return None
        n = len(base.parts)
        laid = Laid(joined.parts[:n], joined.parts[n:], joined.n_rows, joined.restarts, (), ())
        return replace(_whole(base, laid), clock=joined.clock, breaks=joined.breaks, steps=joined.steps)
    clock, breaks, steps = base.clock, base.breaks, base.steps
    off = {restart.row: restart.off_s for restart in base.restarts}
    for shift in laid.my_way:
        knots = np.searchsorted(shift.begin, clock.knot_row, side="right") - 1
        clock = replace(clock, knot_row=clock.knot_row + shift.by[np.maximum(knots, 0)])
        breaks = tuple(replace(pause, row=shift.row_of(pause.row)) for pause in breaks)
        steps = tuple(replace(step, row=shift.row_of(step.row)) for step in steps)
        off = {shift.row_of(row): off_s for row, off_s in off.items()}
    restarts = tuple(replace(restart, off_s=off.get(restart.row)) for restart in laid.restarts)
    return replace(_whole(base, laid), clock=clock, breaks=breaks, steps=steps, restarts=restarts)


def _moved_events(events: Events, move: _Move, main: AnyGrid) -> Events:
    time_s = move.seconds(events.time_s)
    row = np.clip(np.rint(rows_at(main.clock, time_s)), 0, max(main.n_rows - 1, 0)).astype(np.int64)
    return replace(events, time_s=time_s, row=row)


def _settled(own: Settled, parts: Sequence[Grid], again: Sequence[Events]) -> Settled:
    """What became of a stream's frames, where the merging did not need them."""
    for part in parts:
        if part.frames.counts is own.frames.counts:
            return replace(own, duplicate=part.duplicate)
    duplicate = own.duplicate.copy()
    for events in again:
        if events.frames.counts is own.frames.counts:
            duplicate[events.frame] = True
    return replace(own, duplicate=duplicate)


def _start_s(start_s: float | None, move: _Move) -> float | None:
    """The second since 1970 of row 0 of the whole, from that of row 0 of one reading."""
    return None if start_s is None else start_s - float(move.seconds(np.zeros(1))[0])
