"""From a matplotlib figure to a drawing that lives inside a page and follows its colours."""

import io
import re
import warnings
from collections.abc import Callable, Mapping
from typing import Any

from markupsafe import Markup, escape

# Drawing colours stand for roles; the page's style sheet gives each its light and its dark value.
INK, QUIET, RULE, PANEL = "#20242a", "#5c564e", "#d9cfc1", "#fffdf8"
FIELD, ACCELERATION, OTHER = "#0072b2", "#4f5660", "#7a4b68"
FAULT, NOTE, USABLE, ACTIVITY, WASH = "#d55e00", "#cc79a7", "#009e73", "#8c7b4a", "#ece4d8"
ROLES: Mapping[str, str] = {
    INK: "--ink",
    QUIET: "--quiet",
    RULE: "--rule",
    PANEL: "--panel",
    FIELD: "--field",
    ACCELERATION: "--acceleration",
    OTHER: "--other",
    FAULT: "--fault",
    NOTE: "--note",
    USABLE: "--usable",
    ACTIVITY: "--activity",
    WASH: "--wash",
}

_SETTINGS: dict[Any, Any] = {
    "svg.fonttype": "none",
    "text.parse_math": False,  # a name may hold dollar signs
    "text.usetex": False,
    "font.family": ["DejaVu Sans"],  # for reckoning widths; it comes with matplotlib everywhere
    "font.size": 9.5,
    "text.color": INK,
    "axes.labelcolor": INK,
    "axes.edgecolor": QUIET,
    "axes.facecolor": PANEL,
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "hatch.linewidth": 0.7,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "path.simplify": True,
}

_TAG = re.compile(r"<[^>]*>")
_COLOUR = re.compile(r"#[0-9a-f]{6}\b")
_FONT = re.compile(r"font: ([^;'\"]*?px) [^;\"]*")
_LONG_NUMBER = re.compile(r"(?<=\d\.\d)\d+")
_PAINT = re.compile(r' (fill|stroke)="(#[0-9a-f]{6})"')


def draw(name: str, alt: str, make: Callable[[], Any]) -> Markup:
    """Draw the figure that `make` returns as inline SVG.

    Parameters
    ----------
    name : str
        Letters only; keeps the ids of several drawings in one page apart.
    alt : str
        What the drawing shows, for those who do not see it.
    make : callable
        Returns a matplotlib Figure.
    """
    import matplotlib as mpl  # costs 0.3 s, and pages without a recording need none

    buffer = io.StringIO()
    with mpl.rc_context({**_SETTINGS, "svg.hashsalt": name}), warnings.catch_warnings():
        # Browsers find the glyph elsewhere; only the reckoned width is a guess.
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        figure = make()
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None}, transparent=True)
    return _inlined(buffer.getvalue(), name, alt)


def _inlined(svg: str, name: str, alt: str) -> Markup:
    svg = svg[svg.index("<svg") :]
    for pattern in (r"<!--.*?-->", r"<metadata>.*?</metadata>", r"<style\b.*?</style>"):
        svg = re.sub(pattern, "", svg, flags=re.DOTALL)
    used = set(re.findall(r'(?:href="|url\()#([^")]+)', svg))
    # Text cannot be mistaken for a tag: matplotlib escapes < and > in it.
    svg = _TAG.sub(lambda match: _tag(match[0], name, used), svg)
    svg = re.sub(r">\s+<", "><", svg)
    view = re.search(r'viewBox="[^"]*"', svg)
    body = svg[svg.index(">") + 1 :]
    head = f'<svg class="plot" role="img" aria-label="{escape(alt)}" {view[0] if view else ""}>'
    return Markup(head + body)  # noqa: S704 (drawn here, its text escaped by matplotlib, alt above)


def _tag(tag: str, name: str, used: set[str]) -> str:
    def identity(match: re.Match[str]) -> str:
        return f' id="{name}-{match[1]}"' if match[1] in used else ""

    tag = re.sub(r' id="([^"]*)"', identity, tag)
    tag = re.sub(r'((?:href="|url\()#)', rf"\g<1>{name}-", tag).replace("xlink:href", "href")
    if tag.startswith("<use"):
        tag = _PAINT.sub("", tag)
    tag = _PAINT.sub(lambda m: f' style="{m[1]}: {m[2]}"', tag)
    tag = _COLOUR.sub(lambda m: f"var({ROLES[m[0]]})" if m[0] in ROLES else m[0], tag)
    tag = _FONT.sub(r"font: \1 sans-serif", tag)
    return _LONG_NUMBER.sub("", tag) if not tag.startswith("<svg") else tag
