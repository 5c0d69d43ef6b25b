"""A small bundle of an invented workshop, for tests of its manifests; its samples are invented."""

import hashlib
import json
from collections.abc import Callable, Iterable
from pathlib import Path
from urllib.parse import quote

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.bundle.bag import write_manifests

INFO = {"External-Description": "Invented recordings of a pottery workshop"}
SESSIONS = tuple(f"S{i:03d}" for i in range(1, 5))
TYPES = {"int64": "integer", "float": "number", "double": "number", "string": "string", "uint32": "integer"}


def small_bundle(folder: Path) -> Path:
    """Four sessions, each with samples and a page, and the table of them."""
    data = folder / "data"
    for number, code in enumerate(SESSIONS):
        _save(data / f"recordings/{code}/samples.parquet", samples(number))
        page = data / f"reports/{code}.html"
        page.parent.mkdir(parents=True, exist_ok=True)
        page.write_text(f"<p>Session {code}: throwing and wedging</p>\n")
    _save(data / "sessions.parquet", pa.table({"session": SESSIONS, "duration_s": [2.0] * len(SESSIONS)}))
    (data / "README.md").write_text("Invented.\n")
    describe(data)
    write_manifests(folder, INFO)
    return folder


def samples(number: int, n: int = 500) -> pa.Table:
    noise = np.random.default_rng(number).normal(0, 1e-3, n).astype(np.float32)
    return pa.table({"sample": np.arange(n), "strap": noise, "quality": np.zeros(n, np.uint32)})


def _save(path: Path, table: pa.Table) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    pq.write_table(table, path)


def describe(data: Path, change: Callable[[dict, dict], None] = lambda package, crate: None) -> None:
    """Write both descriptions of the files below `data`, after a `change` of them."""
    package = {"resources": [_resource(data, path) for path in _below(data, {"README.md"})]}
    entities = [{"@id": quote(path), "@type": "File"} for path in _below(data, set())]
    entities.append({"@id": "datapackage.json", "@type": "File"})
    about = {"@id": "./", "@type": "Dataset", "hasPart": [{"@id": e["@id"]} for e in entities]}
    crate = {"@context": "https://w3id.org/ro/crate/1.2/context", "@graph": [about, *entities]}
    change(package, crate)
    (data / "datapackage.json").write_text(json.dumps(package, indent=1))
    (data / "ro-crate-metadata.json").write_text(json.dumps(crate, indent=1))


def _below(data: Path, without: set[str]) -> Iterable[str]:
    written = {"datapackage.json", "ro-crate-metadata.json"}
    paths = sorted(path.relative_to(data).as_posix() for path in data.rglob("*") if path.is_file())
    return [path for path in paths if path not in written | without]


def _resource(data: Path, path: str) -> dict:
    raw = (data / path).read_bytes()
    described = {"path": path, "bytes": len(raw), "hash": f"sha512:{hashlib.sha512(raw).hexdigest()}"}
    if path.endswith(".parquet"):
        table = pq.read_metadata(data / path)
        schema = table.schema.to_arrow_schema()
        described["rows"] = table.num_rows
        described["schema"] = {"fields": [{"name": f.name, "type": TYPES[str(f.type)]} for f in schema]}
    return described


def seal(folder: Path, *names: str) -> None:
    """Write checksums of tag files anew, as one would who changes a bag on purpose."""
    tags = [path for path in sorted(folder.iterdir()) if path.is_file() and path.name not in names]
    lines = [
        f"{hashlib.sha512(path.read_bytes()).hexdigest()}  {path.name}\n"
        for path in tags
        if path.name != "tagmanifest-sha512.txt"
    ]
    (folder / "tagmanifest-sha512.txt").write_text("".join(lines))


def remake(bundle: Path, change: Callable[[dict, dict], None]) -> None:
    describe(bundle / "data", change)
    write_manifests(bundle, INFO)
