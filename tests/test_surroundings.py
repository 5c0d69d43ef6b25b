"""The same study gives the same bytes in whatever language, place and home the program finds itself."""

import os
import shutil
import subprocess
import sys
from pathlib import Path
from unicodedata import normalize

import pytest
from conftest import REPOSITORY, sessiongate
from small import dump_of
from tiny import apart, made, tiny_study

ODD = "ort ä {session} 'q' %s #1"
"""Spaces, marks on letters, braces of the engine, quotes, signs of the shell and of YAML."""
DUMP = "größe é/ofen ü (1).bin"


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One session of 40 s; the name of its dump has marks on its letters, in NFD as some systems keep it."""
    folder = tmp_path_factory.mktemp("plain") / f"study {ODD}"
    tiny_study(folder, ("throw-01",))
    dump = dump_of(folder, "throw-01")
    other = dump.parent / normalize("NFD", DUMP)
    other.parent.mkdir()
    dump.rename(other)
    table = folder / "sessions.csv"
    table.write_text(table.read_text(encoding="utf-8").replace(dump.name, DUMP), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def expected(study: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    results = tmp_path_factory.mktemp("plain") / "results"
    done = sessiongate("run", study, "--out", results)
    assert done.returncode == 0, done.stdout + done.stderr
    return made(results)


@pytest.fixture(scope="module")
def languages(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """German locales, with a decimal comma, in UTF-8 and in Latin-1; no system has to have them."""
    localedef = shutil.which("localedef")
    if localedef is None:
        pytest.skip("localedef is not installed")
    folder = tmp_path_factory.mktemp("locales")
    for charmap in ("UTF-8", "ISO-8859-1"):
        command = [localedef, "-i", "de_DE", "-f", charmap, str(folder / f"de_DE.{charmap}")]
        done = subprocess.run(command, capture_output=True)
        if done.returncode > 1:  # 1: warnings
            pytest.skip(f"localedef has no German: {done.stderr.decode(errors='replace').strip()}")
    return folder


def run_in(study: Path, results: Path, surroundings: dict[str, str], **options: object) -> dict[str, bytes]:
    unset = ("LC_ALL", "LANG", "LC_CTYPE", "PYTHONUTF8", "PYTHONIOENCODING", "PYTHONCOERCECLOCALE")
    env = {key: value for key, value in os.environ.items() if key not in unset}
    done = sessiongate("run", study, "--out", results, env={**env, **surroundings}, **options)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "Traceback" not in done.stdout + done.stderr
    return made(results)


@pytest.mark.parametrize("name", ["de_DE.UTF-8", "de_DE.ISO-8859-1"])
def test_a_language_with_decimal_commas(
    study: Path, expected: dict[str, bytes], languages: Path, tmp_path: Path, name: str
) -> None:
    """The second has no UTF-8, in which names of a study are written."""
    ask = "import locale; locale.setlocale(locale.LC_ALL, ''); print(locale.str(0.5))"
    # a zone half an hour of whose summer time is its own (tz database, file australasia)
    env = {"LOCPATH": str(languages), "LC_ALL": name, "TZ": "Australia/Lord_Howe"}
    said = subprocess.run(
        [sys.executable, "-c", ask], env={**os.environ, **env}, capture_output=True, text=True
    )
    assert said.stdout.strip() == "0,5"
    assert apart(run_in(study, tmp_path / f"results {ODD}", env), expected) == []


def test_no_language_at_all(study: Path, expected: dict[str, bytes], tmp_path: Path) -> None:
    """As in cron, with everything forbidden by which Python would help itself."""
    env = {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    assert apart(run_in(study, tmp_path / f"results {ODD}", env), expected) == []


def test_every_place_has_an_odd_name(study: Path, expected: dict[str, bytes], tmp_path: Path) -> None:
    """That of the program itself, of home, of temporary files and of results; and it is started elsewhere."""
    installed, home, temporary, elsewhere = (tmp_path / f"{name} {ODD}" for name in ("a", "b", "c", "d"))
    for folder in (installed, home, temporary, elsewhere):
        folder.mkdir()
    for name in ("pipeline", "schemas"):
        shutil.copytree(REPOSITORY / name, installed / name, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(REPOSITORY / "Snakefile", installed)
    env = {"PYTHONPATH": str(installed), "HOME": str(home), "TMPDIR": str(temporary)}

    found = run_in(study, tmp_path / f"results {ODD}", env, cwd=elsewhere)

    # its code is elsewhere, so that everything but paths is the same
    assert apart(found, expected) == []
    assert list(elsewhere.iterdir()) == []
    assert list(temporary.iterdir()) == []


def test_a_home_that_cannot_be_written(study: Path, expected: dict[str, bytes], tmp_path: Path) -> None:
    """As of users that are none, on nodes of clusters and in containers."""
    (tmp_path / "file").touch()
    env = {"HOME": str(tmp_path / "file" / "home")}
    assert apart(run_in(study, tmp_path / "results", env), expected) == []
