"""Free text that a bundle leaves out unless it is asked for, one field at a time."""

from collections.abc import Sequence

from pipeline.bundle.gather import Gathered
from pipeline.checking import did_you_mean
from pipeline.errors import InputError, Problem

FIELDS = {
    "title": "the study's title",
    "time_zone": "the name of the study's time zone (times stay in UTC)",
    "activities": "names of activities",
    "layouts": "layouts word for word, with titles, comments, names of frames and fixed bytes",
    "channels": "names of channels that are not made of plain words",
    "descriptions": "descriptions of channels",
    "review": "reasons that people gave for their decisions",
    "mains_hz": "frequencies of the mains as measured (rounded to 0.1 Hz otherwise)",
    "texts": "sentences and notes as they are",
}
"""What can be kept, and what it is. A value with a name of the study or a date stays behind all the same."""

UNSCANNED = "!"
"""Behind a field that is to be kept without a search for names and dates."""

COLUMN = "column:"
"""Before the name of a further column of the sessions table."""


def check_keep(asked: Sequence[str], gathered: Gathered) -> frozenset[str]:
    """What is to be kept: each field, and again with `UNSCANNED` behind it where it is not to be searched.

    Raises
    ------
    InputError
        Where something is asked for that is no such field, and no further column of the sessions table.
    """
    known = {*FIELDS, *(f"{COLUMN}{name}" for name in further_columns(gathered))}
    problems = [
        Problem(
            "--keep",
            "",
            f"some of {', '.join([*FIELDS, *sorted(known - set(FIELDS))])}",
            repr(name),
            did_you_mean(name, known) or "Leave it out to see what was left out.",
        )
        for name in asked
        if name.removesuffix(UNSCANNED) not in known
    ]
    if problems:
        raise InputError(problems)
    return frozenset(asked) | {name.removesuffix(UNSCANNED) for name in asked if name not in known}


def unscanned_words(keep: frozenset[str]) -> tuple[str, ...]:
    """A sentence on the fields that nobody searched, or none."""
    fields = sorted(name.removesuffix(UNSCANNED) for name in keep if f"{name}{UNSCANNED}" in keep)
    if not fields:
        return ()
    return (f"Kept without a search for names and dates: {', '.join(fields)}.",)


def further_columns(gathered: Gathered) -> tuple[str, ...]:
    """Names of further columns of the sessions table, in their order."""
    return tuple(dict.fromkeys(name for held in gathered.sessions for name in held.extra))


def left_out(gathered: Gathered, keep: frozenset[str]) -> tuple[str, ...]:
    """What is left out, in words that say nothing of it."""
    told = [
        "names of participants, devices, sites, sessions and layouts (codes stand for them)",
        "dates (shifted by whole days, one shift for each participant)",
        "names of dumps (numbered; their SHA-256 stands)",
        "initials of who decided about sessions",
        "what frames of the dumps carried beside samples",
        *(what for name, what in FIELDS.items() if name not in keep),
    ]
    n = sum(f"{COLUMN}{name}" not in keep for name in further_columns(gathered))
    if n:
        told.append(f"{n} further column{'' if n == 1 else 's'} of the sessions table")
    return tuple(told)
