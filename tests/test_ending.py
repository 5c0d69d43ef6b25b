"""run.json: about the results and about the last run, however it ended; nothing that was good is lost."""

import json
from pathlib import Path

import pytest

from pipeline.ending import LAST, Ending, has_finished, made_by
from pipeline.outlook import Redo
from pipeline.steps.words import RECORD
from pipeline.watching import Done

RECORDED = {"study": "A pottery workshop (invented)", "version": "0.1.0", "sessions": {"kiln-01": "accept"}}


@pytest.fixture
def results(tmp_path: Path) -> Path:
    """Two sessions, one of them judged, and what the tables were made of."""
    (tmp_path / ".work").mkdir()
    (tmp_path / ".work" / RECORD).write_text(json.dumps(RECORDED))
    (tmp_path / "kiln-01").mkdir()
    (tmp_path / "kiln-01" / "quality.json").write_text('{"verdict": "accept"}')
    return tmp_path


def run_json(results: Path) -> dict:
    return json.loads((results / "run.json").read_text(encoding="utf-8"))


def done() -> Done:
    names = ("kiln-01", "kiln-02", "kiln-03")
    it = Done(redone=(Redo("judge", ("policy",), names),), to_do=names, engine=1, reasons=("no space",))
    it.add("kiln-01", "accept", "+ kiln-01: Can be used.")
    it.add("kiln-02", None, "! kiln-02: step 'judge': no space")
    return it


def test_a_run_that_ended_is_told_in_numbers_and_names(results: Path) -> None:
    ending = Ending(results, ["kiln-01", "kiln-02", "kiln-03", "kiln-04"])
    ending.begin(2)
    ending.end("failed", 1, done())
    found = run_json(results)
    last = found.pop(LAST)
    assert found == RECORDED
    assert (last["outcome"], last["exit_code"], last["jobs"]) == ("failed", 1, 2)
    assert last["started"] <= last["finished"]
    assert last["seconds"] >= 0
    assert last["sessions"] == {
        "in_study": 4, "kept": 1, "to_do": 3, "done": 1, "failed": 1, "left": 1,
    }  # fmt: skip
    assert last["counts"] == {"accept": 1, "accept_in_part": 0, "reject": 0, "unreadable": 0, "none": 3}
    assert last["failed"] == [{"session": "kiln-02", "why": "! kiln-02: step 'judge': no space"}]
    assert last["redone"] == [
        {"step": "judge", "why": ["policy"], "sessions": ["kiln-01", "kiln-02", "kiln-03"]}
    ]
    assert last["engine"] == {"exit_code": 1, "reasons": ["no space"]}
    assert last["libraries"]["numpy"]


def test_a_run_that_is_killed_leaves_that_it_was_at_work(results: Path) -> None:
    """What the results are made of stays, also where the engine had taken its record away to write anew."""
    Ending(results, ["kiln-01"]).begin(2)
    (results / ".work" / RECORD).unlink()
    Ending(results, ["kiln-01"]).begin(1)
    found = run_json(results)
    assert found.pop(LAST)["outcome"] == "running"
    assert found == RECORDED
    assert made_by(results) == "0.1.0"


def test_a_first_run_that_was_stopped_has_a_record_of_that_alone(tmp_path: Path) -> None:
    ending = Ending(tmp_path, ["kiln-01"])
    ending.begin(2)
    ending.end("stopped", 130, Done())
    assert list(run_json(tmp_path)) == [LAST]
    assert run_json(tmp_path)[LAST]["exit_code"] == 130
    assert made_by(tmp_path) == ""


def test_a_record_that_cannot_be_read_stops_nothing(results: Path) -> None:
    (results / ".work" / RECORD).write_text("{")
    (results / "run.json").write_bytes(b"\xff")
    ending = Ending(results, ["kiln-01"])
    ending.begin(1)
    ending.end("finished", 0, Done())
    assert run_json(results)[LAST]["exit_code"] == 0


def test_a_full_disk_at_the_end_keeps_the_record_of_the_beginning(
    results: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ending = Ending(results, ["kiln-01"])
    ending.begin(1)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pipeline.ending.write_json", full)
    ending.end("failed", 1, Done())
    assert run_json(results)[LAST]["outcome"] == "running"


@pytest.mark.parametrize(
    ("outcome", "finished"), [("finished", True), ("failed", False), ("stopped", False), ("running", False)]
)
def test_only_a_run_that_finished_leaves_no_jobs_on_a_cluster(results: Path, outcome, finished) -> None:
    """An engine that is killed alone ends its run as failed, and its jobs go on."""
    assert not has_finished(results)
    Ending(results, ["kiln-01"]).end(outcome, 1, done())
    assert has_finished(results) is finished
