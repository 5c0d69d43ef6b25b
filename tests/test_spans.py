"""Interval arithmetic of spans against boolean masks."""

from functools import partial

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.detectors import Spans

# ---- spans: interval arithmetic against masks -------------------------------------------------------------

masks = st.lists(st.booleans(), max_size=60).map(partial(np.array, dtype=bool))


@settings(max_examples=200, deadline=None)
@given(mask=masks, first=st.integers(0, 1000))
def test_spans_are_the_runs_of_a_mask(mask, first):
    spans = Spans.of_mask(mask, first)
    assert np.array_equal(spans.mask(first, first + len(mask)), mask)
    assert spans.n_samples == mask.sum()
    assert np.all(spans.stop > spans.start)  # half-open, none empty
    assert np.all(spans.start[1:] > spans.stop[:-1])  # disjoint, ascending, not touching
    assert spans.start.dtype == spans.stop.dtype == np.int64


@settings(max_examples=200, deadline=None)
@given(pairs=st.lists(st.tuples(masks, st.integers(0, 40)), max_size=4))
def test_merging_is_the_union(pairs):
    union = np.zeros(120, bool)
    for mask, first in pairs:
        union[first : first + len(mask)] |= mask
    merged = Spans.merged(*(Spans.of_mask(mask, first) for mask, first in pairs))
    assert np.array_equal(merged.mask(0, 120), union)
    assert len(merged) == len(Spans.of_mask(union))


@settings(max_examples=200, deadline=None)
@given(mask=masks, bridge=st.integers(0, 10))
def test_bridging_closes_gaps_up_to_its_length(mask, bridge):
    closed = mask.copy()
    gaps = Spans.of_mask(~mask)
    for start, stop in zip(gaps.start.tolist(), gaps.stop.tolist(), strict=True):
        if start > 0 and stop < len(mask) and stop - start <= bridge:
            closed[start:stop] = True
    assert np.array_equal(Spans.merged(Spans.of_mask(mask), bridge=bridge).mask(0, len(mask)), closed)


@settings(max_examples=200, deadline=None)
@given(mask=masks, low=st.integers(0, 60), n=st.integers(0, 60))
def test_clipping_is_the_part_inside(mask, low, n):
    inside = mask.copy()
    inside[:low] = False
    inside[low + n :] = False
    clipped = Spans.of_mask(mask).clipped(low, low + n)
    assert np.array_equal(clipped.mask(0, len(mask)), inside)
    assert np.array_equal(
        Spans.of_mask(mask).mask(low, low + n)[: max(len(mask) - low, 0)], mask[low : low + n]
    )
