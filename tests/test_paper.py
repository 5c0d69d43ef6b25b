"""The flow adds up at each step, whatever the study, and picture and text say the same.

Checked against STROBE (von Elm et al. 2007, PLoS Med 4:e296), items 13a (numbers at each stage), 13b (reasons
at each stage) and 13c (a flow diagram), and CONSORT 2010 (Schulz et al. 2010, BMJ 340:c332), items 13a and
13b, and figure 1, whose boxes for exclusions hang beside the way with a count for each reason.
"""

import re
from itertools import pairwise
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from paper_examples import BATCH, FACTS, STUDY, quality_of, reviewed
from test_report import Page, parsed

from pipeline.report.flow import Flow, flow_of
from pipeline.report.methods import Facts, methods_text
from pipeline.report.paper import boxes, flow_svg, flow_text, write_paper
from pipeline.report.parts import templates
from pipeline.steps.tables import exclusions
from pipeline.verdict import builtin_policy

HOSTILE = "</text><script>alert(1)</script><img src=x onerror=alert(1)>\u0001\ufffe&amp;"


def seconds(words: str) -> float:
    sizes = {"h": 3600, "min": 60, "s": 1}
    return sum(float(n) * sizes[unit] for n, unit in re.findall(r"([\d.]+)\s(h|min|s)\b", words))


VERDICTS = ("accept", "accept_in_part", "reject", "unreadable")
SESSION = st.tuples(
    st.sampled_from(VERDICTS),
    st.floats(1.0, 90_000.0),
    st.floats(0.0, 1.0),
    st.integers(1, 4),
    st.sampled_from((None, "accept", "accept_in_part", "reject")),
    st.sampled_from(("now", "", "r00000000-p00000000-a00000000-v0.0")),
)


@st.composite
def studies(draw: Any) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    """Sessions of any verdict and length, some of them decided by a person, some of these stale."""
    qualities, reviews = [], {}
    for i, (verdict, duration_s, used, who, decision, seen) in enumerate(
        draw(st.lists(SESSION, max_size=12))
    ):
        quality = quality_of(f"kiln-{i}", verdict, 60.0, used, participant=f"p{who}")
        if verdict != "unreadable":
            scale = duration_s / 60.0
            quality["duration_s"] = duration_s
            for key in ("usable", "clean", "whole"):
                quality[key] = [[a * scale, b * scale] for a, b in quality[key]]
            quality["left_out"] = [
                {**part, "start_s": part["start_s"] * scale, "stop_s": part["stop_s"] * scale}
                for part in quality["left_out"]
            ]
        qualities.append(quality)
        if decision:
            reviews |= reviewed([quality], {f"kiln-{i}": decision}, None if seen == "now" else seen)
    return qualities, reviews


# ---------------------------------------------------------------- the steps add up


@given(studies())
@settings(max_examples=60, deadline=None)
def test_the_steps_sum_in_sessions(study: Any) -> None:
    """STROBE 13a, CONSORT 13a: who leaves at a step and who stays are together who came to it."""
    flow = flow_of(*study)
    assert flow.recorded.sessions == len(study[0]) == flow.unreadable.sessions + flow.read.sessions
    assert flow.read.sessions == flow.rejected.sessions + flow.accepted.sessions
    assert flow.accepted.sessions == flow.whole + flow.in_part
    left_out, taken_back = flow.left_out.sessions, flow.taken_back.sessions
    assert flow.accepted.sessions - left_out + taken_back == flow.analysed.sessions
    assert flow.analysed.sessions == flow.analysed_whole + flow.analysed_in_part
    assert flow.analysed.participants <= flow.recorded.participants
    assert 0 <= flow.confirmed <= flow.decided == len(study[1])


@given(studies())
@settings(max_examples=60, deadline=None)
def test_the_steps_sum_in_time_as_shown(study: Any) -> None:
    flow = flow_of(*study)
    s = {
        name: seconds(getattr(flow, name).time)
        for name in Flow.__annotations__
        if hasattr(getattr(flow, name), "time")
    }
    assert s["recorded"] == pytest.approx(s["read"] + s["unreadable"], abs=1e-6)
    assert s["read"] == pytest.approx(s["rejected"] + s["cut"] + s["accepted"], abs=1e-6)
    moved = s["taken_back"] + s["extended"] - s["left_out"] - s["shortened"]
    assert s["analysed"] == pytest.approx(s["accepted"] + moved, abs=1e-6)
    assert s["recorded"] == pytest.approx(sum(q["duration_s"] for q in study[0]), abs=0.5)
    assert flow.recorded.hours == pytest.approx(sum(q["duration_s"] for q in study[0]) / 3600)


@given(studies())
@settings(max_examples=60, deadline=None)
def test_reasons_at_each_step_sum_to_those_who_left(study: Any) -> None:
    """STROBE 13b, CONSORT 13b: each session that left is counted under one reason."""
    flow = flow_of(*study)
    for count, reasons in (
        (flow.unreadable, flow.unreadable_by),
        (flow.rejected, flow.rejected_by),
        (flow.left_out, flow.left_out_by),
        (flow.taken_back, flow.taken_back_by),
    ):
        assert sum(n for _, n in reasons) == count.sessions
        assert list(reasons) == sorted(reasons, key=lambda r: (-r[1], r[0]))


@given(studies())
@settings(max_examples=40, deadline=None)
def test_the_flow_agrees_with_the_exclusions(study: Any) -> None:
    """What the table of exclusions leaves out, and what is analysed, are together what was recorded."""
    qualities, reviews = study
    for quality in qualities:
        rows = exclusions(quality, reviews.get(quality["session"]))
        if any(row["start_s"] is None for row in rows):
            continue
        alone = flow_of([quality], reviews)
        out_s = sum(row["stop_s"] - row["start_s"] for row in rows if row["kept_by_review"] == "no")
        assert out_s + alone.analysed.hours * 3600 == pytest.approx(quality["duration_s"], abs=0.01)


@given(studies())
@settings(max_examples=60, deadline=None)
def test_no_figure_of_the_verdicts_depends_on_decisions(study: Any) -> None:
    """Up to what is accepted the flow is that of the verdicts: rounding must not carry a decision into it."""
    qualities, reviews = study
    decided, alone = flow_of(qualities, reviews), flow_of(qualities, {})
    for name in ("recorded", "unreadable", "read", "rejected", "cut", "accepted"):
        assert getattr(decided, name) == getattr(alone, name)


@given(studies())
@settings(max_examples=60, deadline=None)
def test_a_time_that_is_not_the_nearest_is_said_to_be_rounded(study: Any) -> None:
    flow = flow_of(*study)
    for name in ("recorded", "read", "rejected", "cut", "accepted", "left_out", "taken_back", "analysed"):
        count = getattr(flow, name)
        step_s = 1.0 if flow.recorded.hours * 3600 >= 59.95 else 0.1
        off_s = abs(seconds(count.time) - count.hours * 3600)
        assert off_s < 3 * step_s
        assert count.rounded or off_s <= step_s / 2 + 1e-6
    assert flow_text(flow, STUDY).count(", rounded") <= 9


def test_a_sum_that_is_off_by_one_says_so() -> None:
    """Of 61.0 s, 30.5 s are cut and 30.5 s used: both cannot be shown rounded up."""
    quality = quality_of("throw-01", "accept_in_part", 61.0, 0.5)
    flow = flow_of([quality], {})
    assert {flow.cut.time, flow.accepted.time} == {"30\u202fs", "31\u202fs"}
    assert flow.cut.rounded + flow.accepted.rounded == 1


@given(studies())
@settings(max_examples=30, deadline=None)
def test_order_and_repetition_change_no_byte(study: Any) -> None:
    qualities, reviews = study
    if not qualities:
        return
    both = [flow_of(each, reviews) for each in (qualities, qualities[::-1])]
    assert flow_svg(both[0], STUDY) == flow_svg(both[1], STUDY)
    assert flow_text(both[0], STUDY) == flow_text(both[1], STUDY)
    assert methods_text(qualities, reviews, both[0], FACTS) == methods_text(
        qualities[::-1], reviews, both[1], FACTS
    )


# ---------------------------------------------------------------- what decisions change


def test_decisions_move_sessions_between_verdict_and_analysis() -> None:
    decisions = {
        "throw-01": "reject",
        "throw-02": "accept_in_part",
        "kiln-03": "accept",
        "kiln-04": "accept_in_part",
    }
    flow = flow_of(BATCH, reviewed(BATCH, decisions))
    assert (flow.whole, flow.in_part, flow.rejected.sessions, flow.unreadable.sessions) == (2, 1, 1, 1)
    assert (flow.left_out.sessions, flow.taken_back.sessions) == (1, 1)
    assert (flow.shortened.sessions, flow.extended.sessions) == (1, 1)
    assert (flow.analysed_whole, flow.analysed_in_part) == (1, 2)
    assert flow.left_out_by == flow.taken_back_by == (("strap over the sleeve", 1),)
    # 42 s clean of throw-02, all 100 s of kiln-03, 20 s clean of kiln-04
    assert seconds(flow.analysed.time) == 42 + 100 + 20
    assert flow.confirmed == 0


def test_a_decision_that_says_the_same_changes_nothing() -> None:
    same = {q["session"]: q["verdict"] for q in BATCH if q["verdict"] != "unreadable"}
    alone, decided = flow_of(BATCH, {}), flow_of(BATCH, reviewed(BATCH, same))
    assert decided.analysed == alone.analysed
    assert decided.confirmed == 4


def test_stale_decisions_are_counted_and_not_followed() -> None:
    flow = flow_of(BATCH, reviewed(BATCH, {"throw-01": "reject"}, "r00000000-p00000000-a00000000-v0.0"))
    assert flow.stale == 1
    assert flow.analysed == flow_of(BATCH, {}).analysed
    assert "1 decision not followed" in flow_text(flow, STUDY)


def test_accepted_sessions_alone_lose_nothing() -> None:
    flow = flow_of([quality_of("throw-01", "accept", 61.7)], {})
    assert (seconds(flow.recorded.time), seconds(flow.cut.time), seconds(flow.analysed.time)) == (62, 0, 62)


def test_a_session_that_could_not_be_read_has_its_reason() -> None:
    """STROBE 13b: that it failed is no reason; what was found instead is."""
    assert flow_of(BATCH, {}).unreadable_by == (("found none in 74,112 bytes", 1),)


# ---------------------------------------------------------------- picture and text


def test_picture_and_text_say_the_same() -> None:
    """STROBE 13c, CONSORT figure 1: each step, and each reason with its count, in picture and text alike."""
    flow = flow_of(BATCH, reviewed(BATCH, {"throw-01": "reject"}))
    picture = " ".join("".join(parsed(flow_svg(flow, STUDY)).itertext()).split())
    text = " ".join(flow_text(flow, STUDY).split())
    for box in boxes(flow):
        assert box.title.replace("\u202f", " ") in text
        assert " ".join(box.title.split()) in picture
        for label, number in box.rows:
            assert f"{number} {label}".replace("\u202f", " ") in text
            assert label in picture


def test_boxes_do_not_overlap_and_stay_in_the_picture() -> None:
    svg = parsed(
        flow_svg(flow_of(BATCH, reviewed(BATCH, {"throw-01": "reject", "kiln-04": "accept"})), STUDY)
    )
    height = float(svg.attrib["viewBox"].split()[3])
    rects = [element for element in svg.iter() if element.tag.endswith("rect")]
    edges = [(float(r.attrib["y"]), float(r.attrib["y"]) + float(r.attrib["height"])) for r in rects]
    assert all(below[0] > above[1] for above, below in pairwise(edges))
    assert edges[-1][1] < height


def test_many_and_long_reasons_are_shortened_in_the_picture_only() -> None:
    qualities = [quality_of(f"throw-{i:02d}", "accept") for i in range(20)]
    reviews = reviewed(qualities, {q["session"]: "reject" for q in qualities})
    for i, review in enumerate(reviews.values()):
        review["reason"] = f"reason {i:02d} " + "x" * 200
    flow = flow_of(qualities, reviews)
    assert "12 more: see flow.txt" in flow_svg(flow, STUDY)
    assert max(len(t) for t in parsed(flow_svg(flow, STUDY)).itertext() if t.startswith("reason")) <= 36
    assert all(f"reason {i:02d} " + "x" * 200 in flow_text(flow, STUDY) for i in range(20))


def test_letters_of_double_width_take_the_room_of_two() -> None:
    reviews = reviewed(BATCH, {"throw-01": "reject"})
    reviews["throw-01"]["reason"] = "\u7a91" * 60
    labels = re.findall("\u7a91+", flow_svg(flow_of(BATCH, reviews), STUDY))
    assert [len(label) for label in labels] == [17, 17, 17, 9]


def test_free_text_does_no_harm(tmp_path: Path) -> None:
    reviews = reviewed(BATCH, {"throw-01": "reject"})
    reviews["throw-01"]["reason"] = HOSTILE
    facts = Facts(HOSTILE, "0.1.0", {HOSTILE: "ab" * 32}, builtin_policy())
    paper = write_paper(BATCH, reviews, facts, tmp_path)
    svg = parsed((tmp_path / "flow.svg").read_text(encoding="utf-8"))
    assert not [e.tag for e in svg.iter() if e.tag.endswith(("script", "img"))]
    template = templates().from_string('{% from "paper.html" import paper_section %}{{ paper_section(p) }}')
    page = Page(template.render(p=paper))
    assert not {"script", "img"} & set(page.tags)
    for name in ("flow.txt", "methods.txt"):
        assert "\u0001" not in (tmp_path / name).read_text(encoding="utf-8"), name
    assert (tmp_path / "methods.txt").read_text(encoding="utf-8").count("\n") == 1


def test_an_empty_study_has_a_flow() -> None:
    assert isinstance(parsed(flow_svg(flow_of([], {}), STUDY)), ElementTree.Element)


def test_the_batch_page_has_the_paper(tmp_path: Path) -> None:
    reviews = reviewed(BATCH, {"throw-01": "reject"}, "r00000000-p00000000")
    paper = write_paper(BATCH, reviews, FACTS, tmp_path)
    template = templates().from_string('{% from "paper.html" import paper_section %}{{ paper_section(p) }}')
    page = Page(template.render(p=paper))
    assert {"flow.svg", "flow.txt", "methods.txt", "exclusions.csv", "throw-01/report.html#review"} <= set(
        page.hrefs
    )
    assert (tmp_path / "methods.txt").read_text(encoding="utf-8").strip() in page.text
    assert len(page.ids) == len(set(page.ids))


@pytest.mark.parametrize(
    ("reason", "whole"),
    [
        ("the strap slipped off while the wearer carried boards from the kiln room and back again", True),
        ("x" * 500, False),
    ],
)
def test_long_reasons_are_wrapped_in_the_picture(reason: str, whole: bool) -> None:
    reviews = reviewed(BATCH, {"throw-01": "reject"})
    reviews["throw-01"]["reason"] = reason
    lines = [t.strip() for t in parsed(flow_svg(flow_of(BATCH, reviews), STUDY)).itertext()]
    shown = [line for line in lines if len(line) > 9 and line.rstrip("…") in reason]
    assert (" ".join(shown) == reason) == whole
    assert 2 < len(shown) <= 4
    assert all(len(line) <= 36 for line in shown)
