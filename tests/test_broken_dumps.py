"""A card or a disk that does not give a dump: its session ends as unreadable until it does, alone."""

import errno
import io
from pathlib import Path

import pytest
from finished import STARTED
from small import dump_of, quality, small_study

from pipeline.serving import run_here
from pipeline.steps import by_name
from pipeline.steps.job import StepFailed, last_failure
from pipeline.steps.present import overview
from pipeline.steps.signal import check_signal
from pipeline.workflow import Plan

REAL = Path.open


class Breaks(io.FileIO):
    """A file of a card that reads no further."""

    AFTER = 20_000

    def readinto(self, buffer) -> int:
        if self.tell() >= self.AFTER:
            raise OSError(errno.EIO, "Input/output error")
        return super().readinto(memoryview(buffer)[: self.AFTER])


def gives_up(path: Path) -> io.BufferedReader:
    return io.BufferedReader(Breaks(path))


def is_denied(path: Path) -> io.BufferedReader:
    raise PermissionError(errno.EACCES, "Permission denied", str(path))


def failing(dump: Path, how):
    def opened(path, *args, **more):
        return how(path) if path == dump else REAL(path, *args, **more)

    return opened


def run_all(plan: Plan) -> None:
    for job in plan.jobs.values():
        for step in by_name.SESSION_STEPS:
            run_here(step, job)
    overview(plan.tables)


@pytest.mark.parametrize(
    ("how", "words"), [(gives_up, "Input/output error"), (is_denied, "Permission denied")]
)
@pytest.mark.parametrize("session", ["throw-01", "kiln-01"])
def test_a_dump_that_the_disk_does_not_give(tmp_path, monkeypatch, how, words, session):
    """Of two dumps, too, the other one alone is not taken for the session; others go on."""
    study = small_study(tmp_path / "study", (session, "throw-02"))
    of_session = next(
        line for line in (study / "sessions.csv").read_text().splitlines() if line.startswith(session)
    )
    last = study / of_session.split(",")[5].split(";")[-1]
    plan = Plan.of(str(study), str(tmp_path / "results"), STARTED)
    with monkeypatch.context() as patched:
        patched.setattr(Path, "open", failing(last, how))
        run_all(plan)

    told = quality(plan.results, session)
    assert (told["verdict"], quality(plan.results, "throw-02")["verdict"]) == ("unreadable", "accept")
    assert words in told["sentence"]
    assert "Traceback" not in told["sentence"]
    assert words in last_failure(plan.jobs[session].places)
    assert all(n >= 0 for ledger in told["ledger"].values() for n in ledger.values())
    again = Plan.of(str(study), str(tmp_path / "results"), STARTED)
    assert again.origins[session] != plan.origins[session], "the next run has to begin it anew"
    run_all(again)
    assert quality(plan.results, session)["verdict"] != "unreadable"


@pytest.mark.parametrize("failing_step", ["convert", "validate", "detect", "draw", "judge"])
def test_what_went_wrong_stands_in_the_verdict(tmp_path, monkeypatch, failing_step):
    def fail(job):
        raise MemoryError("the wheel stood still")

    plan = Plan.of(str(small_study(tmp_path / "study", ("throw-02",))), str(tmp_path / "results"), STARTED)
    monkeypatch.setattr(by_name, "SESSION_STEPS", {**by_name.SESSION_STEPS, failing_step: fail})
    run_all(plan)
    told = quality(plan.results, "throw-02")
    assert told["verdict"] == "unreadable"
    assert "the wheel stood still" in told["sentence"]
    assert f"step '{failing_step}'" in told["sentence"]


def test_windows_with_a_whole_foot_and_garbage_before_it_are_made_anew(tmp_path):
    plan = Plan.of(str(small_study(tmp_path / "study", ("throw-02",))), str(tmp_path / "results"), STARTED)
    run_all(plan)
    signal = plan.jobs["throw-02"].places.signal
    data = bytearray(signal.read_bytes())
    foot = int.from_bytes(data[-8:-4], "little") + 8
    data[4 : len(data) - foot] = b"\xff" * (len(data) - foot - 4)
    signal.write_bytes(data)
    with pytest.raises(StepFailed, match="throw-02: files were changed and cannot be read"):
        check_signal(plan.tables)
    assert signal.name in last_failure(plan.jobs["throw-02"].places)


def test_a_dump_in_a_folder_that_is_gone_is_no_fault_of_the_disk(tmp_path):
    study = small_study(tmp_path / "study", ("throw-02",))
    plan = Plan.of(str(study), str(tmp_path / "results"), STARTED)
    dump_of(study, "throw-02").unlink()
    run_all(plan)
    assert "no such file" in quality(plan.results, "throw-02")["sentence"]
    assert last_failure(plan.jobs["throw-02"].places) == ""
