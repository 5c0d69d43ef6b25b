"""``ro-crate-metadata.json`` by a validator and a reader that others wrote."""

import json
from dataclasses import replace
from pathlib import Path
from urllib.parse import unquote

import pytest
import requests
import rocrate
from bundle_documents import DUMPS, study, whole_bundle
from rocrate.rocrate import ROCrate
from rocrate_validator.models import Severity
from rocrate_validator.services import ValidationSettings, validate
from rocrate_validator.utils.http import HttpRequester

from pipeline.bundle.recoded import Wishes
from schemas.bags import CRATE

CONTEXT = Path(rocrate.__file__).parent / "data" / "ro-crate.jsonld"
"""JSON-LD context of RO-Crate 1.3, in the package ``rocrate``: it holds every term of that of 1.2, and gives
all but four of them (of workflows, which do not occur here) the same meaning."""


@pytest.fixture(scope="module")
def data(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("bundle")
    whole_bundle(folder, study(), authors=("A. Potter (invented)",), published="2026-03-09")
    return folder


@pytest.fixture(scope="module")
def graph(data) -> dict[str, dict]:
    entities = json.loads((data / CRATE).read_text(encoding="utf-8"))["@graph"]
    assert len({entity["@id"] for entity in entities}) == len(entities)
    return {entity["@id"]: entity for entity in entities}


@pytest.fixture
def offline(monkeypatch):
    """The validator gets the context it asks for from a package; whatever else it asks for is not there."""

    def get(self, url, **options):
        response = requests.Response()
        is_context = url.startswith("https://w3id.org/ro/crate/")
        response.status_code, response.url = (200 if is_context else 404), url
        response.headers["Content-Type"] = "application/ld+json"
        response._content = CONTEXT.read_bytes() if is_context else b""
        return response

    monkeypatch.setattr(HttpRequester, "get", get, raising=False)


def by_validator(test):
    """Without a network, and with what rdflib says to those who use it left unheard."""
    return pytest.mark.usefixtures("offline")(pytest.mark.filterwarnings("ignore::DeprecationWarning")(test))


def refs(value) -> list[str]:
    return [one["@id"] for one in (value if isinstance(value, list) else [value])]


def issues(folder: Path, severity: Severity) -> list[str]:
    settings = ValidationSettings(
        rocrate_uri=str(folder),
        profile_identifier="ro-crate-1.2",
        requirement_severity=severity,
        offline=True,
        skip_availability_check=True,
    )
    return [f"{one.check.identifier} {one.message}" for one in validate(settings).get_issues()]


@by_validator
def test_validator_finds_what_1_2_requires_and_recommends_but_a_publisher(tmp_path):
    one_without_and_one_with_samples = study().sessions[1:]
    whole_bundle(tmp_path, replace(study(), sessions=one_without_and_one_with_samples))
    found = issues(tmp_path, Severity.RECOMMENDED)
    assert len(found) == 1
    assert "`publisher`" in found[0]  # a bundle names nobody but the authors that were given


@by_validator
def test_validator_would_see_a_missing_file_and_a_missing_day(tmp_path):
    whole_bundle(tmp_path, replace(study(), sessions=study().sessions[2:], wishes=Wishes()))
    crate = json.loads((tmp_path / CRATE).read_text(encoding="utf-8"))
    del next(one for one in crate["@graph"] if one["@id"] == "./")["datePublished"]
    (tmp_path / CRATE).write_text(json.dumps(crate), encoding="utf-8")
    (tmp_path / "policy.toml").unlink()
    found = "\n".join(issues(tmp_path, Severity.REQUIRED))
    assert "datePublished" in found
    assert "policy.toml" in found


def test_another_library_reads_it(data):
    crate = ROCrate(str(data))
    assert crate.name == "Electric-field recordings"
    assert crate.root_dataset["license"]["identifier"] == "CC-BY-4.0"
    samples = crate.dereference("recordings/S001/samples.parquet")
    assert samples["encodingFormat"] == "application/vnd.apache.parquet"
    assert int(samples["contentSize"]) == (data / "recordings/S001/samples.parquet").stat().st_size
    assert [action["instrument"]["version"] for action in crate.get_by_type("CreateAction")] == ["0.1.0"] * 4


def test_every_file_is_in_it_and_part_of_the_whole(data, graph):
    files = {path.relative_to(data).as_posix() for path in data.rglob("*") if path.is_file()} - {CRATE}
    entities = {unquote(one["@id"]) for one in graph.values() if one["@type"] == "File"}
    assert entities == files
    parts = set(refs(graph["./"]["hasPart"]))
    for folder in ("recordings/S001/", "recordings/S002/"):
        parts |= set(refs(graph[folder]["hasPart"]))
    assert entities <= {unquote(part) for part in parts}


def test_every_file_was_made_by_one_action_from_dumps_known_by_digest_alone(data, graph):
    actions = [one for one in graph.values() if one["@type"] == "CreateAction"]
    results = [path for action in actions for path in refs(action["result"])]
    files = [one["@id"] for one in graph.values() if one["@type"] == "File"]
    assert sorted(results) == sorted(files)
    own = graph["#make-S001"]
    assert "csv/S001/samples.csv" in refs(own["result"])
    assert "reports/S001.html" in refs(own["result"])
    assert "layouts/layout-1.toml" in refs(own["object"])
    dumps = [graph[one] for one in refs(own["object"]) if one.startswith("#dump")]
    assert [one["identifier"] for one in dumps] == [f"sha256:{digest}" for digest in DUMPS]
    assert {frozenset(one) for one in dumps} == {frozenset({"@id", "@type", "name", "identifier"})}


def test_what_is_referred_to_is_there(graph):
    def every_ref(value):
        if isinstance(value, list):
            for one in value:
                yield from every_ref(one)
        elif isinstance(value, dict):
            if set(value) == {"@id"}:
                yield value["@id"]
            else:
                for one in value.values():
                    yield from every_ref(one)

    outside = {"https://w3id.org/ro/crate/1.2"}
    assert set(every_ref(list(graph.values()))) <= set(graph) | outside


def test_channels_are_the_variables_measured(graph):
    variables = [graph[one] for one in refs(graph["./"]["variableMeasured"])]
    assert [(one["name"], one["unitText"]) for one in variables] == [
        ("acc_x", "m/s2"),
        ("acc_y", "m/s2"),
        ("acc_z", "m/s2"),
        ("field", "V"),
        ("marker", "1"),
    ]


def test_nobody_is_named_who_was_not_given_and_a_day_that_nobody_gave_says_so(tmp_path):
    whole_bundle(tmp_path, study(licence=""))
    entities = json.loads((tmp_path / CRATE).read_text(encoding="utf-8"))["@graph"]
    assert not [one for one in entities if one["@type"] in ("Person", "Organization")]
    root = next(one for one in entities if one["@id"] == "./")
    assert root["datePublished"] == "1970-01-01"
    assert "The day of publication is not stated" in root["description"]
    assert "2019-05-04" not in json.dumps(entities)  # a shifted date would pass for a true one
    assert root["license"] == {"@id": "#no-licence"}
