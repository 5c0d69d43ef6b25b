"""A verdict in a line of text."""

import json
from pathlib import Path

MARKS = {"accept": "+", "accept_in_part": "~", "reject": "-", "unreadable": "!"}
"""A sign for each verdict, for terminals."""


def verdict_line(quality: Path) -> str:
    """Session, sign and sentence of a session that has been judged."""
    content = json.loads(quality.read_text(encoding="utf-8"))
    return f"{MARKS[content['verdict']]} {content['session']}: {content['sentence']}"
