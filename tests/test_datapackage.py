"""``datapackage.json`` against programs and schemas of others, and against the files it describes."""

import hashlib
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from bundle_documents import PARQUET, study, whole_bundle
from frictionless import Package, validate
from frictionless.resources import TableResource
from jsonschema import Draft7Validator
from wheels import Member, read_member

from pipeline.bundle.datapackage import resource_names
from pipeline.bundle.fields import columns_of
from pipeline.bundle.recoded import Made
from schemas.bags import CRATE, DATA_PACKAGE, DOCUMENTS

DATA_PACKAGE_2 = Member(
    "check-datapackage==0.37.0",
    "check_datapackage/schemas/data-package-2-0.json",
    "34cf87616814215bc57b66d3cbabc4fc4f453de90710a0236d4924992f69623b",
    ("--python-version", "3.12"),
)
"""JSON Schema of Data Package 2.0 with Data Resource and Table Schema, as that package carries it (MIT)."""


@pytest.fixture(scope="module")
def data(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("bundle")
    whole_bundle(folder, study())
    return folder


@pytest.fixture(scope="module")
def package(data) -> dict:
    return json.loads((data / DATA_PACKAGE).read_text(encoding="utf-8"))


def by_path(package: dict, path: str) -> dict:
    return next(one for one in package["resources"] if one["path"] == path)


def problems_of_frictionless(data: Path) -> list[str]:
    """What frictionless says of package, columns, rows and sizes, as it comes."""
    report = validate(str(data / DATA_PACKAGE))
    assert report.stats["tasks"] or report.errors
    return [error.message for task in report.tasks for error in task.errors] + [
        error.message for error in report.errors
    ]


def test_frictionless_finds_nothing_wrong_in_descriptions_and_rows(data):
    assert Package(str(data / DATA_PACKAGE)).resource_names
    assert problems_of_frictionless(data) == []


@pytest.mark.parametrize(
    ("path", "field", "change", "said"),
    [
        ("csv/S001/samples.csv", "quality", {"constraints": {"maximum": 1}}, "maximum"),
        ("recordings/S001/samples.parquet", "quality", {"constraints": {"maximum": 1}}, "maximum"),
        ("csv/S001/samples.csv", "field", {"constraints": {"required": True}}, "required"),
        ("sessions.parquet", "verdict", {"constraints": {"enum": ["reject"]}}, "enum"),
        ("csv/sessions.csv", "session", {"type": "integer"}, "integer"),
        ("exclusions.csv", "session", {"name": "sitting"}, "sitting"),
    ],
)
def test_frictionless_would_see_a_false_description(data, tmp_path, path, field, change, said):
    package = json.loads((data / DATA_PACKAGE).read_text(encoding="utf-8"))
    one = by_path(package, path)
    next(each for each in one["schema"]["fields"] if each["name"] == field).update(change)
    one["path"] = path.rsplit("/", 1)[-1]
    one["schema"].pop("foreignKeys", None)
    package["resources"] = [one]
    (tmp_path / one["path"]).write_bytes((data / path).read_bytes())
    (tmp_path / DATA_PACKAGE).write_text(json.dumps(package), encoding="utf-8")
    assert any(said in message for message in problems_of_frictionless(tmp_path))


def test_frictionless_checks_the_structure_by_some_rows(data):
    """As README.md of a bundle says to do where there are many rows."""
    command = [sys.executable, "-m", "frictionless", "validate", DATA_PACKAGE, "--limit-rows", "100"]
    done = subprocess.run(command, cwd=data, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout
    assert "INVALID" not in done.stdout


def test_schema_of_the_standard_admits_it(package):
    schema = json.loads(read_member(DATA_PACKAGE_2))
    assert [error.message for error in Draft7Validator(schema).iter_errors(package)] == []
    spoilt = package | {"resources": [{"name": "no path"}]}
    assert list(Draft7Validator(schema).iter_errors(spoilt))


def test_every_file_but_documents_is_a_resource_with_its_size_and_digest(data, package):
    files = {path.relative_to(data).as_posix() for path in data.rglob("*") if path.is_file()}
    stated = {one["path"]: one for one in package["resources"]}
    assert set(stated) == files - {*DOCUMENTS, DATA_PACKAGE, CRATE}
    for path, one in stated.items():
        content = (data / path).read_bytes()
        # frictionless counts no bytes of Parquet files, and takes a size that is stated for an error.
        assert one.get("bytes") == (None if path.endswith(".parquet") else len(content))
        assert one["hash"] == f"sha512:{hashlib.sha512(content).hexdigest()}"


def test_tables_are_described_as_they_are(data, package):
    arrow = {"integer": pa.types.is_integer, "number": pa.types.is_floating, "string": pa.types.is_string}
    tables = [one for one in package["resources"] if one["path"].endswith(".parquet")]
    assert len(tables) == 9
    for one in tables:
        schema = pq.read_schema(data / one["path"])
        assert one["mediatype"] == PARQUET
        assert one["rows"] == pq.read_metadata(data / one["path"]).num_rows
        assert [field["name"] for field in one["schema"]["fields"]] == schema.names
        for field in one["schema"]["fields"]:
            column = schema.field(field["name"])
            assert arrow[field["type"]](column.type)
            assert field.get("constraints", {}).get("required", False) == (not column.nullable)


def test_csv_has_the_schema_of_the_parquet_file_it_was_made_from(package):
    for path in ("sessions", "findings", "activities", "S001/samples", "S001/samples_50hz", "S001/events"):
        place = f"recordings/{path}" if "/" in path else path
        columns, text = by_path(package, f"{place}.parquet"), by_path(package, f"csv/{path}.csv")
        assert len(text["schema"]["fields"]) == len(columns["schema"]["fields"])
        for of_text, of_column in zip(text["schema"]["fields"], columns["schema"]["fields"], strict=True):
            for word in ("name", "type", "unit", "description"):
                assert of_text.get(word) == of_column.get(word)
            assert of_text.get("constraints", {}).items() >= of_column.get("constraints", {}).items()
        assert (text["mediatype"], text["encoding"]) == ("text/csv", "utf-8")
        assert text["dialect"]["lineTerminator"] == "\r\n"


def test_units_missing_values_and_ranges_are_stated(package):
    samples = by_path(package, "recordings/S001/samples.parquet")["schema"]
    fields = {field["name"]: field for field in samples["fields"]}
    assert fields["time_s"]["unit"] == "s"
    assert fields["field"]["unit"] == "V"
    assert fields["quality"]["constraints"] == {"required": True, "maximum": 255}
    assert samples["missingValues"] == []
    assert samples["primaryKey"] == ["sample"]
    assert by_path(package, "csv/S001/samples.csv")["schema"]["missingValues"] == [""]
    text = {field["name"]: field for field in by_path(package, "csv/S001/samples.csv")["schema"]["fields"]}
    assert text["field"]["constraints"]["minimum"] == -10
    held = float(np.float32(30.95))
    assert text["field"]["constraints"]["maximum"] == held > 30.95
    sessions = {field["name"]: field for field in by_path(package, "csv/sessions.csv")["schema"]["fields"]}
    assert sessions["reasons"]["missingValues"] == []  # empty is a text there
    assert "missingValues" not in sessions["review_reason"]
    assert sessions["lost_fraction"]["constraints"] == {"minimum": 0, "maximum": 1}


def test_rows_of_other_tables_lead_to_the_table_of_sessions(package):
    for path in ("findings.parquet", "activities.parquet", "exclusions.csv", "margins.csv"):
        (key,) = by_path(package, path)["schema"]["foreignKeys"]
        assert key["reference"] == {"resource": "sessions", "fields": ["session"]}
    assert by_path(package, "sessions.parquet")["name"] == "sessions"


def test_empty_text_is_no_missing_value_when_read(data):
    rows = TableResource(path=str(data / "sessions.parquet")).read_rows()
    assert len(rows) == 3
    assert pq.read_table(data / "sessions.parquet")["reasons"].null_count == 0


def test_names_of_resources_differ():
    paths = ("recordings/S001/samples.parquet", "recordings/S001/samples.edf", "A b.csv", "a-b.csv")
    names = resource_names([Made(path, "text/plain", "") for path in paths])
    assert len(set(names.values())) == len(paths)
    assert all(name == name.lower() and " " not in name for name in names.values())


def test_licence_is_stated_only_where_there_is_one(tmp_path, package):
    assert package["licenses"][0]["name"] == "CC-BY-4.0"
    whole_bundle(tmp_path, study(licence=""))
    assert "licenses" not in json.loads((tmp_path / DATA_PACKAGE).read_text(encoding="utf-8"))


def test_column_that_no_schema_knows_is_described_by_its_file(tmp_path):
    said = {"unit": "Cel", "description": "of the kiln (invented)"}
    schema = pa.schema([pa.field("kiln", pa.float64(), True, said), pa.field("on", pa.bool_(), False)])
    pq.write_table(pa.table([[1.5], [True]], schema=schema), tmp_path / "a.parquet")
    kiln, on = columns_of(Made("a.parquet", PARQUET, "", (), "samples"), tmp_path)
    assert (kiln.dtype, kiln.unit, kiln.description) == ("float64", "Cel", "of the kiln (invented)")
    assert (on.dtype, on.nullable) == ("string", False)


def test_same_study_same_bytes(data, tmp_path):
    whole_bundle(tmp_path, study())
    for name in (DATA_PACKAGE, CRATE, *DOCUMENTS):
        assert (tmp_path / name).read_bytes() == (data / name).read_bytes()
