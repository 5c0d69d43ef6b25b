"""Mains while the electrode is off counts against nothing, and is called so: no page says both."""

from pathlib import Path

import numpy as np
import report_examples as examples
from test_report import Page, report, spaced

from pipeline.detectors.findings import Detected, Measure, Spans
from pipeline.report.flow import flow_of
from pipeline.report.moments import choose
from pipeline.report.words import conditions_words
from pipeline.verdict import builtin_policy
from pipeline.verdict.judge import Extent, judge

OFF_THEN_MAINS = {"contact_loss": ((0.2, 0.4),), "mains": ((0.2, 0.39),)}


def judged_with(mains: tuple[int, int], off: tuple[int, int]) -> str:
    """What is left out of 200 s at 10 Hz, in words."""
    marks = {
        name: Spans(np.array([a]), np.array([b]))
        for name, (a, b) in (("mains", mains), ("contact_loss", off))
    }
    measures = (Measure("contact_loss_fraction", 0.25, "1", "field"),)
    verdict = judge(Detected((), measures, marks), Extent(2000, 10.0, 200.0), builtin_policy())
    return "; ".join(part.text for part in verdict.left_out)


def test_mains_with_the_electrode_off_is_no_reason() -> None:
    assert judged_with((500, 990), (500, 1000)) == "electrode off 50.0 s"
    assert judged_with((400, 1000), (500, 1000)) == "electrode off 50.0 s; mains too strong 10.0 s"


def test_it_is_called_so_in_lanes_and_left_out_of_the_flow(tmp_path: Path) -> None:
    quality = examples.session(tmp_path, verdict="accept_in_part", faults=OFF_THEN_MAINS)
    for value, called in ((0.0, "mains while the electrode is off"), (0.1, "mains above limit")):
        for row in quality["measures"]:
            if row["name"] == "mains_fraction":
                row["value"] = value
        assert called in [one["words"] for one in conditions_words(quality)]
        faults = [name for name, _ in flow_of([quality], {}).cut_by]
        assert ("Mains above limit" in faults) == bool(value)
        assert "Electrode off" in faults
        assert (called in spaced(Page(report(tmp_path, quality)[0]).text)) or value


def test_the_first_screen_says_that_the_wearer_was_tied_to_ground(tmp_path: Path) -> None:
    quality = examples.session(tmp_path, verdict="accept", faults={"low_coupling": ((0.0, 0.5),)})
    html, _ = report(tmp_path, quality)
    head = html[html.index("<header") : html.index("</header>")]
    assert "Tied to ground for" in head
    few = examples.session(tmp_path, verdict="accept", faults={"low_coupling": ((0.0, 0.05),)})
    html, _ = report(tmp_path, few)
    assert "Tied to ground for" not in html[html.index("<header") : html.index("</header>")]


def test_movement_is_no_figure_at_the_top_where_nothing_can_be_used(tmp_path: Path) -> None:
    whole, _ = report(tmp_path, examples.session(tmp_path, verdict="accept"))
    nothing, _ = report(tmp_path, {**examples.session(tmp_path, verdict="reject"), "usable": []})
    assert "Movement, rms" in whole
    assert "Movement, rms" not in nothing


def test_it_is_no_moment_either(tmp_path: Path) -> None:
    quality = examples.session(tmp_path, verdict="accept_in_part", faults=OFF_THEN_MAINS)
    found = {"detector": "mains", "severity": "fault", "start_s": 12.0, "stop_s": 23.0, "channel": "field"}
    found |= {"measure": "mains_peak_v", "value": 0.1, "limit": 0.04, "unit": "V", "explanation": "Mains."}
    for value, n in ((0.0, 0), (0.1, 1)):
        for row in quality["measures"]:
            if row["name"] == "mains_fraction":
                row["value"] = value
        assert len(choose(quality, [found], 10.0)) == n
