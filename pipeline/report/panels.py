"""Panels with axes, written as SVG for a page: places in points, colours by the names that its style has.

All text is escaped here, and nothing but numbers is written into shapes.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from operator import add

import numpy as np
import numpy.typing as npt
from markupsafe import Markup, escape

from pipeline.report.words import number

INK, QUIET, RULE, GROUND, WASH = "--ink", "--quiet", "--rule", "--panel", "--wash"
TEXT, SMALL = 10.0, 9.0
"""Sizes of text in points."""
WIDTH = 720.0

_TICK = 3.5
_NICE = (1.0, 2.0, 2.5, 5.0, 10.0)
_NARROW, _WIDE = frozenset("fijlrtI .,:;'|!()[]/-"), frozenset("mwMWQ@%")

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Panel:
    """A box of a picture, from its left upper corner."""

    left: float
    top: float
    width: float
    height: float

    @property
    def right(self) -> float:
        """Its right edge."""
        return self.left + self.width

    @property
    def bottom(self) -> float:
        """Its lower edge."""
        return self.top + self.height


def picture(alt: str, height: float, parts: Iterable[str]) -> Markup:
    """A picture as wide as the page; `alt` says what it shows to those who do not see it."""
    head = (
        f'<svg class="plot" role="img" aria-label="{escape(alt)}" viewBox="0 0 {WIDTH:g} {height:g}" '
        f'font-family="sans-serif" font-size="{TEXT:g}">'
    )
    return Markup(head + "".join(parts) + "</svg>")  # noqa: S704 (written here, all text escaped)


def text(
    x: float,
    y: float,
    words: str,
    *,
    anchor: str = "start",
    colour: str = INK,
    size: float = TEXT,
    bold: bool = False,
    upwards: bool = False,
) -> str:
    """Text on a baseline."""
    more = "" if anchor == "start" else f' text-anchor="{anchor}"'
    more += "" if size == TEXT else f' font-size="{size:g}"'
    more += ' font-weight="bold"' if bold else ""
    more += f' transform="rotate(-90 {x:.1f} {y:.1f})"' if upwards else ""
    return f'<text x="{x:.1f}" y="{y:.1f}"{more} style="fill: var({colour})">{escape(words)}</text>'


def line(path: str, colour: str, width: float, dashes: str = "") -> str:
    """A stroke along path data."""
    dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
    style = f"fill: none; stroke: var({colour}); stroke-width: {width:g}"
    return f'<path d="{path}"{dashed} style="{style}"/>' if path else ""


def filled(path: str, colour: str, edge: str = "", width: float = 0.0) -> str:
    """A shape; `edge` is the colour of its outline."""
    outline = f"; stroke: var({edge}); stroke-width: {width:g}" if edge else ""
    return f'<path d="{path}" style="fill: var({colour}){outline}"/>' if path else ""


def boxes(edges: Iterable[Sequence[float]], top: float, height: float) -> str:
    """Path data of boxes from one x to another."""
    return "".join(
        f"M{start:.1f} {top:.1f}h{stop - start:.1f}v{height:.1f}h{start - stop:.1f}z" for start, stop in edges
    )


def through(x: Floats, y: Floats) -> str:
    """Path data of a line through points, to a tenth of a point."""
    tenths = np.rint(np.stack((x, y), axis=1) * 10).astype(np.int64)
    across, down = np.diff(tenths, axis=0).T.tolist()
    first = tenths[0] / 10
    steps = map(add, map(_tenth, across), map(_after, down))
    return f"M{first[0]:g} {first[1]:g}" + "".join(map("l".__add__, steps))


@lru_cache(1 << 13)
def _tenth(tenths: int) -> str:
    """A tenth of a whole number as few characters: '12', '.5', '-1.5'."""
    whole, rest = divmod(abs(tenths), 10)
    digits = f"{whole or ''}.{rest}" if rest else f"{whole}"
    return f"-{digits}" if tenths < 0 else digits


@lru_cache(1 << 13)
def _after(tenths: int) -> str:
    """The same behind another number: a minus sign parts the two, so that a blank is not needed."""
    return _tenth(tenths) if tenths < 0 else f" {_tenth(tenths)}"


def few_ticks(low: float, high: float, n: int) -> list[float]:
    """Round numbers from `low` to `high`, at least two where there are any, about `n` of them."""
    span = high - low
    if not span > 0 or not math.isfinite(span):
        return [low]
    exponent = math.floor(math.log10(span / n)) - 1
    steps = [nice * 10.0**power for power in range(exponent, exponent + 3) for nice in _NICE[:-1]]
    fitting = [step for step in steps if span / step <= n] or [steps[-1]]
    for step in (fitting[0], *(step for step in reversed(steps) if step < fitting[0])):
        ticks = np.arange(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1) * step
        if len(ticks) >= 2:
            return [float(tick) for tick in ticks]
    return [low]


def decades(low: float, high: float, within: Sequence[int], most: int) -> list[float]:
    """Round numbers of a logarithmic axis: powers of ten times those of `within`, or fewer powers of ten."""
    first, last = math.floor(math.log10(low)), math.ceil(math.log10(high))
    ticks = [nice * 10.0**power for power in range(first, last + 1) for nice in within]
    inside = [tick for tick in ticks if low * 0.999999 <= tick <= high * 1.000001]
    if len(inside) <= most:
        return inside
    plain = [10.0**power for power in range(first, last + 1) if low <= 10.0**power <= high]
    return plain[:: -(-len(plain) // most)]


def marks_beside(panel: Panel, ticks: Sequence[float], at: Sequence[float]) -> list[str]:
    """Rules across a panel at heights `at`, with the numbers at its left."""
    rules = "".join(f"M{panel.left:.1f} {y:.1f}h{panel.width:.1f}" for y in at)
    short = "".join(f"M{panel.left:.1f} {y:.1f}h-{_TICK}" for y in at)
    parts = [line(rules, RULE, 0.5), line(short, QUIET, 0.8)]
    x = panel.left - 2 * _TICK
    return parts + [text(x, y + 3.6, number(tick), anchor="end") for tick, y in zip(ticks, at, strict=True)]


def marks_below(panel: Panel, words: Sequence[str], at: Sequence[float], title: str) -> list[str]:
    """Marks at the lower edge of a panel at places `at`, with words below, and what the axis is."""
    short = "".join(f"M{x:.1f} {panel.bottom:.1f}v{_TICK}" for x in at)
    parts = [line(short, QUIET, 0.8)]
    parts += [text(x, panel.bottom + 14.2, word, anchor="middle") for word, x in zip(words, at, strict=True)]
    return [*parts, text(panel.left + panel.width / 2, panel.bottom + 28.5, title, anchor="middle")]


def edges(panel: Panel, *, left: bool = True, below: str = QUIET) -> list[str]:
    """The lines at the left of a panel and below it."""
    upright = line(f"M{panel.left:.1f} {panel.top:.1f}v{panel.height:.1f}", QUIET, 0.7) if left else ""
    return [upright, line(f"M{panel.left:.1f} {panel.bottom:.1f}h{panel.width:.1f}", below, 0.7)]


def width_of(words: str, *, bold: bool = False) -> float:
    """How wide text is at most, in points: fonts differ, and wide ones are wider than most."""
    em = 0.0
    for sign in words:
        if sign in _NARROW:
            em += 0.42
        elif sign in _WIDE or ord(sign) > 0x2E7F:
            em += 1.02
        else:
            em += 0.78 if sign.isupper() else 0.66
    return em * TEXT * (1.1 if bold else 1.0)


def short(words: str, n: int) -> str:
    """`words` on one line, at most `n` characters long."""
    words = " ".join("".join(c if c.isprintable() else " " for c in words).split())
    return words if len(words) <= n else words[: max(n - 1, 1)].rstrip() + "…"
