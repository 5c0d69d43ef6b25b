"""What is wrong with how a layout reads some bytes, beside how a better one does: in words."""

from collections.abc import Iterator

import numpy as np

from pipeline.finder.changes import fixed_bytes
from pipeline.finder.fit import Fit
from pipeline.frames import Frames
from pipeline.timebase.sequence import signed_difference

_MORE = 0.02
_MOST_ROWS = 1 << 15
_HALF = 0.5


def symptoms(before: Fit, after: Fit) -> str:
    """How the layout of `before` shows to be wrong as the one of `after` does not, a clause for each sign."""
    return "; ".join(_signs(before, after))


def _signs(before: Fit, after: Fit) -> Iterator[str]:
    if after.share > before.share + _MORE:
        sizes = [fixed_bytes(frame) for frame in (before.layout.frame, after.layout.frame)]
        if all(sizes) and sizes[0] != sizes[1] and before.layout.framing in ("sync", "cobs", "slip"):
            yield f"frames are of {sizes[1]} bytes, by the layout of {sizes[0]}"
        yield f"{before.share:.0%} of the beginning can be read, {after.share:.0%} with that"
        return
    for mine, better in zip(before.streams, after.streams, strict=False):
        step, right = _usual_step(mine), _usual_step(better)
        if step != right:
            yield f"the sequence goes on by {step}, by {right} with that"
        size, smaller = _mean_step(mine), _mean_step(better)
        if smaller < _HALF * size:
            yield f"samples jump by {size:,.0f} counts in the mean, by {smaller:,.0f} with that"
        uneven, even = _uneven(mine), _uneven(better)
        if even < _HALF * uneven:
            yield f"the ticks are off by {uneven:,.0f} from frame to frame, by {even:,.0f} with that"


def _usual_step(frames: Frames) -> int:
    """What the sequence most often goes on by; 0 where there is none."""
    part = frames.stream.frame.part("sequence")
    if part is None or len(frames.table) < 2:
        return 0
    sequence = frames.table.sequence
    steps, n_of = np.unique(
        signed_difference(sequence[1:], sequence[:-1], part.wraps_at_bits), return_counts=True
    )
    return int(steps[np.argmax(n_of)])


def _mean_step(frames: Frames) -> float:
    counts = frames.counts.read(0, min(frames.counts.n_rows, _MOST_ROWS)).astype(np.float64)
    return float(np.abs(np.diff(counts, axis=0)).mean()) if len(counts) > 1 else 0.0


def _uneven(frames: Frames) -> float:
    """By how much ticks go on otherwise than usual, the mean."""
    part = frames.stream.frame.part("ticks")
    if part is None or len(frames.table) < 3:
        return 0.0
    ticks = frames.table.ticks
    steps = signed_difference(ticks[1:], ticks[:-1], part.wraps_at_bits).astype(np.float64)
    return float(np.abs(steps - np.median(steps)).mean())
