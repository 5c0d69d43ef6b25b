"""What a user may write: the keys of layouts, studies and policies, described once.

The checks, the commented files of ``sessiongate new`` and the documentation are made from these tables.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal

KeyType = Literal["string", "integer", "number", "boolean", "strings", "table", "tables"]


@dataclass(frozen=True)
class Key:
    """One key of a TOML table.

    ``minimum`` and ``above`` bound numbers (inclusive, exclusive); ``choices`` closes a set of strings, and
    ``pattern``, a regular expression for the whole string, another one that ``written`` puts in words.
    ``parts`` are the kinds of part that take the key and ``framing`` the framings that do; empty: all.
    ``example`` is what stands in the files of ``sessiongate new``; ``default`` says in words what holds
    without the key, empty where it is required.
    """

    name: str
    type: KeyType
    description: str
    required: bool = False
    unit: str = ""
    choices: tuple[str, ...] = ()
    pattern: str = ""
    written: str = ""
    minimum: float | None = None
    above: float | None = None
    maximum: float | None = None
    default: str = ""
    example: Any = None
    parts: tuple[str, ...] = ()
    framing: tuple[str, ...] = ()


BINARY = ("sync", "sectors", "cobs", "slip")
"""Framings of binary frames that a layout describes byte by byte."""

FRAMINGS = (*BINARY, "text", "wav", "edf")
"""How frames stand in a dump."""


def taken_by(keys: Iterable[Key], framing: str, kind: str = "") -> tuple[Key, ...]:
    """Those keys that a layout of that framing takes; of parts, those of that kind."""
    return tuple(
        key
        for key in keys
        if (not key.framing or framing in key.framing) and (not key.parts or kind in key.parts)
    )


STUDY = (
    Key("title", "string", "name of the study", required=True, example="A pottery workshop (invented)"),
    Key(
        "time_zone",
        "string",
        "IANA name of the zone in which people read the reports",
        default="UTC",
        example="Europe/Lisbon",
    ),
    Key(
        "mains_hz",
        "number",
        "nominal frequency of the mains, 50 or 60, at every site that is not named below",
        required=True,
        unit="Hz",
        example=50,
    ),
    Key("sessions", "string", "table of sessions", default="sessions.csv", example="sessions.csv"),
    Key(
        "activities",
        "string",
        "activity log",
        default="activities.csv, where there is one",
        example="activities.csv",
    ),
    Key(
        "policy",
        "string",
        "what differs from the built-in policy",
        default="policy.toml, where there is one",
        example="policy.toml",
    ),
    Key(
        "review",
        "string",
        "decisions of people about sessions",
        default="review.csv, where there is one",
        example="review.csv",
    ),
    Key("layouts", "string", "folder of the layouts", default="layouts", example="layouts"),
    Key("site", "tables", "a site whose mains differs", default="the mains is the same everywhere"),
)

SITE = (
    Key("name", "string", "as in the sessions table", required=True, example="kiln room"),
    Key(
        "mains_hz",
        "number",
        "nominal frequency of the mains at this site, 50 or 60",
        required=True,
        unit="Hz",
        example=60,
    ),
)

SESSION_COLUMNS = (
    Key(
        "session",
        "string",
        "unique name: letters, digits, hyphens, underscores",
        required=True,
        example="throwing-01",
    ),
    Key("participant", "string", "who wore the device, by a code", required=True, example="P01"),
    Key("site", "string", "where", required=True, example="throwing room"),
    Key("device", "string", "which device", required=True, example="strap-3"),
    Key(
        "layout",
        "string",
        "file name in the layouts folder, without .toml; where the dumps differ, one for each, separated by ';'",
        required=True,
        example="binary",
    ),
    Key(
        "dumps",
        "string",
        "paths below the study folder, several parts separated by ';'",
        required=True,
        example="dumps/throwing-01.bin",
    ),
    Key(
        "started_at",
        "string",
        "start by RFC 3339 with its offset from UTC",
        required=True,
        example="2026-03-02T09:30:00+00:00",
    ),
)

ACTIVITY_COLUMNS = (
    Key("session", "string", "as in the sessions table", required=True, example="throwing-01"),
    Key(
        "start_s",
        "number",
        "start, from the session's first sample",
        required=True,
        unit="s",
        minimum=0,
        example=0,
    ),
    Key(
        "stop_s",
        "number",
        "end, from the session's first sample",
        required=True,
        unit="s",
        above=0,
        example=60,
    ),
    Key("activity", "string", "what was done", required=True, example="wedging"),
    Key(
        "intensity",
        "string",
        "how much of the body moved",
        required=True,
        choices=("rest", "hand", "arm", "body"),
        example="arm",
    ),
)

REVIEW_COLUMNS = (
    Key("session", "string", "as in the sessions table", required=True, example="throwing-01"),
    Key(
        "decision",
        "string",
        "what a person decided: use all of it, its clean stretches, or nothing",
        required=True,
        choices=("accept", "accept_in_part", "reject"),
        example="reject",
    ),
    Key(
        "reason",
        "string",
        "why, in one line, as it may stand in a paper",
        required=True,
        example="strap worn over the sleeve",
    ),
    Key("initials", "string", "who decided", required=True, example="AB"),
    Key("date", "string", "when, as YYYY-MM-DD", required=True, example="2026-03-04"),
)

SEEN = Key(
    "seen",
    "string",
    "code of what was looked at, from the session's page; without it nobody can tell whether that "
    "has changed since",
    written="a code such as r0123abcd-p0123abcd-a0123abcd-v0.1",
    default="not known what was looked at",
    example="r0123abcd-p0123abcd-a0123abcd-v0.1",
)
"""A further column of the decisions that may be left out, or be empty."""
