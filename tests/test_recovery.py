"""What goes wrong around a run heals: lost and broken files, killed processes, vanished sessions."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from conftest import REPOSITORY, sessiongate
from test_workflow import _dump_of, small_study

from pipeline.engine_words import Faults
from pipeline.errors import InputError
from pipeline.holding import RUN, Busy, claim, held
from pipeline.retiring import retire
from pipeline.study import check_folders
from pipeline.workflow import Plan

FINAL = ("samples.parquet", "findings.parquet", "quality.json", "report.html")


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> tuple[Path, Path]:
    """One study of two sessions and its results; tests work in copies."""
    top = tmp_path_factory.mktemp("made")
    study, results = small_study(top / "study", ("throw-01", "throw-02")), top / "results"
    done = sessiongate("run", study, "--out", results)
    assert done.returncode == 0, done.stdout + done.stderr
    return study, results


@pytest.fixture
def ready(made, tmp_path) -> tuple[Path, Path]:
    """The same, to change and run again; the engine tells files by their times, so copies keep them."""
    for place, name in zip(made, ("study", "results"), strict=True):
        shutil.copytree(place, tmp_path / name)
    return tmp_path / "study", tmp_path / "results"


def quality(results: Path, session: str) -> dict:
    return json.loads((results / session / "quality.json").read_text(encoding="utf-8"))


def is_whole(results: Path, session: str) -> bool:
    return (
        all((results / session / name).is_file() for name in FINAL)
        and pq.read_table(results / session / "samples.parquet").num_rows > 0
    )


def start(study: Path, results: Path, *more: str, **options) -> "subprocess.Popen[str]":
    """A run in the background."""
    command = [sys.executable, "-m", "pipeline.cli", "run", str(study), "--out", str(results), *more]
    return subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, encoding="utf-8", **options
    )


def wait_for(condition, seconds: float = 60):
    """The first true value of a condition."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if value := condition():
            return value
        time.sleep(0.02)
    raise AssertionError("it did not come true in time")


def children(pid: int) -> list[int]:
    """Processes that a process started (proc(5))."""
    place = Path(f"/proc/{pid}/task/{pid}/children")
    if not place.exists():
        pytest.skip("needs /proc with children")
    tasks = Path(f"/proc/{pid}/task").glob("*/children")
    return [int(child) for task in tasks for child in task.read_text().split()]


def is_gone(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except OSError:
        return True


# Lost files and folders


@pytest.mark.parametrize(
    "lost",
    [
        ["throw-01/report.html", "throw-02/samples.parquet", "flow.svg"],
        ["throw-01", ".work/throw-02"],
    ],
)
def test_what_was_deleted_comes_back(ready, lost):
    study, results = ready
    for name in lost:
        if (results / name).is_dir():
            shutil.rmtree(results / name)
        else:
            (results / name).unlink()

    done = sessiongate("run", study, "--out", results)

    assert done.returncode == 0, done.stdout + done.stderr
    assert all((results / name).exists() for name in lost)
    assert is_whole(results, "throw-01")
    assert is_whole(results, "throw-02")


@pytest.mark.parametrize(
    "broken",
    [
        {".work/throw-01/recording.parquet": b"glaze" * 1000, "throw-02/quality.json": b"{"},
        {".work/throw-01/conversion.json": b'{"status": "o', ".work/throw-02/strip.svg": b"\xff\xfe"},
        {".work/throw-01/marks.parquet": b"PAR1", ".work/throw-02/detected.json": b""},
    ],
    ids=lambda broken: next(iter(broken)),
)
def test_broken_files_heal(ready, broken):
    """A clear line, and the next run sets it right."""
    study, results = ready
    for name, content in broken.items():
        (results / name).write_bytes(content)

    first = sessiongate("run", study, "--out", results)
    second = sessiongate("run", study, "--out", results)

    assert "Traceback" not in first.stdout + first.stderr
    assert first.returncode == 1
    for session in ("throw-01", "throw-02"):
        assert session in first.stdout + first.stderr
        assert second.returncode == 0, second.stdout + second.stderr
        assert quality(results, session)["verdict"] == "accept"
        assert is_whole(results, session)
    if ".work/throw-01/recording.parquet" in broken:
        third = sessiongate("run", study, "--out", results)
        assert " of 2  " not in third.stdout  # nothing was done


# Changed and vanished dumps


def test_an_older_dump_in_its_place_is_converted(ready):
    study, results = ready
    dump = _dump_of(study, "throw-01")
    dump.write_bytes(dump.read_bytes()[: dump.stat().st_size // 2])
    os.utime(dump, (1_000_000_000, 1_000_000_000))
    before = quality(results, "throw-01")["n_samples"]

    done = sessiongate("run", study, "--out", results)

    assert done.returncode == 0, done.stdout + done.stderr
    assert 0 < quality(results, "throw-01")["n_samples"] < before
    assert "throw-02:" not in done.stdout


def test_a_changed_layout_converts_again(ready):
    study, results = ready
    layout = study / "layouts" / "radio.toml"
    layout.write_text(layout.read_text(encoding="utf-8") + "# read again\n", encoding="utf-8")

    done = sessiongate("run", study, "--out", results)

    assert "throw-01:" in done.stdout
    assert "throw-02:" not in done.stdout


def test_a_dump_that_vanishes_after_planning(tmp_path):
    """The plan counts it, the conversion finds nothing: the session is unreadable, the others go on."""
    study, results = small_study(tmp_path / "study", ("throw-01", "throw-02")), tmp_path / "results"
    dump = _dump_of(study, "throw-01")
    run = start(study, results)
    wait_for(lambda: (results / ".work" / RUN).exists())
    dump.unlink()
    text, _ = run.communicate(timeout=120)

    assert run.returncode == 1, text
    assert quality(results, "throw-01")["verdict"] == "unreadable"
    assert is_whole(results, "throw-02")
    assert (results / "index.html").exists()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
def test_a_pipe_in_place_of_a_dump(ready):
    study, results = ready
    dump = _dump_of(study, "throw-01")
    dump.unlink()
    os.mkfifo(dump)

    done = sessiongate("run", study, "--out", results)

    assert done.returncode == 1
    assert "no regular file" in quality(results, "throw-01")["sentence"]


def test_peek_at_a_folder_or_nothing_talks_of_no_table(tmp_path):
    layout = REPOSITORY / "demo_raw" / "layouts" / "radio.toml"
    for place, words in ((tmp_path, "a folder"), (tmp_path / "none.bin", "no such file")):
        done = sessiongate("peek", place, "--layout", layout)
        assert done.returncode == 2
        assert words in done.stderr
        assert "table" not in done.stderr


# Names


def test_odd_names_work(tmp_path):
    """Braces of the engine, patterns of the shell, percent signs, quotes, spaces, umlauts."""
    odd = "{session} {x}{ $HOME %s *[a]? ö 'q' \"r\" & # ;"
    study, results = small_study(tmp_path / f"study {odd}", ("throw-02",)), tmp_path / f"results {odd}"
    table = study / "sessions.csv"
    dump = _dump_of(study, "throw-02")
    dump.rename(dump.with_name("{glaze} [1].log"))
    (study / "layouts" / "serial.toml").rename(study / "layouts" / "se{r}ial.toml")
    text = table.read_text(encoding="utf-8").replace(dump.name, "{glaze} [1].log")
    table.write_text(text.replace(",serial,", ",se{r}ial,"), encoding="utf-8")

    first = sessiongate("run", study, "--out", results)
    second = sessiongate("run", study, "--out", results)

    assert first.returncode == 0, first.stdout + first.stderr
    assert is_whole(results, "throw-02")
    assert second.returncode == 0, second.stdout + second.stderr
    assert "throw-02:" not in second.stdout


@pytest.mark.parametrize("odd", ["a\nb", "a\rb", "a\x1bb", "a\u2028b"])
def test_line_breaks_in_paths_are_refused(tmp_path, odd):
    study = small_study(tmp_path / "study", ("throw-02",))

    done = sessiongate("run", study, "--out", tmp_path / odd)

    assert done.returncode == 2
    assert "line breaks" in done.stderr
    assert not (tmp_path / odd).exists()
    shutil.move(study, tmp_path / odd)
    with pytest.raises(InputError, match="line breaks"):
        Plan.of(str(tmp_path / odd), str(tmp_path / "results"), "")


def test_a_line_break_in_a_dumps_name_is_refused(tmp_path):
    study = small_study(tmp_path / "study", ("throw-02",))
    table = study / "sessions.csv"
    name = "dumps/strap-b/throw-02.log"
    text = table.read_text(encoding="utf-8")
    table.write_text(text.replace(name, '"dumps/throw\n02.log"'), encoding="utf-8")

    done = sessiongate("run", study, "--out", tmp_path / "results")

    assert done.returncode == 2


# Foreign folders, and folders of sessions that are gone


def test_a_folder_with_the_engines_notes_is_not_ours(tmp_path):
    study, results = small_study(tmp_path / "study", ("throw-02",)), tmp_path / "results"
    (results / ".snakemake").mkdir(parents=True)
    assert check_folders(study, results) == []
    (results / "index.html").write_text("glaze notes")

    done = sessiongate("run", study, "--out", results)

    assert done.returncode == 2
    assert "other files" in done.stderr
    assert (results / "index.html").read_text() == "glaze notes"


def test_sessions_that_are_gone_are_retired(ready):
    study, results = ready
    (results / "glaze notes").mkdir()
    for table in (study / "sessions.csv", study / "activities.csv"):
        text = table.read_text(encoding="utf-8").replace("throw-01,", "throw-11,")
        table.write_text(text, encoding="utf-8")

    done = sessiongate("run", study, "--out", results)

    assert done.returncode == 0, done.stdout + done.stderr
    assert "throw-01" in done.stdout.splitlines()[0]
    found = {path.parent.name for path in results.glob("*/samples.parquet")}
    assert found == {"throw-02", "throw-11"}
    assert is_whole(results / ".work" / "retired", "throw-01")
    assert not (results / "logs" / "throw-01").exists()
    assert (results / "glaze notes").is_dir()


def test_a_later_retired_folder_replaces_an_earlier(tmp_path):
    for i in range(2):
        (tmp_path / "kiln-09").mkdir()
        (tmp_path / "kiln-09" / "quality.json").write_text(str(i))
        assert retire(tmp_path, ["kiln-10"]) == ["kiln-09"]
    assert (tmp_path / ".work" / "retired" / "kiln-09" / "quality.json").read_text() == "1"
    assert retire(tmp_path, ["kiln-10"]) == []


# Killed processes


@pytest.fixture
def long_study(tmp_path) -> Path:
    """One session of a few seconds' work and a short one."""
    study = small_study(tmp_path / "study", ("throw-01", "throw-02"))
    dump = _dump_of(study, "throw-01")
    dump.write_bytes(dump.read_bytes() * 4)
    return study


def workers_of(run: "subprocess.Popen[str]") -> list[int]:
    """Workers of a run that have begun."""
    started = [child for engine in children(run.pid) for child in children(engine)]
    return [child for child in started if b"pipeline.workers" in Path(f"/proc/{child}/cmdline").read_bytes()]


def test_a_worker_that_is_killed_once_costs_nothing(tmp_path, long_study):
    run = start(long_study, tmp_path / "results", "--jobs", "1")
    os.kill(wait_for(lambda: workers_of(run))[0], signal.SIGKILL)
    text, _ = run.communicate(timeout=120)

    assert run.returncode == 0, text
    assert is_whole(tmp_path / "results", "throw-01")


def test_a_step_that_always_dies_costs_its_session_only(tmp_path):
    """Given up after the second time: unreadable with its reason, and done again by the next run."""
    study, results = small_study(tmp_path / "study", ("throw-01", "throw-02")), tmp_path / "results"
    deadly = tmp_path / "deadly"
    deadly.mkdir()
    # Python runs this module at start-up (documentation of `site`); it stands for a lack of memory.
    (deadly / "sitecustomize.py").write_text(
        "import os, signal\n"
        "import pipeline.steps.convert as steps\n"
        "real = steps.convert\n"
        "def convert(job):\n"
        "    if job.session.name == 'throw-01':\n"
        "        os.kill(os.getpid(), signal.SIGKILL)\n"
        "    return real(job)\n"
        "steps.convert = convert\n"
    )
    path = os.pathsep.join([str(deadly), str(REPOSITORY), os.environ.get("PYTHONPATH", "")])

    done = sessiongate("run", study, "--out", results, env={**os.environ, "PYTHONPATH": path})

    assert done.returncode == 1, done.stdout + done.stderr
    assert "out of memory" in done.stdout
    assert quality(results, "throw-01")["verdict"] == "unreadable"
    assert "'convert'" in quality(results, "throw-01")["sentence"]
    assert is_whole(results, "throw-02")
    assert (results / "index.html").exists()
    again = sessiongate("run", study, "--out", results)
    assert again.returncode == 0, again.stdout + again.stderr
    assert "throw-02:" not in again.stdout
    assert is_whole(results, "throw-01")


def test_a_killed_engine_is_cleared_away(tmp_path, long_study):
    """Its workers end, the run says so in words, and the next one lifts the lock and completes."""
    results = tmp_path / "results"
    run = start(long_study, results)
    workers = wait_for(lambda: workers_of(run))
    os.kill(children(run.pid)[0], signal.SIGKILL)
    text, _ = run.communicate(timeout=60)
    assert run.returncode == 1
    assert "Not finished" in text
    wait_for(lambda: all(is_gone(worker) for worker in workers))

    done = sessiongate("run", long_study, "--out", results)

    assert done.returncode == 0, done.stdout + done.stderr
    assert "lock is lifted" in done.stdout
    assert is_whole(results, "throw-01")


def test_two_runs_at_once(tmp_path, long_study):
    """The second refuses, also when only the engine of the first is left; the first is not disturbed."""
    results = tmp_path / "results"
    first = start(long_study, results)
    wait_for(lambda: workers_of(first))
    engine = children(first.pid)[0]

    second = sessiongate("run", long_study, "--out", results)
    assert second.returncode == 1
    assert "Another run" in second.stderr
    assert "Traceback" not in second.stdout + second.stderr

    first.kill()
    first.communicate()
    third = sessiongate("run", long_study, "--out", results)
    assert third.returncode == 1
    assert "Another run" in third.stderr

    wait_for(lambda: is_gone(engine))
    last = sessiongate("run", long_study, "--out", results)
    assert last.returncode == 0, last.stdout + last.stderr
    assert is_whole(results, "throw-01")


def test_ctrl_c_is_orderly(tmp_path, long_study):
    """The whole process group gets the signal, as from a terminal."""
    results = tmp_path / "results"
    run = start(long_study, results, "--jobs", "1", start_new_session=True)
    workers = wait_for(lambda: workers_of(run))
    os.killpg(run.pid, signal.SIGINT)
    text, _ = run.communicate(timeout=60)

    assert run.returncode == 130, text
    assert "Traceback" not in text
    wait_for(lambda: all(is_gone(worker) for worker in workers))
    assert not list((results / ".snakemake").glob("locks/*"))
    again = sessiongate("run", long_study, "--out", results)
    assert again.returncode == 0, again.stdout + again.stderr
    assert is_whole(results, "throw-01")


def test_the_lock_of_a_process_that_is_gone_or_another(tmp_path):
    """A number that another process got since is told by its start; another host's is never lifted."""
    lock = tmp_path / RUN
    dead = subprocess.Popen([sys.executable, "-c", ""])
    dead.wait()
    for text in ("", "{", f'{{"pid": {dead.pid}, "host": "h", "began": ""}}'.replace('"h"', _host())):
        lock.write_text(text)
        with held(lock):
            pass
    if Path("/proc/self/stat").exists():
        lock.write_text(f'{{"pid": {os.getpid()}, "host": {_host()}, "began": "1"}}')
        with held(lock):
            pass
    claim(lock, os.getpid())
    with pytest.raises(Busy, match="Another run"), held(lock):
        pass
    lock.write_text('{"pid": 1, "host": "kiln.example", "began": ""}')
    with pytest.raises(Busy, match=r"kiln\.example"), held(lock):
        pass


def _host() -> str:
    import socket

    return json.dumps(socket.gethostname())


# Words


def test_reasons_are_heard(tmp_path):
    """However long ago they passed; the forms are those that the engine, version 9.27, prints."""
    faults = Faults(tmp_path)
    heard = [
        "RuleException:",
        'StepFailed in file "Snakefile", line 70:',
        "throw-01: step 'convert': no.",
        '  File "Snakefile", line 70, in __rule_convert',
        "WorkflowError:",
        "Failed to open the kiln.",
        "MissingInputException in rule judge in file Snakefile, line 9:",
        "Missing input files for rule judge:",
        "    output: quality.json",
        *["Finished jobid: 1 (Rule: convert)"] * 1000,
    ]
    for line in heard:
        faults.hear(line + "\n")

    assert faults.told() == [
        "throw-01: step 'convert': no.",
        "WorkflowError: Failed to open the kiln.",
        "MissingInputException: Missing input files for rule judge:",
    ]


def test_a_failure_says_why(ready):
    """A log that cannot be written ends the step itself; the reason is on the screen, not in a file alone."""
    study, results = ready
    shutil.rmtree(results / "logs" / "throw-01")
    shutil.rmtree(results / "throw-01")
    (results / "logs" / "throw-01").write_text("in the way")

    done = sessiongate("run", study, "--out", results)

    assert done.returncode == 1
    assert "Not a directory" in done.stderr
    assert "complete" not in done.stderr
    assert "Traceback" not in done.stdout + done.stderr


def test_a_changed_drawing_counts_as_code(tmp_path, monkeypatch):
    """Templates of every kind are part of what a step depends on; compiled files are not."""
    from pipeline.steps import job

    package = tmp_path / "pipeline"
    (package / "steps").mkdir(parents=True)
    (package / "report").mkdir()
    (package / "report" / "flow.svg").write_text("<svg/>")
    monkeypatch.setattr(job, "__file__", str(package / "steps" / "job.py"))
    monkeypatch.setattr(job, "STEP_CODE", {"report": ("report",)})
    first = job.code_digest("report")
    (package / "report" / "parts.pyc").write_bytes(b"x")
    assert job.code_digest("report") == first
    (package / "report" / "flow.svg").write_text("<svg></svg>")
    assert job.code_digest("report") != first
