"""Where to look for an electrode that is off: stretches in which anything differs from what is usual.

Generous on purpose: what each of them is, the witnesses decide (:mod:`.witnesses`).
"""

import numpy as np
from scipy import ndimage

from pipeline.detectors.findings import Spans
from pipeline.detectors.signs import JUMP, SMOOTHED_S, Mask, Signs, smoothed
from pipeline.detectors.windows import Floats

MAINS_FACTOR = 1.35
"""Mains that differs by so much from the usual is worth a look."""

QUIETER = 0.35
"""So is movement that shows as less than this share of what its acceleration usually does."""

BRIDGE_S = 2.0
"""Pauses within a stretch: contact that comes and goes is one stretch."""

SHORTEST_S = 1.2
SNAP_S = 1.0
"""Reach in which an edge is moved to the sharpest change beside it."""

BLOCK_S = 10.0
SHARP = 4.0
"""A step of the level is sharp at so many times the 80th percentile of those about it."""

MOST_SHARP = 60
"""More sharp steps than this in a recording are no events, but how it is."""


def sharp_steps(signs: Signs) -> Mask:
    """Windows whose level steps away from the one before by far more than is usual about them."""
    n, block = len(signs), signs.n(BLOCK_S)
    if n < 2 * block:
        usual = np.full(n, _percentile(signs.jump, 80))
    else:
        cut = np.nan_to_num(signs.jump[: n // block * block].reshape(-1, block))
        of_block = np.percentile(cut, 80, axis=1)
        of_block = ndimage.median_filter(of_block, 3, mode="nearest")
        usual = of_block[np.minimum(np.arange(n) // block, len(of_block) - 1)]
    least = np.maximum(SHARP * usual, 0.01 * signs.input_range)
    return np.asarray(np.nan_to_num(signs.jump) > np.minimum(least, JUMP * signs.input_range)) | signs.abrupt


def candidates(signs: Signs, usual_mains: float) -> list[tuple[int, int]]:
    """Stretches [start, stop) of windows that may be an electrode off, ascending, some overlapping."""
    n = len(signs)
    if not n:
        return []
    sharp = sharp_steps(signs)
    kinds = odd_masks(signs, usual_mains)
    short = signs.n(SHORTEST_S)
    spans = [Spans.merged(Spans.of_mask(mask), bridge=signs.n(BRIDGE_S)) for mask in kinds]
    spans += [Spans.merged(Spans.of_mask(mask), bridge=signs.n(0.4)) for mask in kinds]
    spans.append(Spans.merged(*spans[: len(kinds)], bridge=signs.n(BRIDGE_S)))
    pairs = _between_steps(signs, sharp)
    found = set()
    for start, stop in [
        *pairs,
        *((a, b) for s in spans for a, b in zip(s.start.tolist(), s.stop.tolist(), strict=True)),
    ]:
        if stop - start < short:
            continue
        snapped = _snapped(signs, sharp, start), _snapped(signs, sharp, stop)
        for a, b in ((start, stop), snapped):
            if b - a >= short:
                found.add((a, b))
    return sorted(found)


def odd_masks(signs: Signs, usual_mains: float) -> list[Mask]:
    """What is odd, by each sign: mains more or less than usual, movement that does not show."""
    return [*_by_mains(signs, usual_mains), *_by_silence(signs)]


def _by_mains(signs: Signs, usual: float) -> list[Mask]:
    """Where mains is more, and where it is less than usual."""
    if usual <= 0:
        return []
    ratio = smoothed(signs.mains, signs.n(SMOOTHED_S)) / usual
    return [ratio > MAINS_FACTOR, ratio < 1 / MAINS_FACTOR]


def _by_silence(signs: Signs) -> list[Mask]:
    """Where movement hardly shows."""
    if signs.moving is None or signs.acceleration is None or not signs.moving.any():
        return []
    quiet = np.zeros(len(signs), bool)
    quick = signs.quick if signs.quick is not None else signs.moving
    with np.errstate(invalid="ignore"):
        answer = signs.movement / np.maximum(signs.acceleration, 1e-3)
        for alike in (signs.moving & quick, signs.moving & ~quick):
            free = alike & ~signs.abrupt & ~np.isnan(answer)
            if free.sum() >= signs.n(5.0):
                quiet |= alike & (answer < QUIETER * float(np.percentile(answer[free], 60)))
    return [quiet]


def _between_steps(signs: Signs, sharp: Mask) -> list[tuple[int, int]]:
    """From each sharp step to the next ones."""
    groups = Spans.merged(Spans.of_mask(sharp), bridge=signs.n(1.0))
    if not 2 <= len(groups) <= MOST_SHARP:
        return []
    starts, stops = groups.start.tolist(), groups.stop.tolist()
    pairs = [(a, stops[k + more]) for more in (1, 2) for k, a in enumerate(starts[:-more])]
    # The start of the step that ends it is the end: what follows may be the rail of a fresh contact.
    pairs += [(a, starts[k + 1]) for k, a in enumerate(starts[:-1])]
    return pairs + [(a, b) for a, b in zip(starts, stops, strict=True)]


def _snapped(signs: Signs, sharp: Mask, edge: int) -> int:
    """The sharp step next to an edge, if there is one."""
    reach = signs.n(SNAP_S)
    low, high = max(0, edge - reach), min(len(sharp), edge + reach + 1)
    near = np.flatnonzero(sharp[low:high])
    if not len(near):
        return edge
    return int(low + near[np.argmax(np.nan_to_num(signs.jump[low:high][near]))])


def _percentile(values: Floats, percent: float) -> float:
    known = values[~np.isnan(values)]
    return float(np.percentile(known, percent)) if len(known) else 0.0
