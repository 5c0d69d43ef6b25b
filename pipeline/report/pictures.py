"""The two pictures of a session: the recording at a glance, and the spectrum of its field."""

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from pipeline.report.analysed import length_s
from pipeline.report.glance import Envelope, Glance
from pipeline.report.linelabels import (
    LABEL_ROW_IN,
    PANEL_IN,
    SPECTRUM_LEFT_IN,
    SPECTRUM_RIGHT_IN,
    WIDTH_IN,
    LineLabel,
    line_labels,
    reach_hz,
)
from pipeline.report.parts import Activity
from pipeline.report.spectrum import Spectrum
from pipeline.report.svg import (
    ACCELERATION,
    ACTIVITY,
    FAULT,
    FIELD,
    INK,
    NOTE,
    OTHER,
    PANEL,
    QUIET,
    RULE,
    USABLE,
    WASH,
)
from pipeline.report.words import clock, conditions_words, count, number, prefix_for
from schemas.conditions import BY_NAME

MOVEMENT_BAND_HZ = (0.5, 10.0)
HATCHES: Mapping[str, str] = {
    "lost": "",
    "saturated": "////",
    "settling": "....",
    "mains": "||||",
    "contact_loss": "xxxx",
    "stuck": "----",
    "low_coupling": "\\\\\\\\",
    "uncorroborated": "oo",
}
INTENSITY_HEIGHT: Mapping[str, float] = {"rest": 0.2, "hand": 0.4, "arm": 0.65, "body": 0.9}
_KIND_COLOUR = {"field": FIELD, "acceleration": ACCELERATION, "other": OTHER}
_TIME_STEPS_S = (0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600)
_HALF_DAY_S = 43_200
_NAME_LETTERS = 20
_ASIDE: Mapping[str, Any] = {"va": "center", "fontsize": 8.5, "color": QUIET}
_LEFT_IN, _RIGHT_IN, _TOP_IN, _BOTTOM_IN, _GAP_IN, _LANE_IN = 1.78, 0.98, 0.22, 0.5, 0.1, 0.24
_EDGE_IN, _TICKS_IN = 0.12, 0.7
"""From the picture's edge to what stands at its left, and what the numbers of an axis need beside it."""


def glance_figure(quality: Mapping[str, Any], glance: Glance, activities: Sequence[Activity]) -> Any:
    """Matplotlib figure: an envelope for each channel, lanes of conditions, activities, one time axis."""
    lanes = conditions_words(quality)
    heights = [1.9 if e.channel.kind == "field" else 0.72 for e in glance.envelopes]
    heights.append(_LANE_IN * (len(lanes) + 1 + bool(len(glance.events_s))) + 0.06)
    if activities:
        heights.append(0.52)
    figure, panels = _stacked(heights, left_in=_left_in(lanes, glance.envelopes))
    limits = _shared_limits(glance.envelopes)
    outside = _outside(quality["usable"], glance.duration_s)
    for axes, envelope in zip(panels, glance.envelopes, strict=False):
        _draw_envelope(axes, envelope, glance.duration_s, limits.get(envelope.channel.name))
        _wash(axes, outside)
    conditions_axes = panels[len(glance.envelopes)]
    _draw_lanes(conditions_axes, quality, lanes, glance)
    if activities:
        _draw_activities(panels[-1], activities, glance.duration_s)
    for axes in panels:
        _time_axis(axes, glance.duration_s, last=axes is panels[-1])
    return figure


def spectrum_figure(
    spectra: Mapping[str, Spectrum], units: Mapping[str, str], lines: Sequence[Mapping[str, Any]]
) -> Any:
    """Matplotlib figure: a log-log density for each field channel, with movement band and mains lines."""
    labels = {
        name: line_labels([line for line in lines if line["channel"] == name], reach_hz(spectrum))
        for name, spectrum in spectra.items()
    }
    # Labels stand above the panel, in rows of their own: inside they would lie under the curve.
    room_in = [LABEL_ROW_IN * (1 + max((label.row for label in own), default=-1)) for own in labels.values()]
    figure, panels = _stacked([PANEL_IN] * len(spectra), 0.75, SPECTRUM_LEFT_IN, SPECTRUM_RIGHT_IN, room_in)
    for axes, (name, spectrum), room in zip(panels, spectra.items(), room_in, strict=True):
        _draw_spectrum(axes, spectrum, units[name], labels[name])
        if len(spectra) > 1:
            axes.set_title(_short(name, 60), loc="left", fontsize=9.5, pad=6 + room * 72)
    return figure


def _stacked(
    heights_in: Sequence[float],
    gap_in: float = _GAP_IN,
    left_in: float = _LEFT_IN,
    right_in: float = _RIGHT_IN,
    above_in: Sequence[float] = (),
) -> tuple[Any, list[Any]]:
    """A figure with panels of those heights under each other, edges aligned, with room above each."""
    from matplotlib.figure import Figure

    above_in = above_in or [0.0] * len(heights_in)
    total = (
        math.fsum(heights_in) + math.fsum(above_in) + gap_in * (len(heights_in) - 1) + _TOP_IN + _BOTTOM_IN
    )
    figure = Figure(figsize=(WIDTH_IN, total))
    top, panels = total - _TOP_IN, []
    for height, above in zip(heights_in, above_in, strict=True):
        top -= above
        box = (left_in / WIDTH_IN, (top - height) / total)
        width = (WIDTH_IN - left_in - right_in) / WIDTH_IN
        panels.append(figure.add_axes((*box, width, height / total)))
        top -= height + gap_in
    return figure, panels


def _left_in(lanes: Sequence[Mapping[str, Any]], envelopes: Sequence[Envelope]) -> float:
    """Room at the left for the longest name of a lane, and for names of channels beside their numbers."""
    named = [_width_in(lane["words"]) for lane in lanes]
    for envelope in envelopes:
        bold = envelope.channel.kind == "field"
        named.append(_width_in(_short(envelope.channel.name, _NAME_LETTERS), bold) + _TICKS_IN)
    return max(_LEFT_IN, *(2 * _EDGE_IN + width_in for width_in in named))


def _width_in(text: str, bold: bool = False) -> float:
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    font = FontProperties(weight="bold" if bold else "normal")
    width_pt, _, _ = text_to_path.get_text_width_height_descent(text, font, False)
    return float(width_pt) / 72


def _at_edge(axes: Any) -> float:
    """Where what stands at the picture's left begins, as a share of the panel's width."""
    box = axes.get_position()
    return float((_EDGE_IN / WIDTH_IN - box.x0) / box.width)


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


def _draw_envelope(
    axes: Any, envelope: Envelope, duration_s: float, limits: tuple[float, float] | None
) -> None:
    channel, there = envelope.channel, ~np.isnan(envelope.low)
    if there.any():
        low, high = limits or (float(np.nanmin(envelope.low)), float(np.nanmax(envelope.high)))
    else:
        low, high = 0.0, 1.0
        axes.text(
            0.5, 0.5, "nothing arrived", transform=axes.transAxes, ha="center", va="center", color=QUIET
        )
    factor, unit = prefix_for(max(abs(low), abs(high)), channel.unit)
    n = len(envelope.low)
    colour = _KIND_COLOUR[channel.kind]
    middle_s = (np.arange(n) + 0.5) * (duration_s / n)
    axes.fill_between(
        middle_s, envelope.low / factor, envelope.high / factor, where=there, color=colour, linewidth=0.6
    )
    room = (high - low) * 0.06 or abs(high) * 0.1 or 1.0
    axes.set_ylim((low - room) / factor, (high + room) / factor)
    axes.grid(axis="y", color=RULE, linewidth=0.5)
    axes.set_axisbelow(True)
    axes.yaxis.set_major_locator(_few_ticks(5 if channel.kind == "field" else 2))
    axes.yaxis.set_major_formatter(lambda value, _: number(value))
    tall = channel.kind == "field"
    name = _short(channel.name, _NAME_LETTERS)
    axes.text(
        _at_edge(axes),
        0.5,
        f"{name}\n{unit}" if unit else name,
        transform=axes.transAxes,
        va="center",
        linespacing=1.35,
        fontweight="bold" if tall else "normal",
    )


def _few_ticks(n: int) -> Any:
    from matplotlib.ticker import MaxNLocator

    return MaxNLocator(n, steps=[1, 2, 2.5, 5, 10])


def _outside(usable: Sequence[Sequence[float]], duration_s: float) -> list[tuple[float, float]]:
    edges = [0.0, *(float(edge) for interval in usable for edge in interval), duration_s]
    return [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a > 1e-9]


def _wash(axes: Any, outside: Sequence[tuple[float, float]]) -> None:
    for start_s, stop_s in outside:
        axes.axvspan(start_s, stop_s, color=WASH, linewidth=0, zorder=0)


def _draw_lanes(
    axes: Any, quality: Mapping[str, Any], lanes: Sequence[Mapping[str, Any]], glance: Glance
) -> None:
    usable = quality["usable"]
    has_events = bool(len(glance.events_s))
    axes.set_ylim(len(lanes) + has_events + 0.62, -0.62)
    _spans(axes, np.asarray(usable, np.float64).reshape(-1, 2), 0, USABLE, "", filled=True)
    for i, lane in enumerate(lanes, 1):
        colour = INK if lane["name"] == "lost" else FAULT if lane["fault"] else NOTE
        runs = glance.runs(BY_NAME[lane["name"]].mask)
        _spans(axes, runs, i, colour, HATCHES[lane["name"]], filled=lane["name"] == "lost")
        _beside(axes, i, lane["seconds"], "" if lane["fault"] else ", note")
    _beside(axes, 0, length_s(usable))
    labels = [
        "can be used",
        *(lane["words"] for lane in lanes),
        *(["events"] if has_events else []),
    ]
    if has_events:
        y = len(lanes) + 1
        axes.vlines(glance.events_s, y - 0.33, y + 0.33, color=OTHER, linewidth=1.2)
        n_events = (quality.get("events") or {}).get("n_events", len(glance.events_s))
        axes.text(1.008, y, count(n_events), transform=axes.get_yaxis_transform(), **_ASIDE)
    axes.set_yticks(range(len(labels)), labels)
    axes.tick_params(axis="y", length=0)
    for y in range(len(labels)):
        axes.axhline(y, color=RULE, linewidth=0.5, zorder=0)
    axes.spines["left"].set_visible(False)


def _beside(axes: Any, y: float, seconds: float, more: str = "") -> None:
    text = (f"{number(seconds)} s" if seconds < 100 else clock(seconds)) + more
    axes.text(1.008, y, text, transform=axes.get_yaxis_transform(), **_ASIDE)


def _spans(axes: Any, runs_s: Any, y: float, colour: str, hatch: str, filled: bool) -> None:
    """Bars of one lane; pattern tells lanes apart where colour does not."""
    if not len(runs_s):
        return
    axes.broken_barh(
        [(start, stop - start) for start, stop in runs_s],
        (y - 0.33, 0.66),
        facecolor=colour if filled else PANEL,
        edgecolor=colour,
        hatch=hatch,
        linewidth=0.8,
    )


def _draw_activities(axes: Any, activities: Sequence[Activity], duration_s: float) -> None:
    axes.set_ylim(0, 1)
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_visible(False)
    axes.text(_at_edge(axes), 0.1, "activities", transform=axes.transAxes, va="bottom")
    width_pt = axes.get_position().width * WIDTH_IN * 72
    by_height: dict[float, list[tuple[float, float]]] = {}
    for activity in activities:
        start, stop = (min(max(t, 0.0), duration_s) for t in (activity.start_s, activity.stop_s))
        if stop <= start:
            continue
        height = INTENSITY_HEIGHT.get(activity.intensity, 0.4) * 0.5
        by_height.setdefault(height, []).append((start, stop - start))
        room = int((stop - start) / duration_s * width_pt / 4.9)
        if room >= 4:
            axes.text(start, height + 0.06, _short(activity.activity, room), fontsize=8.5)
    for height, bars in by_height.items():
        axes.broken_barh(bars, (0, height), facecolor=ACTIVITY, edgecolor=INK, linewidth=0.4)


def _short(text: str, n: int) -> str:
    """`text` on one line, at most `n` characters long."""
    text = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return text if len(text) <= n else text[: max(n - 1, 1)].rstrip() + "…"


def _time_axis(axes: Any, duration_s: float, last: bool) -> None:
    axes.set_xlim(0, duration_s)
    if not last:
        axes.set_xticks([])
        axes.spines["bottom"].set_color(RULE)
        return
    # A pause by the stamps may last for years: however long it was, the axis has no more marks.
    halves = -(-duration_s // (12 * _HALF_DAY_S))
    step = next((step for step in _TIME_STEPS_S if duration_s / step <= 12), halves * _HALF_DAY_S)
    ticks = np.arange(0, duration_s * 1.000001, step)
    axes.set_xticks(ticks)
    axes.set_xticklabels([clock(tick, 0 if step >= 1 else 1) for tick in ticks])
    form = "hours:minutes:seconds" if duration_s >= 3600 else "minutes:seconds"
    axes.set_xlabel(f"time from the first sample ({form})")


def _draw_spectrum(axes: Any, spectrum: Spectrum, unit: str, labels: Sequence[LineLabel]) -> None:
    from matplotlib.ticker import LogLocator, NullLocator

    frequency_hz, amplitude = _thinned(spectrum.frequency_hz[1:], np.sqrt(spectrum.density[1:]))
    positive = amplitude[amplitude > 0]
    top = float(positive.max()) if len(positive) else 1.0
    floor = max(float(positive.min()) if len(positive) else 0.1, top * 1e-7)
    factor, printed = prefix_for(top, unit)
    if factor == 1 and top < 1:
        factor, printed = prefix_for(float(np.sqrt(top * floor)), unit)
    axes.set_xscale("log")
    axes.set_yscale("log")
    axes.axvspan(*MOVEMENT_BAND_HZ, facecolor=WASH, edgecolor=RULE, linewidth=0.6, zorder=0)
    axes.plot(frequency_hz, np.maximum(amplitude, floor) / factor, color=FIELD, linewidth=1.0)
    axes.set_xlim(*reach_hz(spectrum))
    axes.set_ylim(floor / factor * 0.6, top / factor * 2)
    axes.grid(color=RULE, linewidth=0.5)
    axes.set_axisbelow(True)
    axes.xaxis.set_major_locator(LogLocator(subs=(1, 2, 5)))
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_formatter(lambda value, _: number(value))
        axis.set_minor_locator(NullLocator())
    axes.set_xlabel("frequency (Hz)")
    axes.set_ylabel(f"amplitude density ({printed}/√Hz)")
    axes.text(0.55, 0.03, "movement 0.5–10 Hz", transform=axes.get_xaxis_transform(), fontsize=9, color=QUIET)
    _mark_lines(axes, labels)


def _thinned(frequency_hz: Any, amplitude: Any, at_most: int = 2000) -> tuple[Any, Any]:
    """Peaks survive: of neighbours that share a place the largest is kept."""
    n = len(frequency_hz)
    if n <= at_most:
        return frequency_hz, amplitude
    starts = np.unique(np.geomspace(1, n, at_most).astype(np.int64) - 1)
    return frequency_hz[starts], np.maximum.reduceat(amplitude, starts)


def _mark_lines(axes: Any, labels: Sequence[LineLabel]) -> None:
    """A dashed line where each mains line appears, led up to its label above the panel."""
    for label in labels:
        above = (LABEL_ROW_IN * label.row + 0.1) / PANEL_IN
        if label.at_hz is not None:
            axes.plot(
                [label.at_hz] * 2,
                [0, 1 + above],
                transform=axes.get_xaxis_transform(),
                color=FAULT,
                linewidth=1.0,
                linestyle=(0, (4, 2)),
                zorder=1,
                clip_on=False,
                scalex=False,
                scaley=False,
            )
        axes.text(
            label.x_in / (WIDTH_IN - SPECTRUM_LEFT_IN - SPECTRUM_RIGHT_IN),
            1 + above,
            label.text,
            transform=axes.transAxes,
            ha="right" if label.leftwards else "left",
            va="center",
            fontsize=9,
        )
