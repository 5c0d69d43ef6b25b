"""Harmonics that come with samples at a rail: a clipped line has its own, and they are not the mains'."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from pipeline.detectors.lines import Line
from pipeline.detectors.windows import Floats

FEW = 0.01
"""Share of windows with samples at a rail up to which they do not matter to the whole recording."""

LEAST_FREE = 10
"""Windows free of rails that tell what the mains' own harmonics are."""

SMALLER = 0.25
"""Power of a harmonic in windows free of rails over that in all, below which it is the clipping's."""


class HarmonicsAtRails:
    """Power of each line in windows with samples at a rail and in those without, summed block by block."""

    def __init__(self, harmonics: Sequence[int]) -> None:
        self._harmonics = list(harmonics)
        self._sum = np.zeros((2, len(self._harmonics)))
        self._n = np.zeros(2, np.int64)

    def add(self, power: Floats, at_rail: npt.NDArray[np.bool_]) -> None:
        """Take in windows, shape (windows, lines); those with lost samples are NaN."""
        known = ~np.isnan(power).any(axis=1)
        for i, which in enumerate((known & ~at_rail, known & at_rail)):
            self._sum[i] += power[which].sum(axis=0)
            self._n[i] += int(which.sum())

    def attributed(self, lines: Sequence[Line]) -> tuple[Line, ...]:
        """The lines, harmonics that clipping makes as not assessable."""
        return tuple(self._said(line) for line in lines)

    def _said(self, line: Line) -> Line:
        if line.harmonic == 1 or line.rms is None or line.harmonic not in self._harmonics:
            return line
        free, railed = self._n.tolist()
        if railed <= FEW * (free + railed):
            return line
        of_line = self._sum[:, self._harmonics.index(line.harmonic)]
        if free < max(LEAST_FREE, FEW * (free + railed)):
            where = "in nearly all windows"
        elif of_line[0] / free < SMALLER * float(of_line.sum()) / (free + railed):
            where = "where this one is large"
        else:
            return line
        why = (
            f"samples stand at a rail {where}: a clipped line has harmonics of its own, so that "
            f"{line.nominal_hz * line.harmonic:g} Hz is not the mains' alone"
        )
        return replace(
            line, assessable=False, why=why, found_hz=None, rms=None, ratio=None,
            found_uncertainty_hz=None, rms_uncertainty=None,
        )  # fmt: skip
