"""``datapackage.json``: the files of a bundle and the columns of its tables, by Data Package 2.0.

Source: the Data Package standard, version 2.0 (26 June 2024): Data Package, Data Resource, Table Dialect and
Table Schema. Beside what it defines, columns bear ``unit``, a UCUM code, and Parquet files ``rows``.
"""

import json
import re
from collections.abc import Mapping, Sequence
from itertools import chain, count
from pathlib import Path, PurePosixPath
from typing import Any

from pipeline.bundle.fields import CSV, PARQUET, columns_of, line_end_of, n_rows
from pipeline.bundle.licence import KEYWORDS, in_short, licence_of
from pipeline.bundle.recoded import Made, Recoded
from schemas.columns import Column

PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"

_TYPES = {
    "int64": "integer",
    "uint32": "integer",
    "float32": "number",
    "float64": "number",
    "string": "string",
}
_KEYS = {"sessions": "session", "samples": "sample"}
"""Table -> the column that tells its rows apart."""


def datapackage(recoded: Recoded, made: Sequence[Made], folder: Path, sha512: Mapping[str, str]) -> str:
    """Text of ``datapackage.json``.

    Parameters
    ----------
    recoded : Recoded
        The study.
    made : sequence of Made
        Files that are to be resources, all of them below `folder`.
    folder : Path
        The bundle's ``data``.
    sha512 : mapping
        Path -> SHA-512 of the file, in hexadecimal digits.
    """
    licence = licence_of(recoded.wishes.licence)
    names = resource_names(made)
    sessions = next((names[one.path] for one in made if one.table == "sessions"), "")
    package: dict[str, Any] = {
        "$schema": PROFILE,
        "name": "electric-field-sessions",
        "title": recoded.title,
        "description": (
            f"{in_short(recoded)} Units of columns are UCUM codes; instants are by RFC 3339. "
            "README.md says how to begin."
        ),
        "keywords": list(KEYWORDS),
    }
    if licence:
        package["licenses"] = [{"name": licence.identifier, "path": licence.address, "title": licence.title}]
    package["resources"] = [
        _resource(one, folder, names[one.path], sha512[one.path], sessions) for one in made
    ]
    return json.dumps(package, indent=1, ensure_ascii=False) + "\n"


def resource_names(made: Sequence[Made]) -> dict[str, str]:
    """Path -> a name of the resource of lower-case letters, digits, '-' and '_', each different."""
    names: dict[str, str] = {}
    taken = {""}
    for one in made:
        short = _slug(str(PurePosixPath(one.path).with_suffix("")))
        further = (f"{_slug(one.path)}-{number}" for number in count(2))
        several = chain((short, _slug(one.path)), further)
        names[one.path] = next(name for name in several if name not in taken)
        taken.add(names[one.path])
    return names


def _slug(path: str) -> str:
    return re.sub(r"[^a-z0-9_]+", "-", path.lower()).strip("-")


def _resource(one: Made, folder: Path, name: str, sha512: str, sessions: str) -> dict[str, Any]:
    """A file; a table with its columns."""
    described: dict[str, Any] = {
        "name": name,
        "path": one.path,
        "description": one.description,
        "format": PurePosixPath(one.path).suffix.removeprefix("."),
        "mediatype": one.media_type,
        "hash": f"sha512:{sha512}",
    }
    if one.media_type != PARQUET:  # common software counts none there and calls the stated size an error
        described["bytes"] = (folder / one.path).stat().st_size
    if one.media_type in (PARQUET, CSV):
        in_text = one.media_type == CSV
        described["type"] = "table"
        if in_text:
            described["encoding"] = "utf-8"
            line_end = line_end_of(folder / one.path)
            described["dialect"] = {"delimiter": ",", "lineTerminator": line_end, "quoteChar": '"'}
        else:
            described["rows"] = n_rows(folder / one.path)
        described["schema"] = _table_schema(one.table, columns_of(one, folder), in_text, sessions)
    return described


def _table_schema(table: str, columns: Sequence[Column], in_text: bool, sessions: str) -> dict[str, Any]:
    """Table Schema: in Parquet a missing value is a null and no text means one, in CSV an empty field."""
    schema: dict[str, Any] = {
        "fields": [_field(column, in_text) for column in columns],
        "missingValues": [""] if in_text else [],
    }
    names = {column.name for column in columns}
    if _KEYS.get(table) in names:
        schema["primaryKey"] = [_KEYS[table]]
    elif "session" in names and sessions:
        schema["foreignKeys"] = [
            {"fields": ["session"], "reference": {"resource": sessions, "fields": ["session"]}}
        ]
    return schema


def _field(column: Column, in_text: bool) -> dict[str, Any]:
    field: dict[str, Any] = {"name": column.name, "type": _TYPES[column.dtype]}
    if column.description:
        field["description"] = column.description
    if column.unit:
        field["unit"] = column.unit
    constraints: dict[str, Any] = {} if column.nullable else {"required": True}
    # Programs that read a null of a Parquet file as NaN would find it out of any range.
    if in_text or not column.nullable:
        bounds = (("minimum", column.minimum), ("maximum", column.maximum))
        constraints |= {word: _plain(bound) for word, bound in bounds if bound is not None}
    if column.choices:
        constraints["enum"] = list(column.choices)
    if constraints:
        field["constraints"] = constraints
    if in_text and column.dtype == "string" and not column.nullable:
        field["missingValues"] = []  # an empty text is a text here
    return field


def _plain(bound: float) -> float | int:
    return int(bound) if float(bound).is_integer() else bound
