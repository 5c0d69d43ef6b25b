"""What a run is about to redo, and why: said before it is done, as the workflow engine will do it."""

import re
from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

STEPS = ("convert", "validate", "detect", "draw", "judge", "report")
"""Steps of a session, in order: what redoes one redoes those after it."""
TABLES = "overview"

_OF_PAGES = frozenset({"review", "pages"})
"""What changes pages alone, though they are made together with verdicts."""

_DONE = {
    "convert": "Converted again",
    "validate": "Checked again",
    "detect": "Looked through again for faults",
    "draw": "Drawn again",
    "judge": "Judged again",
    "report": "New pages",
    TABLES: "New tables and batch page",
}
_DOES = {
    "convert": "reads dumps",
    "validate": "checks recordings",
    "detect": "detects",
    "draw": "draws recordings",
    "judge": "judges",
    "report": "writes pages",
    TABLES: "makes tables",
}
NEW, GONE, HALF, FRESH, ASKED = "new", "gone", "half", "fresh", "asked"
_WHY = {
    GONE: "left unfinished, or files are gone",
    HALF: "left half done",
    FRESH: "files between steps are newer",
    ASKED: "asked for",
    "row": "changed in the sessions table",
    "dumps": "size or time of dumps changed",
    "layouts": "layouts changed",
    "failed": "failed in the run before",
    "mains": "mains frequency changed",
    "log": "activity log changed",
    "detection": "detection thresholds of the policy changed",
    "facts": "changed in the sessions table",
    "study": "title or time zone of the study changed",
    "policy": "the policy changed",
    "review": "decisions changed",
    "reviews": "decisions changed",
    "told": "further columns, or the order, of the sessions table changed",
    "files": "other files lie where dumps lie",
    "sessions": "there are other sessions",
}
_NAMED = 3
"""So many sessions are named in a line; more are counted."""
_TEXT = re.compile(r"'(.*)'|\"(.*)\"", re.DOTALL)


def steps_of(rule: str) -> tuple[str, ...]:
    """The steps that a rule for one session does."""
    return ("judge", "report") if rule == "judge" else (rule,)


@dataclass(frozen=True)
class Redo:
    """Sessions that are redone from one step on for the same reasons.

    ``why`` are keys of what changed, or ``new``; ``sessions`` is empty where only tables are made.
    """

    step: str
    why: tuple[str, ...]
    sessions: tuple[str, ...]


@dataclass(frozen=True)
class Made:
    """Who made the results that there are, and who runs now: versions of sessiongate, '' where unknown."""

    before: str
    now: str


def changed(old: Iterable[str], new: Iterable[str]) -> tuple[str, ...]:
    """Keys whose values differ in texts such as 'dumps 12@34; layouts ab'.

    Parameters
    ----------
    old, new : iterable of str
        Texts as the engine keeps them: Python literals.
    """
    before, after = _values(old), _values(new)
    return tuple(key for key in {**after, **before} if before.get(key) != after.get(key))


def _values(texts: Iterable[str]) -> dict[str, str]:
    values = dict[str, str]()
    for text in texts:
        quoted = _TEXT.fullmatch(text)
        for part in (next(filter(None, quoted.groups()), "") if quoted else text).split("; "):
            key, _, value = part.partition(" ")
            values[key] = value
    return values


def redos(dag: Any) -> list[Redo]:
    """What the engine is about to do, by the first step of each session and its reasons.

    Parameters
    ----------
    dag : snakemake.dag.DAG
        With its reasons worked out, as it is when a run starts.
    """
    first: dict[str, tuple[int, Any]] = {}
    tables = None
    for job in dag.needrun_jobs():
        if job.rule.name in STEPS:
            place, session = STEPS.index(job.rule.name), job.wildcards.session
            if session not in first or place < first[session][0]:
                first[session] = place, job
        elif job.rule.name == TABLES:
            tables = job
    found = defaultdict[tuple[int, tuple[str, ...]], list[str]](list)
    for session, (place, job) in first.items():
        why = _why(job, dag.reason(job))
        of_pages = job.rule.name == "judge" and _OF_PAGES.issuperset(why)
        why = tuple(dict.fromkeys("code" if key == "pages" else key for key in why))
        found[STEPS.index("report") if of_pages else place, why].append(session)
    if tables is not None and not first:
        return [Redo(TABLES, _why(tables, dag.reason(tables)), ())]
    return [
        Redo(STEPS[place], why, tuple(sorted(sessions))) for (place, why), sessions in sorted(found.items())
    ]


def _why(job: Any, reason: Any) -> tuple[str, ...]:
    """Keys of `_WHY`, 'code', 'pages', or NEW."""
    missing = {str(path) for path in reason.missing_output}
    if job.rule.name == STEPS[0] and missing:
        traces = [job.wildcards.session, *job.output]  # the engine works in the results folder
        if not any(Path(str(path)).exists() for path in traces):
            return (NEW,)
    params = reason.params_changed
    why = list(changed(params.only_old, params.only_new)) if params else []
    known = [key for key in why if key in _WHY or key in ("code", "pages")]
    if len(known) < len(why):  # an earlier version wrote its texts in another way
        why = ["code"]
    why += [GONE] if missing else []
    why += [HALF] if reason.incomplete_output else []
    if reason.input_changed:  # what is said of all sessions changes with them
        why = [*(key for key in why if key not in ("reviews", "told")), "sessions"]
    why += [ASKED] if reason.forced else []
    return tuple(dict.fromkeys(why)) or ((FRESH,) if reason.updated_input else ("code",))


def in_words(found: Iterable[Redo], n_sessions: int, made: Made) -> list[str]:
    """What is redone, a line for each group of sessions with the same reasons, and what is not."""
    found = tuple(found)
    lines = [_line(redo, made) for redo in found]
    n_redone = sum(len(redo.sessions) for redo in found)
    if n_kept := n_sessions - n_redone:
        again = any(redo.step == STEPS[0] for redo in found)
        kept = f"{_counted(n_kept)} {'stays as it is' if n_kept == 1 else 'stay as they are'}"
        lines.append(
            f"{kept[0].upper()}{kept[1:]}{'' if again or not n_redone else '; nothing is converted again'}."
        )
    elif n_redone and not any(redo.step == STEPS[0] for redo in found):
        lines.append("Nothing is converted again.")
    return lines


def _line(redo: Redo, made: Made) -> str:
    who = _sessions(redo.sessions)
    if redo.why == (NEW,):
        return f"New: {who}."
    why = "; ".join(dict.fromkeys(_because(key, redo, made) for key in redo.why))
    return f"{_DONE[redo.step]}: {who} ({why})." if who else f"{_DONE[redo.step]}: {why}."


def _because(key: str, redo: Redo, made: Made) -> str:
    if key != "code":
        return _WHY[key]
    if made.before and made.before != made.now:
        other = f"{made.before}, which made these results"
        return f"sessiongate {made.now} {_DOES[redo.step]} differently from {other}"
    return f"this copy of sessiongate {made.now} {_DOES[redo.step]} differently from the one before"


def _sessions(names: Collection[str]) -> str:
    if not names:
        return ""
    return _counted(len(names)) if len(names) > _NAMED else ", ".join(names)


def _counted(n: int) -> str:
    return f"{n} session{'' if n == 1 else 's'}"
