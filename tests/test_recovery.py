"""What goes wrong around a run heals: lost and broken files, killed processes, vanished sessions."""

import os
import shutil
from pathlib import Path

import pytest
from conftest import REPOSITORY, sessiongate
from small import dump_of, is_whole, quality, small_study, start, wait_for

from pipeline.errors import InputError
from pipeline.holding import RUN
from pipeline.retiring import retire
from pipeline.study import check_folders
from pipeline.workflow import Plan


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
    dump = dump_of(study, "throw-01")
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
    dump = dump_of(study, "throw-01")
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
    dump = dump_of(study, "throw-01")
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
    dump = dump_of(study, "throw-02")
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
