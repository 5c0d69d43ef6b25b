"""What pages and margins.csv say of how close verdicts are to turning. All sessions are invented."""

from dataclasses import asdict
from typing import Any

import pytest
from test_margins import POLICY, own, session

from pipeline.report.margins import margin_rows, move_words, session_margins, study_margins
from pipeline.report.parts import templates
from pipeline.report.words import THIN
from pipeline.verdict import Policy
from pipeline.verdict.judge import judge, unreadable
from pipeline.verdict.margins import margins
from schemas.columns import MARGINS

HOSTILE = '<img src=x onerror="alert(1)">'
PAGE = (
    '{% from "margins.html" import session_margins, study_margins %}'
    "{% if study %}{{ study_margins(m) }}{% else %}{{ session_margins(m) }}{% endif %}"
)


def quality(name: str = "kiln-01", policy: Policy = POLICY, **given: float | None) -> dict[str, Any]:
    """What quality.json says of a session whose measures are `given`, see `session`."""
    verdict = judge(*session(**given), policy)  # type: ignore[arg-type]
    return {"session": name, "verdict": verdict.name, "margins": asdict(margins(verdict, policy))}


def unread(name: str = "kiln-09") -> dict[str, Any]:
    verdict = unreadable("the dump is empty")
    return {"session": name, "verdict": verdict.name, "margins": asdict(margins(verdict, POLICY))}


def shown(one: dict[str, Any]) -> dict[str, Any]:
    view = session_margins(one)
    assert view is not None
    return view


def said(one: dict[str, Any]) -> tuple[str, str]:
    view = shown(one)
    return view["sentence"].replace(THIN, " "), view["together"].replace(THIN, " ")


def rendered(view: Any, study: bool = False) -> str:
    return templates().from_string(PAGE).render(m=view, study=study)


@pytest.mark.parametrize(
    ("given_", "nearest", "together"),
    [
        (
            {"lost_fraction": 0.036},
            "The nearest limit is ‘Samples lost’, at most 5 %: below 3.6 % (28 % lower), the verdict would "
            "be ‘use in part’.",
            "With all limits moved together it would be ‘use in part’ at 50 % stricter.",
        ),
        (
            {"lost_fraction": 0.06},
            "The nearest limit is ‘Samples lost’, at most 5 %: at 6 % or more (20 % higher), the verdict "
            "would be ‘can be used’.",
            "With all limits moved together it would be ‘can be used’ from 20 % looser on.",
        ),
        (
            {"lost_fraction": 0.0, "faulty_s": 10.0},
            "The nearest limit is ‘Clean share, to use it whole’, at least 90 %: above 95 % (5.6 % higher), "
            "the verdict would be ‘use in part’.",
            "With all limits moved together it would be ‘use in part’ from 10 % stricter on.",
        ),
        (
            {"lost_fraction": 0.8, "faulty_s": 160.0},
            "The nearest limit is ‘Clean share, to use any of it’, at least 25 %: at 20 % or less (20 % "
            "lower), the verdict would be ‘use in part’.",
            "With all limits moved together it would be ‘use in part’ from 20 % looser on.",
        ),
        (
            {"longest_gap_s": 1.0},
            "No single limit is near turning it. The nearest is ‘Longest gap’, at most 5 s: below 1 s (80 % "
            "lower), the verdict would be ‘use in part’.",
            "All limits moved together by up to 50 % either way do not turn it, nor does any of them alone.",
        ),
        (
            {"faulty_s": 200.0},
            "No single limit turns the verdict, wherever it is put: it stays ‘do not use’.",
            "All limits moved together by up to 50 % either way do not turn it, nor does any of them alone.",
        ),
    ],
)
def test_sentences(given_: dict[str, float], nearest: str, together: str) -> None:
    assert said(quality(**given_)) == (nearest, together)


def test_what_could_not_be_read_has_a_sentence_and_no_picture() -> None:
    assert said(unread()) == ("No limit decided: nothing could be read.", "")
    html = rendered(session_margins(unread()))
    assert "No limit decided" in html
    assert "<table" not in html


def test_values_stand_on_one_scale() -> None:
    view = shown(
        quality(
            faulty_s=38.0,
            lost_fraction=0.05,
            longest_gap_s=12.0,
            mains_fraction=0.075,
            settling_fraction=0.01,
            contact_loss_fraction=None,
            stuck_fraction=0.0,
        )
    )
    at = {row["title"]: (row["at"], row["beyond"], row["off"]) for row in view["rows"]}
    assert at == {
        "Samples lost": (50.0, False, False),
        "Longest gap": (100.0, True, True),
        "Mains above limit": (75.0, True, False),
        "Settling": (10.0, False, False),
        "Electrode off": (None, False, False),
        "Clean share, to use it whole": (55.0, True, False),  # 81 % is a tenth less than 90 %
        "Clean time, to use any of it": (0.0, False, False),  # 162 s are more than twice 30 s
        "Clean share, to use any of it": (0.0, False, False),
    }
    assert view["none"] == ["Stuck"]
    assert [row["title"] for row in view["rows"] if row["nearest"]] == ["Clean share, to use any of it"]


def test_all_clean_and_limits_of_zero_have_a_place() -> None:
    policy = own(lost_fraction=0.0, stuck_fraction=0.0, least_usable_s=0.0)
    rows = {
        r["title"]: r for r in shown(quality(policy=policy, lost_fraction=0.1, stuck_fraction=0.0))["rows"]
    }
    assert rows["Clean share, to use it whole"]["at"] == 0.0
    assert rows["Clean share, to use it whole"]["turning"] == "all of it is clean, so no limit turns it"
    assert rows["Samples lost"]["at"] == 100.0
    assert rows["Clean time, to use any of it"]["at"] == 0.0


def test_verdicts_of_every_move_in_order() -> None:
    moves = shown(quality(lost_fraction=0.046))["moves"]
    assert [(m["factor"], m["verdict"]) for m in moves] == [
        (0.5, "accept_in_part"),
        (0.8, "accept_in_part"),
        (0.9, "accept_in_part"),
        (1.0, "accept"),
        (1.1, "accept"),
        (1.2, "accept"),
        (1.5, "accept"),
    ]


STUDY = [
    quality("kiln-01", lost_fraction=0.0),  # turns at nothing
    quality("kiln-02", lost_fraction=0.046),  # in part from 10 % stricter
    quality("kiln-03", lost_fraction=0.07),  # whole at 50 % looser
    quality("kiln-04", lost_fraction=0.8, faulty_s=160.0),  # in part from 20 % looser
    quality("kiln-05", faulty_s=200.0),  # nothing is clean
    unread("kiln-06"),
]


def test_a_study_is_counted_by_hand() -> None:
    view = study_margins(STUDY)
    assert view is not None
    assert [text.replace(THIN, " ") for text in view["sentences"]] == [
        "Of 5 verdicts, with all limits moved either way: 1 turns at 10 %, 2 at 20 % and 3 at 50 %.",
        "Of 2 sessions left out, with looser limits: none would be used at 10 %, 1 at 20 % and 1 at 50 %.",
        "Of 3 sessions used, with stricter limits: none would be left out at up to 50 %.",
        "1 session could not be read; no limit decided that.",
    ]
    counts = {step["factor"]: [bar["n"] for bar in step["bars"]] for step in view["steps"]}
    assert counts == {  # can be used, in part, do not use, could not be read
        0.5: [1, 2, 2, 1],
        0.8: [1, 2, 2, 1],
        0.9: [1, 2, 2, 1],
        1.0: [2, 1, 2, 1],
        1.1: [2, 1, 2, 1],
        1.2: [2, 2, 1, 1],
        1.5: [3, 1, 1, 1],
    }
    assert [step["turned"] for step in view["steps"]] == [1, 1, 1, 0, 0, 1, 2]
    limits = {row["title"]: [cell["n"] for cell in row["cells"]] for row in view["limits"]}
    assert limits == {
        "Samples lost": [1, 1, 1, 0, 0, 1],
        "Clean share, to use any of it": [0, 0, 0, 0, 1, 1],
    }
    assert view["silent"] == ["Clean share, to use it whole", "Clean time, to use any of it"]
    assert [row["session"] for row in view["sessions"]] == ["kiln-02", "kiln-04", "kiln-03"]


def test_each_limit_says_what_it_would_be() -> None:
    view = study_margins(STUDY)
    assert view is not None
    cells = {row["title"]: [c["limit"].replace(THIN, " ") for c in row["cells"]] for row in view["limits"]}
    assert cells["Samples lost"] == ["2.5 %", "4 %", "4.5 %", "5.5 %", "6 %", "7.5 %"]
    assert cells["Clean share, to use any of it"] == ["37.5 %", "30 %", "27.5 %", "22.5 %", "20 %", "12.5 %"]


def test_rows_of_the_table() -> None:
    rows = margin_rows(STUDY[3])
    assert rows[0] == {
        "session": "kiln-04",
        "factor": 0.5,
        "verdict": "reject",
        "moved": "reject",
        "alone": "",
    }
    assert rows[-1]["moved"] == "accept_in_part"
    assert rows[-1]["alone"] == "least_usable_fraction=accept_in_part"
    assert [row["factor"] for row in rows] == [0.5, 0.8, 0.9, 1.1, 1.2, 1.5]
    assert {tuple(row) for row in rows} == {tuple(column.name for column in MARGINS)}
    assert {row["moved"] for row in margin_rows(unread())} == {"unreadable"}


def test_files_without_margins_show_none() -> None:
    old = {"session": "kiln-01", "verdict": "accept"}
    assert session_margins(old) is None
    assert study_margins([old]) is None
    assert margin_rows(old) == []
    assert rendered(None).strip() == rendered(None, study=True).strip() == ""


def test_names_do_no_harm() -> None:
    one = quality(HOSTILE, lost_fraction=0.046)
    for row in (*one["margins"]["limits"], one["margins"]["nearest"]):
        row["channel"] = HOSTILE
    html = rendered(session_margins(one)) + rendered(study_margins([one]), study=True)
    assert "<img" not in html
    assert html.count("&lt;img") >= 3


def test_the_order_of_sessions_does_not_matter() -> None:
    first = rendered(study_margins(STUDY), study=True)
    assert first == rendered(study_margins([*STUDY[1:], STUDY[0]]), study=True)
    assert "margins.csv" in first


@pytest.mark.parametrize(
    ("factor", "said_"),
    [(0.5, "50 % stricter"), (0.9, "10 % stricter"), (1.0, "as it is"), (1.2, "20 % looser")],
)
def test_moves_read_as_they_are_meant(factor: float, said_: str) -> None:
    assert move_words(factor).replace(THIN, " ") == said_


def test_of_a_clean_session_the_length_is_not_the_nearest() -> None:
    one = quality(lost_fraction=0.0001)
    assert one["margins"]["nearest"]["name"] != "least_usable_s"
    assert shown(one)["rows"][0]["title"] != "Clean time, to use any of it"
    nothing = {"name": "least_usable_s", "channel": None, "value": 180.0, "limit": 30.0, "bound": "min"}
    nothing |= {"factor": 6.00001, "turns_to": "reject"}
    sentence, _ = said({**one, "margins": {**one["margins"], "nearest": nothing}})
    assert sentence.startswith(
        "No limit on what was found in it turns the verdict, wherever it is put; only if"
    )


def test_a_study_that_nothing_turns_needs_no_table() -> None:
    still = study_margins([quality(lost_fraction=0.0001), quality("kiln-02", lost_fraction=0.0001)])
    html = rendered(still, study=True)
    assert "<table" not in html
    assert "the verdicts stay what they are: 2 can be used." in html
    assert "Not moved are the thresholds" in html
    turning = rendered(study_margins([quality(lost_fraction=0.049)]), study=True)
    assert turning.count("<table") == 3
    assert "Not moved are the thresholds" in turning
