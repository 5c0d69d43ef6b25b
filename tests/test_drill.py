"""The drill: faults planted in a user's own dumps are found by the whole line, and the page says how many."""

import csv
import hashlib
import json
import re
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from conftest import sessiongate
from shapes import sync_layout
from small import small_study

from pipeline.cli import main
from pipeline.drill import faults
from pipeline.drill.faults import Stretch
from pipeline.drill.host import Host
from pipeline.drill.kinds import BY_NAME, KINDS
from pipeline.drill.limit import limit_of
from pipeline.drill.page import paragraph
from pipeline.drill.places import Places
from pipeline.drill.plan import plan, why_not
from pipeline.layouts import Channel
from schemas.conditions import BY_NAME as CONDITIONS

SESSIONS = ("throw-09", "kiln-07", "kiln-04")
FILES = ("drill.html", "drill.json", "planted.csv", "found.csv")


def _digests(folder: Path) -> dict[str, str]:
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def _rows(table: Path) -> list[dict[str, str]]:
    with table.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def drilled(tmp_path_factory) -> tuple[Path, Path]:
    """A study of two sessions that are accepted and one that is not, and a drill of it."""
    top = tmp_path_factory.mktemp("ton und glasur")
    study, out = small_study(top / "the study", SESSIONS), top / "the drill"
    before = _digests(study)
    done = sessiongate("drill", study, "--out", out, "--rounds", "1", "--jobs", "1", "--seed", "7")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "faults that matter were found" in done.stdout
    assert _digests(study) == before
    return study, out


def _figures(out: Path) -> dict:
    return json.loads((out / "drill.json").read_text(encoding="utf-8"))


def test_what_is_plain_is_found(drilled):
    """Lost and damaged frames, and a stuck value: counted or plain to see, so none may be missed."""
    figures = _figures(drilled[1])
    kinds = {kind["kind"]: kind for kind in figures["kinds"]}
    assert set(kinds) == {kind.name for kind in KINDS}
    for name in ("lost", "damaged", "stuck", "hard_rails", "repeated", "torn"):
        assert kinds[name]["found"]["n"] == kinds[name]["found"]["of"] > 0, name
    assert figures["overall"]["of"] == sum(k["n_matter"] for k in figures["kinds"] if k["conditions"])
    assert figures["false_alarms"]["hours"] > 0


def test_the_tables_add_up_to_the_figures(drilled):
    out, figures = drilled[1], _figures(drilled[1])
    planted = _rows(out / "planted.csv")
    assert len(planted) == figures["n_events"]
    for kind in figures["kinds"]:
        mine = [row for row in planted if row["kind"] == kind["kind"] and row["matters"] == "yes"]
        assert len(mine) == kind["n_matter"]
        assert sum(row["found"] == "yes" for row in mine) == kind["found"]["n"]
    for row in planted:
        assert row["session"] in ("throw-09", "kiln-07")
        assert 0 <= float(row["start_s"]) < float(row["stop_s"]) <= 181
    false = [row for row in _rows(out / "found.csv") if row["is"] == "false"]
    n_faults = sum(CONDITIONS[row["condition"]].fault for row in false)
    assert figures["false_alarms"]["faults"]["n"] == n_faults


def test_sessions_that_are_not_accepted_take_no_faults(drilled):
    figures = _figures(drilled[1])
    assert [one["session"] for one in figures["sessions"]] == ["kiln-07", "throw-09"]
    assert figures["unused"] == [{"session": "kiln-04", "why": "its verdict is 'reject'"}]


def test_the_page_reads_alone(drilled):
    """No script, nothing from elsewhere, every kind named, the paragraph for a paper filled in."""
    text = (drilled[1] / "drill.html").read_text(encoding="utf-8")
    assert not re.search(r"<script|https?://(?!www\.w3\.org)|@import|url\((?!#)", text)
    for kind in KINDS:
        assert kind.words in text.lower()
    assert "kiln-04" in text
    told = paragraph(_figures(drilled[1]))
    assert "seed 7" in told
    assert "None" not in told
    assert "nan" not in told


def test_the_same_seed_gives_the_same_bytes(drilled):
    """Whatever the number of jobs; the copies go again, or stay as a study of their own with --keep."""
    study, out = drilled
    before = {name: (out / name).read_bytes() for name in FILES}
    assert not (out / ".work" / "copies").exists()
    done = sessiongate("drill", study, "--out", out, "--rounds", "1", "--jobs", "2", "--seed", "7", "--keep")
    assert done.returncode == 0, done.stdout + done.stderr
    assert {name: (out / name).read_bytes() for name in FILES} == before
    rows = _rows(out / "copies" / "sessions.csv")
    assert len(rows) == _figures(out)["n_copies"]
    for row in rows:
        for name in row["dumps"].split(";"):
            assert (out / "copies" / name).stat().st_size > 0


def _told(capsys, *arguments: str | Path) -> str:
    """What a wrong command says; it must end with 2."""
    try:
        code = main(["drill", *map(str, arguments)])
    except SystemExit as ended:  # by the parser of arguments
        code = ended.code
    assert code == 2
    return capsys.readouterr().err


def test_a_users_mistakes(tmp_path, capsys):
    study, out = small_study(tmp_path / "study", ("kiln-07",)), tmp_path / "out"
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "glazes.txt").write_text("celadon")
    assert "expected a study folder" in _told(capsys, tmp_path / "nowhere", "--out", out)
    told = _told(capsys, study, "--out", tmp_path / "full")
    assert "expected a new or empty folder, or one of an earlier drill" in told
    assert "A study folder is only read" in _told(capsys, study, "--out", study / "out")
    assert "at least 1" in _told(capsys, study, "--out", out, "--rounds", "0")
    assert "at least 0" in _told(capsys, study, "--out", out, "--seed", "-1")
    assert not out.exists()
    assert [path.name for path in (tmp_path / "full").iterdir()] == ["glazes.txt"]


def test_no_accepted_session_is_a_mistake_with_a_remedy(tmp_path):
    study = small_study(tmp_path / "study", ("kiln-04",))
    done = sessiongate("drill", study, "--out", tmp_path / "out", "--jobs", "1")
    assert done.returncode == 2, done.stdout + done.stderr
    assert "expected at least one accepted session" in done.stderr
    assert "kiln-04: its verdict is 'reject'" in done.stderr
    assert not (tmp_path / "out" / "drill.html").exists()


def _stretch(strength: float, own: Channel, values: np.ndarray, start_s: float, stop_s: float) -> Stretch:
    time_s = np.arange(len(values)) / own.sample_hz
    return Stretch(values, time_s, start_s, stop_s, own, strength, 50.0, 0.01, 0.8)


def _field(**more: float) -> Channel:
    return Channel("field", "field", "V", 1e-4, 0.0, 250.0, -2048, 2047, **more)


def test_a_line_at_the_electrode_passes_the_front_end():
    """A first-order low-pass lets 1 / sqrt(1 + (f / fc)^2) through (textbook): 0.7071 at its corner."""
    made = {}
    for corner in (None, 50.0):
        it = _stretch(1.0, _field(lowpass_hz=corner), np.zeros(5000), 1.0, 19.0)
        rows = faults.mains(it, np.random.default_rng(3))[500:4500]
        made[corner] = np.abs(np.fft.rfft(rows * np.hanning(len(rows)))).max()
    assert made[50.0] / made[None] == pytest.approx(0.7071, abs=0.004)


def test_a_line_beyond_half_the_rate_folds():
    """50 Hz sampled 60 times a second shows at 60 - 50 = 10 Hz (sampling theorem)."""
    own = Channel("field", "field", "V", 1e-4, 0.0, 60.0, -2048, 2047)
    rows = faults.mains(_stretch(1.0, own, np.zeros(6000), 0.0, 100.0), np.random.default_rng(3))
    hz = np.fft.rfftfreq(6000, 1 / 60)[np.argmax(np.abs(np.fft.rfft(rows)))]
    assert hz == pytest.approx(10.0, abs=50 * 0.005)


def test_without_contact_so_much_less_of_the_body_is_left():
    time_s = np.arange(5000) / 250
    body = 0.05 * np.sin(2 * np.pi * 2 * time_s)
    it = _stretch(20.0, _field(), body, 5.0, 15.0)
    made = faults.contact_partial(it, np.random.default_rng(1))
    inside = slice(1400, 3600)
    left = np.abs(np.fft.rfft(made[inside] * np.hanning(2200)))
    whole = np.abs(np.fft.rfft(body[inside] * np.hanning(2200)))
    at = int(np.argmax(whole))
    assert left[at] / whole[at] == pytest.approx(1 / 20, rel=0.05)
    assert made[~it.inside] == pytest.approx(body[~it.inside], abs=1e-12)


@pytest.mark.parametrize("name", ["hard_rails", "stuck", "held", "zero_filled"])
def test_outside_an_event_nothing_is_another(name):
    values = 0.02 * np.random.default_rng(5).standard_normal(4000)
    values[100:120] = np.nan
    it = _stretch(5.0, _field(), values, 4.0, 9.0)
    made = getattr(faults, name)(it, np.random.default_rng(2))
    outside = ~it.inside & ~np.isnan(values)
    assert np.array_equal(made[outside], values[outside])
    assert not np.array_equal(made[it.inside], values[it.inside])


def test_held_samples_show_the_first_of_each_group():
    values = np.arange(2000.0)
    made = faults.held(_stretch(4.0, _field(), values, 2.0, 4.0), np.random.default_rng(1))
    assert made[500:512].tolist() == [500] * 4 + [504] * 4 + [508] * 4


def test_the_limit_is_where_the_curve_says():
    """Drawn from p = 1 / (1 + exp(-(ln 19 + 4 (x - ln 2)))), which is 95 % at 2 (definition of the logit)."""
    rng = np.random.default_rng(11)
    inside = 0
    for _ in range(40):
        sizes = np.exp(rng.uniform(np.log(0.2), np.log(20), 120))
        found = rng.random(120) < 1 / (1 + np.exp(-(np.log(19) + 4 * np.log(sizes / 2))))
        limit = limit_of(sizes.tolist(), found.tolist())
        assert limit.value is not None
        inside += (limit.low or 0.0) <= 2 <= (limit.high or np.inf)
    # of 40 intervals at 95 % fewer than 34 hold with a probability below 0.002 (binomial)
    assert inside >= 34


def test_a_sharp_limit_lies_between_the_missed_and_the_found():
    sizes = [1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0]
    limit = limit_of(sizes, [size > 2.7 for size in sizes])
    assert limit.value is not None
    assert 2.5 <= limit.value <= 3.2
    assert limit.low is not None
    assert limit.high is not None
    assert limit.low < limit.value < limit.high


def test_what_cannot_be_had_is_none_with_a_reason():
    sizes = np.geomspace(1, 10, 20).tolist()
    assert "only 3" in limit_of(sizes[:3], [True] * 3).why
    assert limit_of(sizes, [True] * 20).value is None
    assert limit_of(sizes, [True] * 20).why.startswith("all 20 were found")
    assert limit_of(sizes, [False] * 20).why == "none of 20 was found"
    falling = limit_of(np.geomspace(1, 100, 120).tolist(), [i < 10 or i % 4 != 0 for i in range(120)])
    assert falling.value is None
    half = limit_of(sizes, [i % 2 == 0 for i in range(20)])
    assert half.value is None
    assert "not reached" in half.why


def _host(clean: tuple[tuple[float, float], ...], framing: str = "sync") -> Host:
    nothing, never = np.zeros(0, np.int64), np.zeros(0)
    places = Places(nothing, nothing, nothing, never, never)
    layout = replace(sync_layout(), framing=framing)
    quality = {"frames": {"duplicate": 0}}
    moving = np.arange(0.0, 100.0)
    return Host("w", layout, (), 50.0, (), places, frozenset(), clean, (), 300.0, {}, {}, moving, quality)


def test_events_lie_apart_on_clean_stretches():
    clean = ((5.0, 120.0), (140.0, 295.0))
    copies = plan([_host(clean)], 6, 3)
    assert copies == plan([_host(clean)], 6, 3)
    assert copies != plan([_host(clean)], 6, 4)
    assert {copy.kind.name for copy in copies} == {kind.name for kind in KINDS}
    for copy in copies:
        if copy.kind.level == "copy":
            continue
        ends = [(event.start_s, event.stop_s) for event in copy.events]
        assert all(any(a <= start and stop <= b for a, b in clean) for start, stop in ends)
        assert all(b[0] - a[1] >= 10.0 for a, b in pairwise(ends))
        low, high = copy.kind.strengths
        assert all(low * 0.999 <= event.strength <= high * 1.001 for event in copy.events)


def test_a_file_without_frames_loses_none():
    copies = plan([_host(((5.0, 295.0),), "wav")], 2, 3)
    assert {"lost", "damaged", "repeated"}.isdisjoint({copy.kind.name for copy in copies})
    assert "without frames" in why_not(BY_NAME["lost"], _host((), "edf"))


def test_at_rest_a_lost_contact_need_not_be_found():
    off = BY_NAME["contact_open"]
    assert off.counts_in(50.0, 10.0, 3.0)
    assert off.counts_in(50.0, 10.0, None)
    assert not off.counts_in(50.0, 10.0, 1.0)
    assert not off.counts_in(5.0, 10.0, 9.0)
    assert BY_NAME["stuck"].counts_in(1.0, 10.0, 0.0)
    host = _host(((5.0, 295.0),))
    assert host.moving_within(90.0, 110.0) == pytest.approx(10, abs=1)


def test_every_condition_of_a_kind_is_a_bit():
    for kind in KINDS:
        assert all(name in CONDITIONS for name in kind.conditions)
        assert bool(kind.conditions) != bool(kind.told_by)
        assert kind.strengths[0] <= kind.matters <= kind.strengths[1]
        assert kind.matters_s <= kind.durations_s[1]
    assert BY_NAME["lost"].counts_in(float("nan"), 0.01)
