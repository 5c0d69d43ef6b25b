"""Frames to counts on one time grid: sequence numbers, order, duplicates, losses, clock."""

from pipeline.timebase.events import Events
from pipeline.timebase.grid import (
    BLOCK_ROWS,
    Clock,
    ClockBreak,
    ClockSource,
    ClockStep,
    Grid,
    JoinedGrid,
    Restart,
)
from pipeline.timebase.ledgers import final_ledgers
from pipeline.timebase.place import place_frames
from pipeline.timebase.session import Placing, place_session

__all__ = [
    "BLOCK_ROWS",
    "Clock",
    "ClockBreak",
    "ClockSource",
    "ClockStep",
    "Events",
    "Grid",
    "JoinedGrid",
    "Placing",
    "Restart",
    "final_ledgers",
    "place_frames",
    "place_session",
]
