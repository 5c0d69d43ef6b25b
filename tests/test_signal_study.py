"""The check of the signal over a study: what it finds, its rows, and the steps that write them."""

import csv
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from signal_examples import ALL, made, six, study_of
from test_signal_windows import Doing, write_field

from pipeline.report.signal import study_part
from pipeline.signal import read_windows, signal_rows, study_signal, windows_of, write_windows
from pipeline.signal.windows import Windows, no_windows
from pipeline.simulate.draw import draw
from pipeline.steps.job import Places, Share, StepFailed, Tables
from pipeline.steps.signal import check_signal, look_at_share, look_for_signal
from pipeline.steps.tables import write_csv
from pipeline.study import Decision
from schemas.columns import SIGNAL
from schemas.tables import arrow_table, pandera_schema


def test_a_study_together(tmp_path: Path) -> None:
    signal = study_of(tmp_path, six(throw_3=made(ALL, kept=False), throw_4=no_windows("no log")))
    assert (signal["n_sessions"], signal["n_seen"], signal["n_kept"]) == (12, 11, 10)
    hand, body = (signal["areas"][pair]["kept"] for pair in ("rest_hand", "others_body"))
    assert 0.4 < hand["value"] < 0.75 < 0.99 < body["value"]
    assert hand["interval"] == "bootstrap of 6 participants"
    assert signal["areas"]["rest_hand"]["all"]["n"] == 11 * 40
    assert hand["n"] == 10 * 40
    accuracy = signal["accuracy"]["each_nearest"]
    assert accuracy["same"]["accuracy"]["n"] == 6
    assert accuracy["later"]["accuracy"]["n"] == 4
    assert accuracy["later"]["accuracy"]["absent"] == "no interval: 4 participants, 6 are needed"
    own = [one["areas"]["rest_hand"]["kept"]["value"] for one in signal["sessions"]]
    own = [value for value in own if value is not None]
    median = signal["medians"]["rest_hand"]["kept"]
    assert (median["value"], median["least"], median["most"]) == (np.median(own), min(own), max(own))
    assert median["low"] < median["value"] < median["high"]
    levels = signal["wakeups"]["levels"]
    assert levels[-1]["false"]["value"] == 0
    assert levels[-1]["false"]["high"] == pytest.approx(3.689 / signal["wakeups"]["rest_h"], rel=1e-3)
    missed = [[level["missed"][name]["value"] for level in levels] for name in ("hand", "body")]
    assert missed[0] == sorted(missed[0])
    assert missed[1][-1] == missed[0][-1] == 1.0


def test_rows_hold_against_their_schema_and_say_everything(tmp_path: Path) -> None:
    sessions = six(throw_3=made(ALL, kept=False), throw_4=no_windows("no log"))
    signal = study_of(tmp_path, sessions)
    rows = signal_rows(signal)
    pandera_schema(SIGNAL).validate(arrow_table(SIGNAL, rows).to_pandas(), lazy=True)
    assert {row["measure"] for row in rows} == set(
        next(column for column in SIGNAL if column.name == "measure").choices
    )
    assert all(row["absent"] for row in rows if row["value"] is None)
    assert all(row["interval"] for row in rows if row["low"] is not None)
    assert {row["absent"] for row in rows if row["session"] == "throw-4"} == {"no log"}
    assert signal_rows(study_of(tmp_path, list(reversed(sessions)))) != []
    assert signal_rows(study_of(tmp_path, sessions)) == rows
    write_csv(tmp_path / "signal.csv", SIGNAL, rows)
    with (tmp_path / "signal.csv").open(newline="") as file:
        assert len(list(csv.DictReader(file))) == len(rows)


def test_a_study_without_a_log_has_no_rows(tmp_path: Path) -> None:
    signal = study_of(
        tmp_path, [("throw-0", "p1", no_windows("the activity log says nothing of this session"))]
    )
    assert signal_rows(signal) == []
    assert "Not assessed: the activity log says nothing" in study_part(signal)
    assert study_signal([])["absent"]


@pytest.mark.parametrize("classes", [["rest"], ["body"], ["hand", "arm"], ["rest", "body"]])
def test_studies_that_lack_classes_say_why(tmp_path: Path, classes: list[str]) -> None:
    signal = study_of(tmp_path, [(f"kiln-{i}", "p1", made(classes, i)) for i in range(2)])
    rows = signal_rows(signal)
    pandera_schema(SIGNAL).validate(arrow_table(SIGNAL, rows).to_pandas(), lazy=True)
    assert all(row["absent"] for row in rows if row["value"] is None)
    assert "Does it carry the signal?" in study_part(signal)


def test_nothing_kept_says_so(tmp_path: Path) -> None:
    signal = study_of(tmp_path, [(f"kiln-{i}", f"p{i}", made(ALL, i, kept=False)) for i in range(6)])
    part = study_part(signal)
    assert "too little is left" in part
    assert "no window was kept" in part
    assert signal["areas"]["others_body"]["all"]["value"] > 0.99


QUALITY = {
    "verdict": "accept_in_part",
    "usable": [[0.0, 30.0]],
    "clean": [[5.0, 15.0]],
    "whole": [[0.0, 40.0]],
    "made_by": {"dumps": {}, "layout_sha256": "", "policy_sha256": "", "version": "0.1.0"},
}


@pytest.mark.parametrize(
    ("decision", "seen", "n_kept"),
    [
        (None, "", 15),  # of 20 windows of 2 s what lies in 0 to 30 s
        ("accept", "", 20),
        ("accept_in_part", "", 4),  # those from 6 to 14 s
        ("reject", "", 0),
        ("reject", "r00000000-p00000000-a00000000-v0.1", 15),  # stale, so that the verdict stands
    ],
)
def test_windows_after_exclusions_are_those_of_what_a_person_decided(
    tmp_path: Path, decision: str | None, seen: str, n_kept: int
) -> None:
    places = Places(tmp_path, "throw-1")
    places.samples.parent.mkdir()
    places.signal.parent.mkdir(parents=True)
    write_field(places.samples, np.sin(np.arange(4000) / 16) * np.repeat([0.001, 0.1], 2000), 100.0)
    session = SimpleNamespace(activities=(Doing(0, 20, "rest"), Doing(20, 40, "body")))
    write_windows(windows_of(places.samples, session.activities, ()), places.windows)
    review = decision and Decision("throw-1", decision, "the strap slipped", "AB", "2026-03-04", seen, 2)
    job: Any = SimpleNamespace(places=places, session=session, review=review)
    found = look_for_signal(job, QUALITY)
    assert sum(n["kept"] for n in found["n"].values()) == n_kept
    assert sum(n["all"] for n in found["n"].values()) == 20
    assert int(read_windows(places.signal).kept.sum()) == n_kept


def test_steps_write_windows_and_the_table_and_tell_of_a_garbled_file(tmp_path: Path) -> None:
    names = ("throw-1", "throw-2")
    all_places = [Places(tmp_path, name) for name in names]
    start = datetime.fromisoformat("2026-03-02T09:30:00+01:00")
    log = (Doing(0, 20, "rest"), Doing(20, 40, "body"))
    sessions = [
        SimpleNamespace(name=name, participant=name, started_at=start, activities=log) for name in names
    ]
    for session, places in zip(sessions, all_places, strict=True):
        places.samples.parent.mkdir()
        places.signal.parent.mkdir(parents=True)
        field = np.sin(np.arange(4000) / 16) * np.repeat([0.001, 0.1], 2000)
        write_field(places.samples, field, 100.0)
        write_windows(windows_of(places.samples, log, ()), places.windows)
        job: Any = SimpleNamespace(places=places, session=session, review=None)
        assert look_for_signal(job, QUALITY)["areas"]["rest_body"]["kept"]["value"] == 1.0
    study: Any = SimpleNamespace(sessions=sessions)
    policy: Any = None
    tables = Tables(study, policy, tmp_path, "")
    assert check_signal(tables)["n_kept"] == 2
    first = (tmp_path / "signal.csv").read_bytes()
    shares = tuple(tmp_path / str(i) for i in range(2))
    for i, path in enumerate(shares):
        look_at_share(Share(tables, i, 2, path))
    check_signal(replace(tables, shares=shares))
    assert (tmp_path / "signal.csv").read_bytes() == first
    all_places[1].signal.write_bytes(b"no table of windows")
    with pytest.raises(StepFailed, match="throw-2: files were changed"):
        check_signal(tables)
    assert all_places[1].failed.exists()
    assert not all_places[0].failed.exists()


def weakly_taught() -> list[tuple[str, str, Windows]]:
    """Four participants of three sessions each; the first one of p4 is weak, as if tied to ground."""
    found = []
    for who in range(1, 5):
        for i in range(3):
            gain = 0.02 if (who, i) == (4, 0) else 1.0
            found.append((f"throw-{who}{i}", f"p{who}", made(ALL, 10 * who + i, gain=gain)))
    return found


def test_one_weak_session_to_learn_from_does_not_stand_for_all(tmp_path: Path) -> None:
    """Learnt at a fiftieth of the level, of four classes in later sessions rest is told from body at best."""
    signal = study_of(tmp_path, weakly_taught())
    drop = signal["drops"]["body_threshold"]
    assert (drop["n"], drop["least"]) == (4, 0.0)
    assert drop["value"] < 0.01
    # arm (0.01 against a threshold near 0.0007) is called body, and so are rest and hand, mostly
    assert 0.5 < drop["most"] <= 0.75
    later = signal["accuracy"]["body_threshold"]["later"]["accuracy"]
    assert later["value"] > 0.99
    assert (later["low"], later["most"]) == (None, 1.0)
    assert later["least"] == pytest.approx(1 - drop["most"])
    part = study_part(signal)
    assert 'Much more is lost by p4, learnt from <a href="throw-40/report.html#signal">throw-40</a>' in part
    assert "4 participants: too few to draw from (6 are needed)" in part
    assert "95 %" not in part.split("How to read this")[0]
    pooled, median = (signal[key]["others_body"]["kept"]["value"] for key in ("areas", "medians"))
    assert pooled < 0.98 < 0.99 < median


def simulated(folder: Path, seed: int) -> Windows:
    """A clean recording of the physical model; what no activity covers is logged as rest."""
    drawn = draw("clean", seed, sample_hz=100.0)
    scenario = drawn.scenario
    channel = next(i for i, one in enumerate(scenario.channels) if one.kind == "field")
    one = scenario.channels[channel]
    path = write_field(
        folder / "samples.parquet", drawn.counts[:, channel] * one.scale + one.offset, scenario.sample_hz
    )
    log, at = list[Doing](), 0.0
    for activity in scenario.activities:
        if activity.start_s > at:
            log.append(Doing(at, activity.start_s, "rest"))
        log.append(Doing(activity.start_s, activity.stop_s, activity.intensity))
        at = activity.stop_s
    log.append(Doing(at, scenario.duration_s, "rest"))
    return windows_of(path, log, [(0.0, scenario.duration_s)])


@pytest.fixture(scope="module")
def wearings(tmp_path_factory: pytest.TempPathFactory) -> list[Windows]:
    """Clean recordings of the physical model, each by itself. Seeds of tuning."""
    folder = tmp_path_factory.mktemp("wearings")
    return [simulated(folder, seed) for seed in range(24)]


def test_simulated_sessions_show_what_practice_expects(tmp_path: Path, wearings: list[Windows]) -> None:
    """Rest and hand hardly part, body plainly does (common practice, no source)."""
    sessions = [(f"s{i}", f"p{i}", windows) for i, windows in enumerate(wearings[:8])]
    signal = study_of(tmp_path, sessions)

    def own(pair: str) -> list[float]:
        areas = [one["areas"][pair]["kept"]["value"] for one in signal["sessions"]]
        return [value for value in areas if value is not None]

    assert np.median(own("rest_hand")) < 0.8
    assert np.median(own("rest_body")) > 0.95
    assert np.median(own("others_body")) > 0.9
    assert signal["areas"]["rest_hand"]["kept"]["value"] < signal["areas"]["rest_body"]["kept"]["value"] - 0.2


def test_accuracy_of_simulated_sessions_is_what_practice_expects(
    tmp_path: Path, wearings: list[Windows]
) -> None:
    """Near nine in ten within a session, and some ten points lower in others (common practice, no source).

    Practice does not say what was asked, so the mean over the four tasks is held to it, and loosely. Three
    wearings stand for a participant's sessions; they differ in body, soles, room and device as well, so that
    more may be lost than a participant would lose.
    """
    sessions = [(f"s{i:02d}", f"p{i // 3}", windows) for i, windows in enumerate(wearings)]
    signal = study_of(tmp_path, sessions)
    assert len(signal["accuracy"]) == 4

    def mean(when: str) -> float:
        return float(np.mean([both[when]["accuracy"]["value"] for both in signal["accuracy"].values()]))

    lost = [drop["value"] for drop in signal["drops"].values()]
    assert 0.85 < mean("same") < 0.97
    assert 0.75 < mean("later") < 0.92
    assert 0.05 < np.mean(lost) < 0.2
    assert min(lost) > 0  # whatever is asked, other sessions are served worse
    # Of all four classes less is right than of body or not, for rest and hand hardly part.
    of_each, of_body = (
        signal["accuracy"][task]["same"]["accuracy"]["value"] for task in ("each_nearest", "body_nearest")
    )
    assert of_each < of_body
