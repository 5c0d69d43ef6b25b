"""Why nothing could be read, with the smallest change of the layout that would mend it."""

from dataclasses import replace
from pathlib import Path

from pipeline.errors import Problem
from pipeline.finder.search import smallest_change
from pipeline.layouts import Layout

_HEAD_BYTES = 1 << 20


def explained(problem: Problem, dump: Path, layout: Layout) -> Problem:
    """The problem of a dump that gave nothing, with what to write in the layout where that is found.

    Parameters
    ----------
    problem : Problem
        As the reader says it.
    dump : Path
        The dump it is about.
    layout : Layout
        With which it was read.
    """
    try:
        if not dump.is_file():
            return problem
        with dump.open("rb") as source:
            head = source.read(_HEAD_BYTES)
    except OSError:
        return problem
    change = smallest_change(layout, head)
    if change is None:
        return problem
    return replace(problem, remedy=f"{change.words} {change.signs}".rstrip())
