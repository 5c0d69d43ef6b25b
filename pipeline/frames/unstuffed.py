"""Packets as they were before byte stuffing."""

from dataclasses import dataclass

import numpy as np

from pipeline.frames.checksum import Bytes
from pipeline.frames.shape import Bools, Ints


@dataclass(frozen=True)
class Unstuffed:
    """Packets [start, stop) of a buffer, and whether the stuffing of each followed its rules."""

    buffer: Bytes
    starts: Ints
    stops: Ints
    intact: Bools


def without(buffer: Bytes, removed: Ints, starts: Ints, stops: Ints, intact: Bools) -> Unstuffed:
    """The packets once the bytes at `removed` (rising) are taken out."""
    if not len(removed):
        return Unstuffed(buffer, starts, stops, intact)
    kept = np.ones(len(buffer), dtype=bool)
    kept[removed] = False
    starts, stops = (at - np.searchsorted(removed, at) for at in (starts, stops))
    return Unstuffed(buffer[kept], starts, stops, intact)
