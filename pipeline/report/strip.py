"""A session as a thin picture without words, small enough that a page holds a thousand."""

import re
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from markupsafe import Markup, escape

from pipeline.layouts import Channel
from pipeline.report.analysed import length_s
from pipeline.report.glance import Glance, regroup
from pipeline.report.parts import Activity
from pipeline.report.words import VERDICTS
from schemas.conditions import BY_NAME, CONDITIONS, FAULT_MASK

WIDTH, HEIGHT = 480, 48
_N = 120
_FIELD = (3, 29)  # top and bottom of the envelope
_FAULT_Y, _NOTE_Y, _BASE_Y = 34, 39, 47
_ACTIVITY_PX: Mapping[str, int] = {"rest": 1, "hand": 2, "arm": 4, "body": 6}
_ALONE = re.compile(
    r' (?:xmlns|role|fill|stroke|stroke-width|stroke-dasharray)="[^"]*"|<(title|desc)>.*?</\1>'
    r'|<path class="s-ground"[^>]*/>'
)
"""What a strip needs where it stands alone; on a page the style sheet does this for all of them."""
_NOTE_MASK = sum(condition.mask for condition in CONDITIONS if not condition.fault)


def strip_svg(quality: Mapping[str, Any], glance: Glance | None, activities: Sequence[Activity]) -> str:
    """The strip as SVG text: no ids, no words, colours that a page may replace by class."""
    words = VERDICTS[quality["verdict"]].plain
    usable_s = length_s(quality["usable"])
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" class="strip" role="img" viewBox="0 0 {WIDTH} {HEIGHT}">',
        f"<title>{escape(_printable(quality['session']))}: {words}</title>",
        f"<desc>{usable_s:.0f} of {quality['duration_s']:.0f} seconds can be used. Field, faults, notes and "
        "activities from left to right.</desc>",
        f'<path class="s-ground" fill="#fffdf8" d="M0 0h{WIDTH}v{HEIGHT}h-{WIDTH}z"/>',
    ]
    if glance is None:
        parts.append(_line("s-none", "#5c564e", 2, "M6 24h468"))
    else:
        parts += _drawn(quality, glance, activities)
    return "".join(parts) + "</svg>\n"


def as_markup(strip: str, label: str) -> Markup:
    """A strip made by this module, for use in a page, where `label` says it in words."""
    bare = _ALONE.sub("", strip.strip())
    named = f'<svg preserveAspectRatio="none" role="img" aria-label="{escape(_printable(label))}"'
    return Markup(bare.replace("<svg", named, 1))  # noqa: S704 (made above, its only free text taken out)


def _drawn(quality: Mapping[str, Any], glance: Glance, activities: Sequence[Activity]) -> list[str]:
    scale = WIDTH / glance.duration_s
    parts = []
    usable = "".join(
        f"M{start * scale:.1f} 0h{max((stop - start) * scale, 0.5):.1f}v30h-{(stop - start) * scale:.1f}z"
        for start, stop in quality["usable"][:_N]
    )
    if usable:
        parts.append(f'<path class="s-usable" fill="#d8ebe2" d="{usable}"/>')
    parts.append(_line("s-field", "#0072b2", WIDTH // _N, _field_path(glance)))
    bits = regroup(glance.bits, _N, np.bitwise_or)
    lost = _line("s-lost", "#20242a", 6, _runs(bits, BY_NAME["lost"].mask, _FAULT_Y))
    parts.append(lost.replace("<path", '<path stroke-dasharray="2 2"'))
    parts.append(_line("s-fault", "#d55e00", 6, _runs(bits, FAULT_MASK & ~BY_NAME["lost"].mask, _FAULT_Y)))
    parts.append(_line("s-note", "#cc79a7", 2, _runs(bits, _NOTE_MASK, _NOTE_Y)))
    parts.append(f'<path class="s-activity" fill="#b87400" d="{_activity_path(activities, scale)}"/>')
    return [part for part in parts if 'd=""' not in part]


def _printable(text: str) -> str:
    """XML holds no control characters, not even escaped."""
    return "".join(c if c.isprintable() else " " for c in text)


def _line(name: str, colour: str, width: int, path: str) -> str:
    return f'<path class="{name}" fill="none" stroke="{colour}" stroke-width="{width}" d="{path}"/>'


def _field_path(glance: Glance) -> str:
    fields = glance.of_kind("field") or glance.envelopes
    if not fields:
        return ""
    low, high = regroup(fields[0].low, _N, np.fmin), regroup(fields[0].high, _N, np.fmax)
    there = ~np.isnan(low)
    if not there.any():
        return ""
    low, high = _height(low, fields[0].channel), _height(high, fields[0].channel)
    pixels = _FIELD[1] - _FIELD[0]
    step = WIDTH / len(low)
    length = np.maximum(np.rint(np.where(there, (high - low) * pixels, 0.0)), 1.0).astype(int)
    first = np.rint(np.where(there, _FIELD[1] - high * pixels, 0.0)).astype(int)
    at = np.flatnonzero(there).tolist()
    path = f"M{(at[0] + 0.5) * step:.4g} {first[at[0]]}v{length[at[0]]}"
    # from the end of one stroke to the begin of the next: half the digits of places on the picture
    return path + "".join(
        f"m{(b - a) * step:.4g}{_signed(first[b] - first[a] - length[a])}v{length[b]}"
        for a, b in pairwise(at)
    )


def _signed(value: int) -> str:
    """A whole number behind another: a minus sign parts the two, so that a blank is not needed."""
    return f"{value}" if value < 0 else f" {value}"


def _height(values: Any, channel: Channel) -> Any:
    """Where values stand between the edges of the input range, 0 to 1.

    The same for every session, so that a quiet one looks quiet; by square root from the middle of the
    range, so that it can still be seen: a hundredth of the way to the edge is drawn as a tenth.
    """
    middle, half = (channel.adc_high + channel.adc_low) / 2, (channel.adc_high - channel.adc_low) / 2
    off = np.clip((values - middle) / (half or 1.0), -1, 1)
    return (1 + np.sign(off) * np.sqrt(np.abs(off))) / 2


def _runs(bits: Any, mask: int, y: int) -> str:
    edges = np.diff(((bits & mask) != 0).astype(np.int8), prepend=0, append=0)
    step = WIDTH / len(bits)
    starts, stops = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    pauses = np.diff(np.stack([starts, stops], axis=1).ravel(), prepend=0) * step
    parts = [f"m{pause:.4g} 0h{length:.4g}" for pause, length in pauses.reshape(-1, 2).tolist()]
    return f"M0 {y}" + "".join(parts) if parts else ""


def _activity_path(activities: Sequence[Activity], scale: float) -> str:
    path = []
    for activity in activities[:_N]:
        start, stop = (min(max(t * scale, 0.0), WIDTH) for t in (activity.start_s, activity.stop_s))
        height = _ACTIVITY_PX.get(activity.intensity, 2)
        if stop > start:
            # One pixel short, so that neighbours of one height stay apart.
            width = max(stop - start - 1, 0.5)
            path.append(f"M{start:.1f} {_BASE_Y - height}h{width:.1f}v{height}h-{width:.1f}z")
    return "".join(path)
