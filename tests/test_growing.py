"""Batches that grow and change: what is new costs only itself, and what is gone leaves no ghost.

What a run says before it redoes it is held against what the engine then does: against the times of the files.
"""

import json
import os
import shutil
from pathlib import Path
from typing import Any

import pytest
from conftest import REPOSITORY, sessiongate
from planting import planted
from small import DEMO, dump_of, quality, small_study

from pipeline.retiring import retire

FIRST = ("throw-02", "kiln-06")
STEPS = {
    "convert": ".work/{}/recording.parquet",
    "detect": ".work/{}/detected.json",
    "judge": "{}/quality.json",
    "report": "{}/report.html",
}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    top = tmp_path_factory.mktemp("growing")
    study, results = small_study(top / "study", FIRST), top / "results"
    done = sessiongate("run", study, "--out", results)
    assert done.returncode == 0, done.stdout + done.stderr
    return study, results


@pytest.fixture
def ready(made: tuple[Path, Path], tmp_path: Path) -> tuple[Path, Path]:
    """A copy to change and run again; the engine tells files by their times, so copies keep them."""
    for place, name in zip(made, ("study", "results"), strict=True):
        shutil.copytree(place, tmp_path / name)
    return tmp_path / "study", tmp_path / "results"


def last_run(results: Path) -> dict[str, Any]:
    return dict(json.loads((results / "run.json").read_text(encoding="utf-8"))["last_run"])


def stamps(results: Path) -> dict[tuple[str, str], int]:
    """Time of the last change of each step's file, by session and step."""
    names = [path.parent.name for path in results.glob("*/quality.json")]
    return {
        (name, step): (results / path.format(name)).stat().st_mtime_ns
        for name in names
        for step, path in STEPS.items()
    }


def redone(before: dict[tuple[str, str], int], after: dict[tuple[str, str], int]) -> set[tuple[str, str]]:
    return {key for key, stamp in after.items() if before.get(key) != stamp}


def told(results: Path) -> set[tuple[str, str]]:
    """The same as it was said before: all steps of a session from the first one on.

    A page is never made without its verdict, which comes out as it was where pages alone changed.
    """
    steps = list(STEPS)
    first = {**{step: step for step in steps}, "report": "judge"}
    return {
        (name, step)
        for redo in last_run(results)["redone"]
        for name in redo["sessions"]
        for step in steps[steps.index(first[redo["step"]]) :]
    }


def add(study: Path, session: str) -> None:
    """Add a session of the demo with its dumps and its activity log."""
    for table in ("sessions.csv", "activities.csv"):
        rows = [
            line
            for line in (DEMO / table).read_text(encoding="utf-8").splitlines()
            if line.startswith(session)
        ]
        with (study / table).open("a", encoding="utf-8") as file:
            file.writelines(f"{row}\n" for row in rows)
    for name in dump_of(DEMO, session).parent.glob(f"{session}*"):
        target = study / name.relative_to(DEMO)
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(name, target)


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def test_new_dumps_cost_only_themselves(ready: tuple[Path, Path]) -> None:
    study, results = ready
    before = stamps(results)
    logs = {path: path.stat().st_mtime_ns for path in (results / "logs").glob("*/*.log")}
    add(study, "throw-01")

    done = sessiongate("run", study, "--out", results)

    assert done.returncode == 0, done.stdout + done.stderr
    assert "New: throw-01.\n2 sessions stay as they are.\n" in done.stdout
    assert redone(before, stamps(results)) == {("throw-01", step) for step in STEPS}
    assert all(path.stat().st_mtime_ns == stamp for path, stamp in logs.items())
    assert sorted(path.name for path in (results / "logs" / "throw-01").iterdir()) == sorted(
        path.name for path in (results / "logs" / "kiln-06").iterdir()
    )
    last = last_run(results)
    assert last["redone"] == [{"step": "convert", "why": ["new"], "sessions": ["throw-01"]}]
    assert (last["sessions"]["kept"], last["sessions"]["done"]) == (2, 1)
    for name in ("sessions.csv", "index.html", "signal.csv", "margins.csv"):
        assert "throw-01" in (results / name).read_text(encoding="utf-8")


def limits(study: Path, _: Path) -> None:
    (study / "policy.toml").write_text("[limits]\nlost_fraction = 0.9\nlongest_gap_s = 60\n")


def thresholds(study: Path, _: Path) -> None:
    (study / "policy.toml").write_text("[mains]\nlimit_fraction = 0.001\n")


def mains(study: Path, _: Path) -> None:
    edit(study / "study.toml", "mains_hz = 50", "mains_hz = 60")


def title(study: Path, _: Path) -> None:
    edit(study / "study.toml", "pottery workshop", "pottery")


def layout(study: Path, _: Path) -> None:
    with (study / "layouts" / "radio.toml").open("a", encoding="utf-8") as file:
        file.write("# read again\n")


def log(study: Path, _: Path) -> None:
    lines = (study / "activities.csv").read_text(encoding="utf-8").splitlines()
    kept = [
        line
        for i, line in enumerate(lines)
        if not (line.startswith("kiln-06") and lines[i - 1][:7] != "kiln-06")
    ]
    (study / "activities.csv").write_text("\n".join(kept) + "\n", encoding="utf-8")


def person(study: Path, _: Path) -> None:
    edit(study / "sessions.csv", "throw-02,p2,", "throw-02,p9,")


def start(study: Path, _: Path) -> None:
    edit(study / "sessions.csv", "2026-03-06T11:50:00", "2026-03-06T11:51:00")


def decision(study: Path, _: Path) -> None:
    row = "throw-02,reject,strap over the sleeve,AB,2026-03-09"
    (study / "review.csv").write_text(f"session,decision,reason,initials,date\n{row}\n")


def older_dump(study: Path, _: Path) -> None:
    os.utime(dump_of(study, "kiln-06"), (1_000_000_000, 1_000_000_000))


def gone(_: Path, results: Path) -> None:
    (results / "throw-02" / "findings.parquet").unlink()


def stray(study: Path, _: Path) -> None:
    shutil.copy(dump_of(study, "kiln-06"), dump_of(study, "kiln-06").with_name("nobodys.bin"))


def further_column(study: Path, _: Path) -> None:
    lines = (study / "sessions.csv").read_text(encoding="utf-8").splitlines()
    rows = [f"{lines[0]},glaze", *(f"{line},celadon" for line in lines[1:])]
    (study / "sessions.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")


BOTH = sorted(FIRST)
CHANGES = {
    "limits": ([limits], [("judge", "policy", BOTH)]),
    "thresholds": ([thresholds], [("detect", "detection", BOTH)]),
    "mains": ([mains], [("detect", "mains", BOTH)]),
    "title": ([title], [("judge", "study", BOTH)]),
    "layout and decision": (
        [layout, decision],
        [("convert", "layouts", ["kiln-06"]), ("report", "review", ["throw-02"])],
    ),
    "log and person": ([log, person], [("detect", "log", ["kiln-06"]), ("judge", "facts", ["throw-02"])]),
    "start and lost file": (
        [start, gone],
        [("convert", "row", ["kiln-06"]), ("judge", "gone", ["throw-02"])],
    ),
    "older dump": ([older_dump, stray], [("convert", "dumps", ["kiln-06"])]),
    "stray file": ([stray], [("overview", "files", [])]),
    "further column": ([further_column], [("overview", "told", [])]),
}


@pytest.mark.parametrize("name", CHANGES)
def test_what_is_said_is_what_is_done(ready: tuple[Path, Path], name: str) -> None:
    study, results = ready
    changes, expected = CHANGES[name]
    before, tables = stamps(results), (results / "sessions.csv").stat().st_mtime_ns
    for change in changes:
        change(study, results)

    done = sessiongate("run", study, "--out", results)

    assert done.returncode == 0, done.stdout + done.stderr
    assert last_run(results)["redone"] == [
        {"step": step, "why": [why], "sessions": sessions} for step, why, sessions in expected
    ]
    assert redone(before, stamps(results)) == (told(results) if expected[0][2] else set())
    assert (results / "sessions.csv").stat().st_mtime_ns != tables


def test_nothing_is_said_where_nothing_is_done(ready: tuple[Path, Path]) -> None:
    study, results = ready
    before, tables = stamps(results), (results / "sessions.csv").stat().st_mtime_ns

    done = sessiongate("run", study, "--out", results)

    assert "Nothing to do: everything is as it was." in done.stdout
    assert last_run(results)["redone"] == []
    assert redone(before, stamps(results)) == set()
    assert (results / "sessions.csv").stat().st_mtime_ns == tables


def ghosts(results: Path, session: str) -> list[str]:
    """Where a session that is gone still shows, apart from what was put aside."""
    aside = results / ".work" / "retired"
    places = [path for path in results.rglob("*") if aside not in (path, *path.parents)]
    places = [path for path in places if ".snakemake" not in path.parts and path.name != "run.json"]
    named = [str(path) for path in places if session in path.name]
    files = [path for path in places if path.is_file() and path.name != "progress.log"]
    return named + [str(path) for path in files if session.encode() in path.read_bytes()]


@pytest.mark.parametrize("step", ["convert", "detect", "draw"])
def test_what_was_to_be_redone_and_failed_is_not_forgotten(
    ready: tuple[Path, Path], tmp_path: Path, step: str
) -> None:
    """The engine takes away what a failed step had made before, and its note of what had changed with it."""
    study, results = ready
    before = quality(results, "throw-02")
    dump = dump_of(study, "throw-02")
    dump.write_bytes(dump.read_bytes()[: dump.stat().st_size // 2])
    full = "def full(job, real):\n        raise OSError(28, 'No space left on device')\n"
    env = planted(tmp_path, f"if IS_WORKER:\n    {full}    instead({step!r}, '', full)\n")
    failed = sessiongate("run", study, "--out", results, env=env)
    assert failed.returncode == 1, failed.stdout + failed.stderr

    again = sessiongate("run", study, "--out", results)

    assert again.returncode == 0, again.stdout + again.stderr
    after = quality(results, "throw-02")
    assert after["duration_s"] < 0.6 * before["duration_s"]
    assert after["made_by"]["dumps"] != before["made_by"]["dumps"]
    assert "Nothing to do" in sessiongate("run", study, "--out", results).stdout


def test_a_session_that_is_removed_leaves_no_ghost(ready: tuple[Path, Path]) -> None:
    study, results = ready
    assert ghosts(results, "kiln-06")
    for table in ("sessions.csv", "activities.csv"):
        lines = (study / table).read_text(encoding="utf-8").splitlines()
        kept = [line for line in lines if not line.startswith("kiln-06")]
        (study / table).write_text("\n".join(kept) + "\n", encoding="utf-8")
    shutil.rmtree(study / "dumps" / "strap-a")

    done = sessiongate("run", study, "--out", results)

    assert done.returncode == 0, done.stdout + done.stderr
    assert last_run(results)["retired"] == ["kiln-06"]
    assert last_run(results)["redone"] == [{"step": "overview", "why": ["files", "sessions"], "sessions": []}]
    assert ghosts(results, "kiln-06") == []
    run = json.loads((results / "run.json").read_text(encoding="utf-8"))
    assert list(run["sessions"]) == ["throw-02"]
    assert (results / ".work" / "retired" / "kiln-06" / "quality.json").exists()


def test_a_session_that_is_renamed_is_a_new_one(ready: tuple[Path, Path]) -> None:
    study, results = ready
    for table in ("sessions.csv", "activities.csv"):
        edit(study / table, "kiln-06,", "kiln-16,")

    done = sessiongate("run", study, "--out", results)

    assert done.returncode == 0, done.stdout + done.stderr
    assert "New: kiln-16." in done.stdout
    # its dump keeps its name, which tells of the old one
    assert [path for path in ghosts(results, "kiln-06,") if not path.endswith(".html")] == []
    assert not (results / "kiln-06").exists()
    assert not (results / ".work" / "kiln-06").exists()
    assert not (results / "logs" / "kiln-06").exists()
    assert quality(results, "kiln-16")["session"] == "kiln-16"


def test_nightly_runs_pile_up_no_logs(tmp_path: Path) -> None:
    folder = tmp_path / ".snakemake" / "log"
    folder.mkdir(parents=True)
    for day in range(1, 31):
        (folder / f"2026-03-{day:02}T020000.000000.snakemake.log").touch()
    assert retire(tmp_path, []) == []
    kept = sorted(path.name[:10] for path in folder.iterdir())
    assert (kept[0], kept[-1], len(kept)) == ("2026-03-11", "2026-03-30", 20)


def test_a_session_that_cannot_be_read_any_more_keeps_no_recording(tmp_path: Path) -> None:
    """Recordings at further rates and events, which no rule names, go with the one that it names."""
    study, results = small_study(tmp_path / "study", ("kiln-07",)), tmp_path / "results"
    assert sessiongate("run", study, "--out", results).returncode == 0
    assert (results / "kiln-07" / "samples_50hz.parquet").exists()
    assert (results / "kiln-07" / "events.parquet").exists()
    dump_of(study, "kiln-07").write_bytes(b"")

    done = sessiongate("run", study, "--out", results)

    assert done.returncode == 1
    assert sorted(path.name for path in (results / "kiln-07").iterdir()) == [
        "findings.parquet",
        "quality.json",
        "report.html",
        "samples.parquet",
    ]
    assert not list((results / ".work" / "kiln-07").glob("*hz.parquet"))


def test_an_upgrade_says_what_it_redoes_and_why(ready: tuple[Path, Path], tmp_path: Path) -> None:
    """Another version that judges in another way, and reads and detects as before."""
    study, results = ready
    before, copy = stamps(results), tmp_path / "upgraded"
    for name in ("pipeline", "schemas"):
        shutil.copytree(REPOSITORY / name, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(REPOSITORY / "Snakefile", copy)
    (copy / "pipeline" / "__init__.py").write_text('"""Another version."""\n\n__version__ = "99.0.0"\n')
    with (copy / "pipeline" / "verdict" / "judge.py").open("a", encoding="utf-8") as file:
        file.write("\n# another way\n")
    path = os.pathsep.join([str(copy), os.environ.get("PYTHONPATH", "")])

    done = sessiongate("run", study, "--out", results, env={**os.environ, "PYTHONPATH": path}, cwd=copy)

    assert done.returncode == 0, done.stdout + done.stderr
    lines = done.stdout.splitlines()
    said = "Judged again: kiln-06, throw-02 (sessiongate 99.0.0 judges differently from "
    where = next(i for i, line in enumerate(lines) if line.startswith(said))
    assert lines[where].endswith("which made these results).")
    assert lines[where + 1] == "Nothing is converted again."
    assert where < next(i for i, line in enumerate(lines) if "kiln-06:" in line)  # before it is done
    assert redone(before, stamps(results)) == told(results)
    assert last_run(results)["redone"] == [{"step": "judge", "why": ["code"], "sessions": BOTH}]
    assert json.loads((results / "run.json").read_text(encoding="utf-8"))["version"] == "99.0.0"
