"""CSV tables by RFC 4180: rows with their lines, and every fault of form."""

import csv
import io
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.checking import did_you_mean, not_utf8, read_utf8
from pipeline.errors import Problem
from schemas.keys import Key


@dataclass(frozen=True)
class Row:
    """One record: the line on which it begins, and its values by column.

    ``faulty`` are the columns whose fault is told already; their values may be missing.
    """

    line: int
    values: dict[str, str]
    faulty: frozenset[str] = frozenset()

    def right(self, column: str) -> str | None:
        """The value of a column, or None where its fault is told already."""
        return None if column in self.faulty else self.values[column]


@dataclass(frozen=True)
class Table:
    """All records after the header. ``whole`` is false where the file could not be read to its end."""

    rows: tuple[Row, ...]
    whole: bool


def read_table(path: Path, shown: str, columns: Sequence[Key], problems: list[Problem]) -> Table | None:
    """Read a CSV file with a header.

    Parameters
    ----------
    path : Path
        The file; UTF-8 with or without a byte order mark. Letters with marks may be written as one character
        or as several, as some systems do (Unicode Standard Annex 15): they are made one, so that names that
        look alike are the same.
    shown : str
        Its name as the user knows it.
    columns : sequence of Key
        The columns that it must have, each with a value in every row. Others may follow or stand between.
    problems : list of Problem
        Extended in place.

    Returns
    -------
    Table or None
        None where the header already is wrong. Empty lines are passed over.
    """
    text = _read_text(path, shown, problems)
    if text is None:
        return None
    before = len(problems)
    records = _records(text, shown, problems)
    whole = len(problems) == before
    if not whole and len(records) < 2:
        return None
    if not records:
        wanted = "a header that names " + ", ".join(key.name for key in columns)
        problems.append(
            Problem(shown, "line 1", wanted, "an empty file", "Add it, and a row for each entry.")
        )
        return None
    (header_line, header), *rest = records
    if not _header_is_right(header, header_line, columns, shown, problems):
        return None
    rows = tuple(_make_row(line, header, values, columns, shown, problems) for line, values in rest)
    return Table(rows, whole)


def _make_row(
    line: int,
    header: list[str],
    values: list[str],
    columns: Sequence[Key],
    shown: str,
    problems: list[Problem],
) -> Row:
    by_column = dict(zip(header, values, strict=False))
    if len(values) != len(header):
        wanted = f"{len(header)} values, as the header has columns"
        remedy = "Add or remove commas; a value that holds a comma stands in double quotes."
        problems.append(Problem(shown, f"line {line}", wanted, f"{len(values)}", remedy))
        return Row(line, by_column, frozenset(header))
    faulty = []
    for key in columns:
        fault = _fault_of_value(by_column[key.name], key)
        if fault is not None:
            problems.append(Problem(shown, f"line {line}, column {key.name}", *fault))
            faulty.append(key.name)
    return Row(line, by_column, frozenset(faulty))


def _read_text(path: Path, shown: str, problems: list[Problem]) -> str | None:
    try:
        return unicodedata.normalize("NFC", read_utf8(path))
    except FileNotFoundError:
        problems.append(Problem(shown, "", "a CSV file", "no such file", "Create it or correct its name."))
    except UnicodeDecodeError as error:
        problems.append(not_utf8(shown, error))
    except (OSError, ValueError) as error:  # ValueError: a name that no file can have
        found = getattr(error, "strerror", None) or str(error)
        problems.append(Problem(shown, "", "a readable file", found, "Check the path."))
    return None


def _records(text: str, shown: str, problems: list[Problem]) -> list[tuple[int, list[str]]]:
    """Every record that is not empty, with the line on which it begins; quoted values may span lines."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    records = []
    line = 1
    try:
        for values in reader:
            if any(value.strip() for value in values):
                records.append((line, values))
            line = reader.line_num + 1
    except csv.Error as error:
        wanted = "values parted by commas, in double quotes where they hold a comma, a quote or a line end"
        remedy = "Close or double the quote; nothing after this line was checked."
        problems.append(Problem(shown, f"line {line}", wanted, str(error), remedy))
    return records


def _header_is_right(
    header: list[str], line: int, columns: Sequence[Key], shown: str, problems: list[Problem]
) -> bool:
    before = len(problems)
    where = f"line {line}"
    names = [key.name for key in columns]
    missing = [name for name in names if name not in header]
    for sign, word in ((";", "semicolons"), ("\t", "tabs")):
        parted = [name.strip(' "') for name in ",".join(header).split(sign)]
        if len(set(parted) & set(names)) > len(set(header) & set(names)):
            wanted = "values parted by commas"
            problems.append(
                Problem(shown, where, wanted, f"{word} between them", "Save the table as CSV with commas.")
            )
            return False
    others = [name for name in header if name not in names]
    for name in missing:
        remedy = did_you_mean(name, others).replace("Did you mean", "Is it the column") or "Add the column."
        found = "columns " + ", ".join(header)
        problems.append(Problem(shown, where, f"a column '{name}'", found, remedy))
    for name in sorted({name for name in header if header.count(name) > 1 and name}):
        found = f"'{name}' {header.count(name)} times"
        problems.append(Problem(shown, where, "each column once", found, "Rename or remove one of them."))
    if any(not name.strip() for name in header):
        position = next(i for i, name in enumerate(header, 1) if not name.strip())
        remedy = "Name it, or remove the column from every row."
        problems.append(
            Problem(shown, where, "a name for every column", f"none for column {position}", remedy)
        )
    return len(problems) == before


def _fault_of_value(value: str, key: Key) -> tuple[str, str, str] | None:
    """Expected, found and remedy; None where nothing is wrong."""
    if not value.strip():
        return "a value", "an empty one", f"Add it: {key.description}."
    if value != value.strip():
        return (
            "a value without blanks around it",
            repr(value),
            "Remove them; in CSV they are part of the value.",
        )
    if key.choices and value not in key.choices:
        remedy = did_you_mean(value, key.choices) or f"It says {key.description}."
        return "one of " + ", ".join(key.choices), repr(value), remedy
    return None
