"""Runs with nothing to do: nobody asks the workflow engine, and whatever changed is noticed all the same."""

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from conftest import sessiongate
from planting import planted
from small import dump_of
from tiny import SESSIONS, apart, made, tiny_study

NO_ENGINE = "if IS_ENGINE:\n    import os\n    os._exit(9)\n"
NAME = SESSIONS[0]


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    top = tmp_path_factory.mktemp("unchanged")
    study, results = tiny_study(top / "study", SESSIONS), top / "results"
    ran = sessiongate("run", study, "--out", results)
    assert ran.returncode == 0, ran.stdout + ran.stderr
    return study, results


@pytest.fixture
def ready(done: tuple[Path, Path], tmp_path: Path) -> tuple[Path, Path]:
    """The same at the same place, put back afterwards with the times that files had."""
    for place in done:
        shutil.copytree(place, tmp_path / place.name)
    yield done
    for place in done:
        shutil.rmtree(place)
        shutil.copytree(tmp_path / place.name, place)


def test_a_run_with_nothing_to_do_starts_no_engine(ready: tuple[Path, Path], tmp_path: Path) -> None:
    study, results = ready
    before = made(results)
    ran = sessiongate("run", study, "--out", results, env=planted(tmp_path, NO_ENGINE))
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert "Nothing to do: everything is as it was." in ran.stdout
    assert apart(made(results), before) in ([], ["run.json"])


def later(path: Path) -> None:
    os.utime(path, (1_000_000_000, 1_000_000_000))


def another_limit(study: Path, results: Path) -> None:
    (study / "policy.toml").write_text("[limits]\nlost_fraction = 0.0003\n", encoding="utf-8")


def another_column(study: Path, results: Path) -> None:
    table = study / "sessions.csv"
    head, *rows = table.read_text(encoding="utf-8").splitlines()
    table.write_text("\n".join([f"{head},shoes", *(f"{row},clogs" for row in rows)]) + "\n", encoding="utf-8")


CHANGES: dict[str, Callable[[Path, Path], None]] = {
    "a dump of another time": lambda study, results: later(dump_of(study, NAME)),
    "another limit": another_limit,
    "another column of the sessions table": another_column,
    "a file beside the dumps": lambda study, results: (
        dump_of(study, NAME).with_name("other.bin").write_bytes(b"1")
    ),
    "a page that is gone": lambda study, results: (results / NAME / "report.html").unlink(),
    "a page that was written to": lambda study, results: later(results / NAME / "report.html"),
    "a table that is gone": lambda study, results: (results / "sessions.csv").unlink(),
    "a file between steps that is gone": lambda study, results: (
        results / ".work" / NAME / "marks.parquet"
    ).unlink(),
    "a record that is gone": lambda study, results: (results / ".work" / "record.json").unlink(),
    "no note of how it was": lambda study, results: (results / ".work" / "seal.txt").unlink(),
}


@pytest.mark.parametrize("name", CHANGES)
def test_whatever_changed_is_asked_about(ready: tuple[Path, Path], tmp_path: Path, name: str) -> None:
    study, results = ready
    CHANGES[name](study, results)
    ran = sessiongate("run", study, "--out", results, env=planted(tmp_path, NO_ENGINE))
    assert ran.returncode == 1
    assert "engine ended with 9" in ran.stderr


def test_after_a_run_that_did_not_finish_the_engine_is_asked(
    ready: tuple[Path, Path], tmp_path: Path
) -> None:
    """What was noted then is of no use, as files differ from it."""
    study, results = ready
    later(dump_of(study, NAME))
    dies = "if IS_WORKER:\n    import os\n    instead('detect', '', lambda job, real: os._exit(9))\n"
    (tmp_path / "one").mkdir()
    sessiongate("run", study, "--out", results, env=planted(tmp_path / "one", dies))
    ran = sessiongate("run", study, "--out", results, env=planted(tmp_path, NO_ENGINE))
    assert ran.returncode == 1
    assert "engine ended with 9" in ran.stderr


def test_what_comes_during_a_run_is_noticed_by_the_next(ready: tuple[Path, Path], tmp_path: Path) -> None:
    study, results = ready
    later(dump_of(study, NAME))
    other = dump_of(study, NAME).with_name("other.bin")
    adds = f"def add(job, real):\n        open({str(other)!r}, 'w').close()\n        return real(job)\n"
    program = f"if IS_WORKER:\n    {adds}    instead('convert', '', add)\n"
    (tmp_path / "one").mkdir()
    ran = sessiongate("run", study, "--out", results, env=planted(tmp_path / "one", program))
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert other.exists()
    ran = sessiongate("run", study, "--out", results, env=planted(tmp_path, NO_ENGINE))
    assert ran.returncode == 1
    assert "engine ended with 9" in ran.stderr
