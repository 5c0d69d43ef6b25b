"""All frames of a session to time grids on one clock: one for each recording that will be written."""

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.errors import Problem, Unreadable
from pipeline.frames import Dump, Reading
from pipeline.timebase.events import Events
from pipeline.timebase.grid import Grid, JoinedGrid
from pipeline.timebase.ledgers import settle
from pipeline.timebase.merging import merge_readings
from pipeline.timebase.streams import PlacedReading, place_reading


@dataclass(frozen=True)
class Placing:
    """The session in time.

    Attributes
    ----------
    grids : tuple of Grid
        The main one first, then by falling rate; second 0 is the first row of the first one.
    dumps : tuple of Dump
        With their final ledgers, reading by reading.
    notes : tuple of str
        What a person should know of how it was read.
    events : tuple of Events
        Frames that come at no rate.
    device_start_s, receiver_start_s : float or None
        Seconds since 1970 (UTC) of row 0 of the main grid, by the device's own clock and by the
        receiver's; None where the dumps carry no such clock.
    """

    grids: tuple[Grid | JoinedGrid, ...]
    dumps: tuple[Dump, ...]
    notes: tuple[str, ...] = ()
    events: tuple[Events, ...] = ()
    device_start_s: float | None = None
    receiver_start_s: float | None = None

    @property
    def main(self) -> Grid | JoinedGrid:
        """The grid of the fastest channels."""
        return self.grids[0]


def place_session(readings: Sequence[Reading]) -> Placing:
    """Put all frames of a session in their places.

    Parameters
    ----------
    readings : sequence of Reading
        One for each layout that the session's dumps have; at least one.

    Raises
    ------
    Unreadable
        Where no reading has samples at a rate.
    """
    found, problems = list[PlacedReading](), list[Problem]()
    for reading in readings:
        try:
            found.append(place_reading(reading))
        except Unreadable as error:
            problems.append(error.problem)
    if not found:
        raise Unreadable(problems[0])
    placed = merge_readings(found)
    return Placing(
        grids=placed.grids,
        dumps=tuple(dump for reading in readings for dump in _dumps_of(reading, placed)),
        notes=(
            *placed.notes,
            *(f"{problem} The other dumps of the session were read." for problem in problems),
        ),
        events=placed.events,
        device_start_s=placed.device_start_s,
        receiver_start_s=placed.receiver_start_s,
    )


def _dumps_of(reading: Reading, placed: PlacedReading) -> tuple[Dump, ...]:
    """The dumps of one reading with their final ledgers."""
    own = [settled for settled in placed.settled if settled.frames.dumps == reading.dumps]
    return settle(own) if own else reading.dumps
