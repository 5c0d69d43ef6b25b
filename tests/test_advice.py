"""What to do differently next time: one advice for a cause, the gravest first, with its number."""

import math
from pathlib import Path
from typing import Any

import pytest
import report_examples as examples

from pipeline.report.advice import Advice, advice
from pipeline.report.rates import RATES_HZ, better_hz, folded_hz

LIMITS = {
    "lost_fraction": 0.05,
    "longest_gap_s": 5.0,
    "damaged_fraction": 0.05,
    "saturated_fraction": 0.01,
    "settling_fraction": 0.05,
    "mains_fraction": 0.05,
    "contact_loss_fraction": 0.02,
    "stuck_fraction": 0.01,
}


def judged(folder: Path, values: dict[str, float | None], **more: Any) -> dict[str, Any]:
    """A session whose measures have those values, and those beyond their limit as its reasons."""
    quality = examples.session(folder, verdict="accept")
    for row in quality["measures"]:
        limit = LIMITS.get(row["name"])
        value = values.get(row["name"], 0.0 if limit else None)
        within = None if value is None or limit is None else value <= limit
        row |= {"value": value, "limit": limit, "limit_is": "max" if limit else None, "within": within}
    quality["mains_lines"] = []
    quality["reasons"] = [
        {"measure": name, "text": "said"}
        for name, value in values.items()
        if value and value > LIMITS.get(name, 1e9)
    ]
    quality["frames"] |= {"damaged": 0, "lost": 40}
    return {**quality, "warnings": [], "not_assessed": [], **more}


def finding(detector: str, severity: str, measure: str, value: float, **more: Any) -> dict[str, Any]:
    same = {"channel": "field", "start_s": 0.0, "stop_s": 10.0, "limit": None, "unit": "1"}
    return {
        "detector": detector, "severity": severity, "measure": measure, "value": value,
        "explanation": "What was seen here.", **same, **more,
    }  # fmt: skip


def spaced(text: str) -> str:
    return text.replace("\u202f", " ")


def plain(given: tuple[Advice, ...]) -> list[tuple[str, str, str]]:
    return [(one.cause, spaced(one.do), spaced(one.because)) for one in given]


def test_nothing_to_do_where_all_is_well(tmp_path: Path) -> None:
    assert advice(judged(tmp_path, {}), [], []) == ()


@pytest.mark.parametrize(
    ("values", "cause", "says", "number"),
    [
        ({"contact_loss_fraction": 0.294}, "contact", "Tighten the strap", "29.4 % (limit 2 %)"),
        ({"lost_fraction": 0.183}, "losses", "between strap and receiver", "18.3 % (limit 5 %)"),
        ({"longest_gap_s": 7.28}, "losses", "between strap and receiver", "7.28 s (limit 5 s)"),
        ({"damaged_fraction": 0.22}, "damage", "Copy the dump", "22 % (limit 5 %)"),
        (
            {"saturated_fraction": 0.412, "overdrive": 1.25},
            "saturation",
            "Lower the gain to 72 %",
            "1.25 times",
        ),
        ({"settling_fraction": 0.07}, "settling", "a minute before the start", "7 % (limit 5 %)"),
        ({"mains_fraction": 0.913}, "mains", "Move away from powered equipment", "91.3 % (limit 5 %)"),
        ({"stuck_fraction": 0.03}, "stuck", "Check the converter", "3 % (limit 1 %)"),
    ],
)
def test_each_cause_has_its_advice_and_its_number(
    tmp_path: Path, values: dict[str, float], cause: str, says: str, number: str
) -> None:
    ((found, do, because),) = plain(advice(judged(tmp_path, values), [], []))
    assert found == cause
    assert says in do
    assert number in because


def test_gravest_first_and_one_for_a_cause(tmp_path: Path) -> None:
    values = {"lost_fraction": 0.1, "longest_gap_s": 6.0, "damaged_fraction": 0.06, "mains_fraction": 0.9}
    warned = [finding("clock", "warning", "rate_error_ppm", 412.0), finding("gravity", "warning", "x", 1.0)]
    quality = judged(tmp_path, values, warnings=["clock", "gravity"])
    given = advice(quality, warned, [])
    assert [one.cause for one in given] == ["mains", "losses", "clock", "gravity"]


def test_overloads_of_a_contact_that_comes_back_are_no_cause_of_their_own(tmp_path: Path) -> None:
    values = {"contact_loss_fraction": 0.3, "saturated_fraction": 0.001, "settling_fraction": 0.03}
    assert [one.cause for one in advice(judged(tmp_path, values), [], [])] == ["contact"]


def test_dry_skin_is_moistened(tmp_path: Path) -> None:
    dried = finding(
        "contact_loss", "fault", "contact_loss_probability", 0.9,
        explanation="Contact of the electrode was lost bit by bit, as when skin dries: ...",
    )  # fmt: skip
    ((_, do, _),) = plain(advice(judged(tmp_path, {"contact_loss_fraction": 0.3}), [dried], []))
    assert "Moisten" in do


def test_the_activity_in_which_most_of_it_fell_is_named(tmp_path: Path) -> None:
    doings = [examples.Doing(0, 20, "glazing", "arm"), examples.Doing(20, 60, "wedging", "arm")]
    fault = finding("mains", "fault", "mains_peak_v", 0.1, start_s=1.0, stop_s=19.0, limit=0.024, unit="V")
    ((_, _, because),) = plain(advice(judged(tmp_path, {"mains_fraction": 0.3}), [fault], doings))
    assert "its peak reached 100 mV where 24 mV are allowed" in because
    assert "Most of it fell into ‘glazing’." in because


def test_what_comes_near_its_limit_is_told(tmp_path: Path) -> None:
    assert [one.cause for one in advice(judged(tmp_path, {"mains_fraction": 0.04}), [], [])] == ["mains"]
    assert advice(judged(tmp_path, {"mains_fraction": 0.01}), [], []) == ()


def test_folding_mains_names_the_rate_that_avoids_it(tmp_path: Path) -> None:
    line = {"channel": "field", "nominal_hz": 60.0, "harmonic": 1, "folded_hz": 4.0, "assessable": False}
    quality = judged(tmp_path, {"mains_fraction": None}, mains_lines=[line], nominal_hz=64.0)
    quality["not_assessed"] = ["mains_fraction"]
    ((cause, do, because),) = plain(advice(quality, [], []))
    assert cause == "folding"
    assert "Record at 100 Hz or more" in do
    assert "60 Hz folds to 4 Hz at 64 Hz, into the movement band" in because


def test_contact_that_could_not_be_told_asks_for_steps(tmp_path: Path) -> None:
    quality = judged(tmp_path, {"contact_loss_fraction": None}, not_assessed=["contact_loss_fraction"])
    row = next(m for m in quality["measures"] if m["name"] == "contact_loss_fraction")
    row["absent"] = "the wearer hardly moved: contact shows only when the field answers movement"
    ((cause, do, because),) = plain(advice(quality, [], []))
    assert (cause, "walk for half a minute" in do, "hardly moved" in because) == ("contact", True, True)


def test_fillings_and_held_rows_are_no_broken_converter(tmp_path: Path) -> None:
    values = {"stuck_fraction": 0.05, "filled_fraction": 0.05, "longest_gap_s": 7.0}
    ((cause, do, because),) = plain(advice(judged(tmp_path, values), [], []))
    assert (cause, "a constant fills" in do, "Rows filled 5 %" in because) == ("losses", True, True)
    values = {"stuck_fraction": 0.2, "held_fraction": 0.2}
    assert [one.cause for one in advice(judged(tmp_path, values), [], [])] == ["held"]


def test_notes_that_cover_much_are_worth_an_advice(tmp_path: Path) -> None:
    ((cause, do, because),) = plain(advice(judged(tmp_path, {"low_coupling_fraction": 0.3}), [], []))
    assert (cause, "soles" in do, "Tied to ground 30 %" in because) == ("low_coupling", True, True)
    assert advice(judged(tmp_path, {"low_coupling_fraction": 0.03}), [], []) == ()


def test_folding_is_that_of_the_sampling_theorem() -> None:
    # Shannon, Communication in the Presence of Noise, Proc. IRE 37:10 (1949): what lies above half the rate
    # cannot be told from its image below it. 60 Hz at 64 Hz appears at 4 Hz, 50 Hz at 128 Hz stays.
    assert folded_hz(60.0, 64.0) == 4.0
    assert folded_hz(50.0, 128.0) == 50.0
    assert folded_hz(250.0, 128.0) == 6.0


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
@pytest.mark.parametrize("now_hz", RATES_HZ[:-2])
def test_at_the_better_rate_no_line_lies_among_movement(mains_hz: float, now_hz: float) -> None:
    then_hz = better_hz(mains_hz, now_hz)
    assert then_hz is not None
    assert then_hz > now_hz
    seconds = [k / then_hz for k in range(64)]
    for order in range(1, 6):
        # Checked without the formula: samples of the line are those of the tone it appears as.
        appears = folded_hz(mains_hz * order, then_hz)
        assert not 0.5 <= appears <= 10
        assert all(
            math.isclose(
                math.cos(2 * math.pi * mains_hz * order * s),
                math.cos(2 * math.pi * appears * s),
                abs_tol=1e-6,
            )
            for s in seconds
        )


def test_who_moved_and_was_not_answered_is_not_told_to_walk(tmp_path: Path) -> None:
    quality = judged(tmp_path, {"contact_loss_fraction": None}, not_assessed=["contact_loss_fraction"])
    quality["duration_s"] = 120.0
    rows = {m["name"]: m for m in quality["measures"]}
    rows["contact_loss_fraction"]["absent"] = "the field never answered movement, and mains is small"
    for moved, cause in ((2 / 3, "low_coupling"), (0.1, "contact")):
        more = [
            {**rows["contact_loss_fraction"], "name": name, "value": value, "limit": None, "absent": ""}
            for name, value in (("moving_fraction", moved), ("low_coupling_fraction", 1.0))
        ]
        measures = [
            m for m in quality["measures"] if m["name"] not in ("moving_fraction", "low_coupling_fraction")
        ]
        first, *others = plain(advice({**quality, "measures": measures + more}, [], []))
        assert first[0] == cause
        assert [one[0] for one in others] == ([] if cause == "low_coupling" else ["low_coupling"])
        if cause == "low_coupling":
            assert all(word in first[1] for word in ("soles", "floor", "strap"))
            assert "walk" not in first[1]
            assert "moved for 1 min 20 s" in first[2]
