"""All kinds of frame of one layout, and which of them a place in the dump might begin."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from pipeline.frames.checksum import Bytes, check_spans, numbers_at
from pipeline.frames.shape import Bools, Ints, Shape, shapes_of
from pipeline.layouts import Layout

UNKNOWN = -1
"""Kind of a frame whose kind part names none."""


@dataclass(frozen=True)
class Kinds:
    """The shapes of all kinds, in the layout's order."""

    shapes: tuple[Shape, ...]

    @cached_property
    def patterns(self) -> tuple[bytes, ...]:
        """The sync patterns, each once."""
        return tuple(dict.fromkeys(shape.sync for shape in self.shapes))

    @cached_property
    def longest_pattern(self) -> int:
        """Bytes of the longest sync pattern."""
        return max(len(pattern) for pattern in self.patterns)

    @cached_property
    def max_bytes(self) -> int:
        """Bytes of the longest frame of any kind."""
        return max(shape.max_bytes for shape in self.shapes)

    @cached_property
    def are_checked(self) -> Bools:
        """Whether each kind has a checksum; the last entry, which `UNKNOWN` finds, says it of all of them."""
        each = [shape.checksum is not None for shape in self.shapes]
        return np.array([*each, all(each)])

    def of(self, pattern: bytes) -> list[tuple[int, Shape]]:
        """The kinds that begin with a pattern, with their numbers."""
        return [(k, shape) for k, shape in enumerate(self.shapes) if shape.sync == pattern]


def kinds_of(layout: Layout) -> Kinds:
    """The kinds of a binary layout."""
    return Kinds(shapes_of(layout))


def checked(block: Bytes, starts: Ints, stops: Ints, shape: Shape) -> Bools:
    """Whether the checksum of each frame [start, stop) of that kind fits."""
    return checked_apart(block, starts, stops - _check_bytes(shape), stops, shape)


def checked_apart(block: Bytes, starts: Ints, covered_to: Ints, stops: Ints, shape: Shape) -> Bools:
    """The same where the checksum ends at `stops` and covers the bytes up to `covered_to`."""
    part = shape.checksum
    if part is None or part.checksum is None:
        raise ValueError("the layout has no checksum")
    stored = numbers_at(block, stops - part.n_bytes, part.n_bytes, part.byte_order == "big")
    computed = check_spans(block, starts + shape.covered_from, covered_to, part.checksum)
    return np.asarray(computed == stored)


def _check_bytes(shape: Shape) -> int:
    return shape.checksum.n_bytes if shape.checksum else 0
