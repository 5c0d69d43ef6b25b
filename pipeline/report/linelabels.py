"""Where the labels of mains lines stand above a spectrum, so that none lies on another or on the curve."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pipeline.report.spectrum import Spectrum
from pipeline.report.words import place_words

WIDTH_IN = 10.0
PANEL_IN = 2.9
SPECTRUM_LEFT_IN, SPECTRUM_RIGHT_IN = 0.95, 0.25
LABEL_ROW_IN = 0.19
MOST_PLACES = 12
SAME_PLACE_HZ = 0.125
"""Width of a bin of the spectrum; a clock a little off makes lines fold a little apart."""
_LETTER_IN, _APART_IN = 0.076, 0.06


@dataclass(frozen=True)
class LineLabel:
    """One label: ``x_in`` from the panel's left edge, in `row` rows above its top, 0 the lowest.

    ``at_hz`` is where the line stands in the panel, None where it lies outside; ``leftwards`` says that
    the text ends at ``x_in`` instead of beginning there.
    """

    at_hz: float | None
    text: str
    x_in: float
    row: int
    leftwards: bool


def reach_hz(spectrum: Spectrum) -> tuple[float, float]:
    """Ends of the frequency axis."""
    return float(spectrum.frequency_hz[1]), float(spectrum.frequency_hz[-1]) * 1.02


def line_labels(lines: Sequence[Mapping[str, Any]], reach: tuple[float, float]) -> list[LineLabel]:
    """Labels of the lines of one channel, from left to right; lines that fold to one place share one.

    A label ends at its line. It stands higher than every line and label that its text would cross,
    so no leader runs through a text. Lines outside the axis are named above all, at the left.
    """
    places = _places(lines)
    seen = [item for item in places if reach[0] <= item[0] <= reach[1]][:MOST_PLACES]
    unseen = [here for hz, here in places if not reach[0] <= hz <= reach[1]]
    width_in = WIDTH_IN - SPECTRUM_LEFT_IN - SPECTRUM_RIGHT_IN
    labels: list[LineLabel] = []
    for hz, here in seen:
        text = place_words(here)
        at_in = width_in * math.log(hz / reach[0]) / math.log(reach[1] / reach[0])
        long_in = len(text) * _LETTER_IN + 2 * _APART_IN
        leftwards = at_in - long_in > -SPECTRUM_LEFT_IN
        begin_in = at_in - long_in if leftwards else at_in
        below = [other.row for other in labels if other.x_in > begin_in or not other.leftwards]
        row = 1 + max(below, default=-1)
        labels.append(LineLabel(hz, text, at_in + (-_APART_IN if leftwards else _APART_IN), row, leftwards))
    top = 1 + max((label.row for label in labels), default=-1)
    return labels + [
        LineLabel(None, place_words(here), 0.0, top + i, False) for i, here in enumerate(unseen[:3])
    ]


def _places(lines: Sequence[Mapping[str, Any]]) -> list[tuple[float, list[Mapping[str, Any]]]]:
    """Lines that the picture cannot tell apart, from left to right, at the place of the lowest harmonic."""
    groups: list[list[Mapping[str, Any]]] = []
    for line in sorted(lines, key=lambda line: float(line["folded_hz"])):
        if groups and float(line["folded_hz"]) - float(groups[-1][0]["folded_hz"]) <= SAME_PLACE_HZ:
            groups[-1].append(line)
        else:
            groups.append([line])
    ordered = [sorted(group, key=lambda line: int(line["harmonic"])) for group in groups]
    return [(float(group[0]["folded_hz"]), group) for group in ordered]
