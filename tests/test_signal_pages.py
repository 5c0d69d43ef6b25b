"""The check of the signal on the pages: what it says, and that no name can harm it."""

import dataclasses
from datetime import datetime
from pathlib import Path

from signal_examples import ALL, made, six, study_of

from pipeline.report.signal import session_part, study_part
from pipeline.report.signal_served import served_of
from pipeline.signal import Worn, session_signal, study_signal, write_windows
from pipeline.signal.across import typical


def test_parts_escape_what_the_study_says(tmp_path: Path) -> None:
    hostile = '<img src=x onerror="alert(1)">'
    windows = dataclasses.replace(made(ALL), channel=hostile)
    part = session_part(session_signal(windows))
    assert hostile not in part
    assert "&lt;img" in part
    assert hostile not in study_part({"absent": hostile})
    weak = dataclasses.replace(made(ALL, gain=1.0), features=made(["rest"] * 4).features)
    path = tmp_path / "weak.parquet"
    write_windows(weak, path)
    signal = study_signal([Worn(hostile, hostile, datetime(2026, 3, 2), path)])
    assert hostile not in study_part(signal)
    assert "&lt;img" in study_part(signal)


def test_parts_say_what_was_found_and_what_it_is(tmp_path: Path) -> None:
    part = study_part(study_of(tmp_path, six()))
    assert "A check of the dataset, not a result." in part
    assert "body and all others plainly (" in part
    assert "over 12 sessions" in part
    assert "Intervals (95 %) come from drawing whole participants (6)" in part
    assert "(not balanced)" in part
    assert part.count(">0.5</text>") == 4 + 8  # every line of dots has its scale
    assert "signal.csv" not in part
    assert '<a href="signal.csv">' in study_part({**study_of(tmp_path, six()), "table": "signal.csv"})
    assert "common practice (no source)" in part
    assert part.count("<figure") == 5
    own = session_part(session_signal(made(ALL)))
    assert "Learnt from the first half" in own
    assert "narrower than the truth" in own
    assert own == session_part(session_signal(made(ALL)))


def test_few_participants_have_ranges_wherever_more_would_have_intervals(tmp_path: Path) -> None:
    few = study_of(tmp_path, [(name, f"p{i % 5}", own) for i, (name, _, own) in enumerate(six())])
    part = study_part(few)
    assert part.count('fill-opacity=".1"') == 4
    assert "Pale band: from the lowest to the highest curve of a session by itself, no interval." in part
    assert "95 %" not in part.split("How to read this")[0]
    assert "each hour</th>" in part
    level = few["wakeups"]["levels"][0]["false"]
    assert (level["low"], level["least"] is None) == (None, False)
    six_of_them = study_part(study_of(tmp_path, six()))
    assert six_of_them.count('fill-opacity=".18"') == 4
    assert "Band: its 95 % interval." in six_of_them
    assert "95 %: " in six_of_them.split("A comparator that wakes")[1]


def test_the_legend_of_curves_names_what_is_drawn(tmp_path: Path) -> None:
    whole = session_part(session_signal(made(ALL)))  # nothing is left out, so both curves are the same
    assert "Line: after exclusions, and the same before. Band: its 95 % interval. Dotted: chance." in whole
    out = session_part(session_signal(made(ALL, kept=False)))
    assert "Dashed: before, where that differs. Dotted: chance." in out
    assert "Line:" not in out
    assert out.count('stroke-dasharray="6 3"') == 4


def test_drops_are_told_in_points_with_their_sign() -> None:
    """0.90 to 0.84 and 0.60 are 6 and 30 points lower; 0.50 to 0.71 is 21 higher. By hand."""
    own = {"task": "each_nearest", "trained_on": "throw-01"}
    found = [
        {**own, "participant": "p1", "same": 0.9, "later": (0.84, 0.6, 0.84)},
        {**own, "participant": "p2", "same": 0.5, "later": (0.71,)},
        {**own, "participant": "p3", "same": 0.9, "later": (0.3,), "trained_on": "throw-03"},
        {**own, "participant": "p4", "same": None, "later": (), "trained_on": ""},
    ]
    drop = dataclasses.asdict(typical([("p1", (0.06, 0.3, 0.06)), ("p2", (-0.21,)), ("p3", (0.6,))]))
    told = served_of({"served": found, "drops": {"each_nearest": drop}})
    words = "each class, by the nearest neighbour"
    assert told["drops"] == [f"{words}: 6 points lower, single sessions from +21 to −60"]
    assert told["worst"] == [
        {"participant": "p3", "trained_on": "throw-03", "lost": f"60 points lower for {words}"}
    ]
    assert [row["cells"][0]["text"] for row in told["rows"]] == [
        "0.90 → 0.84",
        "0.50 → 0.71",
        "0.90 → 0.30",
        "–",
    ]


def test_a_session_whose_body_movement_is_weak_is_named(tmp_path: Path) -> None:
    part = study_part(study_of(tmp_path, six(throw_7=made(ALL, 7, gain=0.05))))
    assert "less than a quarter of the usual" in part
    assert '<a href="throw-7/report.html#signal">throw-7</a>' in part
    assert "less than a quarter" not in study_part(study_of(tmp_path, six()))
