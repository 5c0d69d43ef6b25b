"""All frames of a session to time grids on one clock: one for each recording that will be written."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from pipeline.frames import Dump, Reading
from pipeline.layouts import Channel
from pipeline.timebase.grid import Grid, JoinedGrid
from pipeline.timebase.ledgers import final_ledgers
from pipeline.timebase.place import place_frames


@dataclass(frozen=True)
class Events:
    """The event frames of one stream, in the order of time; frames of several rows count as several.

    Attributes
    ----------
    kind : str
        The name of the kind of frame.
    channels : tuple of Channel
        The columns of the counts.
    time_s : float64, shape (n,)
        Seconds since row 0 of the main grid; negative before it.
    row : int64, shape (n,)
        The main grid's row that is nearest in time.
    counts : integers, shape (n, channels)
        As decoded.
    """

    kind: str
    channels: tuple[Channel, ...]
    time_s: npt.NDArray[np.float64]
    row: npt.NDArray[np.int64]
    counts: npt.NDArray[np.integer]


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
    reading = readings[0]
    grids = tuple(place_frames(frames) for frames in reading.streams if len(frames.table))
    notes = [*reading.notes]
    for grid in grids:
        notes += [note for note in grid.frames.notes if note not in notes]
    return Placing(tuple(replace(grid) for grid in grids), final_ledgers(grids), tuple(notes))
