"""The study as the later steps see it: checked, complete, frozen."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from pipeline.layouts import Layout
from pipeline.study.review import Decision


@dataclass(frozen=True)
class Activity:
    """A stretch of the activity log, [start_s, stop_s) in seconds from the session's first sample.

    ``intensity`` is ``rest``, ``hand``, ``arm`` or ``body``; ``line`` is its line in the file.
    """

    start_s: float
    stop_s: float
    activity: str
    intensity: str
    line: int


@dataclass(frozen=True)
class Session:
    """One wearing of one device by one participant.

    ``layout`` is what the table says, ``layouts`` the names in it, one for each dump; ``dumps`` are paths
    below the study folder with '/' between folders; ``started_at`` carries its offset; ``mains_hz`` is that
    of the site; ``activities`` are in the order of time; ``extra`` holds the further columns of the sessions
    table as (column, value); ``line`` is the session's line in that table.
    """

    name: str
    participant: str
    site: str
    device: str
    layout: str
    layouts: tuple[str, ...]
    dumps: tuple[str, ...]
    started_at: datetime
    mains_hz: float
    activities: tuple[Activity, ...]
    extra: tuple[tuple[str, str], ...]
    line: int


@dataclass(frozen=True)
class Study:
    """A study folder whose files hold together.

    ``layouts`` and ``layout_files`` hold the layouts that sessions use, by name. ``policy_file`` is None
    where the built-in policy stands alone. ``time_zone`` is an IANA name. ``own_files`` are the files that
    the study itself is made of, whether they exist or not: what else lies about may be a dump. ``reviews``
    holds what people decided, by session.
    """

    folder: Path
    title: str
    time_zone: str
    sessions: tuple[Session, ...]
    layouts: dict[str, Layout]
    layout_files: dict[str, Path]
    policy_file: Path | None
    own_files: frozenset[Path] = frozenset()
    reviews: Mapping[str, Decision] = field(default_factory=dict)
