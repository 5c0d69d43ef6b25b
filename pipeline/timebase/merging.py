"""Several readings of one wearing made one: what one lost comes from another, each sample once."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.timebase.aligned import rows_at
from pipeline.timebase.device import ticks_hz
from pipeline.timebase.events import Events, merged_events
from pipeline.timebase.grid import Grid, JoinedGrid
from pipeline.timebase.joining import join_kind, retimed, woven_grid
from pipeline.timebase.knots import increasing
from pipeline.timebase.ledgers import Settled
from pipeline.timebase.matching import AnyGrid, match_rows
from pipeline.timebase.sequence import Floats, Ints
from pipeline.timebase.stamps import stamps_of
from pipeline.timebase.streams import PlacedReading
from pipeline.timebase.weave import Segment, Shift, Woven, moved, weave


@dataclass(frozen=True)
class _Move:
    """How rows and seconds of one reading's main grid become those of the whole."""

    before: AnyGrid
    shift: Shift
    after: AnyGrid

    def seconds(self, second: Floats) -> Floats:
        """Seconds on the clock of the whole."""
        row = rows_at(self.before.clock, second)
        which = np.searchsorted(self.shift.begin, np.floor(row + 1e-6), side="right") - 1
        row = row + self.shift.by[np.maximum(which, 0)]
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
    order = sorted(range(len(placed)), key=lambda k: (-n_present(placed[k].main), k))
    whole = placed[order[0]]
    for k in order[1:]:
        whole = _merge_two(whole, placed[k])
    return whole


def n_present(grid: AnyGrid) -> int:
    """Samples that a grid has, of all channels."""
    sizes = (part.frames.table.n_samples[part.placed].sum() * len(part.channels) for part in grid.parts)
    return int(sum(sizes))


def _merge_two(base: PlacedReading, other: PlacedReading) -> PlacedReading:
    both = base.main.sample_hz == other.main.sample_hz
    segments = match_rows(base.main, other.main) if both else None
    woven = _woven(base.main, other.main, segments)
    if woven is None:
        return _left_out(base, other)
    main, start_s = _merged_main(base, other, woven)
    moves = (_Move(base.main, woven.base, main), _Move(other.main, woven.other, main))
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


def _woven(base: AnyGrid, other: AnyGrid, segments: Sequence[Segment] | None) -> Woven | None:
    return weave(base.n_rows, base.restarts, segments, other.restarts) if segments else None


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


def _merged_main(base: PlacedReading, other: PlacedReading, woven: Woven) -> tuple[JoinedGrid, float | None]:
    """The main grid of both, on the corrected clock; and the second of its row 0 by the receiver."""
    mine = [moved(part, woven.base, woven) for part in base.main.parts]
    theirs = [moved(part, woven.other, woven) for part in other.main.parts]
    stamped = next((stamps for part in (*mine, *theirs) if (stamps := stamps_of(part))), None)
    ticked = next((part for part in (*mine, *theirs) if part.rate and ticks_hz(part.frames)), mine[0])
    joined = JoinedGrid(
        (*mine, *(_needed(part, mine) for part in theirs)),
        woven.n_rows,
        base.main.clock,
        restarts=woven.restarts,
    )
    n_lost, n_expected = _lost(joined, base.main)
    joined = replace(joined, n_lost_frames=n_lost, n_expected_frames=n_expected)
    return retimed(joined, stamped, ticked)


def _needed(part: Grid, base: Sequence[Grid]) -> Grid:
    """A part without the frames all of whose samples the base has; they count as duplicates."""
    names = {channel.name for channel in part.channels}
    covering = [own for own in base if names <= {channel.name for channel in own.channels}]
    start, stop = _gaps(covering, part.n_rows)
    ends = part.start_row + part.frames.table.n_samples[part.placed]
    place = np.searchsorted(stop, part.start_row, side="right")
    nearest = np.append(start, part.n_rows + 1)[place]
    covered = nearest >= ends
    duplicate = part.duplicate.copy()
    duplicate[part.placed[covered]] = True
    return replace(
        part, placed=part.placed[~covered], start_row=part.start_row[~covered], duplicate=duplicate
    )


def _gaps(parts: Sequence[Grid], n_rows: int) -> tuple[Ints, Ints]:
    """Rows [start, stop) that none of the parts has."""
    starts = np.concatenate([part.start_row for part in parts] or [np.zeros(0, dtype=np.int64)])
    sizes = [part.frames.table.n_samples[part.placed] for part in parts]
    stops = starts + np.concatenate(sizes or [np.zeros(0, dtype=np.int64)])
    order = np.argsort(starts, kind="stable")
    start = np.append(starts[order], n_rows)
    reached = np.concatenate((np.zeros(1, dtype=np.int64), np.maximum.accumulate(stops[order])))
    open_ = start > reached
    return reached[open_], start[open_]


def _lost(joined: JoinedGrid, base: AnyGrid) -> tuple[int, int]:
    """Frames that are lost in all readings, and that were expected, in frames of the base."""
    if not base.n_expected_frames or not base.n_rows:
        return 0, 0
    names = {channel.name for channel in base.parts[0].channels}
    same = [part for part in joined.parts if names <= {channel.name for channel in part.channels}]
    start, stop = _gaps(same, joined.n_rows)
    per_row = base.n_expected_frames / base.n_rows
    return round(int((stop - start).sum()) * per_row), round(joined.n_rows * per_row)


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
    woven = _woven(base, other, match_rows(base, other))
    if woven is None:
        joined: AnyGrid | None = base
        for part in other.parts:
            own = replace(part, clock=other.clock, restarts=other.restarts)
            joined = join_kind(joined, own) if joined is not None else None
        if joined is None:
            return None
    else:
        mine = [moved(part, woven.base, woven) for part in base.parts]
        joined = woven_grid(base, [*mine, *(moved(part, woven.other, woven) for part in other.parts)], woven)
    n = len(base.parts)
    mine = list(joined.parts[:n])
    whole = JoinedGrid(
        (*mine, *(_needed(part, mine) for part in joined.parts[n:])),
        joined.n_rows,
        joined.clock,
        restarts=joined.restarts,
        breaks=joined.breaks,
        steps=joined.steps,
    )
    n_lost, n_expected = _lost(whole, base)
    return replace(whole, n_lost_frames=n_lost, n_expected_frames=n_expected)


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
