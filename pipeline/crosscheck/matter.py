"""What the checks look at, and what they tell."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

Kind = Literal["shared_dump", "start", "overlap", "unclaimed"]

MARGIN_S = 120.0
"""Two stated times agree within this: a person writes started_at by the minute, and looks at a clock before
or after the device is switched on (common practice, no source)."""

_MOST_NAMES = 12
_UNITS = ((86_400, "d"), (3600, "h"), (60, "min"), (1, "s"))


@dataclass(frozen=True)
class Stated:
    """When a recording starts by something other than the sessions table: `by` which, in words; aware."""

    by: str
    start: datetime


@dataclass(frozen=True)
class Entry:
    """One session.

    Attributes
    ----------
    session, participant, device : str
        As in the sessions table.
    dumps, sha256 : tuple of str
        Paths of its dumps in the study, and the SHA-256 of each, empty where it was not read.
    started_at : datetime
        Aware.
    duration_s : float or None
        None where it could not be read.
    stated : tuple of Stated
        What the dumps themselves say of their start.
    """

    session: str
    participant: str
    device: str
    dumps: tuple[str, ...]
    sha256: tuple[str, ...]
    started_at: datetime
    duration_s: float | None = None
    stated: tuple[Stated, ...] = ()


@dataclass(frozen=True)
class Matter:
    """Something that does not fit: the sessions and files concerned, and a sentence that says what to do."""

    kind: Kind
    sessions: tuple[str, ...]
    files: tuple[str, ...]
    text: str


def listed(names: Sequence[str], most: int = _MOST_NAMES) -> str:
    """Names in a row: 'a, b and c', the many as 'a, b and 7 more'."""
    if len(names) == 1:
        return names[0]
    shown = list(names) if len(names) <= most else [*names[: most - 1], f"{len(names) - most + 1:,} more"]
    return f"{', '.join(shown[:-1])} and {shown[-1]}"


def span_words(seconds: float) -> str:
    """A length of time by its two largest units: '1 h 2 min', '59 min 48 s'; whole seconds."""
    left, words = round(abs(seconds)), list[str]()
    for size, unit in _UNITS:
        n, left = divmod(left, size)
        if n or words:
            words.append(f"{n} {unit}" if n else "")
    return " ".join(word for word in words[:2] if word) or "0 s"
