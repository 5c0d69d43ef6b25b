"""The workflow: only what changed is redone; a bad session stops no other; a wrong study starts nothing."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from conftest import REPOSITORY, sessiongate
from small import DEMO, SESSIONS, dump_of, small_study

STEPS = {
    "convert": ".work/{}/recording.parquet",
    "detect": ".work/{}/detected.json",
    "draw": ".work/{}/drawn.npz",
    "judge": "{}/quality.json",
    "report": "{}/report.html",
}


def stamps(results: Path, sessions=SESSIONS) -> dict[str, dict[str, int]]:
    """Time of the last change of each step's file."""
    return {
        s: {step: (results / p.format(s)).stat().st_mtime_ns for step, p in STEPS.items()} for s in sessions
    }


def redone(before, after) -> set[tuple[str, str]]:
    return {(s, step) for s in after for step in STEPS if before[s][step] != after[s][step]}


@pytest.fixture(scope="module")
def ready(tmp_path_factory) -> tuple[Path, Path]:
    """A small study, and its results, that tests may change and run again."""
    top = tmp_path_factory.mktemp("räume und öfen")
    study, results = small_study(top / "the study"), top / "the results"
    done = sessiongate("run", study, "--out", results)
    assert done.returncode == 0, done.stdout + done.stderr
    return study, results


def test_nothing_is_done_twice(ready):
    study, results = ready
    before = stamps(results)

    done = sessiongate("run", study, "--out", results)

    assert done.returncode == 0
    assert redone(before, stamps(results)) == set()


def test_a_new_limit_judges_again_and_converts_nothing(ready):
    study, results = ready
    before = stamps(results)
    (study / "policy.toml").write_text(
        "[limits]\nlost_fraction = 0.9\nlongest_gap_s = 60\ndamaged_fraction = 0.9\nclean_fraction = 0.5\n"
    )

    done = sessiongate("run", study, "--out", results)

    assert done.returncode == 0
    assert redone(before, stamps(results)) == {(s, step) for s in SESSIONS for step in ("judge", "report")}
    assert json.loads((results / "kiln-06" / "quality.json").read_text())["verdict"] == "accept"


def test_a_new_detection_threshold_detects_again_and_converts_nothing(ready):
    study, results = ready
    before = stamps(results)
    (study / "policy.toml").write_text("[mains]\nlimit_fraction = 0.001\n")

    done = sessiongate("run", study, "--out", results)

    assert done.returncode == 0
    assert redone(before, stamps(results)) == {
        (s, step) for s in SESSIONS for step in ("detect", "draw", "judge", "report")
    }
    assert json.loads((results / "throw-01" / "quality.json").read_text())["verdict"] == "reject"


def test_a_decision_redoes_a_page_and_the_tables_alone(ready):
    study, results = ready
    before = stamps(results)
    data = (results / "throw-01" / "quality.json").read_bytes()
    (study / "review.csv").write_text(
        "session,decision,reason,initials,date\nthrow-01,reject,strap over the sleeve,AB,2026-03-09\n"
    )

    done = sessiongate("run", study, "--out", results)

    assert done.returncode == 0
    assert redone(before, stamps(results)) == {("throw-01", step) for step in ("judge", "report")}
    assert (results / "throw-01" / "quality.json").read_bytes() == data
    assert "strap over the sleeve" in (results / "throw-01" / "report.html").read_text()
    assert "strap over the sleeve" in (results / "sessions.csv").read_text()
    (study / "review.csv").unlink()
    assert sessiongate("run", study, "--out", results).returncode == 0
    assert "strap over the sleeve" not in (results / "throw-01" / "report.html").read_text()


def test_a_changed_dump_costs_only_its_session(ready):
    study, results = ready
    before = stamps(results)
    dump = dump_of(study, "throw-01")
    dump.write_bytes(dump.read_bytes()[:-1000])

    done = sessiongate("run", study, "--out", results)

    assert done.returncode == 0
    assert {session for session, _ in redone(before, stamps(results))} == {"throw-01"}


def test_same_input_gives_the_same_bytes(tmp_path):
    """Data files, tables and pages of two runs in different folders are equal to the byte."""
    study = small_study(tmp_path / "study", ("throw-02",))
    folders = [tmp_path / "one", tmp_path / "two"]
    for folder in folders:
        assert sessiongate("run", study, "--out", folder, "--jobs", "1").returncode == 0

    for name in ("samples.parquet", "findings.parquet", "quality.json", "report.html"):
        first, second = ((folder / "throw-02" / name).read_bytes() for folder in folders)
        assert first == second, name
    tables = ("sessions.parquet", "sessions.csv", "exclusions.csv", "signal.csv")
    for name in (*tables, "flow.svg", "flow.txt", "methods.txt"):
        assert (folders[0] / name).read_bytes() == (folders[1] / name).read_bytes(), name


BAD_DUMPS = {
    "missing": lambda path: path.unlink(),
    "empty": lambda path: path.write_bytes(b""),
    "another layout": lambda path: path.write_text("# glaze batch 7\nred;12,5\nblue;13,1\n" * 400),
    "no valid frame": lambda path: path.write_bytes(bytes(range(256)) * 64),
}


@pytest.mark.parametrize("kind", BAD_DUMPS)
def test_an_unreadable_session_ends_alone(tmp_path, kind):
    """The others are complete, the exit code is 1, and the session has a report that says why."""
    study, results = small_study(tmp_path / "study", ("throw-01", "throw-02")), tmp_path / "results"
    dump = dump_of(study, "throw-01")
    BAD_DUMPS[kind](dump)

    done = sessiongate("run", study, "--out", results)

    assert done.returncode == 1
    assert "Traceback" not in done.stdout + done.stderr
    quality = json.loads((results / "throw-01" / "quality.json").read_text(encoding="utf-8"))
    assert quality["verdict"] == "unreadable"
    assert dump.name in quality["sentence"]
    size = dump.stat().st_size if dump.exists() else 0
    assert sum(sum(ledger.values()) for ledger in quality["ledger"].values()) == size
    assert "could not be read" in (results / "throw-01" / "report.html").read_text(encoding="utf-8")
    assert pq.read_table(results / "throw-01" / "samples.parquet").num_rows == 0
    assert (
        json.loads((results / "throw-02" / "quality.json").read_text(encoding="utf-8"))["verdict"] == "accept"
    )
    assert pq.read_table(results / "sessions.parquet").column("verdict").to_pylist() == [
        "unreadable",
        "accept",
    ]


def test_a_text_dump_without_a_numeric_line(tmp_path):
    study, results = small_study(tmp_path / "study", ("throw-02",)), tmp_path / "results"
    dump_of(study, "throw-02").write_text("boot\nkiln door open\n\n" * 30)

    done = sessiongate("run", study, "--out", results)

    assert done.returncode == 1
    assert "throw-02" in done.stdout


def test_a_checksum_that_never_fits_is_named(tmp_path):
    """The message says which catalogue entry would fit."""
    study, results = small_study(tmp_path / "study", ("throw-01",)), tmp_path / "results"
    layout = study / "layouts" / "radio.toml"
    layout.write_text(
        layout.read_text(encoding="utf-8").replace("CRC-16/XMODEM", "CRC-16/MODBUS"), encoding="utf-8"
    )

    done = sessiongate("run", study, "--out", results)

    assert done.returncode == 1
    assert "CRC-16/XMODEM" in json.loads((results / "throw-01" / "quality.json").read_text())["sentence"]


def test_a_wrong_study_starts_nothing(tmp_path):
    """Every fault is named at once, the exit code is 2, and no results folder appears."""
    study, results = small_study(tmp_path / "study", ("throw-01", "throw-02")), tmp_path / "results"
    table = study / "sessions.csv"
    lines = table.read_text(encoding="utf-8").splitlines()
    cells = lines[1].split(",")
    wrong_layout = ",".join([*cells[:4], "walkie", *cells[5:]])
    no_offset = lines[2].replace("+00:00", "").replace("+01:00", "").replace("Z", "")
    table.write_text("\n".join([lines[0], wrong_layout, no_offset, no_offset]) + "\n", encoding="utf-8")
    (study / "policy.toml").write_text("[limits]\nlost_fractoin = 0.5\n")

    done = sessiongate("run", study, "--out", results)

    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    for words in ("line 2", "walkie", "line 3", "offset", "line 4"):
        assert words in done.stderr
    assert not results.exists()


def test_a_wrong_policy_starts_nothing(tmp_path):
    study, results = small_study(tmp_path / "study", ("throw-01",)), tmp_path / "results"
    (study / "policy.toml").write_text("[limits]\nlost_fractoin = 0.5\n[mains]\nlimit_fraction = 'much'\n")

    done = sessiongate("run", study, "--out", results)

    assert done.returncode == 2
    for words in (str(study / "policy.toml"), "lost_fraction", "key mains.limit_fraction", "'much'"):
        assert words in done.stderr
    assert not results.exists()


def test_results_inside_the_study_are_refused(tmp_path):
    study = small_study(tmp_path / "study", ("throw-01",))

    done = sessiongate("run", study, "--out", study / "results")

    assert done.returncode == 2
    assert "study folder" in done.stderr
    assert not (study / "results").exists()


def test_a_study_inside_the_results_is_refused(tmp_path):
    study = small_study(tmp_path / "results" / "study", ("throw-01",))

    done = sessiongate("run", study, "--out", tmp_path / "results")

    assert done.returncode == 2
    assert "study folder" in done.stderr


def test_a_file_in_place_of_results_is_refused(tmp_path):
    study = small_study(tmp_path / "study", ("throw-01",))
    (tmp_path / "results").write_text("glaze notes")

    done = sessiongate("run", study, "--out", tmp_path / "results")

    assert done.returncode == 2
    assert (tmp_path / "results").read_text() == "glaze notes"


def test_results_that_cannot_be_written(tmp_path):
    """A read-only file system, where one may be mounted."""
    study, place = small_study(tmp_path / "study", ("throw-01",)), tmp_path / "place"
    with _mounted(place, "ro"):
        done = sessiongate("run", study, "--out", place / "results")

    assert done.returncode == 2
    assert str(place / "results") in done.stderr
    assert "Traceback" not in done.stderr


def test_a_disk_that_fills_up(tmp_path):
    """One clear line, exit code 1, no half-written file under a final name; with room again it ends well."""
    study, place = small_study(tmp_path / "study", ("throw-01", "kiln-01")), tmp_path / "place"
    with _mounted(place, "size=700k"):
        done = sessiongate("run", study, "--out", place / "results", "--jobs", "1")
        text = done.stdout + done.stderr
        assert done.returncode == 1, text
        assert "Traceback" not in text
        assert "space" in text.lower()
        for path in (place / "results").rglob("*.parquet"):
            pq.read_table(path)
        subprocess.run(["mount", "-o", "remount,size=64m", str(place)], check=True)
        again = sessiongate("run", study, "--out", place / "results")
        assert again.returncode == 0, again.stdout + again.stderr


class _mounted:  # noqa: N801 - reads as what it does
    """A small tmpfs, where the tests may mount one."""

    def __init__(self, place: Path, options: str) -> None:
        self.place, self.options = place, options

    def __enter__(self) -> None:
        self.place.mkdir()
        mount = shutil.which("mount")
        if mount is None or os.geteuid() != 0:
            pytest.skip("mounting a small tmpfs needs root")
        done = subprocess.run(
            [mount, "-t", "tmpfs", "-o", self.options, "tmpfs", str(self.place)], capture_output=True
        )
        if done.returncode:
            pytest.skip(f"no tmpfs can be mounted here: {done.stderr.decode().strip()}")

    def __exit__(self, *_: object) -> None:
        subprocess.run(["umount", str(self.place)], check=True)


def test_the_engine_alone_does_the_same(tmp_path):
    """`snakemake --cores all --config study=... out=...` in a checkout, without the front door."""
    study, results = small_study(tmp_path / "study", ("throw-02",)), tmp_path / "results"
    command = [
        sys.executable,
        "-m",
        "snakemake",
        "--cores",
        "all",
        "--config",
        f"study={study}",
        f"out={results}",
    ]

    done = subprocess.run(command, cwd=REPOSITORY, capture_output=True, text=True, timeout=300)

    assert done.returncode == 0, done.stderr
    assert (results / "index.html").exists()


def test_new_writes_a_study_that_holds(tmp_path):
    """A blank study, as written, has no fault but that its dumps are missing."""
    made = sessiongate("new", tmp_path / "blank")
    assert made.returncode == 0, made.stderr

    done = sessiongate("run", tmp_path / "blank", "--out", tmp_path / "results")

    assert done.returncode == 1
    assert "could not be read" in done.stdout
    assert "Traceback" not in done.stdout + done.stderr


def test_new_keeps_a_folder_that_is_not_empty(tmp_path):
    (tmp_path / "notes.txt").write_text("glaze notes")

    done = sessiongate("new", tmp_path)

    assert done.returncode == 2
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]


def test_peek_says_what_a_layout_makes_of_a_dump(tmp_path):
    layouts = DEMO / "layouts"
    dump = DEMO / "dumps" / "strap-a" / "throw-01.bin"

    fits = sessiongate("peek", dump, "--layout", layouts / "radio.toml")
    fits_not = sessiongate("peek", dump, "--layout", layouts / "serial.toml")

    assert fits.returncode == 0
    for words in ("180.0 s", "250.00", "0 lost of 4500", f"{dump.stat().st_size} decoded"):
        assert words in fits.stdout
    assert fits_not.returncode == 1
    assert "throw-01.bin" in fits_not.stdout
    assert "Traceback" not in fits_not.stdout + fits_not.stderr
