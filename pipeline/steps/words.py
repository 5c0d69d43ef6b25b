"""Words that steps and front door share: a verdict in a line of text, and the time."""

import json
from datetime import UTC, datetime
from pathlib import Path

RECORD = "record.json"
"""Below ``.work``: what the tables were made of; the end of a run makes ``run.json`` of it."""

MARKS = {"accept": "+", "accept_in_part": "~", "reject": "-", "unreadable": "!"}
"""A sign for each verdict, for terminals."""


def verdict_line(quality: Path) -> tuple[str, str]:
    """Verdict, and sign, session and sentence, of a session that has been judged."""
    content = json.loads(quality.read_text(encoding="utf-8"))
    verdict = content["verdict"]
    return verdict, f"{MARKS[verdict]} {content['session']}: {content['sentence']}"


def now() -> str:
    """The present moment by RFC 3339, in UTC, to the second."""
    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
