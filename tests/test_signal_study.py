"""What serves later sessions, wake-ups, a study's rows and parts of pages, and simulated sessions."""

import csv
import dataclasses
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from sklearn.metrics import balanced_accuracy_score
from sklearn.neighbors import KNeighborsClassifier
from sklearn.preprocessing import StandardScaler
from test_signal_windows import Doing, write_field

from pipeline.report.signal import session_part, study_part
from pipeline.report.signal_served import served_of
from pipeline.signal import (
    Worn,
    read_windows,
    session_signal,
    signal_rows,
    study_signal,
    windows_of,
    write_windows,
)
from pipeline.signal.across import served, trials, typical
from pipeline.signal.learn import halves, learn, learn_nearest, learn_threshold, tried
from pipeline.signal.pooled import Clusters
from pipeline.signal.session import within
from pipeline.signal.study import rate
from pipeline.signal.wakeups import is_awake, wakes
from pipeline.signal.windows import AMPLITUDE, CLASSES, EXCURSION, Windows, no_windows
from pipeline.simulate.draw import draw
from pipeline.steps.job import Places, StepFailed
from pipeline.steps.signal import check_signal, look_for_signal
from pipeline.steps.tables import write_csv
from pipeline.study import Decision
from schemas.columns import SIGNAL
from schemas.tables import arrow_table, pandera_schema

LEVELS = {"rest": 0.001, "hand": 0.0011, "arm": 0.01, "body": 0.1}


def made(
    stretches: Sequence[str], seed: int = 1, gain: float = 1.0, n_each: int = 20, kept: bool = True
) -> Windows:
    """Windows whose amplitude follows the class, invented; one stretch of the log after another."""
    rng = np.random.default_rng(seed)
    n = n_each * len(stretches)
    stretch = np.repeat(np.arange(len(stretches)), n_each)
    label = np.array([CLASSES.index(name) for name in stretches])[stretch]
    features = rng.lognormal(0, 0.3, (n, 6))
    features[:, :4] *= gain * np.array([LEVELS[name] for name in stretches])[stretch, np.newaxis]
    ones = np.ones(n)
    usable = np.full(n, kept)
    return Windows(np.arange(n) * 2.0, label, stretch, features, ones, usable, "field")


ALL = ("rest", "hand", "arm", "body")


# ---------------------------------------------------------------- learning


@pytest.mark.parametrize("seed", range(4))
def test_nearest_neighbour_is_that_of_the_library(seed: int) -> None:
    rng = np.random.default_rng(seed)
    features, classes = rng.normal(size=(80, 6)) * [1, 10, 100, 1e-3, 1, 1], rng.integers(0, 4, 80)
    others = rng.normal(size=(50, 6)) * [1, 10, 100, 1e-3, 1, 1]
    scaler = StandardScaler().fit(features)
    library = KNeighborsClassifier(n_neighbors=1).fit(scaler.transform(features), classes)
    expected = library.predict(scaler.transform(others))
    assert learn_nearest(features, classes)(others).tolist() == expected.tolist()


def test_a_constant_feature_says_nothing() -> None:
    features = np.random.default_rng(0).normal(size=(20, 6))
    features[:, 3] = 0.5
    rule = learn_nearest(features, np.arange(20) % 2)
    moved = features.copy()
    moved[:, 3] = 900.0
    assert rule(moved).tolist() == (np.arange(20) % 2).tolist()


@pytest.mark.parametrize("seed", range(4))
def test_threshold_has_the_most_balanced_accuracy(seed: int) -> None:
    rng = np.random.default_rng(seed)
    features, classes = rng.normal(size=(60, 6)), (rng.random(60) < 0.3).astype(int)
    features[:, AMPLITUDE] += classes
    rule = learn_threshold(features, classes)
    found = balanced_accuracy_score(classes, rule(features))
    tries = np.concatenate(([-9], np.sort(features[:, AMPLITUDE]) + 1e-9))
    assert found == pytest.approx(
        max(balanced_accuracy_score(classes, features[:, AMPLITUDE] >= level) for level in tries)
    )


def test_threshold_lies_between_classes_that_part() -> None:
    features = np.zeros((6, 6))
    features[:, AMPLITUDE] = [1, 2, 3, 5, 6, 7]
    assert learn_threshold(features, np.array([0, 0, 0, 1, 1, 1])).level == 4.0


def test_halves_are_blocks_in_time_that_do_not_touch() -> None:
    windows = made(["rest", "body"], n_each=10)
    first, second = halves(windows)
    assert np.flatnonzero(first).tolist() == [0, 1, 2, 3, 4, 10, 11, 12, 13, 14]
    assert np.flatnonzero(second).tolist() == [6, 7, 8, 9, 16, 17, 18, 19]


def test_accuracy_is_counted_as_the_library_counts() -> None:
    learnt, other = made(ALL, 1), made(ALL, 2)
    rule, known = learn(learnt.features, learnt.label, "each_nearest")
    accuracy, balanced = tried(rule, known, other.features, other.label, "each_nearest")
    answers = rule(other.features)
    assert accuracy.value == pytest.approx((answers == other.label).mean())
    assert balanced.value == pytest.approx(balanced_accuracy_score(other.label, answers))
    assert accuracy.low < accuracy.value < accuracy.high


def test_within_a_session_and_why_not() -> None:
    assert within(made(ALL), "body_threshold")[0].value == 1.0
    assert 0.6 < within(made(ALL), "each_nearest")[0].value < 1.0
    assert within(made(["rest", "hand"]), "body_threshold")[0].absent == (
        "fewer than 5 windows of body movement to learn from"
    )
    assert within(made(["body"]), "body_threshold")[0].absent.startswith(
        "fewer than 5 windows of anything but"
    )
    assert within(made(["rest"]), "each_nearest")[0].absent.startswith("fewer than two classes")
    assert within(made(ALL, kept=False), "each_nearest")[0].absent == "no window was kept"


def test_the_first_session_that_can_teach_is_tried_on_the_later_ones() -> None:
    sessions = [
        ("throw-01", made(ALL, kept=False)),
        ("throw-02", made(ALL)),
        ("throw-03", made(ALL, 2)),
        ("throw-04", made(ALL, 3, gain=0.05)),
        ("throw-05", no_windows("the activity log says nothing of this session")),
    ]
    found = [t for t in trials("p1", sessions) if t.task == "body_threshold"]
    assert [(t.session, t.trained_on, t.when) for t in found] == [
        ("throw-02", "throw-02", "same"),
        ("throw-03", "throw-02", "later"),
        ("throw-04", "throw-02", "later"),
        ("throw-05", "throw-02", "later"),
    ]
    assert [t.accuracy.value for t in found] == [1.0, 1.0, 0.75, None]
    assert found[2].balanced.value == 0.5  # every body window of the weaker session lies below the threshold
    assert "log says nothing" in found[3].accuracy.absent


def test_a_single_session_has_no_later_one() -> None:
    by_when = {t.when: t for t in trials("p1", [("throw-01", made(ALL))]) if t.task == "each_nearest"}
    assert by_when["later"].accuracy.absent == "the participant has no later session"
    assert by_when["same"].accuracy.value is not None


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
    assert "95 %: 0." not in part.split("A comparator that wakes")[0]
    pooled, median = (signal[key]["others_body"]["kept"]["value"] for key in ("areas", "medians"))
    assert pooled < 0.98 < 0.99 < median


def test_participants_count_alike_however_many_sessions_they_have() -> None:
    found = typical([("p1", (0.9, 0.5, 0.7)), ("p2", (1.0,)), ("p3", (0.2,) * 5), ("p4", ())])
    assert (found.value, found.n, found.least, found.most) == (0.7, 3, 0.2, 1.0)
    assert found.absent == "no interval: 3 participants, 6 are needed"
    assert typical([("p1", ())]).value is None


def test_what_a_participant_loses_is_counted_from_the_session_learnt_from() -> None:
    sessions = [("throw-02", made(ALL)), ("throw-03", made(ALL, 2)), ("throw-04", made(ALL, 3, gain=0.05))]
    (one,) = served(trials("p1", sessions), "body_threshold")
    assert (one.trained_on, one.same, one.later, one.drops) == ("throw-02", 1.0, (1.0, 0.75), (0.0, 0.25))


# ---------------------------------------------------------------- wake-ups


def test_a_comparator_wakes_at_its_level_and_sleeps_below_half_of_it() -> None:
    excursion = np.array([0.2, 1.0, 0.6, 0.5, 0.49, 0.9, np.nan, 1.2, np.nan, 0.8, 0.1])
    expected = [0, 1, 1, 1, 0, 0, 0, 1, 1, 1, 0]
    assert is_awake(excursion, np.array([1.0, 2.0])).astype(int).tolist() == [expected, [0] * 11]


def test_false_wake_ups_and_missed_movements_are_counted() -> None:
    windows = made(["rest", "body", "rest", "hand"], n_each=10)
    excursion = np.full(40, 0.1)
    excursion[[2, 5]] = 1.0  # two wake-ups at rest
    excursion[10:20] = 3.0
    excursion[20:23] = 0.8  # still awake from the movement, which is no wake-up
    windows.features[:, EXCURSION] = excursion
    found = wakes(windows, np.array([1.0, 2.0, 5.0]))
    assert found.rest_h == pytest.approx(40 / 3600)
    assert found.false.tolist() == [2, 0, 0]
    assert found.n.tolist() == [1, 0, 1]
    assert found.missed.tolist() == [[1, 0, 0], [1, 0, 0], [1, 0, 1]]
    # at 1 V it is awake in windows 2 and 5 and in three after the movement; either stretch of rest has some
    assert (found.n_rest, found.awake.tolist()) == (20, [5, 0, 0])
    assert (found.n_rests, found.chance.tolist()) == (2, [2, 0, 0])


def test_a_comparator_that_hardly_sleeps_is_no_better_than_chance() -> None:
    """Awake from the first window to the last: it wakes once, misses nothing and tells nothing."""
    windows = made(["rest", "body", "rest", "hand"], n_each=10)
    windows.features[:, EXCURSION] = 3.0
    found = wakes(windows, np.array([1.0]))
    assert (found.false.tolist(), found.missed.tolist()) == ([1], [[0, 0, 0]])
    assert found.awake.tolist() == [found.n_rest]
    assert found.chance.tolist() == [found.n_rests]


def test_few_wake_ups_have_the_interval_of_a_count() -> None:
    """13 and 2 in 574 s: 6.922 to 22.230 and 0.242 to 7.225 (Garwood 1936) over 0.15944 h."""
    hours = np.full(4, 574 / 3600 / 4)
    few = Clusters.of(["p1", "p2", "p3", "p4"])
    found = rate(few, np.array([4.0, 3.0, 3.0, 3.0]), hours)
    assert (found.low, found.high) == pytest.approx((43.41, 139.42), abs=0.01)
    assert found.interval == "exact Poisson"
    assert (found.least, found.most) == pytest.approx((3 / hours[0], 4 / hours[0]))
    found = rate(few, np.array([2.0, 0.0, 0.0, 0.0]), hours)
    assert (found.low, found.high) == pytest.approx((1.52, 45.31), abs=0.01)


def test_wake_ups_of_unlike_participants_have_the_wider_interval() -> None:
    many, hours = Clusters.of([f"p{i}" for i in range(8)]), np.full(8, 0.5)
    alike = rate(many, np.full(8, 5.0), hours)
    unlike = rate(many, np.array([40.0, *[0.0] * 7]), hours)
    assert alike.interval == "exact Poisson"  # 40 in 4 h either way
    assert alike.value == unlike.value == 10.0
    assert unlike.interval == "bootstrap of 8 participants"
    assert unlike.high - unlike.low > alike.high - alike.low


def test_what_is_not_kept_is_not_counted() -> None:
    windows = made(["rest", "body"], n_each=10, kept=False)
    found = wakes(windows)
    assert (found.rest_h, int(found.false.sum()), found.n.tolist()) == (0.0, 0, [0, 0, 0])


# ---------------------------------------------------------------- a study


def study_of(folder: Path, sessions: Sequence[tuple[str, str, Windows]]) -> dict[str, Any]:
    worn = []
    for i, (name, participant, windows) in enumerate(sessions):
        path = folder / f"{name}.parquet"
        write_windows(windows, path)
        start = datetime.fromisoformat("2026-03-02T09:30:00+01:00") + timedelta(days=i)
        worn.append(Worn(name, participant, start, path))
    return study_signal(worn)


def six(**others: Windows) -> list[tuple[str, str, Windows]]:
    found = [(f"throw-{i}", f"p{i % 6}", made(ALL, i, gain=1 + i / 20)) for i in range(12)]
    return [(name, who, others.get(name.replace("-", "_"), windows)) for name, who, windows in found]


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
        SimpleNamespace(name=name, participant="p1", started_at=start, activities=log) for name in names
    ]
    for session, places in zip(sessions, all_places, strict=True):
        places.samples.parent.mkdir()
        places.signal.parent.mkdir(parents=True)
        field = np.sin(np.arange(4000) / 16) * np.repeat([0.001, 0.1], 2000)
        write_field(places.samples, field, 100.0)
        job: Any = SimpleNamespace(places=places, session=session, review=None)
        assert look_for_signal(job, QUALITY)["areas"]["rest_body"]["kept"]["value"] == 1.0
    study: Any = SimpleNamespace(sessions=sessions)
    assert check_signal(study, all_places)["n_kept"] == 2
    first = (tmp_path / "signal.csv").read_bytes()
    check_signal(study, all_places)
    assert (tmp_path / "signal.csv").read_bytes() == first
    all_places[1].signal.write_bytes(b"no table of windows")
    with pytest.raises(StepFailed, match="throw-2: files were changed"):
        check_signal(study, all_places)
    assert all_places[1].failed.exists()
    assert not all_places[0].failed.exists()


# ---------------------------------------------------------------- pages


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


# ---------------------------------------------------------------- simulated sessions


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


def test_simulated_sessions_show_what_practice_expects(tmp_path: Path) -> None:
    """Rest and hand hardly part, body plainly does (common practice, no source). Seeds of tuning."""
    sessions = [(f"s{seed}", f"p{seed}", simulated(tmp_path, seed)) for seed in range(8)]
    signal = study_of(tmp_path, sessions)

    def own(pair: str) -> list[float]:
        areas = [one["areas"][pair]["kept"]["value"] for one in signal["sessions"]]
        return [value for value in areas if value is not None]

    assert np.median(own("rest_hand")) < 0.8
    assert np.median(own("rest_body")) > 0.95
    assert np.median(own("others_body")) > 0.9
    assert signal["areas"]["rest_hand"]["kept"]["value"] < signal["areas"]["rest_body"]["kept"]["value"] - 0.2
