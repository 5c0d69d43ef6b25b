"""The data dictionary as Markdown, made from the tables of columns, conditions and keys.

``python -m schemas.dictionary`` writes ``schemas/dictionary.md``; a test holds the two together.
"""

from collections.abc import Sequence
from pathlib import Path

from schemas import keys
from schemas.columns import (
    EVENT_SAMPLE,
    EVENT_TIME,
    EXCLUSIONS,
    FINDINGS,
    MARGINS,
    QUALITY,
    SAMPLE,
    SESSIONS,
    SIGNAL,
    TIME,
    Column,
)
from schemas.conditions import CONDITIONS
from schemas.keys import BINARY, Key
from schemas.measures import IN_PARTS, MEASURES

PLACE = Path(__file__).with_name("dictionary.md")

_CHANNEL = Column(
    "<channel>",
    "float32",
    "one column for each channel, by the layout's name and in its SI unit; float64 where float32 would not "
    "give the counts back; metadata: unit, description, scale, offset, and the rest of the layout's channel",
    "V, m/s2, ...",
    nullable=True,
)


def dictionary() -> str:
    """Every column that leaves the project and every key that goes in, in words."""
    parts = [
        "# Data dictionary",
        "Made from `schemas/` by `python -m schemas.dictionary`; not edited by hand. Units are UCUM codes, '1' is a "
        "pure number. A missing value is a Parquet null, or an empty field in CSV.",
        "## `<session>/samples.parquet`",
        "One row for each sample time; a lost sample keeps its row, with nulls. "
        "`count = round((value - offset) / scale)`.",
        _columns((SAMPLE, TIME, _CHANNEL, QUALITY)),
        "### Bits of `quality`",
        markdown_table(
            ("bit", "value", "name", "the sample...", "kind"),
            [
                (c.bit, c.mask, f"`{c.name}`", c.description, "fault" if c.fault else "note")
                for c in CONDITIONS
            ],
        ),
        "## `<session>/samples_<rate>hz.parquet`",
        "The same for the channels of each further rate, on the same clock, with a `quality` of its own samples.",
        "## `<session>/events.parquet`",
        "One row for each event: what comes at no rate. A channel that an event does not carry is null in its row.",
        _columns((EVENT_TIME, EVENT_SAMPLE, _CHANNEL)),
        "## `<session>/findings.parquet`",
        _columns(FINDINGS),
        "## `sessions.parquet`, `sessions.csv`",
        _columns(SESSIONS),
        "A recording of more than half a day (of less, where it has more than four channels of the field) is examined in "
        "parts. What is measured of the parts makes one value:",
        _parts(),
        "## `exclusions.csv`",
        _columns(EXCLUSIONS),
        "## `margins.csv`",
        "Six rows for each session: its verdict, reached again with every limit moved.",
        _columns(MARGINS),
        "## `signal.csv`",
        "How well the field tells the classes of the activity log apart: of each session, of trials across the "
        "sessions of a participant, then pooled. Without a log there are no rows.",
        _columns(SIGNAL),
        "# What goes in",
        "## `study.toml`",
        keys_table(keys.STUDY),
        "### `[[site]]`",
        keys_table(keys.SITE),
        "## `sessions.csv`",
        keys_table(keys.SESSION_COLUMNS),
        "## `activities.csv`",
        keys_table(keys.ACTIVITY_COLUMNS),
        "## `review.csv`",
        "What people decided about sessions; it stands beside the computed verdict and never changes it.",
        keys_table((*keys.REVIEW_COLUMNS, keys.SEEN)),
        "## `layouts/*.toml`",
        "See [layouts.md](layouts.md), the page of the layout language.",
    ]
    return "\n\n".join(parts) + "\n"


def _parts() -> str:
    rows = [
        (meaning, ", ".join(f"`{measure.name}`" for measure in MEASURES if measure.in_parts == rule))
        for rule, meaning in IN_PARTS.items()
    ]
    return markdown_table(("value of the whole", "measures"), rows)


def _columns(columns: Sequence[Column]) -> str:
    rows = [
        (
            f"`{c.name}`",
            c.dtype,
            c.unit,
            _words(c.description, c.choices),
            "null" if c.nullable else "never missing",
        )
        for c in columns
    ]
    return markdown_table(("column", "type", "unit", "meaning", "missing"), rows)


def keys_table(several: Sequence[Key]) -> str:
    """Keys in rows; with a column that says in which framings, where not in all."""
    head = ("key", "type", "unit", "meaning", "without it", "in")
    rows = [
        (f"`{k.name}`", k.type, k.unit, _meaning(k), k.default or "required", _framings(k)) for k in several
    ]
    if any(key.framing for key in several):
        return markdown_table(head, rows)
    return markdown_table(head[:-1], [row[:-1] for row in rows])


def _meaning(key: Key) -> str:
    return f"{key.description} ({key.written})" if key.written else _words(key.description, key.choices)


def _framings(key: Key) -> str:
    """The framings that take a key, in words."""
    others = [framing for framing in key.framing if framing not in BINARY]
    every = set(BINARY) <= set(key.framing)
    return ", ".join(["binary", *others] if every else key.framing) or "all"


def _words(description: str, choices: Sequence[str]) -> str:
    listed = ", ".join(f"`{choice}`" for choice in choices)
    return f"{description}: {listed}" if choices else description


def markdown_table(head: Sequence[str], rows: Sequence[Sequence[object]]) -> str:
    """A table in Markdown; what stands in a cell is brought onto one line."""
    cells = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(map(_cell, row)) + " |" for row in cells)


def _cell(content: object) -> str:
    return " ".join(str(content).replace("|", "\\|").split())


if __name__ == "__main__":
    PLACE.write_text(dictionary(), encoding="utf-8", newline="\n")
