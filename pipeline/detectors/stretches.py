"""Where to look for an electrode that is off: stretches between edges at which something changes at once.

Generous on purpose: what each of them is, the witnesses decide (:mod:`.witnesses`).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from pipeline.detectors.findings import Spans
from pipeline.detectors.signs import Signs, filled

Places = npt.NDArray[np.int64]

STEP_OCTAVES = 0.5
"""Mains that changes by so much within half a second is an edge; so is a jump of the level."""

ONE_EDGE_S = 0.6
"""Edges less apart are one: an electrode chatters as it comes off."""

CHATTER_S = 1.0
"""An edge that lasts longer may be comings and goings: its ends are edges, too."""

MOST_BETWEEN = 6
"""A stretch reaches over so many edges at most."""

SHORTEST_S = 1.4
GATHERED_S = (0.0, 1.5, 3.0)
"""Pauses within comings and goings that are one stretch."""

LONGEST_FADE_S = 300.0
FADED = (0.3, 0.6)
"""Parts of its last change by which mains has changed where contact counts as lost bit by bit."""

BACK_S = (15.0, 21.0, 29.0, 41.0, 58.0, 81.0, 113.0, 158.0)
"""So long before a plain jump skin may have dried out that no single moment shows it."""

PLAIN_OCTAVES = 1.0
"""A jump so far beyond what four of five like moments have is plain."""

SILENT_OCTAVES = -1.3
"""Movement that shows by less than 0.4 of what like movement does."""


@dataclass(frozen=True)
class Stretches:
    """Windows [start, stop) with their edges, and what lies between the edges: [inner_start, inner_stop)."""

    start: Places
    inner_start: Places
    inner_stop: Places
    stop: Places

    def __len__(self) -> int:
        return len(self.start)

    def some(self, index: Places) -> "Stretches":
        """Those of the given numbers."""
        return Stretches(*(of[index] for of in (self.start, self.inner_start, self.inner_stop, self.stop)))

    @staticmethod
    def of(rows: list[tuple[int, int, int, int]], n: int, least: int) -> "Stretches":
        """Rows of start, inner start, inner stop, stop; those shorter than `least` windows are left out."""
        table = np.clip(np.array(sorted(set(rows)), np.int64).reshape(-1, 4).T, 0, n)
        start, inner_start, inner_stop, stop = table[:, table[3] - table[0] >= least]
        hollow = inner_start >= inner_stop
        return Stretches(
            start, np.where(hollow, start, inner_start), np.where(hollow, stop, inner_stop), stop
        )


def edges_of(signs: Signs) -> list[tuple[int, int]]:
    """First and last window of every edge; those of the recording are among them."""
    odd = (np.abs(signs.mains_step) > STEP_OCTAVES) | (signs.jump > 0)
    spans = Spans.merged(Spans.of_mask(odd), bridge=signs.n(ONE_EDGE_S))
    last = len(signs) - 1
    return [(0, 0), *zip(spans.start.tolist(), (spans.stop - 1).tolist(), strict=True), (last, last)]


def candidates(signs: Signs) -> Stretches:
    """All stretches that may be an electrode off, some overlapping."""
    if len(signs) < 2:
        return Stretches.of([], len(signs), 1)
    edges = edges_of(signs)
    rows = [*_between(signs, edges), *_gathered(signs, edges)]
    if signs.mains_visible:
        rows += _fading(signs, edges)
    rows += _falling_silent(signs, edges)
    rows += _silent(signs, edges)
    rows += _back_from_jumps(signs, edges)
    return Stretches.of(rows, len(signs), signs.n(SHORTEST_S))


def _between(signs: Signs, edges: list[tuple[int, int]]) -> Iterator[tuple[int, int, int, int]]:
    """From each edge to the next ones; of a long edge, also from its end, and to its beginning."""
    long, lead, tail = signs.n(CHATTER_S), signs.n(0.4), signs.n(ONE_EDGE_S)
    for i, (first, last) in enumerate(edges):
        starts = [first, last - lead] if last - first > long else [first]
        for begin, end in edges[i + 1 : i + 1 + MOST_BETWEEN]:
            for start in starts:
                yield start, last + 1, begin, end + 1
                if end - begin > long:
                    yield start, last + 1, begin, begin + tail


def _gathered(signs: Signs, edges: list[tuple[int, int]]) -> Iterator[tuple[int, int, int, int]]:
    """Edges close to one another, as one stretch: comings and goings."""
    inner = edges[1:-1]
    for pause_s in GATHERED_S:
        group: list[tuple[int, int]] = []
        for edge in [*inner, None]:
            pause = signs.n(pause_s) if pause_s else -1
            if group and (edge is None or edge[0] - group[-1][1] > pause):
                start, stop = group[0][0], group[-1][1] + 1
                yield start, start, stop, stop
                group = []
            if edge is not None:
                group.append(edge)


def _fading(signs: Signs, edges: list[tuple[int, int]]) -> Iterator[tuple[int, int, int, int]]:
    """From where mains began to differ from what it is behind an edge, bit by bit, up to that edge."""
    mains = filled(signs.mains)
    smooth = ndimage.median_filter(mains, signs.n(3.0) | 1, mode="nearest")
    for begin, end in edges[1:-1]:
        behind = mains[end + 2 : end + 2 + signs.n(8.0)]
        before = mains[max(0, begin - signs.n(2.0) - 1) : max(begin - 1, 0)]
        if not len(behind) or not len(before):
            continue
        usual = float(np.median(behind))
        change = float(np.median(before)) - usual
        if abs(change) < 1:
            continue
        reach = max(0, begin - signs.n(LONGEST_FADE_S))
        for part in FADED:
            usual_again = np.flatnonzero((smooth[reach:begin] - usual) / change <= part)
            start = reach + int(usual_again[-1]) + 1 if len(usual_again) else reach
            if begin - start > signs.n(3.0):
                yield start, start, begin, end + 1


def _falling_silent(signs: Signs, edges: list[tuple[int, int]]) -> Iterator[tuple[int, int, int, int]]:
    """From where movement began to show less, bit by bit, up to an edge."""
    shows = filled(signs.silence)
    smooth = ndimage.median_filter(shows, signs.n(3.0) | 1, mode="nearest")
    for begin, end in edges[1:]:
        at = max(begin - 1, 0)
        if smooth[at] > SILENT_OCTAVES:
            continue
        reach = max(0, begin - signs.n(LONGEST_FADE_S))
        for part in FADED:
            shown = np.flatnonzero(smooth[reach:begin] >= part * smooth[at])
            start = reach + int(shown[-1]) + 1 if len(shown) else reach
            if begin - start > signs.n(3.0):
                yield start, start, begin, end + 1


def _silent(signs: Signs, edges: list[tuple[int, int]]) -> Iterator[tuple[int, int, int, int]]:
    """Where movement hardly shows, and from there to the edges about it."""
    silent = np.nan_to_num(signs.silence) < SILENT_OCTAVES
    near, lasts = signs.n(ONE_EDGE_S), np.array([last for _, last in edges])
    firsts = np.array([first for first, _ in edges])
    spans = Spans.merged(Spans.of_mask(silent), bridge=signs.n(1.0))
    for start, stop in zip(spans.start.tolist(), spans.stop.tolist(), strict=True):
        if stop - start < signs.n(2.0):
            continue
        before = edges[max(int(np.searchsorted(lasts, start + near, side="right")) - 1, 0)][0]
        behind = edges[min(int(np.searchsorted(firsts, stop - near)), len(edges) - 1)][1] + 1
        for a in {start, before}:
            for b in {stop, behind}:
                yield a, a, b, b


def _back_from_jumps(signs: Signs, edges: list[tuple[int, int]]) -> Iterator[tuple[int, int, int, int]]:
    """From several times before each plain jump up to it: what dries shows no beginning."""
    for begin, end in edges[1:-1]:
        near = slice(max(begin - 1, 0), end + 2)
        if max(float(signs.shown.often[near].max()), float(signs.jump[near].max())) < PLAIN_OCTAVES:
            continue
        for back_s in BACK_S:
            start = begin - signs.n(back_s)
            if start > 0:
                yield start, start, begin, end + 1
