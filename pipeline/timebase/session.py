"""All frames of a session to time grids on one clock: one for each recording that will be written."""

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.frames import Dump, Reading
from pipeline.timebase.events import Events
from pipeline.timebase.grid import Grid, JoinedGrid
from pipeline.timebase.ledgers import settle
from pipeline.timebase.streams import place_reading


@dataclass(frozen=True)
class Placing:
    """The session in time.

    Attributes
    ----------
    grids : tuple of Grid
        The main one first, then by falling rate; second 0 is the first row of the first one.
    dumps : tuple of Dump
        With their final ledgers, in the order of the sessions table.
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
    """
    placed = place_reading(readings[0])
    return Placing(
        grids=placed.grids,
        dumps=settle(placed.settled),
        notes=placed.notes,
        events=placed.events,
        device_start_s=placed.device_start_s,
        receiver_start_s=placed.receiver_start_s,
    )
