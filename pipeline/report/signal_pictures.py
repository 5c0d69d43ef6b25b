"""Coordinates of the pictures of the check of the signal; the template draws them."""

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.report.words import amount, number

ROC_PX, ROC_LEFT, ROC_TOP = 180, 34, 8
STRIP_PX, STRIP_LEFT = 184, 8
WAKE_WIDTH, WAKE_HEIGHT, WAKE_LEFT, WAKE_TOP = 300, 170, 46, 10


def curves_of(signal: Mapping[str, Any], pair_words: Mapping[str, str]) -> list[dict[str, Any]]:
    """For each pair the pooled curves before and after exclusions, and the band of the latter.

    ``band_of`` says what the band is: an ``interval``, the ``range`` of the sessions, or nothing. Where both
    curves are the ``same``, ``all`` is empty: it would lie under the other line.
    """
    found = []
    for pair, kinds in signal["curves"].items():
        paths: dict[str, str] = {}
        for kind, curve in kinds.items():
            paths[kind] = _path([0.0, *signal["grid"]], [0.0, *curve["true"]]) if curve else ""
        same = bool(paths["all"]) and paths["all"] == paths["kept"]
        if same:
            paths["all"] = ""
        band, band_of = _band(signal["grid"], kinds["kept"])
        found.append(
            {"pair": pair, "words": pair_words[pair], **paths, "same": same, "band": band, "band_of": band_of}
        )
    return found


def _band(grid: Sequence[float], curve: Mapping[str, Any] | None) -> tuple[str, str]:
    """Outline of a curve's band, and what it is."""
    for band_of, low, high in (("interval", "low", "high"), ("range", "least", "most")):
        if curve and curve[low] is not None:
            return _path([*grid, *grid[::-1]], [*curve[high], *curve[low][::-1]]) + "z", band_of
    return "", ""


def legend_of(curves: Sequence[Mapping[str, Any]]) -> str:
    """What is drawn of the curves, in words; what is nowhere drawn is not named."""
    bands = {curve["band_of"] for curve in curves}
    told = []
    if any(curve["kept"] for curve in curves):
        same = all(curve["same"] for curve in curves if curve["kept"])
        told.append(f"Line: after exclusions{', and the same before' if same else ''}.")
    if "interval" in bands:
        told.append("Band: its 95 % interval.")
    if "range" in bands:
        told.append("Pale band: from the lowest to the highest curve of a session by itself, no interval.")
    if any(curve["all"] for curve in curves):
        told.append("Dashed: before, where that differs.")
    return " ".join([*told, "Dotted: chance."])


def _path(x: Sequence[float], y: Sequence[float]) -> str:
    points = (
        f"{ROC_LEFT + ROC_PX * a:.1f} {ROC_TOP + ROC_PX * (1 - b):.1f}" for a, b in zip(x, y, strict=True)
    )
    return "M" + "L".join(points)


def strip_of(own: Mapping[str, float], measured: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """Shares of single sessions as dots on a line from 0 to 1, with a pooled value and its interval."""
    # Of a thousand sessions most dots would lie on others: half a pixel apart is as near as can be seen.
    places = sorted({round(2 * _at(value)) / 2 for value in own.values()})
    strip: dict[str, Any] = {"dots": "".join(f"M{at:g} 8h0" for at in places)}
    if measured is not None and measured["value"] is not None:
        strip["value"] = round(_at(measured["value"]), 1)
        if measured["low"] is not None:
            strip["low"], strip["high"] = round(_at(measured["low"]), 1), round(_at(measured["high"]), 1)
    return strip


def _at(share: float) -> float:
    return STRIP_LEFT + STRIP_PX * share


def wakeups_of(wakeups: Mapping[str, Any]) -> dict[str, Any]:
    """The curve of false wake-ups against movements missed, and its table."""
    if wakeups["absent"]:
        return {"absent": wakeups["absent"]}
    levels = wakeups["levels"]
    most = max(level["false"]["value"] for level in levels) or 1.0
    names = list(levels[0]["missed"])
    shares = {name: [level["missed"][name]["value"] for level in levels] for name in names}
    chance = [level["chance"]["value"] for level in levels]
    if chance[0] is not None:
        shares["rest"] = [1 - share for share in chance]
    lines = {
        name: [
            (
                round(WAKE_LEFT + WAKE_WIDTH * level["false"]["value"] / most, 1),
                round(WAKE_TOP + WAKE_HEIGHT * (1 - missed), 1),
            )
            for level, missed in zip(levels, own, strict=True)
        ]
        for name, own in shares.items()
    }
    return {
        "absent": "",
        "rest_h": wakeups["rest_h"],
        "n_rests": wakeups["n_rests"],
        "best": [] if chance[0] is None else [_best(levels, name) for name in names],
        "most": number(most),
        "names": names,
        "lines": {name: "M" + "L".join(f"{x} {y}" for x, y in points) for name, points in lines.items()},
        "dots": {name: "".join(f"M{x} {y}h0" for x, y in points) for name, points in lines.items()},
        "rows": [_wake_row(level) for level in levels],
        "n": {name: levels[0]["missed"][name]["n"] for name in names},
    }


def _best(levels: Sequence[Mapping[str, Any]], name: str) -> dict[str, Any]:
    """The level at which a movement is found most beyond what rest would be."""
    at = max(levels, key=lambda level: 1 - level["missed"][name]["value"] - level["chance"]["value"])
    return {
        "name": name,
        "found": 1 - at["missed"][name]["value"],
        "chance": at["chance"]["value"],
        "awake": at["awake"]["value"],
        "level": amount(at["level_v"], "V"),
    }


def _wake_row(level: Mapping[str, Any]) -> dict[str, Any]:
    false = level["false"]
    ends, over = (
        "" if false[low] is None else f"{words}: {number(false[low], 2)} to {number(false[high], 2)}"
        for words, low, high in (("95 %", "low", "high"), ("sessions", "least", "most"))
    )
    return {
        "level": amount(level["level_v"], "V"),
        "false": number(false["value"]),
        "interval": ends,
        "range": over,
        "awake": level["awake"]["value"],
        "chance": level["chance"]["value"],
        "missed": {name: one["value"] for name, one in level["missed"].items()},
    }
