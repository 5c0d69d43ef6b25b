"""Check what a user wrote in TOML against the tables of keys; collect every fault, stop at none."""

import difflib
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pipeline.errors import Problem
from schemas.keys import Key

_TYPE_WORDS = {
    "string": "a string",
    "integer": "a whole number",
    "number": "a number",
    "boolean": "true or false",
    "strings": "a list of strings",
    "table": "a table",
    "tables": "a list of tables",
}


def read_toml(path: Path, shown: str, problems: list[Problem]) -> dict[str, Any] | None:
    """Read a TOML file; a file that cannot be read adds a problem and gives None."""
    try:
        return tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except FileNotFoundError:
        problems.append(Problem(shown, "", "a TOML file", "no such file", "Create it or correct the path."))
    except OSError as error:
        problems.append(Problem(shown, "", "a readable file", error.strerror or str(error), "Check the path."))
    except UnicodeDecodeError as error:
        problems.append(
            Problem(shown, f"byte {error.start}", "UTF-8 text", "other bytes", "Save the file as UTF-8.")
        )
    except tomllib.TOMLDecodeError as error:
        problems.append(Problem(shown, "", "TOML", str(error), "Correct the line named."))
    return None


def check_table(
    table: Mapping[str, Any], keys: Sequence[Key], shown: str, where: str, problems: list[Problem]
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
    """
    before = len(problems)
    known = {key.name: key for key in keys}
    for name, value in table.items():
        place = _place(where, name)
        if name not in known:
            problems.append(_unknown(name, known, shown, place))
        elif (fault := _fault_of_value(value, known[name])) is not None:
            expected, found = fault
            problems.append(Problem(shown, place, expected, found, known[name].description.capitalize() + "."))
    for key in keys:
        if key.required and key.name not in table:
            remedy = f"Add it: {key.description}."
            problems.append(Problem(shown, _place(where, key.name), _wanted(key), "no such key", remedy))
    return len(problems) == before


def _place(where: str, name: str) -> str:
    return f"key {where}.{name}" if where else f"key {name}"


def _unknown(name: str, known: Mapping[str, Key], shown: str, place: str) -> Problem:
    close = difflib.get_close_matches(name, known, n=1)
    remedy = f"Did you mean '{close[0]}'?" if close else "Remove it or correct its name."
    return Problem(shown, place, "one of " + ", ".join(known), f"unknown key '{name}'", remedy)


def _wanted(key: Key) -> str:
    words = "one of " + ", ".join(key.choices) if key.choices else _TYPE_WORDS[key.type]
    if key.above is not None:
        words += f" above {key.above:g}"
    if key.minimum is not None:
        words += f" of at least {key.minimum:g}"
    if key.maximum is not None:
        words += f" of at most {key.maximum:g}"
    return words + (f" in {key.unit}" if key.unit else "")


def _fault_of_value(value: Any, key: Key) -> tuple[str, str] | None:
    """What was expected and found, or None where the value is right."""
    if not _has_type(value, key.type) or (key.choices and value not in key.choices):
        return _wanted(key), repr(value)
    if key.type in ("integer", "number"):
        low = key.minimum is not None and value < key.minimum
        not_above = key.above is not None and value <= key.above
        high = key.maximum is not None and value > key.maximum
        if low or not_above or high or value != value or value in (float("inf"), float("-inf")):
            return _wanted(key), repr(value)
    return None


def _has_type(value: Any, wanted: str) -> bool:
    if wanted == "integer":
        return isinstance(value, int) and not isinstance(value, bool)
    if wanted == "number":
        return isinstance(value, int | float) and not isinstance(value, bool)
    if wanted == "strings":
        return isinstance(value, list) and all(isinstance(item, str) for item in value)
    if wanted == "tables":
        return isinstance(value, list) and all(isinstance(item, dict) for item in value)
    return isinstance(value, {"string": str, "boolean": bool, "table": dict}[wanted])
