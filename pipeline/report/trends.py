"""Trends over the days of a study: mains by room; losses, noise, contact and usable share by device.

A trend is claimed by Kendall's rank correlation between start and value (Kendall 1938, Biometrika 30:81; as a
test for trend: Mann 1945, Econometrica 13:245) where the probability of it by chance stays below 0.05 after
Holm's correction (1979, Scand. J. Statist. 6:65) for the rooms or devices of one question. Series of five
sessions or more are tested; how many it takes for a claim follows from how many are tested, and is said.
Sessions are taken as independent. In every other case none is shown, and the reason is said.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import stats

from pipeline.report import words
from pipeline.report.starts import stated_start
from pipeline.report.trend_scales import Scale, dots, line, scale_of
from schemas.measures import BY_NAME

N_LEAST = 5
P_CLAIMED = 0.05
_NOT_SHOWN = "a trend is not shown"
MOST_NUMBERED = 300
"""Sessions whose dots stand in numbers in the page; all of them stand in sessions.csv."""
N_DRAWN = 24
"""Panels of one quantity that are drawn at most: those that stand out in anything, then by name."""


@dataclass(frozen=True)
class Quantity:
    """A measure to follow, by what it is grouped, and what to do where it grows worse."""

    measure: str
    by: str
    title: str
    worse: int
    act: str


QUANTITIES = (
    Quantity("mains_rms_v", "site", "Mains by room", 1, "Look for what is switched on there."),
    Quantity(
        "lost_fraction", "device", "Samples lost by device", 1, "Look at its battery, card and antenna."
    ),
    Quantity("noise_v", "device", "Noise by device", 1, "Look at its connector, cable and battery."),
    Quantity(
        "contact_loss_fraction",
        "device",
        "Electrode off by device",
        1,
        "Its strap or electrode may be wearing out.",
    ),
    Quantity("usable_fraction", "device", "Usable share by device", -1, "Look at its latest sessions first."),
)


@dataclass(frozen=True)
class Trend:
    """A trend that stands out: medians of the first and of the last third, Kendall's tau-b, corrected p."""

    first: float
    last: float
    n_third: int
    tau: float
    p: float


@dataclass(frozen=True)
class Series:
    """The sessions of one room or device in the order of time. ``why`` says why there is no trend."""

    name: str
    sessions: tuple[str, ...]
    start_s: npt.NDArray[np.float64]
    values: npt.NDArray[np.float64]
    n_without: int
    trend: Trend | None = None
    why: str = ""


def trends(qualities: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """What the batch page shows of trends: for each quantity that was measured its panels and sentences.

    Parameters
    ----------
    qualities : sequence of mapping
        What stands in each session's ``quality.json``, in any order.
    """
    found = [(quantity, one) for quantity in QUANTITIES for one in _series(qualities, quantity)]
    tested = [
        (quantity, one)
        for quantity in QUANTITIES
        for one in _tested([series for of, series in found if of == quantity])
    ]
    starts = [start_s for _, one in tested for start_s in one.start_s.tolist()]
    standing = {(quantity.by, one.name) for quantity, one in tested if one.trend}
    # Those that stand out in anything come first in all rows, so that each keeps its column.
    tested.sort(key=lambda pair: ((pair[0].by, pair[1].name) not in standing, pair[1].name))
    shown = []
    for quantity in QUANTITIES:
        own = [one for of, one in tested if of == quantity]
        if any(len(one.values) for one in own):
            limit = _limit(qualities, quantity.measure)
            shown.append(_quantity_row(quantity, own, limit, (min(starts), max(starts))))
    return shown


def days(qualities: Sequence[Mapping[str, Any]]) -> tuple[str, str]:
    """The first and the last day of the study in words, as stated at each place."""
    return _ends(qualities, "%B %Y")


def short_days(qualities: Sequence[Mapping[str, Any]]) -> tuple[str, str]:
    """The same for the ends of an axis, as '3 Mar'."""
    return _ends(qualities, "%b")


def _ends(qualities: Sequence[Mapping[str, Any]], style: str) -> tuple[str, str]:
    starts = [start for quality in qualities if (start := stated_start(quality["started_at"]))]
    ends = (min(starts), max(starts)) if starts else ()
    first, last = (f"{start.day} {start:{style}}" for start in ends) if ends else ("", "")
    return first, last


def least_sessions(n_tested: int) -> int:
    """From how many sessions on a trend can be claimed where so many series of one question are tested.

    Of n values without ties two of the n! orders, all up and all down, are the least likely by chance.
    """
    n = N_LEAST
    while max(n_tested, 1) * 2 / math.factorial(n) >= P_CLAIMED:
        n += 1
    return n


def in_numbers(qualities: Sequence[Mapping[str, Any]], shown: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """The dots in words: each session by device and start, with its value of every measure that is shown."""
    measures = [row["measure"] for row in shown]
    dated = [(start, quality) for quality in qualities if (start := stated_start(quality["started_at"]))]
    dated.sort(key=lambda pair: (pair[1]["device"], pair[0].timestamp(), pair[1]["session"]))
    return {
        "titles": [words.measure_title(measure) for measure in measures],
        "n_more": max(len(dated) - MOST_NUMBERED, 0),
        "rows": [
            {
                **{key: quality[key] for key in ("session", "device", "site")},
                "start": f"{start.day} {start:%b %Y, %H:%M}",
                "values": [
                    words.amount(_value(quality, measure), BY_NAME[measure].unit, measure)
                    for measure in measures
                ],
            }
            for start, quality in dated[:MOST_NUMBERED]
        ],
    }


def _series(qualities: Sequence[Mapping[str, Any]], quantity: Quantity) -> list[Series]:
    points: dict[str, list[tuple[float, str, float | None]]] = {}
    for quality in qualities:
        start, value = stated_start(quality["started_at"]), _value(quality, quantity.measure)
        if start is not None:
            row = (start.timestamp(), quality["session"], value)
            points.setdefault(quality[quantity.by], []).append(row)
    series = []
    for name, rows in sorted(points.items()):
        kept = [
            (session, start_s, value)
            for start_s, session, value in sorted(rows, key=lambda r: r[:2])
            if value is not None
        ]
        pairs = np.array([row[1:] for row in kept], np.float64).reshape(-1, 2)
        names = tuple(row[0] for row in kept)
        series.append(Series(name, names, pairs[:, 0], pairs[:, 1], len(rows) - len(kept)))
    return series


def _value(quality: Mapping[str, Any], measure: str) -> float | None:
    """Of several channels the largest of either sign, as in the sessions table."""
    values = [m["value"] for m in quality["measures"] if m["name"] == measure and m["value"] is not None]
    finite = [float(value) for value in values if math.isfinite(value)]
    return max(finite, key=abs, default=None)


def _limit(qualities: Sequence[Mapping[str, Any]], measure: str) -> float | None:
    for quality in qualities:
        for m in quality["measures"]:
            if m["name"] == measure and m["limit"] is not None:
                return float(m["limit"])
    return None


def _tested(series: Sequence[Series]) -> list[Series]:
    """The series of one question, each with its trend, or the reason why none is shown."""
    correlations = [_correlation(one) for one in series]
    corrected = holm([c[1] for c in correlations if not isinstance(c, str)])
    tested, p_values = [], iter(corrected)
    for one, found in zip(series, correlations, strict=True):
        if isinstance(found, str):
            tested.append(replace(one, why=found))
            continue
        tau, p = found[0], next(p_values)
        if p < P_CLAIMED:
            tested.append(replace(one, trend=_trend(one, tau, p)))
        else:
            tested.append(replace(one, why=f"{_NOT_SHOWN} ({_strength(tau, p)})"))
    return tested


def _correlation(series: Series) -> tuple[float, float] | str:
    """Kendall's tau-b and the probability of one as large by chance, or why it cannot be had."""
    n = len(series.values)
    if n < N_LEAST:
        return f"no trend is claimed from fewer than {N_LEAST} sessions"
    if np.all(series.values == series.values[0]):
        return "all sessions have the same value"
    if np.all(series.start_s == series.start_s[0]):
        return "all sessions started at the same time"
    tau, p = stats.kendalltau(series.start_s, series.values)
    if len(np.unique(series.values)) < n or len(np.unique(series.start_s)) < n:
        # With ties the probability is that of a normal distribution; Kendall's correction for continuity
        # (Rank Correlation Methods, 1970, 4.8, from memory) keeps it from being too small for a few sessions.
        return float(tau), _continuous(series, float(p))
    return float(tau), float(p)


def _continuous(series: Series, p: float) -> float:
    later = np.sign(series.start_s[None, :] - series.start_s[:, None])
    more = np.sign(series.values[None, :] - series.values[:, None])
    score = abs(float((later * more).sum()) / 2)
    return float(2 * stats.norm.sf(stats.norm.isf(p / 2) * (score - 1) / score)) if score > 1 else 1.0


def holm(p_values: Sequence[float]) -> list[float]:
    """Holm's step-down correction: probabilities in the order given, at most 1."""
    order = np.argsort(p_values, kind="stable")
    steps = np.asarray(p_values, np.float64)[order] * (len(p_values) - np.arange(len(p_values)))
    corrected = np.empty(len(p_values))
    corrected[order] = np.minimum(np.maximum.accumulate(steps), 1.0) if len(steps) else steps
    return [float(p) for p in corrected]


def _trend(series: Series, tau: float, p: float) -> Trend:
    third = math.ceil(len(series.values) / 3)
    first, last = (float(np.median(part)) for part in (series.values[:third], series.values[-third:]))
    return Trend(first, last, third, tau, p)


def _quantity_row(
    quantity: Quantity, series: Sequence[Series], limit: float | None, extent_s: tuple[float, float]
) -> dict[str, Any]:
    unit = BY_NAME[quantity.measure].unit
    values = np.concatenate([one.values for one in series])
    scale = scale_of(quantity.measure, values)
    n_tested = sum(one.trend is not None or one.why.startswith(_NOT_SHOWN) for one in series)
    low, high = (words.amount(end, unit, quantity.measure) for end in (scale.low, scale.high))
    return {
        "title": quantity.title,
        "measure": quantity.measure,
        "by": quantity.by,
        "whose": "room" if quantity.by == "site" else quantity.by,
        "low": low if scale.low else "0",
        "high": high,
        "steps": scale.said,
        "limit": None if limit is None else words.amount(limit, unit, quantity.measure),
        "limit_y": None if limit is None or not scale.holds(limit) else scale.y(limit),
        "panels": [_panel(quantity, one, scale, extent_s) for one in series[:N_DRAWN]],
        "n_more": max(len(series) - N_DRAWN, 0),
        "n_tested": n_tested,
        "n_least": least_sessions(n_tested),
        "sentences": [_sentence(quantity, one, one.trend) for one in series if one.trend],
    }


def _panel(quantity: Quantity, series: Series, scale: Scale, extent_s: tuple[float, float]) -> dict[str, Any]:
    n, trend = len(series.values), series.trend
    told = [f"{n} {'session' if n == 1 else 'sessions'}"]
    if series.n_without:
        told.append(f"{series.n_without} without a value")
    told.append(_direction(trend) if trend else series.why)
    way = ""
    if trend:
        way = line(series.start_s, trend.n_third, (trend.first, trend.last), scale, extent_s)
    return {
        "name": series.name,
        "dots": dots(series.start_s, series.values, scale, extent_s),
        "line": way,
        "told": ", ".join(told),
        "worst": _worst(quantity, series),
        "stands": trend is not None,
        "worse": trend is not None and (trend.tau > 0) == (quantity.worse > 0),
    }


def _worst(quantity: Quantity, series: Series) -> dict[str, str] | None:
    """The session whose dot lies worst, where the dots differ."""
    if len(series.values) < 2 or np.all(series.values == series.values[0]):
        return None
    i = int(np.argmax(series.values * quantity.worse))
    value = words.amount(float(series.values[i]), BY_NAME[quantity.measure].unit, quantity.measure)
    return {
        "which": "highest" if quantity.worse > 0 else "lowest",
        "session": series.sessions[i],
        "value": value,
    }


def _direction(trend: Trend) -> str:
    return f"{'rises' if trend.tau > 0 else 'falls'} ({_strength(trend.tau, trend.p)})"


def _strength(tau: float, p: float) -> str:
    by_chance = "below 0.001" if p < 0.001 else words.number(p, 2)
    return f"τ\u00a0{words.number(tau, 2)}, corrected p\u00a0{by_chance}"


def _sentence(quantity: Quantity, series: Series, trend: Trend) -> dict[str, Any]:
    unit = BY_NAME[quantity.measure].unit
    first, last = (words.amount(value, unit, quantity.measure) for value in (trend.first, trend.last))
    days = max(round((series.start_s[-1] - series.start_s[0]) / 86400), 1)
    worse = (trend.tau > 0) == (quantity.worse > 0)
    what = words.measure_title(quantity.measure).lower()
    return {
        "name": series.name,
        "by": quantity.by,
        "head": f"{what} {'rises' if trend.tau > 0 else 'falls'} from {first} to {last}",
        "detail": f"medians of the first and last {trend.n_third} of {len(series.values)} sessions over "
        f"{days} {'day' if days == 1 else 'days'}; Kendall’s {_strength(trend.tau, trend.p)}",
        "act": quantity.act if worse else "",
        "worse": worse,
    }
