"""Still pictures of the moments that decided a verdict, a few seconds around each."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from markupsafe import Markup, escape

from pipeline.layouts import Channel
from pipeline.report.words import clock, is_mains_all_off, measure_title, number, prefix_for

MOST_MOMENTS = 6
_SEVERITY = {"fault": 0, "warning": 1, "note": 2}
_DETECTOR_OF: Mapping[str, str] = {
    "lost": "dropout",
    "longest_gap": "dropout",
    "damaged": "dropout",
    "saturated": "saturation",
    "settling": "settling",
    "mains": "mains",
    "contact_loss": "contact_loss",
    "stuck": "stuck",
    "low_coupling": "low_coupling",
    "uncorroborated": "uncorroborated",
    "noise": "noise_floor",
    "gravity": "gravity",
    "activity": "activity_mismatch",
}
"""How the name of a measure begins -> the detector whose findings show it."""

_LONG = 0.7
"""A finding that takes more of the picture than this share is shown where it begins."""
_WHOLE = 0.95
"""Of one that takes more of the recording than this share, a stretch of its middle is shown."""

_WIDTH, _LEFT, _RIGHT, _GAP, _FOOT = 1200, 190, 16, 14, 50  # of the drawing, two units to a pixel
_TALL, _LOW = 200, 104
_COLUMNS = {"field": 360, "acceleration": 240, "other": 240}
_MOST_CHANNELS = 6
_COLOUR = {"field": "--field", "acceleration": "--acceleration", "other": "--other"}

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Moment:
    """A finding, and the stretch of the recording that shows it.

    ``start_s`` and ``stop_s`` are the ends of the stretch, ``from_s`` and ``to_s`` those of the finding, all
    in seconds from the first sample. ``part`` says which part of the finding shows: all of it ("all"), where
    it begins ("start"), or a stretch of its middle ("middle"). ``decided`` is whether its detector stands
    behind a reason of the verdict.
    """

    start_s: float
    stop_s: float
    from_s: float
    to_s: float
    part: str
    detector: str
    channel: str
    severity: str
    sentence: str
    decided: bool

    @property
    def title(self) -> str:
        """What was found, in a word or two."""
        return measure_title(self.detector)


@dataclass(frozen=True)
class Trace:
    """Samples of one channel in a stretch: seconds and values, NaN where nothing arrived, shape (n,)."""

    channel: Channel
    time_s: Floats
    values: Floats


def choose(
    quality: Mapping[str, Any], findings: Sequence[Mapping[str, Any]], seconds: float
) -> tuple[Moment, ...]:
    """Up to six moments in order of time, each at most `seconds` long.

    What stands behind a reason of the verdict goes first, then what is graver; of each detector its longest
    stretch, then of each the next. A session that may be used whole shows what came nearest to a reason.
    """
    duration_s = float(quality["duration_s"] or 0)
    if duration_s <= 0:
        return ()
    deciding = {
        detector
        for reason in quality["reasons"]
        for begins, detector in _DETECTOR_OF.items()
        if reason["measure"].startswith(begins)
    }
    ranked = []
    by_detector: dict[str, int] = {}
    if is_mains_all_off(quality):  # it is the electrode that decided then
        findings = [row for row in findings if row["detector"] != "mains"]
    for row in sorted(findings, key=lambda row: (row["start_s"] - row["stop_s"], row["start_s"])):
        decided = row["detector"] in deciding
        length_s = min(row["stop_s"], duration_s) - max(row["start_s"], 0.0)
        placed = row["start_s"] < duration_s and length_s < _WHOLE * duration_s
        if row["severity"] == "note" or not (placed or (decided and row["severity"] == "fault")):
            continue
        nth = by_detector[row["detector"]] = by_detector.get(row["detector"], -1) + 1
        ranked.append(((not decided, _SEVERITY[row["severity"]], nth, row["detector"]), row, decided))
    ranked.sort(key=lambda entry: entry[0])
    moments: list[Moment] = []
    for _, row, decided in ranked:
        moment = _moment(row, decided, duration_s, seconds)
        if len(moments) < MOST_MOMENTS and not any(_same(moment, other) for other in moments):
            moments.append(moment)
    return tuple(sorted(moments, key=lambda moment: (moment.start_s, moment.detector)))


def _moment(row: Mapping[str, Any], decided: bool, duration_s: float, seconds: float) -> Moment:
    seconds = min(seconds, duration_s)
    from_s, to_s = max(float(row["start_s"]), 0.0), min(float(row["stop_s"]), duration_s)
    part, middle_s = "all", (from_s + to_s) / 2
    if to_s - from_s > _WHOLE * duration_s and to_s - from_s > seconds:
        part = "middle"
    elif to_s - from_s > _LONG * seconds:
        part, middle_s = "start", from_s + seconds / 4
    else:
        seconds = min(seconds, max((to_s - from_s) * 3, seconds / 3))
    start_s = min(max(middle_s - seconds / 2, 0.0), duration_s - seconds)
    return Moment(
        start_s,
        start_s + seconds,
        from_s,
        to_s,
        part,
        row["detector"],
        row["channel"] or "",
        row["severity"],
        row["explanation"],
        decided,
    )


def _same(one: Moment, other: Moment) -> bool:
    """Whether two pictures would show much the same."""
    both_s = min(one.stop_s, other.stop_s) - max(one.start_s, other.start_s)
    return one.detector == other.detector and both_s > 0.5 * (one.stop_s - one.start_s)


def picture(moment: Moment, traces: Sequence[Trace]) -> Markup:
    """The moment as SVG for a page: a row for each channel, the finding shaded, seconds below."""
    traces = sorted(traces, key=lambda trace: trace.channel.name != moment.channel)[:_MOST_CHANNELS]
    top, rows = _GAP, []
    for trace in traces:
        height = _TALL if trace.channel.kind == "field" else _LOW
        rows.append((trace, top, height))
        top += height + _GAP
    scale = (_WIDTH - _LEFT - _RIGHT) / (moment.stop_s - moment.start_s)
    begin, end = (
        _LEFT + (min(max(at_s, moment.start_s), moment.stop_s) - moment.start_s) * scale
        for at_s in (moment.from_s, moment.to_s)
    )
    alt = (
        f"{moment.title}: the recording from {clock(moment.start_s, 2)} to {clock(moment.stop_s, 2)}, "
        f"channels {', '.join(trace.channel.name for trace in traces) or 'none'}."
    )
    width = max(end - begin, 3.0)
    parts = [
        f'<svg class="moment" role="img" aria-label="{escape(alt)}" viewBox="0 0 {_WIDTH} {top + _FOOT}">',
        f'<path class="m-finding" d="M{begin:.0f} 0h{width:.0f}v{top}h-{width:.0f}z"/>',
    ]
    for trace, y, height in rows:
        parts += _row(moment, trace, y, height)
    parts += _axis(moment, top, scale)
    return Markup("".join(parts) + "</svg>")  # noqa: S704 (made here; names escaped)


def _row(moment: Moment, trace: Trace, y: int, height: int) -> list[str]:
    channel, there = trace.channel, ~np.isnan(trace.values)
    name = "".join(c if c.isprintable() else " " for c in channel.name)
    name = name if len(name) <= 15 else name[:14] + "…"
    ground = f'<path class="m-ground" d="M{_LEFT} {y + height}h{_WIDTH - _LEFT - _RIGHT}"/>'
    label = f'<text x="0" y="{y + height // 2 + 4}" class="m-name">{escape(name)}</text>'
    if not there.any():
        nothing = f'<text x="{_LEFT + 20}" y="{y + height // 2 + 8}" class="m-quiet">nothing arrived</text>'
        return [ground, label, nothing]
    low, high = float(np.nanmin(trace.values)), float(np.nanmax(trace.values))
    if high - low < 4 * abs(channel.scale):
        low, high = low - 2 * abs(channel.scale), high + 2 * abs(channel.scale)
    factor, unit = prefix_for(max(abs(low), abs(high)), channel.unit)
    x = (trace.time_s - moment.start_s) / (moment.stop_s - moment.start_s) * (_WIDTH - _LEFT - _RIGHT)
    path = _path(x + _LEFT, y + 4 + (high - trace.values) / (high - low) * (height - 8), channel.kind)
    edge = f'x="{_LEFT - 10}" text-anchor="end" class="m-tick"'
    return [
        ground,
        f'<path fill="none" stroke="var({_COLOUR[channel.kind]})" stroke-width="2.4" d="{path}"/>',
        label,
        f'<text x="0" y="{y + height // 2 + 32}" class="m-quiet">{escape(unit)}</text>',
        f"<text {edge} y='{y + 20}'>{number(high / factor)}</text>",
        f"<text {edge} y='{y + height - 2}'>{number(low / factor)}</text>",
    ]


def _path(x: Floats, y: Floats, kind: str) -> str:
    """A line through samples, or through least and largest of each column where they are many; gaps stay."""
    n = _COLUMNS[kind]
    missing = np.isnan(y)
    if len(y) > 2 * n:
        column = np.arange(n) * len(y) // n
        missing = np.logical_and.reduceat(missing, column)
        above, below = np.fmin.reduceat(y, column), np.fmax.reduceat(y, column)
        # Up and down by turns: half the points, and no stroke between columns longer than the signal's.
        down = np.arange(n) % 2 == 0
        y = np.stack([np.where(down, above, below), np.where(down, below, above)], axis=1).ravel()
        x = (x[column][:, None] + [0.0, (x[-1] - x[0]) / n / 2]).ravel()
        missing = np.repeat(missing, 2)
    across, down = np.rint(x).astype(int), np.rint(np.where(missing, 0, y)).astype(int)
    runs = np.flatnonzero(np.diff(~missing, prepend=False, append=False)).reshape(-1, 2)
    return "".join(_stroke(across[start:stop], down[start:stop]) for start, stop in runs.tolist())


def _stroke(x: npt.NDArray[np.int64], y: npt.NDArray[np.int64]) -> str:
    """From the first point, which shows even where it is the only one, to all others."""
    across, down = np.diff(x), np.diff(y)
    across[:1] -= 1  # the pen stands behind the first point
    drawn = "".join(f"l{dx} {dy}" for dx, dy in zip(across.tolist(), down.tolist(), strict=True))
    return f"M{x[0]} {y[0]}h1{drawn}".replace(" -", "-")


def _axis(moment: Moment, top: int, scale: float) -> list[str]:
    span_s = moment.stop_s - moment.start_s
    step = next((s for s in (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0) if span_s / s <= 8), span_s / 4)
    decimals = 0 if step >= 1 else 1 if step >= 0.1 else 2
    ticks = np.arange(np.ceil(moment.start_s / step - 1e-9), np.floor(moment.stop_s / step + 1e-9) + 1) * step
    parts = []
    for tick in ticks.tolist():
        x = _LEFT + (tick - moment.start_s) * scale
        parts.append(f'<path class="m-ground" d="M{x:.0f} {top - _GAP}v10"/>')
        anchor = "end" if x > _WIDTH - 50 else "middle"
        place = f'x="{x:.0f}" y="{top + 26}" text-anchor="{anchor}" class="m-tick"'
        parts.append(f"<text {place}>{clock(tick, decimals)}</text>")
    return parts
