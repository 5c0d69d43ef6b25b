"""The spectrum of each field channel: amplitude density over frequency, movement and mains marked in it."""

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from markupsafe import Markup

from pipeline.report.linelabels import (
    LABEL_ROW_IN,
    PANEL_IN,
    SPECTRUM_LEFT_IN,
    SPECTRUM_RIGHT_IN,
    LineLabel,
    line_labels,
    reach_hz,
)
from pipeline.report.panels import (
    QUIET,
    RULE,
    WASH,
    WIDTH,
    Panel,
    boxes,
    decades,
    edges,
    filled,
    line,
    marks_below,
    marks_beside,
    picture,
    short,
    text,
    through,
)
from pipeline.report.spectrum import Floats, Spectrum
from pipeline.report.words import line_words, number, prefix_for

MOVEMENT_BAND_HZ = (0.5, 10.0)
MOST_POINTS = 2000
_INCH = 72.0
_TOP, _BETWEEN, _BOTTOM = 16.0, 54.0, 36.0
_SIZE = 9.5


def spectrum_picture(
    spectra: Mapping[str, Spectrum], units: Mapping[str, str], lines: Sequence[Mapping[str, Any]]
) -> Markup:
    """A log-log density for each field channel as SVG."""
    left = SPECTRUM_LEFT_IN * _INCH
    width = WIDTH - left - SPECTRUM_RIGHT_IN * _INCH
    top, parts = _TOP, list[str]()
    for name, spectrum in spectra.items():
        labels = line_labels([one for one in lines if one["channel"] == name], reach_hz(spectrum))
        # Labels stand above the panel, in rows of their own: inside they would lie under the curve.
        top += _INCH * LABEL_ROW_IN * (1 + max((label.row for label in labels), default=-1))
        panel = Panel(left, top, width, PANEL_IN * _INCH)
        if len(spectra) > 1:
            above = max((label.row + 1 for label in labels), default=0) * LABEL_ROW_IN * _INCH
            parts.append(text(left, top - above - 6, short(name, 60)))
        parts += _panel(panel, spectrum, units[name], labels)
        top = panel.bottom + _BETWEEN
    said = "; ".join(line_words(one) for one in lines) or "none stated"
    alt = f"Amplitude density of {', '.join(spectra)} over frequency. Mains lines: {said}."
    return picture(alt, top - _BETWEEN + _BOTTOM, parts)


def _panel(panel: Panel, spectrum: Spectrum, unit: str, labels: Sequence[LineLabel]) -> list[str]:
    frequency_hz, amplitude = _thinned(spectrum.frequency_hz[1:], np.sqrt(spectrum.density[1:]))
    positive = amplitude[amplitude > 0]
    top = float(positive.max()) if len(positive) else 1.0
    floor = max(float(positive.min()) if len(positive) else 0.1, top * 1e-7)
    factor, printed = prefix_for(top, unit)
    if factor == 1 and top < 1:
        factor, printed = prefix_for(float(np.sqrt(top * floor)), unit)
    reach, (low, high) = reach_hz(spectrum), (floor / factor * 0.6, top / factor * 2)
    across = panel.width / math.log(reach[1] / reach[0])
    upwards = panel.height / math.log(high / low)
    band = [
        panel.left + math.log(min(max(hz, reach[0]), reach[1]) / reach[0]) * across for hz in MOVEMENT_BAND_HZ
    ]
    parts = [filled(boxes([band], panel.top, panel.height), WASH, RULE, 0.6)]
    heights = decades(low, high, (1,), 9)
    parts += marks_beside(panel, heights, [panel.bottom - math.log(at / low) * upwards for at in heights])
    places = decades(*reach, (1, 2, 5), 16)
    x = [panel.left + math.log(at / reach[0]) * across for at in places]
    parts.append(line("".join(f"M{at:.1f} {panel.top:.1f}v{panel.height:.1f}" for at in x), RULE, 0.5))
    parts += marks_below(panel, [number(at) for at in places], x, "frequency (Hz)")
    parts += [_leader(panel, label, reach[0], across) for label in labels if label.at_hz is not None]
    curve = through(
        panel.left + np.log(frequency_hz / reach[0]) * across,
        panel.bottom - np.log(np.maximum(amplitude, floor) / factor / low) * upwards,
    )
    parts += [line(curve, "--field", 1.0), *edges(panel)]
    title = f"amplitude density ({printed}/√Hz)"
    middle = panel.top + panel.height / 2
    parts.append(text(17, middle, title, anchor="middle", upwards=True))
    parts.append(text(band[0] + 6, panel.bottom - 6.3, "movement 0.5–10 Hz", colour=QUIET, size=_SIZE))
    return parts + [_label(panel, label) for label in labels]


def _thinned(frequency_hz: Floats, amplitude: Floats) -> tuple[Floats, Floats]:
    """Peaks survive: of neighbours that share a place the largest is kept."""
    n = len(frequency_hz)
    if n <= MOST_POINTS:
        return frequency_hz, amplitude
    starts = np.unique(np.geomspace(1, n, MOST_POINTS).astype(np.int64) - 1)
    return frequency_hz[starts], np.maximum.reduceat(amplitude, starts)


def _above(label: LineLabel) -> float:
    """How far above the panel the middle of a label stands."""
    return (LABEL_ROW_IN * label.row + 0.1) * _INCH


def _leader(panel: Panel, label: LineLabel, first_hz: float, across: float) -> str:
    """A dashed line where a line of the mains appears, led up to its label above the panel."""
    at = panel.left + math.log((label.at_hz or first_hz) / first_hz) * across
    return line(f"M{at:.1f} {panel.bottom:.1f}V{panel.top - _above(label):.1f}", "--fault", 1.0, "4 2")


def _label(panel: Panel, label: LineLabel) -> str:
    x, y = panel.left + label.x_in * _INCH, panel.top - _above(label) + 3.2
    return text(x, y, label.text, anchor="end" if label.leftwards else "start", size=_SIZE)
