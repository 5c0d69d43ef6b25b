"""Small studies cut from the demo, and runs of them."""

import json
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pyarrow.parquet as pq
from conftest import REPOSITORY

DEMO = REPOSITORY / "demo_raw"
SESSIONS = ("throw-01", "throw-02", "kiln-06")
FINAL = ("samples.parquet", "findings.parquet", "quality.json", "report.html")


def small_study(folder: Path, sessions=SESSIONS) -> Path:
    """A copy of some of the demo's sessions."""
    folder.mkdir(parents=True)
    lines = (DEMO / "sessions.csv").read_text(encoding="utf-8").splitlines()
    kept = [lines[0], *(line for line in lines[1:] if line.split(",")[0] in sessions)]
    (folder / "sessions.csv").write_text("\n".join(kept) + "\n", encoding="utf-8")
    log = (DEMO / "activities.csv").read_text(encoding="utf-8").splitlines()
    own = [log[0], *(line for line in log[1:] if line.split(",")[0] in sessions)]
    (folder / "activities.csv").write_text("\n".join(own) + "\n", encoding="utf-8")
    shutil.copy(DEMO / "study.toml", folder)
    shutil.copytree(DEMO / "layouts", folder / "layouts")
    for line in kept[1:]:
        for name in line.split(",")[5].split(";"):
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(DEMO / name, folder / name)
    return folder


def dump_of(study: Path, session: str) -> Path:
    lines = (study / "sessions.csv").read_text(encoding="utf-8").splitlines()
    return study / next(line.split(",")[5] for line in lines if line.startswith(session + ",")).split(";")[0]


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
