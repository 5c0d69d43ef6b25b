"""The recording at a glance: envelopes of channels, lanes of conditions, activities, one axis of time."""

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from markupsafe import Markup

from pipeline.report.analysed import length_s
from pipeline.report.glance import Envelope, Floats, Glance
from pipeline.report.panels import (
    GROUND,
    INK,
    QUIET,
    RULE,
    SMALL,
    WASH,
    WIDTH,
    Panel,
    boxes,
    edges,
    few_ticks,
    filled,
    line,
    marks_below,
    marks_beside,
    picture,
    short,
    text,
    through,
    width_of,
)
from pipeline.report.parts import Activity
from pipeline.report.words import clock, conditions_words, count, number, prefix_for
from schemas.conditions import BY_NAME

INTENSITY_HEIGHT: Mapping[str, float] = {"rest": 0.2, "hand": 0.4, "arm": 0.65, "body": 0.9}
_COLOUR = {"field": "--field", "acceleration": "--acceleration", "other": "--other"}
_HATCHES: Mapping[str, str] = {
    "saturated": "M-1 1l2-2M0 4l4-4M3 5l2-2",
    "settling": "M1 1h.9M3 3h.9",
    "mains": "M2 0v4",
    "contact_loss": "M0 4l4-4M0 0l4 4",
    "stuck": "M0 2h4",
    "low_coupling": "M-1 3l2 2M0 0l4 4M3-1l2 2",
    "uncorroborated": "M1 2a1 1 0 1 0 2 0a1 1 0 1 0-2 0",
}
"""Condition -> path data of its pattern, in a tile of four points."""
_TIME_STEPS_S = (0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600)
_HALF_DAY_S = 43_200
_NAME_LETTERS = 20
_LEFT, _RIGHT, _TOP, _BOTTOM, _GAP = 128.0, 70.5, 16.0, 36.0, 7.2
_TALL, _LOW, _LANE, _ABOVE_LANES, _DOINGS = 137.0, 52.0, 17.3, 4.3, 37.4
_EDGE, _TICKS = 8.6, 50.0
"""From the picture's edge to what stands at its left, and what the numbers of an axis need beside it."""


def glance_picture(quality: Mapping[str, Any], glance: Glance, activities: Sequence[Activity]) -> Markup:
    """The whole recording as SVG."""
    lanes = conditions_words(quality)
    panels = _panels(glance, lanes, activities)
    limits = _shared_limits(glance.envelopes)
    outside = _outside(quality["usable"], glance.duration_s)
    parts = [_patterns(lanes)]
    for panel, envelope in zip(panels, glance.envelopes, strict=False):
        scale = panel.width / glance.duration_s
        washed = [(panel.left + a * scale, panel.left + b * scale) for a, b in outside]
        parts.append(filled(boxes(washed, panel.top, panel.height), WASH))
        parts += _envelope(panel, envelope, limits.get(envelope.channel.name))
    parts += _lanes(panels[len(glance.envelopes)], quality, lanes, glance)
    if activities:
        parts += _doings(panels[-1], activities, glance.duration_s)
    marks = time_marks(glance.duration_s)
    x = [panels[-1].left + mark * (panels[-1].width / glance.duration_s) for mark in marks]
    decimals = 0 if len(marks) < 2 or marks[1] - marks[0] >= 1 else 1
    form = "hours:minutes:seconds" if glance.duration_s >= 3600 else "minutes:seconds"
    title = f"time from the first sample ({form})"
    parts += marks_below(panels[-1], [clock(mark, decimals) for mark in marks], x, title)
    names = ", ".join(envelope.channel.name for envelope in glance.envelopes)
    occur = ", ".join(lane["words"] for lane in lanes) or "none"
    alt = (
        f"The whole recording {quality['session']} over time: channels {names}; "
        f"conditions that occur: {occur}."
    )
    return picture(alt, panels[-1].bottom + _BOTTOM, parts)


def time_marks(duration_s: float) -> list[float]:
    """Round times from 0 to the end of a recording, a dozen at most."""
    # A pause by the stamps may last for years: however long it was, the axis has no more marks.
    halves = -(-duration_s // (12 * _HALF_DAY_S))
    step = next((step for step in _TIME_STEPS_S if duration_s / step <= 12), halves * _HALF_DAY_S)
    return [float(mark) for mark in np.arange(0, duration_s * 1.000001, step)]


def _panels(
    glance: Glance, lanes: Sequence[Mapping[str, Any]], activities: Sequence[Activity]
) -> list[Panel]:
    """A panel for each envelope, one for the lanes and one for activities, under each other."""
    heights = [_TALL if one.channel.kind == "field" else _LOW for one in glance.envelopes]
    heights.append(_LANE * (len(lanes) + 1 + bool(len(glance.events_s))) + _ABOVE_LANES)
    if activities:
        heights.append(_DOINGS)
    named = [width_of(lane["words"]) for lane in lanes]
    for envelope in glance.envelopes:
        bold = envelope.channel.kind == "field"
        named.append(width_of(short(envelope.channel.name, _NAME_LETTERS), bold=bold) + _TICKS)
    left = max(_LEFT, *(2 * _EDGE + width for width in named))
    top, panels = _TOP, []
    for height in heights:
        panels.append(Panel(left, top, WIDTH - left - _RIGHT, height))
        top += height + _GAP
    return panels


def _shared_limits(envelopes: Sequence[Envelope]) -> dict[str, tuple[float, float]]:
    """Channels of acceleration in one unit share their axis, so that they can be compared."""
    together: dict[str, list[Envelope]] = {}
    for envelope in envelopes:
        if envelope.channel.kind == "acceleration" and not np.isnan(envelope.low).all():
            together.setdefault(envelope.channel.unit, []).append(envelope)
    return {
        envelope.channel.name: (
            min(float(np.nanmin(e.low)) for e in alike),
            max(float(np.nanmax(e.high)) for e in alike),
        )
        for alike in together.values()
        for envelope in alike
    }


def _envelope(panel: Panel, envelope: Envelope, limits: tuple[float, float] | None) -> list[str]:
    channel, there = envelope.channel, ~np.isnan(envelope.low)
    middle, tall = panel.top + panel.height / 2, channel.kind == "field"
    parts, (low, high) = list[str](), (0.0, 1.0)
    if there.any():
        low, high = limits or (float(np.nanmin(envelope.low)), float(np.nanmax(envelope.high)))
    else:
        parts.append(
            text(panel.left + panel.width / 2, middle, "nothing arrived", anchor="middle", colour=QUIET)
        )
    factor, unit = prefix_for(max(abs(low), abs(high)), channel.unit)
    room = (high - low) * 0.06 or abs(high) * 0.1 or 1.0
    low, high = low - room, high + room
    points = panel.height / (high - low)
    ticks = few_ticks(low / factor, high / factor, 5 if tall else 2)
    parts += marks_beside(panel, ticks, [panel.bottom - (tick * factor - low) * points for tick in ticks])
    colour = _COLOUR[channel.kind]
    shape = _shape(panel, envelope, panel.bottom + low * points, points)
    parts += [filled(shape, colour, colour, 0.6), *edges(panel, below=RULE)]
    y = middle - (3.0 if unit else -3.3)
    parts.append(text(_EDGE, y, short(channel.name, _NAME_LETTERS), bold=tall))
    return [*parts, text(_EDGE, y + 12.6, unit, bold=tall)] if unit else parts


def _shape(panel: Panel, envelope: Envelope, zero: float, points: float) -> str:
    """One closed shape for each run of columns in which something arrived."""
    n = len(envelope.low)
    x = panel.left + (np.arange(n) + 0.5) * (panel.width / n)
    lower, upper = zero - envelope.low * points, zero - envelope.high * points
    runs = np.flatnonzero(np.diff(~np.isnan(envelope.low), prepend=False, append=False)).reshape(-1, 2)
    parts = []
    for start, stop in runs.tolist():
        along = np.concatenate((x[start:stop], x[start:stop][::-1]))
        parts.append(through(along, np.concatenate((upper[start:stop], lower[start:stop][::-1]))) + "z")
    return "".join(parts)


def _outside(usable: Sequence[Sequence[float]], duration_s: float) -> list[tuple[float, float]]:
    ends = [0.0, *(float(edge) for interval in usable for edge in interval), duration_s]
    return [(a, b) for a, b in zip(ends[::2], ends[1::2], strict=True) if b - a > 1e-9]


def _patterns(lanes: Sequence[Mapping[str, Any]]) -> str:
    """What fills the lanes: pattern tells them apart where colour does not."""
    parts = []
    for lane in lanes:
        if lane["name"] in _HATCHES:
            drawn = line(_HATCHES[lane["name"]], "--fault" if lane["fault"] else "--note", 0.7)
            tile = f'<rect width="4" height="4" style="fill: var({GROUND})"/>{drawn}'
            head = f'id="glance-{lane["name"]}" width="4" height="4" patternUnits="userSpaceOnUse"'
            parts.append(f"<pattern {head}>{tile}</pattern>")
    return f"<defs>{''.join(parts)}</defs>" if parts else ""


def _lanes(
    panel: Panel, quality: Mapping[str, Any], lanes: Sequence[Mapping[str, Any]], glance: Glance
) -> list[str]:
    scale, usable = panel.width / glance.duration_s, quality["usable"]
    heights = (panel.top + _ABOVE_LANES / 2 + (i + 0.5) * _LANE for i in range(len(lanes) + 2))
    y = next(heights)
    parts = _lane(panel, y, "can be used", _length(length_s(usable)))
    parts.append(filled(_bars(panel, np.asarray(usable, np.float64).reshape(-1, 2), scale, y), "--usable"))
    for lane in lanes:
        y = next(heights)
        parts += _lane(
            panel, y, lane["words"], _length(lane["seconds"]) + ("" if lane["fault"] else ", note")
        )
        colour = INK if lane["name"] == "lost" else "--fault" if lane["fault"] else "--note"
        bars = _bars(panel, glance.runs(BY_NAME[lane["name"]].mask), scale, y)
        if bars and lane["name"] in _HATCHES:
            fill = f"fill: url(#glance-{lane['name']}); stroke: var({colour}); stroke-width: 0.8"
            parts.append(f'<path d="{bars}" style="{fill}"/>')
        else:
            parts.append(filled(bars, colour, colour, 0.8))
    if len(glance.events_s):
        y = next(heights)
        n_events = (quality.get("events") or {}).get("n_events", len(glance.events_s))
        parts += _lane(panel, y, "events", count(n_events))
        at = (panel.left + glance.events_s * scale).tolist()
        parts.append(line("".join(f"M{x:.1f} {y - 5.7:.1f}v11.4" for x in at), "--other", 1.2))
    return [*parts, *edges(panel, left=False, below=RULE)]


def _lane(panel: Panel, y: float, name: str, beside: str) -> list[str]:
    """The rule of a lane, its name at the left and what stands at its right."""
    return [
        line(f"M{panel.left:.1f} {y:.1f}h{panel.width:.1f}", RULE, 0.5),
        text(panel.left - 7, y + 3.4, name, anchor="end"),
        text(panel.right + 4, y + 3, beside, colour=QUIET, size=SMALL),
    ]


def _length(seconds: float) -> str:
    return f"{number(seconds)} s" if seconds < 100 else clock(seconds)


def _bars(panel: Panel, runs_s: Floats, scale: float, y: float) -> str:
    return boxes((panel.left + runs_s * scale).tolist(), y - _LANE / 3, _LANE * 2 / 3)


def _doings(panel: Panel, activities: Sequence[Activity], duration_s: float) -> list[str]:
    """Bars whose height says how much of the body moved, with words where there is room."""
    scale = panel.width / duration_s
    parts = [text(_EDGE, panel.bottom - 4, "activities")]
    by_height: dict[float, list[tuple[float, float]]] = {}
    for activity in activities:
        start, stop = (min(max(t, 0.0), duration_s) for t in (activity.start_s, activity.stop_s))
        if stop <= start:
            continue
        height = INTENSITY_HEIGHT.get(activity.intensity, 0.4) * 0.5 * panel.height
        bar = panel.left + start * scale, panel.left + stop * scale
        by_height.setdefault(height, []).append(bar)
        room = math.floor((bar[1] - bar[0]) / 4.9)
        if room >= 4:
            words = short(activity.activity, room)
            parts.append(text(bar[0], panel.bottom - height - 2.6, words, size=SMALL))
    for height, bars in by_height.items():
        parts.append(filled(boxes(bars, panel.bottom - height, height), "--activity", INK, 0.4))
    return [*parts, *edges(panel, left=False)]
