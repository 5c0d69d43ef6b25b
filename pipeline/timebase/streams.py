"""All streams of one reading on one clock: that of its fastest samples."""

from dataclasses import dataclass, replace

import numpy as np

from pipeline.errors import Problem, Unreadable
from pipeline.frames import Frames, Reading
from pipeline.timebase.aligned import alongside, timed
from pipeline.timebase.clock import with_clock
from pipeline.timebase.device import is_calendar, ticks_hz
from pipeline.timebase.events import Events, place_events
from pipeline.timebase.grid import Grid, JoinedGrid
from pipeline.timebase.joining import join_kind, retimed
from pipeline.timebase.ledgers import Settled
from pipeline.timebase.place import place_kind
from pipeline.timebase.shared import is_shared, place_shared
from pipeline.timebase.times import Anchor, make_anchor, seconds_of


@dataclass(frozen=True)
class PlacedReading:
    """What the dumps of one layout are in time.

    Attributes
    ----------
    grids : tuple of Grid or JoinedGrid
        The main one first, then by falling rate.
    events : tuple of Events
        One for each stream of event frames.
    settled : tuple of Settled
        Of every stream: what its frames came to.
    notes : tuple of str
        What a person should know.
    device_start_s, receiver_start_s : float or None
        Seconds since 1970 of row 0 of the main grid.
    """

    grids: tuple[Grid | JoinedGrid, ...]
    events: tuple[Events, ...]
    settled: tuple[Settled, ...]
    notes: tuple[str, ...]
    device_start_s: float | None = None
    receiver_start_s: float | None = None

    @property
    def main(self) -> Grid | JoinedGrid:
        """The grid of the fastest channels."""
        return self.grids[0]


def place_reading(reading: Reading) -> PlacedReading:
    """Put all frames of one reading in their places, on the clock of its main stream.

    Raises
    ------
    Unreadable
        Where no frame holds samples that come at a rate.
    """
    placed = [grids for grids in _place_kinds(reading) if grids]
    if not placed:
        raise _nothing_but_events(reading)
    placed.sort(key=lambda grids: not len(grids[0].placed))
    main, receiver_start_s, notes = _main_grid(placed)
    event_frames = [f for f in reading.streams if f.stream.frame.is_event and len(f.table)]
    alone = len(placed) == len(main.parts) and not event_frames
    anchor = make_anchor(_as_part(main, main.parts[0])) if main.n_rows and not alone else None
    slower, more = _by_rate(_others(placed, main, anchor), main)
    events, settled = place_events(event_frames, anchor, main) if anchor else ((), ())
    own = [Settled(grid.frames, grid.duplicate, grid.absurd) for grids in placed for grid in grids]
    said = [note for grids in placed for grid in grids for note in grid.frames.notes]
    return PlacedReading(
        grids=(main, *slower),
        events=events,
        settled=(*own, *settled),
        notes=tuple(dict.fromkeys([*reading.notes, *said, *main.parts[0].frames.notes, *notes, *more])),
        device_start_s=_device_start_s(main),
        receiver_start_s=receiver_start_s,
    )


def _nothing_but_events(reading: Reading) -> Unreadable:
    remedy = "Look whether the layout describes the frames that carry the signal."
    name = reading.dumps[0].name if reading.dumps else ""
    return Unreadable(Problem(name, "", "frames with samples at a rate", "frames of events alone", remedy))


def _place_kinds(reading: Reading) -> list[list[Grid]]:
    """The grids of each kind of frame at a rate, in the order of the streams, on clocks of their own."""
    kinds = dict[int, list[Frames]]()
    for frames in reading.streams:
        if len(frames.table) and not frames.stream.frame.is_event:
            kinds.setdefault(id(frames.stream.frame), []).append(frames)
    streams = list(kinds.values())
    together = [group for group in streams if is_shared(group[0].stream.frame)]
    events = [
        frames
        for frames in reading.streams
        if len(frames.table) and frames.stream.frame.is_event and is_shared(frames.stream.frame)
    ]
    shared = dict(zip(map(id, together), place_shared(together, events), strict=True)) if together else {}
    return [shared.get(id(group)) or place_kind(group) for group in streams]


def _main_grid(placed: list[list[Grid]]) -> tuple[Grid | JoinedGrid, float | None, list[str]]:
    """The grid of the fastest stream on its corrected clock, with the kinds that run alike."""
    given = with_clock(placed[0][0])
    placed[0][0] = given.grid
    main: Grid | JoinedGrid = given.grid
    start_s, notes = given.receiver_start_s, list[str]()
    rivals = [grids for grids in placed[1:] if grids[0].sample_hz == main.sample_hz and grids[0].n_rows]
    if not rivals or not main.n_rows:
        return main, start_s, notes
    anchor = make_anchor(given.grid)
    for grids in rivals:
        seconds = seconds_of(anchor, grids[0].frames, grids[0].placed)
        other = timed(grids[0], seconds, main)
        joined = join_kind(main, other, seconds.run if main is given.grid else None)
        if joined is None:
            notes.append(_runs_apart(other, main))
            continue
        notes.append(_runs_along(joined.parts[-1]))
        if _has_moved(main, joined):
            joined, start_s = retimed(joined)
        main = joined
    return main, start_s, notes


def _has_moved(before: Grid | JoinedGrid, joined: JoinedGrid) -> bool:
    same = np.array_equal(before.parts[0].start_row, joined.parts[0].start_row)
    return not same or before.n_rows != joined.n_rows


def _runs_along(part: Grid) -> str:
    name, delay_ms = part.frames.stream.frame.name, part.delay_s * 1e3
    when = "with them"
    if abs(delay_ms) > 0.005:
        when = f"{abs(delay_ms):.2f} ms {'after' if delay_ms > 0 else 'before'} them"
    return f"Samples of '{name}' stand in the nearest rows of the others; they were taken {when}."


def _runs_apart(other: Grid, main: Grid | JoinedGrid) -> str:
    name, own_hz = other.frames.stream.frame.name, other.clock.rate_hz or other.sample_hz
    rate_hz = main.clock.rate_hz or main.sample_hz
    return (
        f"Samples of '{name}' have a recording of their own: the layout gives both {main.sample_hz:g} Hz, "
        f"but they do not stay within half a sample of the others ({own_hz:.7g} Hz beside {rate_hz:.7g} Hz)."
    )


def _as_part(whole: Grid | JoinedGrid, part: Grid) -> Grid:
    """One part of a grid with what is known of the whole."""
    return replace(part, clock=whole.clock, restarts=whole.restarts, breaks=whole.breaks, steps=whole.steps)


def _others(placed: list[list[Grid]], main: Grid | JoinedGrid, anchor: Anchor | None) -> list[Grid]:
    """The grids of all streams that are not in the main one, on its clock."""
    inside = {id(part.frames.counts): part for part in main.parts}
    others = list[Grid]()
    for grids in placed:
        lead = grids[0]
        part = inside.get(id(lead.frames.counts))
        if part is not None:
            lead = _as_part(main, part)
        elif anchor is not None and len(lead.placed):
            lead = timed(lead, seconds_of(anchor, lead.frames, lead.placed), main)
            others.append(lead)
        others += [alongside(grid, lead) for grid in grids[1:] if len(grid.placed)]
    return others


def _by_rate(others: list[Grid], main: Grid | JoinedGrid) -> tuple[list[Grid | JoinedGrid], list[str]]:
    """One grid for each rate, fastest first, as far as grids of one rate run alike."""
    found, notes = list[Grid | JoinedGrid](), list[str]()
    for grid in sorted(others, key=lambda grid: -grid.sample_hz):
        same = [k for k, other in enumerate(found) if other.sample_hz == grid.sample_hz]
        joined = join_kind(found[same[0]], grid) if same else None
        if joined is not None:
            found[same[0]] = joined
            notes.append(_runs_along(joined.parts[-1]))
        else:
            notes += [_runs_apart(grid, found[same[0]])] if same else []
            found.append(grid)
    return found, notes


def _device_start_s(main: Grid | JoinedGrid) -> float | None:
    """When row 0 was sampled by ticks of a calendar."""
    part = main.parts[0]
    ticks, hz = part.frames.stream.frame.part("ticks"), ticks_hz(part.frames)
    if not len(part.placed) or ticks is None or not is_calendar(ticks) or not hz or part.rate is None:
        return None
    first_s = float(main.clock.time_s(part.start_row[:1])[0])
    return float((ticks.epoch_s or 0.0) + part.frames.table.ticks[part.placed[0]] / hz - first_s)
