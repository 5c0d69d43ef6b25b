"""A decision of a person: about what was looked at, and beside the verdict in tables and on pages."""

import copy
import csv
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from decisions import OTHER, QUALITY, decision, quality_of
from hypothesis import given
from hypothesis import strategies as st
from test_report import Page

from pipeline.report.analysed import analysed_of
from pipeline.report.parts import templates
from pipeline.report.review import review_of, seen_code, session_review
from pipeline.steps.tables import exclusions, session_row, write_tables
from pipeline.study import Decision

# ---------------------------------------------------------------- what was looked at


def test_a_decision_about_what_is_there_is_not_stale() -> None:
    review = review_of(QUALITY, decision(QUALITY))
    assert review is not None
    assert (review["stale"], review["why"], review["followed"]) == (False, "", True)


@pytest.mark.parametrize(
    ("change", "why"),
    [
        (lambda made: made["dumps"].update({"dumps/kiln.bin": "00" * 32}), "The recording or its layout has"),
        (
            lambda made: made["dumps"].update({"dumps/kiln-b.bin": "00" * 32}),
            "The recording or its layout has",
        ),
        (lambda made: made.update(layout_sha256="00" * 32), "The recording or its layout has changed"),
        (lambda made: made.update(policy_sha256="00" * 32), "The policy has changed"),
        (
            lambda made: made.update(policy_sha256="00" * 32, layout_sha256="00" * 32),
            "The recording or its layout and the policy have changed",
        ),
        (lambda made: made.update(activities_sha256="00" * 32), "The activity log has changed"),
        (lambda made: made.update(version="0.2.0"), "The version of sessiongate has changed"),
        (
            lambda made: made.update(version="1.1.0", activities_sha256="", policy_sha256="00" * 32),
            "The policy, the activity log and the version of sessiongate have changed",
        ),
    ],
)
def test_a_decision_about_something_else_is_stale_and_not_followed(change: Any, why: str) -> None:
    changed = copy.deepcopy(QUALITY)
    change(changed["made_by"])
    review = review_of(changed, decision(QUALITY))
    assert review is not None
    assert (review["stale"], review["followed"]) == (True, False)
    assert review["why"].startswith(why)


def test_a_mended_version_of_the_program_makes_no_decision_stale() -> None:
    """Versions whose first two numbers are the same judge the same (Semantic Versioning 2.0.0, item 6)."""
    changed = copy.deepcopy(QUALITY) | {"sentence": "", "measures": []}
    changed["made_by"]["version"] = "0.1.9"
    assert seen_code(changed) == seen_code(QUALITY)


def test_without_a_code_nobody_can_tell() -> None:
    review = review_of(QUALITY, decision(QUALITY, seen=""))
    assert review is not None
    assert (review["stale"], review["followed"]) == (None, True)
    assert "nobody can tell" in review["why"]


def test_an_older_code_tells_of_what_it_covers() -> None:
    recording, policy, *_ = seen_code(QUALITY).split("-")
    review = review_of(QUALITY, decision(QUALITY, seen=f"{recording}-{policy}"))
    assert review is not None
    assert (review["stale"], review["followed"]) == (None, True)
    assert "the activity log and the version of sessiongate" in review["why"]
    review = review_of(QUALITY, decision(QUALITY, seen=f"{recording}-p00000000"))
    assert review is not None
    assert (review["stale"], review["followed"]) == (True, False)
    assert review["why"].startswith("The policy has changed")


@pytest.mark.parametrize("what", ["accept", "accept_in_part"])
def test_what_could_not_be_read_cannot_be_used(what: str) -> None:
    quality = quality_of("unreadable")
    review = review_of(quality, decision(quality, what))
    assert review is not None
    assert not review["followed"]
    assert "Nothing could be read" in review["why"]


def test_no_part_can_be_used_where_none_is_clean() -> None:
    quality = {**quality_of("reject"), "clean": []}
    review = review_of(quality, decision(quality, "accept_in_part"))
    assert review is not None
    assert not review["followed"]
    assert "No stretch is clean" in review["why"]


def test_the_code_is_no_number_for_a_spreadsheet() -> None:
    assert seen_code(QUALITY)[0] == "r"
    assert seen_code(QUALITY).endswith("-v0.1")


# ---------------------------------------------------------------- tables


def tables(folder: Path, qualities: list[dict[str, Any]], decisions: list[Decision]) -> dict[str, list[Any]]:
    by_name = {d.session: d for d in decisions}
    reviews = {q["session"]: review_of(q, by_name.get(q["session"])) for q in qualities}
    write_tables(qualities, {k: r for k, r in reviews.items() if r is not None}, {}, folder)
    read = {}
    for name in ("sessions", "exclusions"):
        with (folder / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            read[name] = list(csv.DictReader(file))
    return read


def test_the_decision_stands_beside_the_verdict_in_the_tables(tmp_path: Path) -> None:
    qualities = [
        quality_of("accept", "throw-01"),
        quality_of("reject", "kiln-01"),
        quality_of("accept", "throw-02"),
    ]
    decided = [decision(qualities[0]), decision(qualities[1], "accept", seen="")]
    rows = tables(tmp_path, qualities, decided)["sessions"]
    assert [row["verdict"] for row in rows] == ["accept", "reject", "accept"]
    assert [row["review_decision"] for row in rows] == ["reject", "accept", ""]
    assert [row["review_stale"] for row in rows] == ["no", "unknown", ""]
    assert [row["review_reason"] for row in rows] == ["strap over the sleeve"] * 2 + [""]
    assert [row["analysed"] for row in rows] == ["no", "whole", "whole"]
    in_parquet = pq.read_table(tmp_path / "sessions.parquet").to_pylist()
    assert [row["review_decision"] for row in in_parquet] == ["reject", "accept", None]


def test_a_session_that_a_person_left_out_is_an_exclusion() -> None:
    quality = quality_of("accept")
    [row] = exclusions(quality, review_of(quality, decision(quality)))
    assert (row["verdict"], row["start_s"], row["stop_s"], row["reason"]) == ("accept", 0.0, 60.0, "review")
    assert row["explanation"] == "left out by AB on 2026-03-04: strap over the sleeve"
    assert row["kept_by_review"] == "no"


@pytest.mark.parametrize("verdict", ["accept", "accept_in_part", "reject"])
@pytest.mark.parametrize("what", ["accept", "accept_in_part", "reject"])
@pytest.mark.parametrize("seen", [None, OTHER])
def test_exclusions_and_what_is_analysed_are_the_whole_session(
    verdict: str, what: str, seen: str | None
) -> None:
    quality = quality_of(verdict)
    review = review_of(quality, decision(quality, what, seen=seen))
    rows = exclusions(quality, review)
    out = [[row["start_s"], row["stop_s"]] for row in rows if row["kept_by_review"] == "no"]
    parts = sorted([*out, *analysed_of(quality, review)])
    assert [start for start, _ in parts] == pytest.approx([0.0, *(stop for _, stop in parts[:-1])])
    assert parts[-1][1] == pytest.approx(quality["duration_s"])
    assert session_row(quality, review)["analysed_s"] == pytest.approx(
        quality["duration_s"] - sum(stop - start for start, stop in out)
    )


def test_what_a_person_left_out_and_what_the_verdict_left_out_are_told_apart() -> None:
    quality = quality_of("accept_in_part")
    rows = exclusions(quality, review_of(quality, decision(quality)))
    assert {row["reason"] for row in rows} == {"saturated_fraction", "review"}
    assert {row["kept_by_review"] for row in rows} == {"no"}


def test_what_a_person_took_back_says_so() -> None:
    """Of a rejected minute whose seconds 12 to 18 were lost, the clean stretches come back, or all of it."""
    quality = quality_of("reject")
    spans = {
        "accept": [("yes", 0.0, 60.0)],
        "accept_in_part": [("yes", 0.0, 12.0), ("no", 12.0, 18.0), ("yes", 18.0, 60.0)],
        "reject": [("no", 0.0, 60.0)],
    }
    for what, expected in spans.items():
        rows = exclusions(quality, review_of(quality, decision(quality, what)))
        assert [(r["kept_by_review"], r["start_s"], r["stop_s"]) for r in rows] == expected
        assert {row["reason"] for row in rows} == {"contact_loss_fraction"}
        back = [row["explanation"] for row in rows if row["kept_by_review"] == "yes"]
        assert all("; taken back by AB on 2026-03-04: strap over the sleeve" in text for text in back)
        if what == "accept_in_part":
            assert all(row["explanation"].startswith("of 0.0 to 60.0 s: ") for row in rows)


def test_the_table_says_which_seconds_are_analysed() -> None:
    """Usable intervals are those of the verdict; what is analysed follows the decision."""
    quality = quality_of("reject")
    row = session_row(quality, review_of(quality, decision(quality, "accept_in_part")))
    assert (row["usable_intervals"], row["analysed_intervals"]) == ("", "0.00-12.00;18.00-60.00")
    assert row["analysed_s"] == pytest.approx(54.0)
    assert session_row(quality, None)["analysed_intervals"] == ""
    assert session_row(quality, None)["analysed_s"] == 0.0


def test_a_stale_decision_excludes_nothing() -> None:
    quality = quality_of("accept")
    assert exclusions(quality, review_of(quality, decision(quality, seen=OTHER))) == []


@pytest.mark.parametrize("text", ["=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "\uff1d1+1", " =1"])
def test_no_reason_is_a_formula(tmp_path: Path, text: str) -> None:
    """OWASP, "CSV Injection": cells that begin with =, +, - or @ are computed; an apostrophe stops that."""
    quality = quality_of("accept")
    rows = tables(tmp_path, [quality], [decision(quality, reason=text)])["sessions"]
    assert rows[0]["review_reason"] == "'" + text
    assert pq.read_table(tmp_path / "sessions.parquet").to_pylist()[0]["review_reason"] == text


@pytest.mark.parametrize("text", ["-1", "+A", "- none", "P01", "1-2"])
def test_codes_that_compute_nothing_stay_as_they_are(tmp_path: Path, text: str) -> None:
    quality = quality_of("accept") | {"participant": text}
    assert tables(tmp_path, [quality], [])["sessions"][0]["participant"] == text


@given(st.text(max_size=30))
def test_no_text_begins_as_a_formula(text: str) -> None:
    from pipeline.steps.tables import _no_formula

    shown = _no_formula(text)
    assert shown.removeprefix("'") == text.removeprefix("'") or shown == "'" + text
    assert not shown.startswith(("=", "@", "\t", "\r"))
    assert shown == text or shown == "'" + text


# ---------------------------------------------------------------- page


def shown(quality: dict[str, Any], decided: Decision | None) -> str:
    template = templates().from_string(
        '{% from "review.html" import session_review %}{{ session_review(r) }}'
    )
    return template.render(r=session_review(quality, review_of(quality, decided)))


def test_the_page_shows_verdict_decision_and_a_line_to_copy() -> None:
    text = Page(shown(QUALITY, decision(QUALITY))).text
    assert "use in part" in text
    assert "Decided by AB, 2026-03-04" in text
    assert "do not use" in text
    assert f"kiln-03,DECISION,REASON,INITIALS,YYYY-MM-DD,{seen_code(QUALITY)}" in text
    assert "Out of date" not in text
    assert "No person has decided" in Page(shown(QUALITY, None)).text


def test_the_page_points_out_a_stale_decision() -> None:
    seen = "-".join(["r00000000", *seen_code(QUALITY).split("-")[1:]])
    text = Page(shown(QUALITY, decision(QUALITY, seen=seen))).text
    assert "Out of date" in text
    assert "The recording or its layout has changed since it was decided" in text


def test_text_of_a_decision_does_no_harm() -> None:
    hostile = "</dd><script>alert(1)</script><img src=x onerror=alert(1)>"
    page = Page(shown(QUALITY, decision(QUALITY, reason=hostile, initials="<b>AB")))
    assert "script" not in page.tags
    assert "img" not in page.tags
    assert hostile in page.text
