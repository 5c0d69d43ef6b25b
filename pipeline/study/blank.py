"""A study folder to fill in: every key of the tables in `schemas.keys`, described, with an example."""

import json
import textwrap
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from pipeline.checking import wanted
from pipeline.errors import InputError, Problem
from pipeline.layouts.written import kinds_of_part
from pipeline.writing import write_text
from schemas.keys import (
    ACTIVITY_COLUMNS,
    BINARY,
    REVIEW_COLUMNS,
    SEEN,
    SESSION_COLUMNS,
    SITE,
    STUDY,
    Key,
    taken_by,
)
from schemas.layout_keys import CHANNEL, FRAME, LAYOUT, TEXT
from schemas.part_keys import PART, PARTS

POLICY_TEXT = """\
# What differs from the built-in policy stands here, and nothing else.
# As long as nothing does, this file may be removed.
"""

_WIDTH = 100
_PAGE = (
    "Every framing and every part is on the page layouts.md of sessiongate, with an example of each: sectors "
    "of a memory, packets, several kinds of frame or of line, several rates, WAV and EDF files."
)
_KINDS = "one such table for each kind, each with its 'kind' part where several begin alike"
_SCHEMAS = (
    "Beside it, in json/, are JSON Schemas with which an editor can check these files while they are "
    "written. The folder of both:"
)
_WHERE = "python -c 'import schemas; print(*schemas.__path__)'"
_HOW_TO_READ = "A line that begins with # is not in force; to set a key that is written so, take its # away."

# What an invented device would say. Keys that are not named here are written as comments.
_BINARY_PARTS: tuple[dict[str, Any], ...] = (
    {"is": "sync", "bytes": "A5 5A"},
    {"is": "sequence", "type": "u16"},
    {"is": "ticks", "type": "u32"},
    {"is": "samples", "type": "i16", "count": 10, "channels": ("field", "acc_x")},
    {"is": "checksum", "name": "CRC-16/XMODEM"},
)
_TEXT_PARTS: tuple[dict[str, Any], ...] = (
    {"is": "sequence", "column": "n", "bits": 16},
    {"is": "ticks", "column": "ticks"},
    {"is": "samples", "channels": ("field", "acc_x")},
)
_FIELD: dict[str, Any] = {
    "name": "field",
    "kind": "field",
    "unit": "V",
    "description": "electrode at the wrist, input-referred",
    "bits": 12,
    "adc_min": 0,
    "adc_max": 4095,
    "reference_v": 3.0,
    "bias_v": 1.5,
    "gain": 5.0,
    "amplifier_low_v": 0.1,
    "amplifier_high_v": 2.9,
    "ac_corner_hz": 0.16,
    "lowpass_hz": 40.0,
}
_ACCELERATION: dict[str, Any] = {
    "name": "acc_x",
    "kind": "acceleration",
    "unit": "m[g]",
    "description": "along the forearm",
    "bits": 16,
    "adc_min": -32768,
    "adc_max": 32767,
    "scale": 0.244140625,
}
_SESSIONS: tuple[dict[str, Any], ...] = (
    {},
    {
        "session": "kiln-01",
        "participant": "P02",
        "site": "kiln room",
        "layout": "text",
        "dumps": "dumps/kiln-01a.csv;dumps/kiln-01b.csv",
        "started_at": "2026-03-02T13:05:00+00:00",
    },
)
_ACTIVITIES: tuple[dict[str, Any], ...] = (
    {},
    {"start_s": 60, "stop_s": 300, "activity": "trimming", "intensity": "hand"},
    {"session": "kiln-01", "stop_s": 120, "activity": "carrying boards", "intensity": "body"},
)


def write_blank_study(folder: Path, policy_text: str = POLICY_TEXT) -> list[Path]:
    """Write a study folder whose every key is described; as it stands it loads, but its dumps are missing.

    Parameters
    ----------
    folder : Path
        Where; must not exist, or be empty.
    policy_text : str
        What ``policy.toml`` holds.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    InputError
        Where the folder holds something or cannot be written.
    """
    texts = {
        "README.txt": _readme(),
        "study.toml": _study(),
        "sessions.csv": _csv(SESSION_COLUMNS, _SESSIONS),
        "activities.csv": _csv(ACTIVITY_COLUMNS, _ACTIVITIES),
        "review.csv": _csv((*REVIEW_COLUMNS, SEEN), ()),
        "policy.toml": policy_text,
        "layouts/binary.toml": _layout("sync", _BINARY_PARTS),
        "layouts/text.toml": _layout("text", _TEXT_PARTS),
    }
    try:
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            found = "one that holds files already" if folder.is_dir() else "a file"
            remedy = "Choose another name; nothing was written."
            raise InputError([Problem(str(folder), "", "a new or an empty folder", found, remedy)])
        for name, text in texts.items():
            write_text(folder / name, text)
        (folder / "dumps").mkdir()
    except OSError as error:
        found = error.strerror or str(error)
        remedy = "Choose another place, or change its permissions."
        raise InputError([Problem(str(folder), "", "a folder that can be written", found, remedy)]) from None
    return [folder / name for name in texts]


def _study() -> str:
    lines = [*_comment("What the study is and which files it uses."), *_comment(_HOW_TO_READ), ""]
    lines += _keys(STUDY, {})
    lines += _table("[[site]]", "A site whose mains differs; one such table for each", SITE, None)
    return "\n".join(lines) + "\n"


def _layout(framing: str, parts: Sequence[dict[str, Any]]) -> str:
    title = "Radio capture" if framing == "sync" else "Card log"
    top = {"framing": framing, "title": f"{title} of the strap (invented)", "sample_hz": 125.0}
    top |= {"tick_hz": 32768.0, "byte_order": "little"}
    lines = _comment("How the bytes of one kind of dump become counts, and counts become units.")
    lines += [*_comment(_PAGE), *_comment(_HOW_TO_READ), "", *_keys(LAYOUT, top, framing)]
    if framing == "text":
        form = {key.name: key.example for key in TEXT}
        lines += _table("[text]", _description("text", LAYOUT), TEXT, form, framing)
    lines += _table("[[frame]]", _description("frame", LAYOUT) + "; " + _KINDS, FRAME, {}, framing)
    for values in parts:
        lines += _part(values["is"], values, framing)
    present = {values["is"] for values in parts}
    for kind in kinds_of_part(framing):
        if kind not in present:
            lines += _part(kind, None, framing)
    lines += _table("[[channel]]", "A channel; one such table for each", CHANNEL, _FIELD, framing)
    lines += _table("[[channel]]", "The next channel", CHANNEL, _ACCELERATION, framing)
    return "\n".join(lines) + "\n"


def _description(name: str, keys: Iterable[Key]) -> str:
    return next(key.description for key in keys if key.name == name)


def _part(kind: str, values: dict[str, Any] | None, framing: str) -> list[str]:
    keys = taken_by(PART, framing, kind)
    stands = "The next part" if values else "A part that frames may have; it goes to where it stands in them"
    return _table("[[frame.part]]", f"{stands}: {PARTS[kind]}", keys, values, framing, {"is": kind})


def _table(
    header: str,
    description: str,
    keys: Sequence[Key],
    values: dict[str, Any] | None,
    framing: str = "",
    examples: dict[str, Any] | None = None,
) -> list[str]:
    """A table of TOML; `values` None makes all of it a comment."""
    mark = "#" if values is None else ""
    return ["", *_comment(description), mark + header, *_keys(keys, values, framing, examples or {})]


def _keys(
    keys: Sequence[Key],
    values: dict[str, Any] | None,
    framing: str = "",
    examples: dict[str, Any] | None = None,
) -> list[str]:
    """Every key but those of tables; in force where `values` says so, else a comment."""
    lines = []
    for key in keys:
        example = (examples or {}).get(key.name, key.example)
        if key.type in ("table", "tables") or not _belongs(key, framing):
            continue
        taken = not key.framing or framing in key.framing
        lines += [*_comment(f"{key.description}:"), *_rule(key, taken)]
        in_force = values is not None and (key.name in values or key.required) and taken
        value = values[key.name] if values is not None and key.name in values else example
        lines += [("" if in_force else "#") + f"{key.name} = {_toml(value)}"]
    return lines


def _belongs(key: Key, framing: str) -> bool:
    """Whether a layout of that framing, or of another one of binary frames, takes the key."""
    alike = BINARY if framing in BINARY else (framing,)
    return not key.framing or bool(set(alike) & set(key.framing))


def _rule(key: Key, taken: bool) -> list[str]:
    """What may stand there, and what holds where nothing does; or which framing takes the key instead."""
    without = key.default if key.default.startswith("needed") else f"without it: {key.default}"
    rule = f"{wanted(key)}; {without if key.default else 'required'}"
    rule += "" if taken else f", in framing {' or '.join(repr(other) for other in key.framing)}"
    return [f"#   {line}" for line in textwrap.wrap(rule, _WIDTH - 4)]


def _comment(text: str) -> list[str]:
    lines = textwrap.wrap(text[0].upper() + text[1:], _WIDTH - 2)
    return [f"# {line}" for line in lines]


def _toml(value: Any) -> str:
    """A value in TOML; strings in JSON's form, which TOML shares for what stands in the tables."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, tuple | list):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    return repr(value)


def _csv(columns: Sequence[Key], rows: Iterable[dict[str, Any]]) -> str:
    """Rows that say of each column what `rows` holds, or the column's example."""
    lines = [",".join(key.name for key in columns)]
    lines += [",".join(str(row.get(key.name, key.example)) for key in columns) for row in rows]
    return "\n".join(lines) + "\n"


def _readme() -> str:
    lines = [
        "A study folder to fill in. Copy the raw dumps below dumps/, under any names; they are only read.",
        "Replace the invented rows of both tables by your own, and the layouts by what your devices write.",
        "",
        "study.toml      what the study is, and which of these files it uses",
        "layouts/        one file for each kind of dump; the table of sessions names it without .toml",
        "policy.toml     what differs from the built-in policy",
        "sessions.csv    one row for each wearing of a device; further columns are kept:",
        *_columns(SESSION_COLUMNS),
        "activities.csv  what was done when; remove it where nobody took notes:",
        *_columns(ACTIVITY_COLUMNS),
        "review.csv      what people decided about sessions, beside what was computed; empty until they do:",
        *_columns((*REVIEW_COLUMNS, SEEN)),
        "",
        *textwrap.wrap(f"{_PAGE} {_SCHEMAS}", _WIDTH),
        f"    {_WHERE}",
    ]
    return "\n".join(lines) + "\n"


def _columns(columns: Sequence[Key]) -> list[str]:
    return [
        f"    {key.name:<12}  {key.description} ({wanted(key)}), such as {key.example}" for key in columns
    ]
