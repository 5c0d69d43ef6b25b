"""The activity log: stretches of each session, in the order of time."""

import re
from collections import defaultdict
from collections.abc import Collection, Iterable

from pipeline.checking import did_you_mean, is_within, wanted
from pipeline.errors import Problem
from pipeline.study.study import Activity
from pipeline.study.tables import Row
from schemas.keys import ACTIVITY_COLUMNS, Key

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_TIMES = tuple(key for key in ACTIVITY_COLUMNS if key.type == "number")


def make_activities(
    rows: Iterable[Row], sessions: Collection[str] | None, shown: str, problems: list[Problem]
) -> dict[str, tuple[Activity, ...]]:
    """Check every row and sort the stretches by session and start.

    Parameters
    ----------
    rows : iterable of Row
        Rows of the log.
    sessions : collection of str or None
        The sessions that there are; None where that could not be read.
    shown : str
        File name for messages.
    problems : list of Problem
        Extended in place.
    """
    by_session: dict[str, list[Activity]] = defaultdict(list)
    for row in rows:
        name = row.right("session")
        if name is not None and sessions is not None and name not in sessions:
            remedy = did_you_mean(name, sessions) or "Add it to the sessions table, or remove the row."
            where = f"line {row.line}, column session"
            problems.append(Problem(shown, where, "a session of the sessions table", repr(name), remedy))
        activity = _make_activity(row, shown, problems)
        if name is not None and activity is not None:
            by_session[name].append(activity)
    for name, activities in by_session.items():
        activities.sort(key=lambda activity: (activity.start_s, activity.line))
        problems.extend(_overlaps(name, activities, shown))
    return {name: tuple(activities) for name, activities in by_session.items()}


def _make_activity(row: Row, shown: str, problems: list[Problem]) -> Activity | None:
    """None where a value is wrong, whether that was told before or here."""
    times = [_time(row, key, shown, problems) for key in _TIMES]
    start_s, stop_s = times
    if start_s is None or stop_s is None:
        return None
    if start_s >= stop_s:
        where = f"line {row.line}, column stop_s"
        expected = f"an end after start_s = {row.values['start_s']}"
        problems.append(Problem(shown, where, expected, row.values["stop_s"], "Correct one of the two."))
        return None
    activity, intensity = row.right("activity"), row.right("intensity")
    if activity is None or intensity is None:
        return None
    return Activity(start_s, stop_s, activity, intensity, row.line)


def _time(row: Row, key: Key, shown: str, problems: list[Problem]) -> float | None:
    text = row.right(key.name)
    if text is None:
        return None
    if _NUMBER.fullmatch(text) and is_within(float(text), key):
        return float(text)
    remedy = "Count from the session's first sample."
    with_point = text.replace(",", ".", 1)
    if with_point != text and _NUMBER.fullmatch(with_point):
        remedy = f"Write {with_point}, with a point."
    problems.append(Problem(shown, f"line {row.line}, column {key.name}", wanted(key), repr(text), remedy))
    return None


def _overlaps(name: str, activities: list[Activity], shown: str) -> Iterable[Problem]:
    """One problem for each stretch that begins before an earlier one has ended."""
    latest = activities[0]
    for activity in activities[1:]:
        if activity.start_s < latest.stop_s:
            found = (
                f"{activity.activity!r} from {activity.start_s:g} s, while {latest.activity!r} "
                f"of line {latest.line} lasts until {latest.stop_s:g} s"
            )
            wanted_words = f"stretches of {name!r} that do not overlap"
            yield Problem(shown, f"line {activity.line}", wanted_words, found, "Correct one of the two.")
        if activity.stop_s > latest.stop_s:
            latest = activity
