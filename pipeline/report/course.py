"""Losses and the clock against time: two small pictures, and what they show in words."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.recording import Recording
from pipeline.report import words
from pipeline.report.glance import Glance

N_STRETCHES = 120
"""Stretches of equal time into which the picture of losses parts the recording."""
_MOST_POINTS = 400
_JUMP = 0.02
"""A pace that is off by more is no clock's: a pause, or a clock that was set (no oscillator is that bad)."""

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Small:
    """A small picture over the whole recording: a path in a box of 1000 by 100, and its words.

    ``top`` and ``bottom`` are what stands at the upper and the lower edge; ``marks`` are where time jumps,
    from 0 to 1000. ``rule`` is the height of a line drawn across, or None.
    """

    path: str
    said: str
    top: str = ""
    bottom: str = ""
    rule: float | None = None
    marks: tuple[float, ...] = ()


def losses(glance: Glance, quality: Mapping[str, Any]) -> Small:
    """Share of samples lost in each stretch of time, beside the limit for the whole recording."""
    known = _by_stretch(glance.lost)
    n = len(known)
    worst = int(known.argmax()) if n else 0
    if not n or known[worst] == 0:
        return Small("", "No sample was lost at any time.")
    limit = _limit(quality, "lost_fraction")
    top = min(max(float(known[worst]), 2 * (limit or 0.0)), 1.0)
    step = 1000 / n
    bars = "".join(
        f"M{i * step:.5g} 100V{100 - max(known[i] / top * 100, 1.5):.4g}h{step * 0.86:.4g}V100z"
        for i in np.flatnonzero(known)
    )
    stretch_s = glance.duration_s / n
    said = (
        f"{int(np.count_nonzero(known))} of {n} stretches of {words.span_words(stretch_s)} lost samples; "
        f"the worst, at {words.clock(worst * stretch_s)}, lost {words.share(float(known[worst]))}."
    )
    if limit:
        said += f" The line is the limit for the whole, {words.share(limit)}."
    rule = 100 - limit / top * 100 if limit and limit <= top else None
    return Small(bars, said, words.share(top), "0", rule)


def _by_stretch(lost: npt.NDArray[np.int64]) -> Floats:
    """Share lost of the rows in each group of columns; 0 where no row stands in any."""
    n = min(N_STRETCHES, lost.shape[1])
    if not n:
        return np.empty(0)
    n_lost, n_rows = np.add.reduceat(lost, np.arange(n) * lost.shape[1] // n, axis=1)
    share: Floats = n_lost / np.maximum(n_rows, 1)
    return share


def _limit(quality: Mapping[str, Any], name: str) -> float | None:
    limits = [m["limit"] for m in quality["measures"] if m["name"] == name and m["limit"] is not None]
    return float(limits[0]) if limits else None


def clock(recording: Recording, quality: Mapping[str, Any]) -> Small:
    """By how much samples come later than by the nominal rate, as the time goes on.

    Knots of the clock, between which it is straight, stand in the recording; where time jumps between two of
    them the picture goes on from where it was, with a mark.
    """
    source = quality["clock"]["source"]
    if source == "nominal" or recording.n_rows < 2:
        return Small("", "The dump carries no clock: how its pace changed with time cannot be known.")
    row, second = _knots(recording)
    steps = np.diff(second) - np.diff(row) / recording.nominal_hz
    jumps = np.abs(steps) > _JUMP * np.diff(row) / recording.nominal_hz
    late = np.concatenate(([0.0], np.cumsum(np.where(jumps, 0.0, steps))))
    end_s = max(float(second[-1]), 1e-9)
    x = np.clip(second / end_s * 1000, 0, 1000)
    kept = np.unique(np.linspace(0, len(x) - 1, min(len(x), _MOST_POINTS)).astype(int))
    reach = float(np.abs(late).max()) or 1e-6
    y = 50 - late / reach * 48
    path = "M" + "L".join(f"{x[i]:.5g} {y[i]:.4g}" for i in kept)
    marks = tuple(round(float(at), 1) for at in x[:-1][jumps])[:_MOST_POINTS]
    return Small(path, _clock_said(quality, late, marks), _milli(reach), _milli(-reach), 50.0, marks)


def _knots(recording: Recording) -> tuple[Floats, Floats]:
    """Rows and seconds between which the clock is straight, from the first row to the last."""
    last = recording.n_rows - 1
    inner = recording.clock.knot_row[(recording.clock.knot_row > 0) & (recording.clock.knot_row < last)]
    row = np.unique(np.concatenate(([0.0], inner, [float(last)])))
    # To whole rows: between two of them there is no time of a sample.
    row = np.unique(np.round(row))
    return row, recording.clock.time_s(row.astype(np.int64))


def _milli(seconds: float) -> str:
    sign = "+" if seconds > 0 else ""
    return f"{sign}{words.number(seconds * 1000, 2)}{words.THIN}ms"


def _clock_said(quality: Mapping[str, Any], late: Floats, marks: tuple[float, ...]) -> str:
    end_s = float(late[-1])
    way = "later" if end_s > 0 else "earlier"
    amount = words.number(abs(end_s) * 1000, 2)
    said = f"At the end samples come {amount}{words.THIN}ms {way} than by the nominal rate"
    residual_s = quality["clock"]["residual_s"]
    if residual_s is not None:
        whose = (
            "the earliest stamp of each minute lies"
            if quality["clock"]["source"] == "receiver"
            else "every stamp lies"
        )
        said += f"; {whose} within {words.number(residual_s * 1000, 2)}{words.THIN}ms of the line"
    if marks:
        said += f"; {len(marks)} {'jump' if len(marks) == 1 else 'jumps'} of time, left out of the line"
    return said + ". Single stamps are not kept: between its bends the line is straight."
