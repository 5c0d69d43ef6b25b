"""What a detector returns: intervals, measures, and the samples it marks."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from pipeline.detectors.lines import Line

Severity = Literal["note", "warning", "fault"]

MOST_LISTED = 200
"""Findings of one detector about one channel that are listed one by one; the marks have all of them."""


@dataclass(frozen=True)
class Finding:
    """An interval in which a detector saw something, with the measured value.

    ``channel`` is None where it concerns all channels. ``value`` and ``limit`` are in ``unit`` (UCUM)
    and None where they cannot be had. ``explanation`` is one sentence that a person can act on.
    """

    detector: str
    channel: str | None
    start_s: float
    stop_s: float
    severity: Severity
    measure: str
    value: float | None
    limit: float | None
    unit: str
    explanation: str


@dataclass(frozen=True)
class Measure:
    """A number that describes the whole recording; ``absent`` says why where there is none.

    ``out_of``: how many samples, windows or seconds a share or a mean is of, so that parts of a long
    recording can be counted together.
    """

    name: str
    value: float | None
    unit: str
    channel: str | None = None
    absent: str = ""
    out_of: int | None = None


@dataclass(frozen=True)
class Spans:
    """Disjoint ascending half-open sample ranges [start, stop); both arrays int64 of equal length."""

    start: npt.NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    stop: npt.NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))

    @property
    def n_samples(self) -> int:
        """Samples in all spans together."""
        return int((self.stop - self.start).sum())

    def __len__(self) -> int:
        return len(self.start)

    @staticmethod
    def of_mask(mask: npt.NDArray[np.bool_], first: int = 0) -> "Spans":
        """Runs of True in `mask`, whose element 0 is sample `first`."""
        edges = np.flatnonzero(np.diff(mask.astype(np.int8), prepend=0, append=0)).astype(np.int64)
        return Spans(edges[::2] + first, edges[1::2] + first)

    @staticmethod
    def merged(*several: "Spans", bridge: int = 0) -> "Spans":
        """Union of `several`; gaps of at most `bridge` samples are closed."""
        start = np.concatenate([spans.start for spans in several] or [np.empty(0, np.int64)])
        stop = np.concatenate([spans.stop for spans in several] or [np.empty(0, np.int64)])
        if not len(start):
            return Spans()
        order = np.argsort(start, kind="stable")
        start, reach = start[order], np.maximum.accumulate(stop[order])
        begins = np.flatnonzero(np.concatenate(([True], start[1:] > reach[:-1] + bridge)))
        return Spans(start[begins], reach[np.concatenate((begins[1:] - 1, [len(reach) - 1]))])

    def pairs(self) -> list[tuple[int, int]]:
        """First sample of each span and the one behind its last."""
        return list(zip(self.start.tolist(), self.stop.tolist(), strict=True))

    def where(self, mask: npt.NDArray[np.bool_]) -> "Spans":
        """Those for which `mask` holds."""
        return Spans(self.start[mask], self.stop[mask])

    def clipped(self, low: int, high: int) -> "Spans":
        """The parts of the spans that lie in [low, high)."""
        first = int(np.searchsorted(self.stop, low, side="right"))
        near = slice(first, max(int(np.searchsorted(self.start, high)), first))
        start, stop = np.maximum(self.start[near], low), np.minimum(self.stop[near], high)
        keep = stop > start
        return Spans(start[keep], stop[keep])

    def n_within(self, others: "Spans") -> npt.NDArray[np.int64]:
        """How many samples of these spans lie in each of `others`, which may overlap; shape (others,)."""
        if not len(self):
            return np.zeros(len(others), np.int64)
        until = np.concatenate(([0], np.cumsum(self.stop - self.start)))

        def before(at: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
            k = np.searchsorted(self.start, at, side="right") - 1
            inside = np.minimum(at, self.stop[np.maximum(k, 0)]) - self.start[np.maximum(k, 0)]
            return np.where(k >= 0, until[np.maximum(k, 0)] + inside, 0)

        return np.asarray(before(others.stop) - before(others.start), dtype=np.int64)

    def stretched(self, factor: int) -> "Spans":
        """Spans of windows as spans of samples, `factor` samples to a window."""
        return Spans(self.start * factor, self.stop * factor)

    def without(self, other: "Spans") -> "Spans":
        """The parts of the spans that lie in none of `other`."""
        if not len(self) or not len(other):
            return self
        edges = np.unique(np.concatenate((self.start, self.stop, other.start, other.stop)))
        low, high = edges[:-1], edges[1:]
        keep = self._holds(low) & ~other._holds(low)
        return Spans.merged(Spans(low[keep], high[keep]))

    def split(self, cuts: Iterable[int]) -> "Spans":
        """The same samples, with an edge at every one of `cuts` that lies inside a span."""
        inside = np.array([cut for cut in sorted(set(cuts)) if self._holds(np.array([cut]))[0]], np.int64)
        start = np.union1d(self.start, inside)
        return Spans(start, np.union1d(self.stop, inside)) if len(inside) else self

    def _holds(self, at: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
        """Whether each position lies in a span."""
        k = np.searchsorted(self.start, at, side="right") - 1
        return (k >= 0) & (self.stop[np.maximum(k, 0)] > at) if len(self) else np.zeros(len(at), bool)

    def mask(self, start: int, stop: int) -> npt.NDArray[np.bool_]:
        """For each sample in [start, stop), whether it lies in a span."""
        inside = self.clipped(start, stop)
        steps = np.zeros(stop - start + 1, np.int32)
        np.add.at(steps, inside.start - start, 1)
        np.add.at(steps, inside.stop - start, -1)
        return np.cumsum(steps[:-1]) > 0


def listed(spans: Spans, said: Callable[[int, int], Finding], most: int = MOST_LISTED) -> tuple[Finding, ...]:
    """What is ``said`` of each of the spans; of more than `most`, the last one counts those that are left.

    Whoever sends a signal that clips all day gets a list that can be read, and a file of bounded size.
    """
    pairs = spans.pairs()
    rest = Spans(spans.start[most:], spans.stop[most:])
    one_by_one = tuple(said(start, stop) for start, stop in pairs[:most])
    if len(rest) < 2:
        return (*one_by_one, *(said(start, stop) for start, stop in rest.pairs()))
    first, last = said(*pairs[most]), said(*pairs[-1])
    longest = said(*pairs[most + int(np.argmax(rest.stop - rest.start))])
    text = (
        f"{len(rest)} more of this kind until {last.stop_s:.1f} s are counted here, not listed one by one; "
        f"of the longest, from {longest.start_s:.1f} s on: {longest.explanation}"
    )
    return (*one_by_one, replace(longest, start_s=first.start_s, stop_s=last.stop_s, explanation=text))


@dataclass(frozen=True)
class Detected:
    """One detector's result. ``marks`` has samples by the name of the condition, ``lines`` mains lines."""

    findings: tuple[Finding, ...] = ()
    measures: tuple[Measure, ...] = ()
    marks: dict[str, Spans] = field(default_factory=dict)
    lines: tuple[Line, ...] = ()

    @staticmethod
    def united(parts: Iterable["Detected"]) -> "Detected":
        """Several results as one: of several channels, or of several detectors."""
        several = tuple(parts)
        names = sorted({name for part in several for name in part.marks})
        return Detected(
            tuple(finding for part in several for finding in part.findings),
            tuple(measure for part in several for measure in part.measures),
            {
                name: Spans.merged(*(part.marks[name] for part in several if name in part.marks))
                for name in names
            },
            tuple(line for part in several for line in part.lines),
        )
