"""What a bundle promises beyond a bag, under right checksums; large ones, and how far their check is."""

import os
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.bundle.bag import write_manifests
from pipeline.verify.tables import look
from pipeline.verify.tree import Tree
from pipeline.verify.verify import check
from tests.bag_referee import referee_accepts, told
from tests.bundle_damages import MANIFEST, SAMPLES
from tests.bundles import INFO, remake, samples, small_bundle


@pytest.fixture
def bundle(tmp_path: Path) -> Path:
    return small_bundle(tmp_path / "bundle")


def _first(package: dict, word: str) -> dict:
    return next(one for one in package["resources"] if word in one["path"])


def _fields(package: dict) -> list[dict]:
    return _first(package, "S001/samples")["schema"]["fields"]


DESCRIBED: dict[str, tuple[Callable[[dict, dict], object], str]] = {
    "file_not_in_package": (
        lambda p, c: p["resources"].remove(_first(p, "S001.html")),
        "data/reports/S001.html",
    ),
    "file_not_in_crate": (lambda p, c: c["@graph"].pop(1), "data/README.md"),
    "package_names_too_many": (lambda p, c: p["resources"].append({"path": "kiln.csv"}), "data/kiln.csv"),
    "crate_names_too_many": (
        lambda p, c: c["@graph"].append({"@id": "kiln.csv", "@type": ["File"]}),
        "data/kiln.csv",
    ),
    "twice": (lambda p, c: p["resources"].append(_first(p, "S001.html")), "data/datapackage.json"),
    "no_resources": (lambda p, c: p.pop("resources"), "data/datapackage.json"),
    "odd_resources": (
        lambda p, c: p.update(resources=[1, None, {"path": 3}, {"path": []}]),
        "data/datapackage.json",
    ),
    "no_graph": (lambda p, c: c.pop("@graph"), "data/ro-crate-metadata.json"),
    "wrong_size": (lambda p, c: _first(p, "S001.html").update(bytes=1), "data/reports/S001.html"),
    "wrong_hash": (
        lambda p, c: _first(p, "S001.html").update(hash="sha512:" + "0" * 128),
        "data/reports/S001.html",
    ),
    "wrong_rows": (lambda p, c: _first(p, "S001/samples").update(rows=499), SAMPLES),
    "no_schema": (lambda p, c: _first(p, "S001/samples").pop("schema"), SAMPLES),
    "wrong_name": (lambda p, c: _fields(p)[1].update(name="wrist"), SAMPLES),
    "wrong_order": (lambda p, c: _fields(p).reverse(), SAMPLES),
    "column_too_many": (lambda p, c: _fields(p).append({"name": "x", "type": "number"}), SAMPLES),
    "column_missing": (lambda p, c: _fields(p).pop(), SAMPLES),
    "wrong_type": (lambda p, c: _fields(p)[1].update(type="string"), SAMPLES),
}


@pytest.mark.parametrize("name", DESCRIBED)
def test_descriptions_are_held_against_the_files(name: str, bundle: Path) -> None:
    change, expected = DESCRIBED[name]
    remake(bundle, change)
    assert expected in told(bundle)
    assert referee_accepts(bundle)


@pytest.mark.parametrize("text", ["", "[]", "{", "nul", '{"a": NaN', "[" * 100_000, "\ufeff{}", "7"])
@pytest.mark.parametrize("name", ["datapackage.json", "ro-crate-metadata.json"])
def test_a_description_that_is_no_object_is_named(name: str, text: str, bundle: Path) -> None:
    (bundle / "data" / name).write_text(text)
    write_manifests(bundle, INFO)
    assert f"data/{name}" in told(bundle)


def _parquet(edit: Callable[[bytes], bytes]) -> Callable[[Path], None]:
    return lambda path: path.write_bytes(edit(path.read_bytes())) and None


BROKEN: dict[str, Callable[[Path], None]] = {
    "empty": _parquet(lambda raw: b""),
    "no_parquet": _parquet(lambda raw: b"session,sample\n" * 10),
    "cut": _parquet(lambda raw: raw[:-100]),
    "no_beginning": _parquet(lambda raw: b"XXXX" + raw[4:]),
    "foot_too_long": _parquet(lambda raw: raw[:-8] + b"\xff\xff\xff\x7f" + raw[-4:]),
    "foot_damaged": _parquet(lambda raw: raw[:-200] + bytes(100) + raw[-100:]),
    "pages_taken_out": _parquet(lambda raw: raw[:4] + raw[2000:]),
    "other_columns": lambda path: pq.write_table(pa.table({"sample": [1]}), path),
    "other_rows": lambda path: pq.write_table(samples(0, 499), path),
}


@pytest.mark.parametrize("name", BROKEN)
def test_tables_that_were_never_right_are_named(name: str, bundle: Path) -> None:
    # Checksums are made after the damage: only the description knows better.
    BROKEN[name](bundle / SAMPLES)
    write_manifests(bundle, INFO)
    assert SAMPLES in told(bundle)
    assert referee_accepts(bundle)


def test_a_manifest_without_end_is_not_read_whole(bundle: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.verify.bag.LARGEST_TEXT", 1000)
    assert MANIFEST in told(bundle)


@settings(max_examples=60, deadline=None)
@given(st.integers(0), st.binary(min_size=1, max_size=6))
def test_any_foot_is_a_fault_or_a_table(
    tmp_path_factory: pytest.TempPathFactory, where: int, change: bytes
) -> None:
    folder = tmp_path_factory.mktemp("foot")
    pq.write_table(samples(0), folder / "a.parquet")
    raw = (folder / "a.parquet").read_bytes()
    start = len(raw) - 8 - int.from_bytes(raw[-8:-4], "little")
    at = start + where % (len(raw) - start)
    (folder / "a.parquet").write_bytes(raw[:at] + change + raw[at + len(change) :])
    with Tree(folder) as tree, suppress(ValueError):
        look(tree, "a.parquet")


def test_folders_without_end_are_not_followed(bundle: Path) -> None:
    number = os.open(bundle / "data", os.O_RDONLY)
    for _ in range(150):
        os.mkdir("a", dir_fd=number)
        below = os.open("a", os.O_RDONLY, dir_fd=number)
        os.close(number)
        number = below
    os.close(number)
    assert any(f.problem.found == "more than 100 folders in each other" for f in check(bundle).faults)
