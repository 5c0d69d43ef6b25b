"""Check what a user wrote in TOML against the tables of keys; collect every fault, stop at none."""

import difflib
import re
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from pipeline.errors import Problem
from schemas.keys import Key

Fault = Callable[[str, str, str, str], None]
"""Adds a problem about one key of one table: key, expected, found, remedy."""

_TYPE_WORDS = {
    "string": "a string",
    "integer": "a whole number",
    "number": "a number",
    "boolean": "true or false",
    "strings": "a list of strings",
    "table": "a table",
    "tables": "a list of tables",
}


def faults_in(where: str, shown: str, problems: list[Problem], meant: str = "") -> Fault:
    """Give what adds a problem about a key of the table `where` of the file `shown`.

    ``meant`` is the table as a person counts, from :func:`nth`.
    """

    def fault(key: str, expected: str, found: str, remedy: str) -> None:
        place = _place(where, key) + (f" ({meant})" if meant else "")
        problems.append(Problem(shown, place, expected, found, remedy))

    return fault


def nth(index: int, what: str, name: Any = None) -> str:
    """Table `index` (from 0) of a list in words, with its name if it has one: 'the 5th part, checksum'."""
    n = index + 1
    ending = "th" if n % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(n % 10, "th")
    return f"the {n}{ending} {what}" + (f", {name[:40]}" if isinstance(name, str) and name else "")


def read_toml(path: Path, shown: str, problems: list[Problem]) -> dict[str, Any] | None:
    """Read a TOML file; a file that cannot be read adds a problem and gives None."""
    try:
        return tomllib.loads(read_utf8(path))
    except FileNotFoundError:
        problems.append(Problem(shown, "", "a TOML file", "no such file", "Create it or correct the path."))
    except OSError as error:
        problems.append(
            Problem(shown, "", "a readable file", error.strerror or str(error), "Check the path.")
        )
    except UnicodeDecodeError as error:
        problems.append(not_utf8(shown, error))
    except (ValueError, RecursionError) as error:  # TOMLDecodeError, and numbers or nesting beyond all bounds
        at = re.search(r" ?\(at (line \d+, column \d+)\)", str(error))
        found = f"text that is none ({str(error).replace(at[0], '') if at else error})"
        problems.append(Problem(shown, at[1] if at else "", "TOML", found, "Correct it there."))
    return None


def read_utf8(path: Path) -> str:
    """Text of a file in UTF-8, with or without a byte order mark."""
    return path.read_bytes().decode("utf-8").removeprefix("\ufeff")


def not_utf8(shown: str, error: UnicodeDecodeError) -> Problem:
    """Say where a file ceases to be UTF-8."""
    line = error.object.count(b"\n", 0, error.start) + 1
    where = f"line {line}, byte {error.start}"
    found = f"the byte 0x{error.object[error.start]:02X}, which is none"
    return Problem(shown, where, "UTF-8 text", found, "Save the file as UTF-8.")


def check_table(
    table: Mapping[str, Any],
    keys: Sequence[Key],
    shown: str,
    where: str,
    problems: list[Problem],
    meant: str = "",
) -> bool:
    """Add a problem for each unknown, missing or ill-valued key; return whether there was none.

    Parameters
    ----------
    table : mapping
        The table as read.
    keys : sequence of Key
        What may stand in it.
    shown : str
        File name as the user knows it.
    where : str
        Path of the table within the file, such as ``frame[0].part[2]``; empty at the top.
    problems : list of Problem
        Extended in place.
    meant : str
        The table as a person counts, from :func:`nth`.
    """
    before = len(problems)
    known = {key.name: key for key in keys}
    check_names(table, list(known), shown, where, problems, meant)
    fault = faults_in(where, shown, problems, meant)
    for name, value in table.items():
        if name in known and not _is_right(value, known[name]):
            description = known[name].description
            fault(name, wanted(known[name]), _shortened(value), f"{description[0].upper()}{description[1:]}.")
    for key in keys:
        if key.required and key.name not in table:
            fault(key.name, wanted(key), "no such key", f"Add it: {key.description}.")
    return len(problems) == before


def check_names(
    table: Mapping[str, Any],
    names: Sequence[str],
    shown: str,
    where: str,
    problems: list[Problem],
    meant: str = "",
) -> None:
    """Add a problem for each key of a table that is not among the names; the rest as in `check_table`."""
    fault = faults_in(where, shown, problems, meant)
    for name in table:
        if name not in names:
            remedy = did_you_mean(name, names) or "Remove it or correct its name."
            fault(name, "one of " + ", ".join(names), f"unknown key '{name}'", remedy)


def right_values(table: Mapping[str, Any], keys: Sequence[Key]) -> dict[str, Any]:
    """Those values of a table that `check_table` finds nothing wrong with."""
    return {
        key.name: table[key.name] for key in keys if key.name in table and _is_right(table[key.name], key)
    }


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """A question that names the closest of the known names, or nothing where none is close."""
    by_folded = {other.casefold(): other for other in known}
    close = difflib.get_close_matches(name.casefold(), by_folded, n=1)
    return f"Did you mean '{by_folded[close[0]]}'?" if close else ""


def wanted(key: Key) -> str:
    """What may stand at a key, in words: type or choices, bounds and unit."""
    choices = ", ".join(choice if choice[0].isalnum() else f"'{choice}'" for choice in key.choices)
    words = key.written or _TYPE_WORDS[key.type]
    if choices:
        words = f"one of {choices}" if len(key.choices) > 1 else choices
    if key.above is not None:
        words += f" above {key.above:g}"
    bounds = [
        f"{word} {bound:.12g}"
        for word, bound in (("at least", key.minimum), ("at most", key.maximum))
        if bound is not None
    ]
    if bounds:
        words += " of " + " and ".join(bounds)
    return words + (f" in {key.unit}" if key.unit else "")


def _place(where: str, name: str) -> str:
    return f"key {where}.{name}" if where else f"key {name}"


def _shortened(value: Any) -> str:
    """A value as TOML users write it, cut where it would flood the message."""
    shown = str(value).lower() if isinstance(value, bool) else repr(value)
    return shown if len(shown) <= 60 else shown[:57] + "..."


def _is_right(value: Any, key: Key) -> bool:
    if not _has_type(value, key.type) or (key.choices and value not in key.choices):
        return False
    if key.pattern and not re.fullmatch(key.pattern, value):
        return False
    return key.type not in ("integer", "number") or is_within(value, key)


def is_within(value: float, key: Key) -> bool:
    """Whether a number is finite, fit for arithmetic, and within the key's bounds."""
    return (
        -1e300 < value < 1e300
        and (key.minimum is None or value >= key.minimum)
        and (key.above is None or value > key.above)
        and (key.maximum is None or value <= key.maximum)
    )


def _has_type(value: Any, wanted_type: str) -> bool:
    if wanted_type == "integer":
        return isinstance(value, int) and not isinstance(value, bool)
    if wanted_type == "number":
        return isinstance(value, int | float) and not isinstance(value, bool)
    if wanted_type == "strings":
        return isinstance(value, list) and all(isinstance(item, str) for item in value)
    if wanted_type == "tables":
        return isinstance(value, list) and all(isinstance(item, dict) for item in value)
    return isinstance(value, {"string": str, "boolean": bool, "table": dict}[wanted_type])
