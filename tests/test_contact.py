"""Contact loss in windows of 0.2 s: kinds, edges, witnesses that are missing, and the page that explains it.

The confusions are facts of the trade (common practice, no source); recordings are simulated.
"""

import sys
from pathlib import Path

import numpy as np
import pytest
from make import SETTINGS, detected_in, evidence_of, findings_of, recording_of

from pipeline.detectors.contact_loss import kind_of
from pipeline.detectors.trees import contact_trees, parse
from pipeline.detectors.weigh import MEANINGS, Weighed, meaning_of
from pipeline.detectors.witnesses import WITNESSES

sys.path.insert(0, str(Path(__file__).resolve().parent / "pages"))
import contact_page as page


@pytest.fixture(scope="module")
def sayings():
    return page.all_said(pictures=False)


def test_the_page_says_what_the_code_says(sayings):
    assert page.PAGE.read_text(encoding="utf-8") == page.page_of(sayings)


@pytest.mark.parametrize("scene", page.SCENES, ids=lambda scene: scene.name)
def test_every_picture_is_there_small_and_shown(scene):
    picture = page.PICTURES / f"{scene.name}.svg"
    assert picture.stat().st_size < 60_000
    assert f"](pictures/{scene.name}.svg)" in page.PAGE.read_text(encoding="utf-8")


@pytest.mark.parametrize("name", ["low_coupling", "rest", "overload", "dead"])
def test_what_looks_like_lost_contact_is_none(sayings, name):
    assert sayings[name].startswith("no loss of contact")


@pytest.mark.parametrize("name", ["open", "partial", "no_accelerometer"])
def test_edges_are_within_a_second(name, tmp_path):
    scene = next(scene for scene in page.SCENES if scene.name == name)
    _, coupling, _ = page.measured(scene, tmp_path)
    (stretch,) = coupling.off
    edges = stretch.weighed.start * 0.2, stretch.weighed.stop * 0.2
    assert edges == pytest.approx((page.FROM_S, page.TO_S), abs=1.0)


def test_a_skin_that_dries_is_told_apart(sayings):
    assert sayings["drying"].startswith("drying")


def test_a_witness_that_is_missing_is_named_and_the_probability_is_beside_its_limit(tmp_path):
    scene = next(scene for scene in page.SCENES if scene.name == "no_accelerometer")
    evidence, coupling, _ = page.measured(scene, tmp_path)
    (finding,) = findings_of(detected_in(evidence.recording), "contact_loss")
    assert "no movement to compare with" in finding.explanation
    assert finding.measure == "contact_loss_probability"
    assert finding.value == pytest.approx(coupling.off[0].weighed.probability)
    assert finding.limit == SETTINGS["contact_loss.least_probability"]


def _weighed(start: int, stop: int, log_odds: float, silence: float = np.nan, **told: float) -> Weighed:
    witnesses = {name: told.get(name, 0.0) for name in WITNESSES}
    return Weighed(start, stop, witnesses, log_odds, {}, silence=silence)


def test_kinds_are_told_by_their_witnesses():
    assert kind_of(_weighed(0, 1, 1, mains=2.0, silence=4.0)) == "open"
    assert kind_of(_weighed(0, 1, 1, restless=0.5, mains=2.0)) == "intermittent"
    assert kind_of(_weighed(0, 1, 1, flips=0.5, mains=2.0)) == "intermittent"
    assert kind_of(_weighed(0, 1, 1, mains=2.0, ramp=1.0, silence=3.0)) == "drying"
    assert kind_of(_weighed(0, 1, 1, mains=1.0, silence=1.0)) == "partial"


def test_every_witness_that_is_asked_for_has_a_meaning():
    assert {meaning_of(name) for name in contact_trees().names} <= set(MEANINGS)


def test_what_the_witnesses_add_is_all_that_the_trees_say():
    """No part of the log-odds is left unexplained, whatever is unknown."""
    trees, chance = contact_trees(), np.random.default_rng(1)
    cases = chance.normal(0, 2, (20, len(trees.names)))
    cases[chance.random(cases.shape) < 0.2] = np.nan
    for case, told in zip(cases, trees.log_odds_of(cases), strict=True):
        assert trees.beforehand() + sum(trees.gains(case).values()) == pytest.approx(told)


STUMP = "tree,asks,bound,unknown_below,below,above,log_odds"


def test_a_table_of_trees_is_read_and_asked():
    trees = parse([STUMP, "0,jump,0.5,1,1,2,0.1", ",,,,,,-1", ",mains,2,0,3,4,1", ",,,,,,0.5", ",,,,,,3"])
    cases = np.array([[0.5, 9.0], [np.nan, 9.0], [1.0, 2.0], [1.0, np.nan]])
    assert trees.log_odds_of(cases).tolist() == [-1.0, -1.0, 0.5, 3.0]
    assert trees.gains(cases[3]) == pytest.approx({"jump": 0.9, "mains": 2.0})
    assert trees.questions() == {"jump": 1, "mains": 1}


def test_trees_that_lead_back_are_none():
    with pytest.raises(ValueError, match="back"):
        parse([STUMP, "0,jump,0.5,1,0,1,0", ",,,,,,1"])


def test_a_moment_of_recording_gives_no_stretch(tmp_path):
    recording = recording_of(tmp_path / "r.parquet", [page.FIELD], [np.arange(60) + 2000], page.HZ)
    evidence = evidence_of(recording)
    assert evidence.coupling(evidence.tracks.field["field"], SETTINGS).off == ()
