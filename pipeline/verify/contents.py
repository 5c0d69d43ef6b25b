"""Checks what a bundle says of itself: both descriptions name its files, and tables are as described."""

import json
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import unquote, urlsplit

from pipeline.verify.bag import LARGEST_TEXT
from pipeline.verify.faults import ASK, COPY_AGAIN, NO_FILE, Fault, of_bundle, shown
from pipeline.verify.paths import danger_in
from pipeline.verify.tables import Table, look
from pipeline.verify.tree import Listing, Tree
from schemas.bags import CRATE, DATA_PACKAGE, DOCUMENTS, PAYLOAD

_NO_RESOURCE = (DATA_PACKAGE, CRATE, *DOCUMENTS)

_ARROW_OF = {
    "integer": ("int", "uint"),
    "number": ("float", "double", "halffloat", "int", "uint", "decimal"),
    "string": ("string", "large_string"),
    "boolean": ("bool",),
    "datetime": ("timestamp", "string"),
    "date": ("date", "string"),
}
"""Type of Table Schema -> how the names of the Arrow types begin that hold it."""


@dataclass(frozen=True)
class Described:
    """What the Data Package says.

    Attributes
    ----------
    resources : mapping
        Path below ``data`` -> its resource.
    faults : mapping
        Name of a description -> what is wrong with its text and the names in it.
    """

    resources: Mapping[str, Mapping[str, Any]]
    faults: Mapping[str, tuple[Fault, ...]]

    def sizes(self) -> dict[str, int]:
        """Path from the top of the bag -> size in bytes, where it is stated."""
        stated = ((path, one.get("bytes")) for path, one in self.resources.items())
        return {f"{PAYLOAD}/{path}": size for path, size in stated if isinstance(size, int)}


def read_descriptions(tree: Tree, listing: Listing) -> Described:
    """Read the Data Package and the crate, and hold the names in them against the payload."""
    resources: dict[str, Mapping[str, Any]] = {}
    by_package: list[Fault] = []
    package = _json(tree, listing, DATA_PACKAGE, by_package)
    if package is not None:
        for path, one in _resources(package, by_package):
            if path in resources:
                found = f"{shown(path)} again"
                by_package.append(of_bundle(_at(DATA_PACKAGE), "resources", "each path once", found))
            resources[path] = one
        by_package += _names(DATA_PACKAGE, set(resources), listing, _NO_RESOURCE)
    by_crate: list[Fault] = []
    graph = _json(tree, listing, CRATE, by_crate)
    if graph is not None:
        by_crate += _names(CRATE, set(_crate_files(graph, by_crate)), listing, (CRATE,))
    return Described(resources, {DATA_PACKAGE: tuple(by_package), CRATE: tuple(by_crate)})


def _at(path: str) -> str:
    return f"{PAYLOAD}/{path}"


def _json(tree: Tree, listing: Listing, name: str, faults: list[Fault]) -> dict[str, Any] | None:
    """A description as an object, or None; what is missing or cannot be opened is told with the checksums."""
    path = _at(name)
    if path not in listing.files:
        return None
    try:
        value = json.loads(tree.read(path, LARGEST_TEXT).decode("utf-8"))
    except OSError:
        return None
    except RecursionError:
        faults.append(of_bundle(path, "", "a description in JSON", "brackets within brackets without end"))
        return None
    except ValueError as error:
        faults.append(of_bundle(path, "", "a description in JSON", shown(str(error)), COPY_AGAIN))
        return None
    if not isinstance(value, dict):
        faults.append(of_bundle(path, "", "an object in JSON", type(value).__name__))
        return None
    return value


def _resources(package: Mapping[str, Any], faults: list[Fault]) -> Iterator[tuple[str, Mapping[str, Any]]]:
    resources = package.get("resources")
    if not isinstance(resources, list) or not resources:
        faults.append(
            of_bundle(_at(DATA_PACKAGE), "resources", "a list of files", shown(repr(resources), 80))
        )
        return
    for i, one in enumerate(resources):
        where = f"resources[{i}]"
        if not isinstance(one, dict):
            faults.append(of_bundle(_at(DATA_PACKAGE), where, "an object", shown(repr(one), 80)))
            continue
        paths = one.get("path")
        for path in paths if isinstance(paths, list) else [paths]:
            text = path if isinstance(path, str) else ""
            if not _is_bad(text, where, DATA_PACKAGE, faults):
                yield text, one


def _crate_files(graph: Mapping[str, Any], faults: list[Fault]) -> Iterator[str]:
    entities = graph.get("@graph")
    if not isinstance(entities, list):
        faults.append(of_bundle(_at(CRATE), "@graph", "a list of entities", shown(repr(entities), 80)))
        return
    for i, entity in enumerate(entities):
        if not isinstance(entity, dict):
            continue
        kinds = entity.get("@type")
        name = entity.get("@id")
        if "File" not in (kinds if isinstance(kinds, list) else [kinds]):
            continue
        if isinstance(name, str) and _is_elsewhere(name):
            continue
        path = unquote(name.removeprefix("./")) if isinstance(name, str) else ""  # identifiers are URIs
        if not _is_bad(path, f"@graph[{i}]", CRATE, faults):
            yield path


def _is_elsewhere(name: str) -> bool:
    try:
        return name.startswith("#") or bool(urlsplit(name).scheme)
    except ValueError:
        return False


def _is_bad(path: str, where: str, file: str, faults: list[Fault]) -> bool:
    """Whether a description names what is no path in the payload; none is opened by such a name."""
    wrong = danger_in(path) if path else "no path"
    if wrong:
        expected = f"a path below {PAYLOAD}/"
        faults.append(of_bundle(_at(file), where, expected, f"{wrong}: '{shown(path, 80)}'"))
    return bool(wrong)


def _names(file: str, named: set[str], listing: Listing, optional: tuple[str, ...]) -> list[Fault]:
    prefix = f"{PAYLOAD}/"
    here = {path.removeprefix(prefix) for path in listing.files if path.startswith(prefix)}
    faults = [
        of_bundle(_at(path), "", f"a file, as {file} names it", NO_FILE, COPY_AGAIN)
        for path in sorted(named - here)
    ]
    return faults + [
        of_bundle(_at(path), "", f"files that {file} names", "one that it does not name", ASK)
        for path in sorted(here - named - set(optional))
    ]


def check_against(
    described: Described,
    tree: Tree,
    listing: Listing,
    sums: Mapping[str, Mapping[str, str]],
    told: Collection[str],
) -> list[Fault]:
    """Hold sizes, checksums, columns and rows that the Data Package states against the files.

    Parameters
    ----------
    described : Described
        The Data Package.
    tree, listing
        The bag.
    sums : mapping
        Path from the top -> algorithm -> checksum, as the manifests have it.
    told : collection of str
        Files that are damaged by their checksum, as they are shown; nothing in them is looked at.
    """
    faults: list[Fault] = []
    for name, one in described.resources.items():
        path = _at(name)
        if path not in listing.files or shown(path) in told:
            continue
        size = one.get("bytes")
        if size is not None and size != listing.files[path]:
            found = f"{listing.files[path]}"
            faults.append(
                of_bundle(path, "", f"{shown(repr(size), 40)} bytes, by {DATA_PACKAGE}", found, COPY_AGAIN)
            )
        faults += _other_sum(path, one.get("hash"), sums.get(path, {}))
        if name.endswith(".parquet"):
            faults += _table(tree, path, one)
    return faults


def _other_sum(path: str, stated: object, sums: Mapping[str, str]) -> list[Fault]:
    if not isinstance(stated, str):
        return []
    algorithm, _, digest = stated.rpartition(":")
    ours = sums.get(algorithm.lower().replace("-", "") or "md5")
    if ours is None or ours == digest.lower():
        return []
    found = f"{shown(digest, 160)} in {DATA_PACKAGE}"
    return [of_bundle(path, "", f"{algorithm.upper()} {ours}, by the manifest", found)]


def _table(tree: Tree, path: str, one: Mapping[str, Any]) -> list[Fault]:
    try:
        table = look(tree, path)
    except OSError:
        return []  # told with its checksum
    except ValueError as error:
        return [of_bundle(path, "", "a Parquet file", shown(str(error)), COPY_AGAIN)]
    faults = _columns(path, table, one.get("schema"))
    rows = one.get("rows")
    if rows is None:
        faults.append(of_bundle(path, "rows", f"its number of rows in {DATA_PACKAGE}", "none"))
    elif rows != table.n_rows:
        expected = f"{shown(repr(rows), 40)} rows, by {DATA_PACKAGE}"
        faults.append(of_bundle(path, "", expected, f"{table.n_rows}"))
    return faults


def _columns(path: str, table: Table, schema: object) -> list[Fault]:
    fields = schema.get("fields") if isinstance(schema, dict) else None
    if not isinstance(fields, list) or not all(isinstance(field, dict) for field in fields):
        return [of_bundle(path, "schema", f"its columns in {DATA_PACKAGE}", "none")]
    names = [field.get("name") for field in fields]
    if names != list(table.columns):
        expected, found = ", ".join(map(str, names)), ", ".join(table.columns)
        return [of_bundle(path, "", f"the columns {shown(expected)}", shown(found))]
    faults = []
    for field in fields:
        kind, arrow = field.get("type"), table.columns[field["name"]]
        if not arrow.startswith(_ARROW_OF.get(str(kind), (arrow,))):
            where = f"column {shown(field['name'])}"
            faults.append(of_bundle(path, where, f"type {kind}, by {DATA_PACKAGE}", arrow))
    return faults
