"""What people decided, on both pages: beside what was computed, and with no two numbers that contradict."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import report_examples as examples
import report_pages as pages
from test_report import Page

from pipeline.report import write_overview
from pipeline.report.flow import flow_of
from pipeline.report.methods import Facts
from pipeline.report.paper import write_paper
from pipeline.report.review import review_of, seen_code
from pipeline.steps.present import _decisions
from pipeline.study import Decision
from pipeline.verdict import builtin_policy

PLAN = (
    ("throw-01", "accept", "reject", "strap over the sleeve"),
    ("throw-02", "accept", None, ""),
    ("kiln-03", "accept_in_part", "accept", "a short splash"),
    ("kiln-04", "reject", "accept_in_part", "the rest is fine"),
    ("kiln-05", "reject", "accept", "decided too early"),
)
STALE = "r00000000-p00000000-a00000000-v0.1"


def quality_of(name: str, verdict: str) -> dict[str, Any]:
    bits = examples.quality_bits(15_150, {"lost": ((0.2, 0.3),)})
    return examples.quality(name, verdict, len(bits), 250.0, bits) | {"margins": examples.margins(verdict)}


QUALITIES = [quality_of(name, verdict) for name, verdict, *_ in PLAN]


def reviews_of(decided: bool = True) -> dict[str, Any]:
    reviews = {}
    for quality, (name, _, what, reason) in zip(QUALITIES, PLAN, strict=True):
        if what and decided:
            seen = STALE if name == "kiln-05" else seen_code(quality)
            reviews[name] = (
                review_of(quality, Decision(name, what, reason, "AB", "2026-03-04", seen, 2)) or {}
            )
    return reviews


def written(folder: Path, decided: bool = True) -> Path:
    reviews = reviews_of(decided)
    verdicts = [quality["verdict"] for quality in QUALITIES]
    run = {**pages.RUN, "counts": {verdict: verdicts.count(verdict) for verdict in set(verdicts)}}
    paper = write_paper(QUALITIES, reviews, Facts(run["study"], "0.1.0", {}, builtin_policy()), folder)
    write_overview(QUALITIES, {}, run, folder, reviews, paper)
    return folder


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(tmp_path_factory.mktemp("decided"))


def text_of(folder: Path) -> str:
    html = (folder / "index.html").read_text(encoding="utf-8")
    shown = html[html.index("<main") : html.index("</main>")]
    return " ".join(re.sub(r"<[^>]+>", " ", shown).replace("\u202f", " ").split())


# ---------------------------------------------------------------- the batch page


def test_the_top_says_the_times_of_the_flow(folder: Path) -> None:
    flow, text = flow_of(QUALITIES, reviews_of()), text_of(folder)
    recorded, usable, analysed = (
        one.time.replace("\u202f", " ") for one in (flow.recorded, flow.accepted, flow.analysed)
    )
    assert f"{recorded} recorded, {usable} of it can be used" in text
    assert f"by the computed verdicts; after 3 decisions by people {analysed} is analysed" in text
    for time in (recorded, usable, analysed):
        assert time in (folder / "flow.txt").read_text(encoding="utf-8").replace("\u202f", " ")


def test_every_tile_counts_sessions_after_decisions_too(folder: Path) -> None:
    """Two of five are analysed whole, one in part, and the two others not: as the flow says."""
    told = re.findall(
        r"(\d) (?:can be used|use in part|do not use|could not be read) (\w+) after decisions: (\d)",
        text_of(folder),
    )
    assert told == [
        ("2", "accept", "2"),
        ("1", "accept_in_part", "1"),
        ("2", "reject", "2"),
        ("0", "unreadable", "0"),
    ]
    flow = flow_of(QUALITIES, reviews_of())
    assert (flow.analysed_whole, flow.analysed_in_part) == (2, 1)


def test_rows_say_what_is_analysed_and_why(folder: Path) -> None:
    rows = re.findall(r"<tr .*?</tr>", (folder / "index.html").read_text(encoding="utf-8"), re.S)
    by_name = {
        m[1]: row
        for row in rows
        if (m := re.search(r'href="([\w-]+)/report.html"', row)) and "c-usable" in row
    }
    assert "analysed: 0\u202f%" in by_name["throw-01"]
    assert "analysed: 100\u202f%" in by_name["kiln-03"]
    assert "analysed: 90\u202f%" in by_name["kiln-04"]
    assert "analysed:" not in by_name["kiln-05"]  # its decision is out of date
    assert "“strap over the sleeve”" in by_name["throw-01"]


def test_margins_and_what_was_left_out_say_what_people_changed(folder: Path) -> None:
    text = text_of(folder)
    assert "After 3 decisions by people, 2 sessions are analysed whole, 1 in part, 2 not." in text
    assert "People left out 1 more and took back all or some of 2" in text
    assert "Of these taken back" in text


def test_without_decisions_nothing_is_said_of_them(tmp_path: Path) -> None:
    text = text_of(written(tmp_path, decided=False))
    for words in ("after decisions", "decided by a person", "taken back", "computed verdicts;"):
        assert words not in text
    assert "data-a=" not in (tmp_path / "index.html").read_text(encoding="utf-8")


def test_the_record_of_the_run_names_decisions_and_nobody() -> None:
    assert _decisions(reviews_of()) == [
        {"session": "kiln-03", "decision": "accept", "stale": False, "followed": True},
        {"session": "kiln-04", "decision": "accept_in_part", "stale": False, "followed": True},
        {"session": "kiln-05", "decision": "accept", "stale": True, "followed": False},
        {"session": "throw-01", "decision": "reject", "stale": False, "followed": True},
    ]


# ---------------------------------------------------------------- the page of a session


def test_a_session_says_in_one_line_what_the_analysis_uses(tmp_path: Path) -> None:
    folder = pages.written(tmp_path)
    decided = Page((folder / "throw-01" / "report.html").read_text(encoding="utf-8")).text
    assert "The analysis uses none of it, by the decision of AB" in decided
    assert "can be used, as computed" in decided
    assert "MovementCan be used, as computed" in decided  # the head of the table of activities
    assert "Decided by AB" in decided
    for name in ("kiln-03", "glaze-01"):  # nobody decided; the decision is out of date
        text = Page((folder / name / "report.html").read_text(encoding="utf-8")).text
        assert "The analysis uses" not in text
        assert "as computed" not in text
        assert "Decided by:" not in text


def test_parts_that_are_analysed_are_named() -> None:
    from pipeline.report.review import session_review

    quality = QUALITIES[3]
    told = session_review(quality, reviews_of()["kiln-04"])["uses"].replace("\u202f", " ")
    assert told == "54.5 s of 1 min 1 s: 0:00.0–0:12.1 and 0:18.2–1:00.6"


# ---------------------------------------------------------------- in a browser


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    yield from pages.started(tmp_path_factory.mktemp("profile"))


def shown(browser: Any) -> set[str]:
    rows = browser.find_elements("css selector", "table.sessions tr[data-u]")
    return {row.find_element("css selector", "th a").text for row in rows if row.is_displayed()}


@pages.NEEDS_BROWSER
@pytest.mark.parametrize(
    ("asked", "expected"),
    [
        ("decided=1", {"throw-01", "kiln-03", "kiln-04", "kiln-05"}),
        ("stale=1", {"kiln-05"}),
        ("q=sleeve", {"throw-01"}),
        ("q=splash&decided=1", {"kiln-03"}),
    ],
)
def test_sessions_are_found_by_what_people_decided(
    browser: Any, folder: Path, asked: str, expected: set[str]
) -> None:
    browser.get("about:blank")
    browser.get(f"{(folder / 'index.html').as_uri()}#{asked}")
    assert shown(browser) == expected


@pages.NEEDS_BROWSER
def test_the_filters_for_decisions_are_buttons_that_keep_the_view_in_the_address(
    browser: Any, folder: Path
) -> None:
    browser.get("about:blank")
    browser.get((folder / "index.html").as_uri())
    button = browser.find_element("css selector", "[data-stale]")
    assert button.text.split() == ["decision", "out", "of", "date", "1"]
    browser.execute_script("arguments[0].click()", button)
    assert shown(browser) == {"kiln-05"}
    assert browser.current_url.endswith("#stale=1")
    assert button.get_attribute("aria-pressed") == "true"


@pages.NEEDS_BROWSER
def test_groups_say_what_is_analysed_as_the_top_does(browser: Any, folder: Path) -> None:
    browser.get("about:blank")
    browser.get(f"{(folder / 'index.html').as_uri()}#group=day")
    told = browser.find_element("css selector", "tr.group").text.replace("\u202f", " ")
    flow = flow_of(QUALITIES, reviews_of())
    share = 100 * flow.analysed.hours / flow.recorded.hours
    assert f"{share:.0f} % analysed after decisions" in told
