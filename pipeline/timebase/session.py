"""All frames of a session to time grids on one clock: one for each recording that will be written."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from pipeline.frames import Dump, Reading
from pipeline.timebase.grid import Grid
from pipeline.timebase.place import final_ledgers, place_frames


@dataclass(frozen=True)
class Placing:
    """The session in time.

    Attributes
    ----------
    grids : tuple of Grid
        One for each rate, the fastest first; second 0 is the first sample of the first one.
    dumps : tuple of Dump
        With their final ledgers, in the order of the sessions table.
    notes : tuple of str
        What a person should know of how it was read.
    """

    grids: tuple[Grid, ...]
    dumps: tuple[Dump, ...]
    notes: tuple[str, ...] = ()

    @property
    def main(self) -> Grid:
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
