"""What people read in a bundle: README, dictionary, licence and citation."""

import datetime
import json
import re
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
import yaml
from bundle_documents import study, whole_bundle
from jsonschema import Draft7Validator
from packaging.licenses import canonicalize_license_expression
from wheels import Member, read_member

from pipeline.bundle.dictionary import dictionary
from pipeline.bundle.fields import TABLES
from pipeline.bundle.licence import citation, licence_of, licence_text
from pipeline.bundle.readme import readme
from pipeline.bundle.recoded import Made, Wishes
from pipeline.errors import InputError
from schemas.bags import DATA_PACKAGE
from schemas.conditions import CONDITIONS

CFF = Member(
    "cffconvert==2.0.0",
    "cffconvert/schemas/1.2.0/schema.json",
    "0b8d22140da702d766df318dcff3a91af2f39521298dcf36d76315fd99cc169b",
)
"""JSON Schema of the Citation File Format 1.2.0 (Druskat et al., 2021), as that package carries it."""


@pytest.fixture(scope="module")
def data(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("bundle")
    whole_bundle(folder, study())
    return folder


@pytest.fixture(scope="module")
def page(data) -> str:
    return (data / "README.md").read_text(encoding="utf-8")


def test_readme_says_what_a_stranger_must_know(page):
    words = " ".join(page.split())
    for said in (
        "3 sessions of 1 participant were recorded",
        "2 recordings",
        "Not a medical device",
        "not anonymous for certain",
        "Not legal advice",
        "ethics approval and local law decide",
        "45 CFR 164.514(b)",
        "GDPR Recital 26",
        "CC-BY-4.0",
        "by participant or session, never by window",
        "fewer than 5 participants",
        "names of participants",
    ):
        assert said in words
    assert "| `accept_in_part` | 1 |" in page
    for condition in CONDITIONS:
        assert f"| {condition.mask} | `{condition.name}` |" in page
    assert len(words.split()) < 1400  # five minutes at 280 words a minute; common practice, no source


def test_first_steps_of_the_readme_run(data, page, monkeypatch):
    monkeypatch.chdir(data)
    code = re.search(r"```python\n(.*?)```", page, re.S).group(1)
    names: dict = {}
    exec(code, names)  # noqa: S102
    samples = pd.read_parquet(data / "recordings/S001/samples.parquet")
    assert len(names["sessions"]) == 3
    assert 0 < len(names["fine"]) < len(samples)
    assert (names["fine"]["quality"] == 0).all()


def test_readme_lists_every_file_once_and_no_code_for_a_pattern(data, page):
    listed = re.findall(r"^\| `([^`]+)` \| [^|]+ \|$", page.split("## What is where")[1], re.M)
    assert len(set(listed)) == len(listed)
    present = {path.relative_to(data).as_posix() for path in data.rglob("*") if path.is_file()}
    patterns = {re.sub(r"S00\d", "SESSION", path) for path in present} - {"README.md"}
    assert set(listed) == patterns
    assert not re.search(r"S00[23]", page)


def test_a_pattern_says_what_holds_for_all_its_files():
    described = {"S001": "samples of S001", "S002": "samples of S002, usable stretches"}

    def line(*codes: str) -> str:
        made = [
            Made(f"recordings/{code}/samples.parquet", "application/vnd.apache.parquet", described[code])
            for code in codes
        ]
        return re.search(
            r"^\| `recordings/SESSION/samples.parquet` \| (.*) \|$", readme(study(), made), re.M
        )[1]

    both = "samples of SESSION; of sessions used in part, the usable stretches"
    assert line("S001", "S002") == line("S002", "S001") == both
    assert line("S001") == "samples of SESSION"
    assert line("S002") == "samples of SESSION, usable stretches"


@pytest.mark.parametrize("formats", [frozenset(), frozenset({"csv"})])
def test_first_steps_say_what_the_examples_need(formats):
    several = [Made(f"examples/{name}", "text/plain", name) for name in ("with_pandas.py", "with_r.R")]
    text = readme(replace(study(), wishes=Wishes(formats=formats)), several)
    steps = text.split("## First steps")[1].split("## What is where")[0]
    words = " ".join(steps.split())
    assert "R needs the package nanoparquet or arrow" in words
    assert ("csv/" in words) == ("any_database.sql" in words) == bool(formats)
    assert steps.endswith(".\n\n")
    assert "\n\n\n" not in steps


def test_text_of_a_user_cannot_break_the_page():
    hostile = "Pots | pans\n\n# <script>alert(1)</script>"
    text = readme(replace(study(title=hostile), warnings=(hostile,)), [Made("a|b.csv", "text/csv", hostile)])
    assert "<script>" not in text
    assert text.startswith("# Pots \\| pans # &lt;script>")
    assert text.count("\n# ") == 0


def test_without_a_recording_or_examples_or_licence_the_readme_still_reads():
    nothing = tuple(replace(one, has_recording=False) for one in study().sessions)
    text = readme(replace(study(licence=""), sessions=nothing, warnings=(), left_out=()), [])
    assert "No licence was stated" in text
    assert "samples.parquet" not in text.split("## First steps")[1].split("##")[0]
    assert "\n\n\n" not in text


def test_dictionary_has_every_column_with_its_unit_type_range_and_missing_values(data):
    text = (data / "dictionary.md").read_text(encoding="utf-8")
    package = json.loads((data / DATA_PACKAGE).read_text(encoding="utf-8"))
    for one in package["resources"]:
        for field in one.get("schema", {}).get("fields", ()):
            rows = re.findall(rf"^\| `{field['name']}` \|.*$", text, re.M)
            assert any(f" | {field.get('unit', '')} | " in row for row in rows), field["name"]
    for row in re.findall(r"^\| `.*$", text, re.M):
        cells = re.split(r"(?<!\\)\|", row)[1:-1]
        if len(cells) == 6:
            _, meaning, _, kind, span, missing = (cell.strip() for cell in cells)
            assert meaning
            assert kind
            assert span
            assert missing in ("null", "never missing")
    assert (
        "| `quality` | a bit for each condition of the sample; 0 is clean | 1 | uint32 | 0 to 255 |" in text
    )
    assert "electrode on the wrist \\| input-referred" in text
    assert "`recordings/SESSION/samples.parquet`" in text
    assert re.search(r"^\| `started_at` \|[^|]*the date was shifted", text, re.M)


def test_range_of_a_channel_is_that_of_all_its_converters(tmp_path):
    import pyarrow as pa
    import pyarrow.parquet as pq

    made = []
    for name, high in (("a", 1023), ("b", 4095)):
        said = {"unit": "V", "description": "of the strap", "scale": "0.001", "offset": "-0.5"}
        said |= {"adc_min": "0", "adc_max": str(high)}
        schema = pa.schema([pa.field("field", pa.float32(), True, said)])
        pq.write_table(pa.table([[0.1]], schema=schema), tmp_path / f"{name}.parquet")
        made.append(Made(f"{name}.parquet", "application/vnd.apache.parquet", "", (), "samples"))
    text = dictionary(study(), made, tmp_path)
    assert "| `field` | of the strap | V | float32 | -0.5 to 3.595 | null |" in text


def test_every_column_of_the_schemas_has_a_meaning():
    columns = [column for several in TABLES.values() for column in several]
    assert all(column.description for column in columns)


@pytest.mark.parametrize(
    ("written", "meant"),
    [("cc-by-4.0", "CC-BY-4.0"), ("CC0-1.0", "CC0-1.0"), (" odbl-1.0 ", "ODbL-1.0"), ("MIT", "MIT")],
)
def test_licence_by_its_spdx_identifier_in_any_case(written, meant):
    licence = licence_of(written)
    assert licence.identifier == meant
    assert licence.address == f"https://spdx.org/licenses/{meant}.html"
    assert canonicalize_license_expression(meant) == meant


@pytest.mark.parametrize(
    "written",
    ["CC-BY", "MIT OR CC0-1.0", "free", "LicenseRef-own", "(MIT)", "GPL-2.0-only WITH", "MIT+", "\n|x"],
)
def test_what_is_no_single_spdx_identifier_is_a_problem(written):
    with pytest.raises(InputError, match="SPDX") as raised:
        licence_of(written)
    (problem,) = raised.value.problems
    assert problem.file == "--licence"
    assert repr(written) in problem.found


def test_no_licence_is_said_to_be_none():
    assert licence_of(" ") is None
    assert "No licence was stated" in licence_text(study(licence=""))
    assert "SPDX-License-Identifier: CC-BY-4.0" in licence_text(study())


@pytest.mark.parametrize("authors", [(), ("A. Potter (invented)", 'B. "Kiln": # Glazer')])
@pytest.mark.parametrize("licence", ["", "CC-BY-4.0"])
def test_citation_is_by_the_citation_file_format(authors, licence):
    text = citation(study(licence, title="Pots: a 'study' # one"), authors, "2026-03-09")
    read = yaml.safe_load(text)
    assert read["title"] == "Pots: a 'study' # one"
    assert [one["name"] for one in read["authors"]] == list(authors or ("Authors not named in the dataset",))
    assert read.get("license", "") == licence
    assert not isinstance(read["date-released"], datetime.date)  # the schema wants a text
    schema = json.loads(read_member(CFF))
    assert [error.message for error in Draft7Validator(schema).iter_errors(read)] == []
