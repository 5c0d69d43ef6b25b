"""Whether the dataset carries the signal, as a part of the session's page and of the batch page."""

from collections.abc import Mapping, Sequence
from statistics import median
from typing import Any

from markupsafe import Markup

from pipeline.report.parts import templates
from pipeline.report.signal_pictures import curves_of, strip_of, wakeups_of
from pipeline.report.words import amount, listed

PAIR_WORDS = {
    "rest_hand": "rest and hand",
    "rest_arm": "rest and arm",
    "rest_body": "rest and body",
    "others_body": "body and all others",
}
TASK_WORDS = {
    "body_threshold": "body or not, by a threshold",
    "body_nearest": "body or not, by the nearest neighbour",
    "still_nearest": "rest or hand, arm, body, by the nearest neighbour",
    "each_nearest": "each class, by the nearest neighbour",
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
    return _rendered(
        "session",
        signal,
        lead=_lead(signal["areas"]),
        rows=rows,
        curves=curves_of(signal, PAIR_WORDS),
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
    """A section of the batch page from `pipeline.signal.study_signal`."""
    if signal["absent"]:
        return _rendered("absent", signal)
    rows = [_area_row(pair, kinds) for pair, kinds in signal["areas"].items()]
    for row in rows:
        own = _of_sessions(signal["sessions"], row["pair"])
        row |= {"n": len(own), "median": two(median(own.values())) if own else "", "strip": strip_of(own)}
    return _rendered(
        "study",
        signal,
        lead=_lead(signal["areas"]),
        apart=_apart(rows, signal),
        rows=rows,
        curves=curves_of(signal, PAIR_WORDS),
        accuracy=_accuracy_rows(signal),
        drop=_drop(signal["accuracy"]),
        faint=_faint(signal["sessions"]),
        weak=_weak(signal["sessions"]),
        wakeups=wakeups_of(signal["wakeups"]),
    )


def _rendered(which: str, signal: Mapping[str, Any], **more: Any) -> Markup:
    text = templates().get_template("signal.html").render(which=which, signal=signal, **more)
    return Markup(text)  # noqa: S704 (rendered by our template, escaped there)


def two(value: float) -> str:
    """A share to two digits; what is neither nothing nor all never reads so."""
    if 0 < value < 0.005:
        return "<0.01"
    return ">0.99" if 0.995 <= value < 1 else f"{value:.2f}"


def _cell(measured: Mapping[str, Any]) -> dict[str, str]:
    """A measure in words: value, interval, and why either is not there."""
    value, low = measured["value"], measured["low"]
    interval = "" if low is None else f"{two(low)} to {two(measured['high'])}"
    absent = "" if value is not None else f"not assessed: {measured['absent']}"
    return {"value": "" if value is None else two(value), "interval": interval, "absent": absent}


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
    if measured["high"] is not None and measured["high"] < 0.5:
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


def _of_sessions(sessions: Sequence[Mapping[str, Any]], pair: str) -> dict[str, float]:
    """The area in each session that has one, after exclusions."""
    return {
        one["session"]: one["areas"][pair]["kept"]["value"]
        for one in sessions
        if one["areas"][pair]["kept"]["value"] is not None
    }


def _apart(rows: Sequence[Mapping[str, Any]], signal: Mapping[str, Any]) -> str:
    """Whether single sessions part better than all of them together, which is a matter of the level."""
    row = next(row for row in rows if row["pair"] == "others_body")
    pooled = signal["areas"]["others_body"]["kept"]["value"]
    own = list(_of_sessions(signal["sessions"], "others_body").values())
    if pooled is None or len(own) < 2 or median(own) - pooled < 0.05:
        return ""
    return (
        f"In half of the sessions by themselves body and all others reach at least {row['median']}: "
        "amplitudes differ between sessions, by fit of the strap, soles, floor and gain, so each session "
        "wants a threshold of its own."
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
            rows.append({**words, **cells, "n": both["accuracy"]["n"], "strip": strip})
    return rows


def _drop(accuracy: Mapping[str, Any]) -> str:
    """By how much later sessions are served worse, in a sentence; empty where it cannot be said."""
    told = []
    for task, by_when in accuracy.items():
        same, later = (by_when[when]["accuracy"]["value"] for when in ("same", "later"))
        if same is not None and later is not None:
            points = round(100 * (same - later))
            moved = f"{abs(points)} points {'lower' if points > 0 else 'higher'}" if points else "as high"
            told.append(f"{moved} ({TASK_WORDS[task]})")
    return f"In later sessions accuracy is {listed(told)}." if told else ""


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
