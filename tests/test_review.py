"""Decisions of people as review.csv has them: each row checked, and what runs again after one."""

import csv
import io
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from decisions import QUALITY
from workshop import HEADER, WEDGING, make_folder, only, sessions, told
from workshop import faults as faults_of

from pipeline.report.review import HEADER as REVIEW_HEADER
from pipeline.report.review import seen_code, session_review
from pipeline.study import Decision, load_study
from pipeline.workflow import Plan

CODE = "r0123abcd-p0123abcd-a0123abcd-v0.1"
ROW = f"wedging-1,reject,strap worn over the sleeve,AB,2026-03-04,{CODE}\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return make_folder(tmp_path)


def write(folder: Path, *rows: str, header: str = REVIEW_HEADER + "\n") -> None:
    (folder / "review.csv").write_bytes((header + "".join(rows)).encode())


def test_decisions_are_read(folder: Path) -> None:
    write(folder, ROW, 'glazing-1,accept_in_part,"loose, at first",ÅÖ,2026-03-05,\n')
    study = load_study(folder)
    assert study.reviews == {
        "wedging-1": Decision(
            "wedging-1",
            "reject",
            "strap worn over the sleeve",
            "AB",
            "2026-03-04",
            CODE,
            2,
        ),
        "glazing-1": Decision("glazing-1", "accept_in_part", "loose, at first", "ÅÖ", "2026-03-05", "", 3),
    }
    assert folder / "review.csv" in study.own_files


def test_what_was_looked_at_need_not_be_noted(folder: Path) -> None:
    write(folder, "wedging-1,accept,fine,AB,2026-03-04\n", header="session,decision,reason,initials,date\n")
    assert load_study(folder).reviews["wedging-1"].seen == ""


def test_a_study_without_decisions_has_none(folder: Path) -> None:
    assert load_study(folder).reviews == {}
    write(folder)
    assert load_study(folder).reviews == {}


def test_another_file_may_hold_the_decisions(folder: Path) -> None:
    with (folder / "study.toml").open("a") as file:
        file.write('review = "signed.csv"\n')
    only(folder, "study.toml", "key review", "signed.csv", "no such file")
    (folder / "signed.csv").write_text(REVIEW_HEADER + "\n" + ROW)
    assert list(load_study(folder).reviews) == ["wedging-1"]


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ("wedging-1", "wedgin-1", ("column session", "'wedgin-1'", "Did you mean 'wedging-1'?")),
        ("wedging-1", "", ("column session", "a value", "an empty one")),
        (",reject,", ",rejct,", ("column decision", "one of accept", "'rejct'", "Did you mean 'reject'?")),
        (",reject,", ",unreadable,", ("column decision", "one of accept", "'unreadable'")),
        ("strap worn over the sleeve", "", ("column reason", "a value", "an empty one")),
        ("strap worn over the sleeve", "x" * 301, ("column reason", "at most 300", "301", "Shorten")),
        ("strap worn over the sleeve", '"two\nlines"', ("column reason", "one line", "U+000A")),
        ("strap worn over the sleeve", "a\u202eb", ("column reason", "one line", "U+202E")),
        (",AB,", ",,", ("column initials", "a value", "an empty one")),
        (",AB,", ",A very long name,", ("column initials", "at most 12", "16")),
        ("2026-03-04", "4.3.2026", ("column date", "YYYY-MM-DD", "'4.3.2026'", "2026-03-04")),
        ("2026-03-04", "2026-02-30", ("column date", "YYYY-MM-DD", "'2026-02-30'")),
        ("2026-03-04", "20260304", ("column date", "YYYY-MM-DD", "'20260304'")),
        ("2026-03-04", "2026-02-28", ("column date", "not before the recording of 2026-03-02")),
        (CODE, "r0123abcd", ("column seen", "a code such as", "'r0123abcd'", "Copy it")),
    ],
)
def test_every_mistake_is_told_with_its_place(
    folder: Path, old: str, new: str, parts: tuple[str, ...]
) -> None:
    write(folder, ROW.replace(old, new, 1))
    only(folder, "review.csv, line 2, ", *parts)


def test_the_line_of_a_page_is_no_decision_until_it_is_filled_in(folder: Path) -> None:
    write(folder, session_review({**QUALITY, "session": "wedging-1"}, None)["line"] + "\n")
    messages = faults_of(folder)
    told(messages, "line 2, column decision", "'DECISION'")
    told(messages, "line 2, column date", "'YYYY-MM-DD'")


def test_two_decisions_about_a_session_are_one_too_many(folder: Path) -> None:
    write(folder, ROW, ROW.replace("reject", "accept"))
    only(folder, "review.csv, line 3, column session", "one decision", "first is on line 2")


def test_a_misspelt_optional_column_is_told_and_others_are_the_readers_own(folder: Path) -> None:
    write(folder, ROW, header=REVIEW_HEADER.replace("seen", "sean") + "\n")
    only(folder, "review.csv, line 1", "a column 'seen'", "'sean'")
    write(folder, ROW, header=REVIEW_HEADER.replace("seen", "looked up") + "\n")
    assert load_study(folder).reviews["wedging-1"].seen == ""


def test_faults_of_both_tables_are_told_in_one_pass(folder: Path) -> None:
    sessions(folder, WEDGING.replace("2026-03-02", "2026-02-30"), header=HEADER)
    write(folder, ROW.replace("wedging-1", "firing-9"), ROW.replace("AB", " AB"))
    messages = faults_of(folder)
    told(messages, "sessions.csv", "started_at")
    told(messages, "review.csv, line 2, column session", "'firing-9'")
    told(messages, "review.csv, line 3, column initials", "without blanks")
    assert len(messages) == 3


def test_a_filled_in_line_loads(folder: Path) -> None:
    line = session_review({**QUALITY, "session": "wedging-1"}, None)["line"]
    for blank, value in (
        ("DECISION", "reject"),
        ("REASON", "loose"),
        ("INITIALS", "AB"),
        ("YYYY-MM-DD", "2026-03-04"),
    ):
        line = line.replace(blank, value)
    write(folder, line + "\n")
    assert load_study(folder).reviews["wedging-1"].seen == seen_code(QUALITY)
    assert next(csv.reader(io.StringIO(REVIEW_HEADER))) == [
        "session",
        "decision",
        "reason",
        "initials",
        "date",
        "seen",
    ]


def test_a_decision_changes_what_pages_and_tables_depend_on_and_nothing_else(
    folder: Path, tmp_path: Path
) -> None:
    def facts() -> dict[str, Any]:
        plan = Plan.of(str(folder), str(tmp_path / "results"), "")
        steps = (plan.origin, plan.surroundings, plan.circumstances)
        found: dict[str, Any] = {"files": plan.files, "reviews": plan.reviews}
        for name in plan.jobs:
            wildcards = SimpleNamespace(session=name)
            found[name] = [step(wildcards) for step in steps]
            found[f"page of {name}"] = plan.review(wildcards)
        return found

    def changed(before: dict[str, Any], after: dict[str, Any]) -> set[str]:
        return {key for key in before if before[key] != after[key]}

    before = facts()
    write(folder, ROW)
    decided = facts()
    assert changed(before, decided) == {"reviews", "page of wedging-1"}
    write(folder, "\n", ROW)
    assert changed(decided, facts()) == set()  # the line on which it stands shows nowhere
    write(folder, ROW.replace("sleeve", "glove"))
    assert changed(decided, facts()) == {"reviews", "page of wedging-1"}
