"""The data dictionary as Markdown, made from the tables of columns, conditions and keys.

``python -m schemas.dictionary`` writes ``schemas/dictionary.md``; a test holds the two together.
"""

from collections.abc import Sequence
from pathlib import Path

from schemas import keys, layout_keys, part_keys
from schemas.columns import EXCLUSIONS, FINDINGS, QUALITY, SAMPLE, SESSIONS, TIME, Column
from schemas.conditions import CONDITIONS
from schemas.keys import BINARY, Key

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
        _table(
            ("bit", "value", "name", "the sample...", "kind"),
            [
                (c.bit, c.mask, f"`{c.name}`", c.description, "fault" if c.fault else "note")
                for c in CONDITIONS
            ],
        ),
        "## `<session>/findings.parquet`",
        _columns(FINDINGS),
        "## `sessions.parquet`, `sessions.csv`",
        _columns(SESSIONS),
        "## `exclusions.csv`",
        _columns(EXCLUSIONS),
        "# What goes in",
        "## `study.toml`",
        _keys(keys.STUDY),
        "### `[[site]]`",
        _keys(keys.SITE),
        "## `sessions.csv`",
        _keys(keys.SESSION_COLUMNS),
        "## `activities.csv`",
        _keys(keys.ACTIVITY_COLUMNS),
        "## `layouts/*.toml`",
        _keys(layout_keys.LAYOUT),
        "### `[text]`",
        _keys(layout_keys.TEXT),
        "### `[[frame]]`",
        _keys(layout_keys.FRAME),
        "### `[[frame.part]]`",
        _keys(part_keys.PART),
        "### `[[channel]]`",
        _keys(layout_keys.CHANNEL),
    ]
    return "\n\n".join(parts) + "\n"


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
    return _table(("column", "type", "unit", "meaning", "missing"), rows)


def _keys(several: Sequence[Key]) -> str:
    """Keys in rows; with a column that says who takes them, where not all do."""
    for_all = not any(key.parts or key.framing for key in several)
    head = ("key", "type", "unit", "meaning", "without it", "taken by")
    rows = [
        (f"`{k.name}`", k.type, k.unit, _meaning(k), k.default or "required", _takers(k)) for k in several
    ]
    return _table(head[:-1], [row[:-1] for row in rows]) if for_all else _table(head, rows)


def _meaning(key: Key) -> str:
    return f"{key.description} ({key.written})" if key.written else _words(key.description, key.choices)


def _takers(key: Key) -> str:
    """The kinds of part and the framings that take a key, in words."""
    framings = ", ".join(
        ("binary", *(f for f in key.framing if f not in BINARY))
        if set(BINARY) <= set(key.framing)
        else key.framing
    )
    words = [", ".join(f"`{part}`" for part in key.parts), f"in {framings}" if framings else ""]
    return " ".join(word for word in words if word) or "all"


def _words(description: str, choices: Sequence[str]) -> str:
    listed = ", ".join(f"`{choice}`" for choice in choices)
    return f"{description}: {listed}" if choices else description


def _table(head: Sequence[str], rows: Sequence[Sequence[object]]) -> str:
    cells = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(str(cell).replace("|", "\\|") for cell in row) + " |" for row in cells)


if __name__ == "__main__":
    PLACE.write_text(dictionary(), encoding="utf-8", newline="\n")
