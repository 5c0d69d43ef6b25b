"""The pictures of a drill: shares found over strength and over length, a small panel for each kind."""

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.report.svg import FAULT, FIELD, INK, QUIET, RULE, USABLE, WASH
from pipeline.report.words import number

_WIDTH_IN, _COLUMNS = 11.0, 3
_PANEL_IN, _LEFT_IN, _RIGHT_IN, _TOP_IN, _BELOW_IN, _BETWEEN_IN = 1.5, 0.62, 0.2, 0.42, 0.62, 0.62


def curves(kinds: Sequence[Mapping[str, Any]], of: str) -> Any:
    """Matplotlib figure: the share found of each kind, by 'strength' or 'length'.

    A point is a group of planted events with its Clopper-Pearson interval; the upright line is where the
    fitted curve reaches 95 %, the band its interval; what lies left of the shaded ground need not be found.
    """
    from matplotlib.figure import Figure

    rows = -(-len(kinds) // _COLUMNS)
    tall = rows * (_PANEL_IN + _TOP_IN + _BELOW_IN)
    figure = Figure(figsize=(_WIDTH_IN, tall))
    wide = (_WIDTH_IN - _LEFT_IN - _RIGHT_IN - _BETWEEN_IN * (_COLUMNS - 1)) / _COLUMNS
    for i, kind in enumerate(kinds):
        row, column = divmod(i, _COLUMNS)
        left = _LEFT_IN + column * (wide + _BETWEEN_IN)
        bottom = tall - (row + 1) * (_PANEL_IN + _TOP_IN + _BELOW_IN) + _BELOW_IN
        box = (left / _WIDTH_IN, bottom / tall, wide / _WIDTH_IN, _PANEL_IN / tall)
        _panel(figure.add_axes(box), kind, of, first=column == 0)
    return figure


def _panel(axes: Any, kind: Mapping[str, Any], of: str, first: bool) -> None:
    bins = kind[f"by_{of}"]
    middle = [one["middle"] for one in bins]
    low, high = bins[0]["from"], bins[-1]["to"]
    axes.set_xscale("log")
    room = (high / low) ** 0.06
    axes.set_xlim(low / room, high * room)
    axes.set_ylim(-4, 106)
    matters = kind["matters_strength"] if of == "strength" else kind["matters_s"]
    axes.axvspan(max(matters, low / room), high * room, color=WASH, linewidth=0, zorder=0)
    limit = kind["limit_strength"] if of == "strength" else kind["limit_length_s"]
    if limit["value"] is not None:
        axes.axvspan(
            limit["low"] or low / room, limit["high"] or high * room, ymax=0.06, color=USABLE, linewidth=0
        )
        axes.axvline(limit["value"], color=USABLE, linewidth=1.6)
    share = [100 * one["value"] for one in bins]
    below = [100 * (one["value"] - one["low"]) for one in bins]
    above = [100 * (one["high"] - one["value"]) for one in bins]
    axes.axhline(95, color=QUIET, linewidth=0.6, linestyle=(0, (2, 3)))
    axes.errorbar(middle, share, yerr=[below, above], color=FIELD, linewidth=1.1, fmt="none", capsize=2.5)
    axes.plot(middle, share, color=FIELD, linewidth=0.8, marker="o", markersize=5, clip_on=False)
    missed = [i for i, one in enumerate(bins) if one["n"] == 0]
    axes.plot([middle[i] for i in missed], [0] * len(missed), "o", color=FAULT, markersize=5, clip_on=False)
    _label(axes, kind, of, first)


def _label(axes: Any, kind: Mapping[str, Any], of: str, first: bool) -> None:
    from matplotlib.ticker import LogLocator, NullLocator

    axes.set_title(kind["words"], loc="left", fontsize=10, fontweight="bold", color=INK, pad=6)
    axes.set_yticks([0, 50, 95], ["0", "50", "95 %"] if first else [""] * 3)
    axes.grid(axis="y", color=RULE, linewidth=0.5)
    axes.set_axisbelow(True)
    low, high = axes.get_xlim()
    subs = (1, 2, 5) if high / low < 60 else (1,)
    axes.xaxis.set_major_locator(LogLocator(subs=subs, numticks=20))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(lambda value, _: number(value))
    if of == "length":
        axes.set_xlabel("length (s)", fontsize=9)
        return
    axes.set_xlabel(kind["strength_is"], fontsize=9)
