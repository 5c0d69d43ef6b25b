"""Whether the dataset carries the signal, as a part of the session's page and of the batch page."""

from collections.abc import Mapping, Sequence
from statistics import median
from typing import Any

from markupsafe import Markup

from pipeline.report.parts import templates
from pipeline.report.signal_pictures import curves_of, legend_of, strip_of, wakeups_of
from pipeline.report.signal_served import TASK_WORDS, served_of, two
from pipeline.report.words import amount, counted, listed
from pipeline.signal.pooled import FEWEST_PARTICIPANTS, N_DRAWS

PAIR_WORDS = {
    "rest_hand": "rest and hand",
    "rest_arm": "rest and arm",
    "rest_body": "rest and body",
    "others_body": "body and all others",
}
WHEN_WORDS = {"same": "held-out half of the same session", "later": "later sessions"}
_PLAIN, _MOSTLY, _WEAK = 0.95, 0.8, 0.65
_MOST_NAMED = 5
_FEWEST_TO_COMPARE = 3
_WEAK_SHARE = 0.25
"""Soles, floors and straps make two sessions differ twofold (common practice, no source); this is more."""


def session_part(signal: Mapping[str, Any]) -> Markup:
    """A section of the session's page from `pipeline.signal.session_signal`."""
    if signal["absent"]:
        return _rendered("absent", signal)
    rows = [_area_row(pair, kinds) for pair, kinds in signal["areas"].items()]
    curves = curves_of(signal, PAIR_WORDS)
    return _rendered(
        "session",
        signal,
        lead=_lead(signal["areas"]),
        rows=rows,
        curves=curves,
        legend=legend_of(curves),
        within=_within(signal["within"]),
    )


def _within(within: Mapping[str, Any]) -> dict[str, Any]:
    """Accuracy on the held-out half by task; where all lack it for one reason, that reason once."""
    tasks: list[dict[str, Any]] = [
        {"words": TASK_WORDS[task], **{name: _cell(one) for name, one in both.items()}}
        for task, both in within.items()
    ]
    reasons = {task["accuracy"]["absent"] for task in tasks}
    return {"tasks": tasks, "absent": reasons.pop() if len(reasons) == 1 else ""}


def study_part(signal: Mapping[str, Any]) -> Markup:
    """A section of the batch page from `pipeline.signal.study_signal`.

    A key ``table`` is the link to ``signal.csv``; without it there is none.
    """
    if signal["absent"]:
        return _rendered("absent", signal)
    rows = [_area_row(pair, kinds) for pair, kinds in signal["medians"].items()]
    for row in rows:
        own = _of_sessions(signal["sessions"], row["pair"])
        pooled = _cell(signal["areas"][row["pair"]]["kept"])
        row |= {"n": len(own), "strip": strip_of(own), "pooled": pooled}
    curves = curves_of(signal, PAIR_WORDS)
    return _rendered(
        "study",
        signal,
        lead=_lead_of_study(signal["medians"]),
        scheme=_scheme(signal),
        apart=_apart(signal),
        rows=rows,
        curves=curves,
        legend=legend_of(curves),
        accuracy=_accuracy_rows(signal),
        served=served_of(signal),
        faint=_faint(signal["sessions"]),
        weak=_weak(signal["sessions"]),
        wakeups=wakeups_of(signal["wakeups"]),
        table=signal.get("table", ""),
    )


def _scheme(signal: Mapping[str, Any]) -> str:
    """How the intervals of the page are made, or that there are none."""
    n, fewest = signal["n_participants"], FEWEST_PARTICIPANTS
    if n < fewest:
        return (
            f"{counted(n, 'participant')}: too few to draw from ({fewest} are needed), so that there are "
            "ranges over the sessions in place of all intervals: of areas, curves, accuracies and wake-ups. "
            "A range says how sessions differ, not how sure a value is."
        )
    return (
        f"Intervals (95 %) come from drawing whole participants ({n}) with replacement, {N_DRAWS} times from "
        f"a fixed seed. Where fewer than {fewest} have a value, or none differs, there is the range over the "
        "sessions alone."
    )


def _rendered(which: str, signal: Mapping[str, Any], **more: Any) -> Markup:
    text = templates().get_template("signal.html").render(which=which, signal=signal, **more)
    return Markup(text)  # noqa: S704 (rendered by our template, escaped there)


def _cell(measured: Mapping[str, Any]) -> dict[str, str]:
    """A measure in words: value, interval, range over sessions, and why there is no value."""
    value, low, least = measured["value"], measured["low"], measured["least"]
    interval = "" if low is None else f"{two(low)} to {two(measured['high'])}"
    over = "" if least is None else f"{two(least)} to {two(measured['most'])}"
    absent = "" if value is not None else f"not assessed: {measured['absent']}"
    shown = "" if value is None else two(value)
    return {"value": shown, "interval": interval, "range": over, "absent": absent}


def _area_row(pair: str, kinds: Mapping[str, Any]) -> dict[str, Any]:
    cells = {kind: _cell(measured) for kind, measured in kinds.items()}
    kept = kinds["kept"]
    bar = None if kept["value"] is None else strip_of({}, kept)
    return {"pair": pair, "words": PAIR_WORDS[pair], **cells, "bar": bar, "how": _how_far(kept)}


def _how_far(measured: Mapping[str, Any]) -> str:
    """How well two classes part, in a word."""
    value = measured["value"]
    if value is None:
        return ""
    highest = measured["most"] if measured["high"] is None else measured["high"]
    if highest is not None and highest < 0.5:
        return "the wrong way round"
    steps = ((_PLAIN, "plainly"), (_MOSTLY, "mostly"), (_WEAK, "weakly"))
    return next((word for least, word in steps if value >= least), "hardly")


def _lead(areas: Mapping[str, Any]) -> str:
    """One sentence: how far the pairs part after exclusions."""
    by_word: dict[str, list[str]] = {}
    for pair, kinds in areas.items():
        if word := _how_far(kinds["kept"]):
            by_word.setdefault(word, []).append(PAIR_WORDS[pair])
    if not by_word:
        return "After exclusions too little is left to compare any two classes."
    told = "; ".join(f"{word}: {', '.join(pairs)}" for word, pairs in by_word.items())
    return f"How far a plain threshold of amplitude parts them, after exclusions – {told}."


def _lead_of_study(medians: Mapping[str, Any]) -> str:
    """One sentence: how far the pairs part in the median session, and in all of them."""
    told = []
    for pair, kinds in medians.items():
        if word := _how_far(kinds["kept"]):
            cell, n = _cell(kinds["kept"]), kinds["kept"]["n"]
            over = f"; {cell['range']} over {n} sessions" if cell["range"] else "; a single session"
            told.append(f"{PAIR_WORDS[pair]} {word} ({cell['value']}{over})")
    if not told:
        return "After exclusions too little is left to compare any two classes."
    return f"In the median session, after exclusions, a plain threshold of amplitude parts {listed(told)}."


def _of_sessions(sessions: Sequence[Mapping[str, Any]], pair: str) -> dict[str, float]:
    """The area in each session that has one, after exclusions."""
    return {
        one["session"]: one["areas"][pair]["kept"]["value"]
        for one in sessions
        if one["areas"][pair]["kept"]["value"] is not None
    }


def _apart(signal: Mapping[str, Any]) -> str:
    """What one level for all sessions costs, if it does."""
    median_own, pooled = (signal[key]["others_body"]["kept"]["value"] for key in ("medians", "areas"))
    if pooled is None or median_own is None or median_own - pooled < 0.05:
        return ""
    return (
        f"All windows together give {two(pooled)} for body and all others, against {two(median_own)} in the "
        "median session: amplitudes differ between sessions, so one level for all costs the difference."
    )


def _accuracy_rows(signal: Mapping[str, Any]) -> list[dict[str, Any]]:
    rows = []
    for task, by_when in signal["accuracy"].items():
        for when, both in by_when.items():
            own = {
                trial["session"]: trial["accuracy"]["value"]
                for trial in signal["trials"]
                if (trial["task"], trial["when"]) == (task, when) and trial["accuracy"]["value"] is not None
            }
            cells = {name: _cell(measured) for name, measured in both.items()}
            strip = strip_of(own, both["accuracy"]) if own else None
            words = {"words": TASK_WORDS[task], "when": WHEN_WORDS[when]}
            rows.append({**words, **cells, "n": len(own), "strip": strip})
    return rows


def _faint(sessions: Sequence[Mapping[str, Any]]) -> list[tuple[str, str]]:
    """The sessions in which body movement stands out least, and how far."""
    own = sorted(_of_sessions(sessions, "others_body").items(), key=lambda item: (item[1], item[0]))
    return [(name, two(value)) for name, value in own if value < _PLAIN][:_MOST_NAMED]


def _weak(sessions: Sequence[Mapping[str, Any]]) -> list[tuple[str, str, str]]:
    """The sessions whose body movement is far smaller than the median session's, and both."""
    own = {one["session"]: one["body_v"] for one in sessions if one["body_v"] is not None}
    if len(own) < _FEWEST_TO_COMPARE:
        return []
    usual = median(own.values())
    weak = sorted((value, name) for name, value in own.items() if value < _WEAK_SHARE * usual)
    return [(name, amount(value, "V"), amount(usual, "V")) for value, name in weak[:_MOST_NAMED]]
