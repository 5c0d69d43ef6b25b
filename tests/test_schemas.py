"""The schemas are the single source: what is derived from them agrees with them."""

import pandera.errors
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from schemas.columns import DETECTORS, EXCLUSIONS, FINDINGS, SESSIONS, VERDICTS
from schemas.conditions import CONDITIONS, FAULT_MASK
from schemas.dictionary import PLACE, dictionary
from schemas.measures import MEASURES
from schemas.tables import arrow_schema, arrow_table, pandera_schema


def test_dictionary_is_up_to_date():
    """schemas/dictionary.md is what `python -m schemas.dictionary` writes."""
    assert PLACE.read_text(encoding="utf-8") == dictionary()


def test_bits_are_those_of_the_documented_format():
    """Bits 0 to 7 in this order are part of the file format."""
    names = [
        "lost",
        "saturated",
        "settling",
        "mains",
        "contact_loss",
        "stuck",
        "low_coupling",
        "uncorroborated",
    ]

    assert [(c.bit, c.name) for c in CONDITIONS] == list(enumerate(names))
    assert FAULT_MASK == 0b111111


@pytest.mark.parametrize(
    "columns", [FINDINGS, SESSIONS, EXCLUSIONS], ids=["findings", "sessions", "exclusions"]
)
def test_every_column_has_a_description_and_unit_in_the_file(columns):
    schema = arrow_schema(columns)

    for column, field in zip(columns, schema, strict=True):
        assert field.name == column.name
        assert field.nullable == column.nullable
        assert field.metadata[b"description"].decode() == column.description != ""
        assert field.metadata[b"unit"].decode() == column.unit


def test_sessions_carry_every_measure_with_its_unit():
    units = {column.name: column.unit for column in SESSIONS}

    assert {measure.name: measure.unit for measure in MEASURES}.items() <= units.items()


@pytest.mark.parametrize(
    "columns", [FINDINGS, SESSIONS, EXCLUSIONS], ids=["findings", "sessions", "exclusions"]
)
def test_empty_tables_hold(columns):
    """A batch without a finding writes a table without rows, of the right types."""
    table = arrow_table(columns, [])

    assert table.num_rows == 0
    pandera_schema(columns).validate(table.to_pandas(), lazy=True)


def _finding(**changes):
    row = {
        "session": "throw-01",
        "detector": DETECTORS[0],
        "channel": None,
        "start_s": 1.0,
        "stop_s": 2.0,
        "severity": "fault",
        "measure": "longest_saturated_s",
        "value": 0.5,
        "limit": None,
        "unit": "s",
        "explanation": "invented",
    }
    return arrow_table(FINDINGS, [row | changes])


@pytest.mark.parametrize(
    "changes",
    [{"detector": "guess"}, {"severity": "awful"}, {"start_s": float("inf")}],
    ids=["detector", "severity", "infinite"],
)
def test_a_wrong_value_is_refused(changes):
    with pytest.raises(pandera.errors.SchemaErrors):
        pandera_schema(FINDINGS).validate(_finding(**changes).to_pandas(), lazy=True)


def test_a_null_where_none_may_be_is_refused():
    with pytest.raises(pa.ArrowInvalid):
        pq.write_table(_finding(explanation=None), pa.BufferOutputStream())


def test_verdicts_are_those_of_the_documented_format():
    assert VERDICTS == ("accept", "accept_in_part", "reject", "unreadable")
