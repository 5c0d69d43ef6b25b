"""What the sessions of a study say together."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any


@dataclass(frozen=True)
class Worn:
    """A session of the study, and where its table of windows stands."""

    session: str
    participant: str
    started_at: datetime
    windows: Path


def study_signal(sessions: Sequence[Worn]) -> dict[str, Any]:
    """The check over a study as plain values; ``absent`` says why there is nothing, else empty."""
    return {"absent": "no session has an activity log" if sessions else "there are no sessions"}


def signal_rows(signal: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Rows of ``signal.csv`` by `schemas.columns.SIGNAL`; none where there is no log."""
    return []
