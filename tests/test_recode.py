"""Codes for names: in texts, units, layouts and dates; small cells counted by hand. All of it is invented."""

import tomllib
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from conftest import REPOSITORY

from pipeline.bundle.choose import choose
from pipeline.bundle.gather import Gathered, Held
from pipeline.bundle.key import EMPTY, extended
from pipeline.bundle.layout_copy import layout_copy
from pipeline.bundle.names import WITHHELD, Names, channel_kinds, is_plain, neutral_unit
from pipeline.bundle.parquet import rows_inside
from pipeline.bundle.recode import _line, _measure, _shifted_stamp, activities_in, names_in
from pipeline.bundle.recoded import RecodedSession
from pipeline.bundle.traits import MOST_TOLD, small_cells
from schemas.keys import taken_by
from schemas.layout_keys import LAYOUT

LAYOUT_TEXT = (REPOSITORY / "demo_raw/layouts/serial.toml").read_text().replace('"field"', '"marlene"')
LAYOUT_TEXT = LAYOUT_TEXT.replace('kind = "marlene"', 'kind = "field"')


def held(name: str, verdict: str = "accept", **more) -> Held:
    quality = {
        "session": name,
        "participant": "Marlene K",
        "verdict": verdict,
        "duration_s": 100.0,
        "nominal_hz": 125.0,
        "usable": [[10.0, 60.0]] if verdict == "accept_in_part" else [[0.0, 100.0]],
        "clean": [[10.0, 60.0]],
        "whole": [[0.0, 100.0]],
        "reasons": [],
        "measures": [{"name": "clean_s", "value": 50.0}],
        "ledger": {"dumps/strap-7/wedging 12.log": {}},
    }
    known = {
        "name": name,
        "participant": "Marlene K",
        "site": "Kiln Room 2",
        "device": "strap-7",
        "layout": "serial",
        "started_at": datetime(2026, 3, 2, 9, 30, tzinfo=UTC),
        "mains_hz": 50.0,
        "activities": ({"start_s": 0.0, "stop_s": 9.0, "activity": "wedging hard", "intensity": "arm"},),
        "extra": {"age": "34", "note": "hurt her thumb"},
        "quality": quality,
        "review": None,
        "findings": (),
        "samples": {"": Path("samples.parquet")},
        "events": None,
        "dumps": {"serial": ["dumps/strap-7/wedging 12.log"]},
    }
    return Held(**{**known, **more})


def gathered(*sessions: Held) -> Gathered:
    layouts = {"serial": ("ab" * 32, LAYOUT_TEXT)}
    return Gathered(Path("r"), "Her kiln", "Europe/Lisbon", "0", "", "", layouts, sessions or (held("w-12"),))


def names_of(study: Gathered, *keep: str) -> Names:
    texts = [text for _, text in study.layouts.values()]
    classes = {"activity": activities_in(study), "channel": channel_kinds(texts)}
    return Names(study, extended(EMPTY, names_in(study), classes), frozenset(keep))


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("at the upper rail for 12 samples", "at the upper rail for 12 samples"),
        ("", ""),
        ("marlene stood at a rail, marlene2 did not", "field_1 stood at a rail, marlene2 did not"),
        ("'wedging hard' is rest by the log", "'arm-1' is rest by the log"),
        ("wedging hard is rest by the log", WITHHELD),
        ("expected a file; found dumps/strap-7/wedging 12.log", WITHHELD),
        ("strap-7 began anew", WITHHELD),
        ("STRAP-7 began anew", WITHHELD),
        ("strap-70 began anew", "strap-70 began anew"),
        ("in W-12 as well", WITHHELD),
        ("worn by marlene k", WITHHELD),
        ("in the kiln room 2", WITHHELD),
        ("she hurt her thumb", WITHHELD),
        ("since 2026-03-02", WITHHELD),
        ("34 s of 100 s", "34 s of 100 s"),
    ],
)
def test_names_in_sentences(text, told):
    assert names_of(gathered()).text(text) == told


def test_an_activity_that_is_called_like_a_code():
    log = [{"start_s": 0.0, "stop_s": 9.0, "activity": f"arm-{n}", "intensity": "arm"} for n in (1, 2)]
    names = names_of(gathered(held("w-12", activities=tuple(log))))
    codes = names.key.codes["activity"]
    assert (
        names.text("'arm-1' and 'arm-2' look swapped")
        == f"'{codes['arm-1']}' and '{codes['arm-2']}' look swapped"
    )


def test_sentences_are_kept_where_asked_for():
    assert names_of(gathered(), "texts").text("worn by Marlene K") == WITHHELD
    assert names_of(gathered(), "texts").text("she hurt her thumb") == "she hurt her thumb"
    assert names_of(gathered(), "texts", "texts!").text("worn by Marlene K") == "worn by Marlene K"


@pytest.mark.parametrize(
    ("name", "plain"),
    [("field", True), ("acc_x", True), ("acc2_y", True), ("adc_12", True),
     ("acc_x_1", False), ("field_m_k", False), ("field_12_03", False), ("x", False),
     ("1_x", False), ("ch1", True), ("marlene", False),
     ("field_marlene", False), ("sn_48213", False), ("field_2026", False)],
)  # fmt: skip
def test_plain_names_of_channels(name, plain):
    assert is_plain(name) is plain


@pytest.mark.parametrize(
    ("unit", "neutral"),
    [("m/s2", "m/s2"), ("{Marlene}", "1"), ("m[g]", "m[g]"), ("V{rms}", "V"), ("", ""), ("{open", "1")],
)
def test_units_lose_their_annotations(unit, neutral):
    assert neutral_unit(unit) == neutral


def test_a_layout_keeps_shapes_and_numbers_alone():
    names = names_of(gathered())
    for path in (REPOSITORY / "demo_raw/layouts").glob("*.toml"):
        old = tomllib.loads(path.read_text())
        new = tomllib.loads(layout_copy(path.read_text(), names))
        known = {key.name for key in taken_by(LAYOUT, old["framing"])} - {"title"}
        assert set(new) == set(old) & known
        assert [len(f["part"]) for f in new["frame"]] == [len(f["part"]) for f in old["frame"]]
        for mine, theirs in zip(new["channel"], old["channel"], strict=True):
            assert mine == {key: value for key, value in theirs.items() if key != "description"}
        text = layout_copy(path.read_text(), names)
        for word in ("title", "bytes", "value", "epoch", "column", "comment", "invented"):
            assert f"\n{word} =" not in text
        assert layout_copy(path.read_text(), names_of(gathered(), "layouts", "layouts!")) == path.read_text()


def test_instants_are_shifted_by_whole_days():
    assert (
        _shifted_stamp("2026-03-06T12:05:01.500000Z", timedelta(days=-400)) == "2025-01-30T12:05:01.500000Z"
    )
    assert _shifted_stamp("0001-01-02T00:00:00Z", timedelta(days=-400)) is None
    assert _shifted_stamp(None, timedelta(days=-400)) is None


@pytest.mark.parametrize(
    ("verdict", "decision", "wanted", "recording", "parts"),
    [
        ("accept", None, "accepted", True, None),
        ("accept_in_part", None, "accepted", False, None),
        ("accept_in_part", None, "usable", True, ((10.0, 60.0),)),
        ("accept_in_part", None, "all", True, None),
        ("reject", None, "usable", False, None),
        ("reject", None, "all", True, None),
        ("unreadable", None, "all", False, None),
        ("reject", "accept", "accepted", True, None),
        ("accept", "reject", "usable", False, None),
        ("accept", "accept_in_part", "usable", True, ((10.0, 60.0),)),
        ("accept_in_part", "accept", "accepted", True, None),
        ("accept_in_part", "reject", "usable", False, None),
    ],
)
def test_which_samples_go_in_follows_people(verdict, decision, wanted, recording, parts):
    review = {"decision": decision, "reason": "it rained", "followed": True} if decision else None
    (picked,) = choose(gathered(held("w-12", verdict, review=review)), wanted).sessions
    assert (picked.recording, picked.parts) == (recording, parts)


def test_parts_hold_their_start_and_not_their_stop():
    time_s = np.array([-0.5, 0.0, 0.5, 1.0, 1.5, 2.0, 2.5])
    inside = rows_inside(time_s, ((0.0, 1.0), (2.0, 2.5)))
    assert inside.tolist() == [False, True, True, False, False, True, False]


# Small cells


def worn(participant: str, site: str = "L01", device: str = "D01", **extra: str) -> RecodedSession:
    return RecodedSession(
        *("S001", participant, device, site, "layout-1", datetime(2020, 1, 1, tzinfo=UTC), 50.0),
        *((), extra, {}, None, "whole", True, None, ("",), False),
    )


def test_no_small_cell_where_all_are_alike():
    assert small_cells([worn(f"P{n:02d}") for n in range(6)], 5) == ()


def test_small_cells_by_hand():
    people = [worn(f"P{n:02d}", hand="left" if n < 2 else "right") for n in range(7)]
    assert small_cells(people, 2) == ()
    assert small_cells(people, 3) == ("By 'hand': 2 of 7 participants stand in groups of fewer than 3.",)
    # Each by itself has groups of four; together they part them into groups of two.
    crossed = [worn(f"P{n:02d}", site=f"L{n % 2}", hand=str(n % 4 // 2)) for n in range(8)]
    assert small_cells(crossed, 4) == (
        "By site and 'hand': 8 of 8 participants stand in groups of fewer than 4.",
    )


def test_where_somebody_was_over_all_sessions_counts():
    people = [worn(f"P{n:02d}") for n in range(5)]
    assert small_cells([*people, worn("P00", site="L02")], 2) == (
        "By site: 1 of 5 participants stands in groups of fewer than 2, 1 of them alone.",
        "By number of sessions: 1 of 5 participants stands in groups of fewer than 2, 1 of them alone.",
    )


def test_few_participants_are_all_small_cells():
    assert small_cells([], 5) == ()
    assert "There are 2 participants, fewer than 5" in small_cells([worn("P01"), worn("P02")], 5)[0]


def test_of_few_participants_who_stands_alone_is_told_first():
    people = [worn(f"P{n:02d}", hand="left" if n else "right", pots=str(n)) for n in range(3)]
    few, *told = small_cells(people, 5)
    assert few.startswith("There are 3 participants")
    assert told == [
        "By 'pots': 3 of 3 participants stand in groups of fewer than 2, 3 of them alone.",
        "By 'hand': 1 of 3 participants stands in groups of fewer than 2, 1 of them alone.",
    ]


def test_frequencies_of_the_mains_are_rounded():
    names, kept = names_of(gathered()), names_of(gathered(), "mains_hz")
    row = {"name": "mains_hz", "value": 49.9873, "unit": "Hz", "channel": None, "absent": ""}
    line = {"nominal_hz": 50.0, "harmonic": 2, "found_hz": 99.97461, "wander_hz": 0.01, "channel": None}
    line["why"] = ""
    assert _measure(row, names)["value"] == 50.0
    assert _measure(row, kept)["value"] == 49.9873
    assert _line(line, names)["found_hz"] == 100.0
    assert _line(line, kept)["found_hz"] == 99.97461
    assert _measure({**row, "value": None}, names)["value"] is None
    assert _measure({**row, "name": "noise"}, names)["value"] == 49.9873


def test_many_small_cells_are_counted_and_none_names_a_value():
    people = [worn(f"P{n:02d}", **{f"q{i}": f"secret{n}" for i in range(12)}) for n in range(6)]
    told = small_cells(people, 3)
    assert len(told) == MOST_TOLD + 1
    assert told[-1].startswith("2 more")
    assert not [line for line in told if "secret" in line or "P0" in line]


# Recordings


def test_a_recording_is_rewritten_row_group_by_row_group(tmp_path, monkeypatch):
    from pipeline.bundle import parquet

    table = pa.table({"sample": np.arange(3000), "time_s": np.arange(3000) / 100.0})
    pq.write_table(table.replace_schema_metadata({"frames:x": "zq", "sample_hz": "100.0"}), tmp_path / "in.parquet", row_group_size=1000)  # fmt: skip  # noqa: E501
    read = []
    whole = pq.ParquetFile.read_row_group
    monkeypatch.setattr(pq.ParquetFile, "read_row_group", lambda f, i: read.append(i) or whole(f, i))
    session = worn("P01")
    object.__setattr__(session, "parts", ((5.0, 25.0),))
    object.__setattr__(session, "quality", {"made_by": {"dumps": {"dump-1": "ab"}}})
    seen: list[int] = []
    parquet._rewrite(
        *(tmp_path / "in.parquet", tmp_path / "out.parquet", session, names_of(gathered())),
        "samples",
        seen.append,
    )
    assert read == [0, 1, 2]
    assert len(seen) == 3
    out = pq.ParquetFile(tmp_path / "out.parquet")
    assert [out.metadata.row_group(i).num_rows for i in range(3)] == [500, 1000, 500]
    assert b"frames:x" not in out.schema_arrow.metadata
    assert out.schema_arrow.metadata[b"dumps_sha256"] == b"ab  dump-1"
