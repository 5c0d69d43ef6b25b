"""What goes wrong around a run heals: lost and broken files, killed processes, vanished sessions."""

import json
import os
import shutil
from pathlib import Path

import pytest
from conftest import REPOSITORY, sessiongate
from planting import planted
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
    """A clear line, and the next run sets it right; of the size that they had, which nobody sees at once."""
    study, results = ready
    for name, content in broken.items():
        size = (results / name).stat().st_size
        (results / name).write_bytes(content.ljust(size, b"\0")[:size])

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


def test_a_session_half_retired_is_retired_whole(tmp_path, monkeypatch):
    """A kill after any of the moves: the next run finds the rest, and keeps what was put aside."""
    for cut in (1, 2):
        results = tmp_path / str(cut)
        for place in ("kiln-09", ".work/kiln-09", "logs/kiln-09"):
            (results / place).mkdir(parents=True)
            (results / place / "a").write_text(place)
        (results / "kiln-09" / "quality.json").touch()
        left = [None] * cut

        def moved(place, target, left=left, real=Path.rename):
            if not left:
                raise KeyboardInterrupt
            left.pop()
            return real(place, target)

        with monkeypatch.context() as patched:
            patched.setattr(Path, "rename", moved)
            with pytest.raises(KeyboardInterrupt):
                retire(results, [])
        assert retire(results, []) == ["kiln-09"]
        aside = results / ".work" / "retired" / "kiln-09"
        assert sorted(str(p.relative_to(aside)) for p in aside.rglob("a")) == ["a", "logs/a", "work/a"]
        assert (aside / "quality.json").is_file()


def test_results_of_other_sessions_alone_are_left_alone(ready, tmp_path):
    """A name mistyped: of all sessions that stand there the study has none."""
    _, results = ready
    other = small_study(tmp_path / "other", ("kiln-02",))
    before = {path: path.read_bytes() for path in results.rglob("*.parquet")}

    done = sessiongate("run", other, "--out", results, "--quiet")

    assert done.returncode == 2
    assert "those of other sessions alone (throw-01" in done.stderr
    assert {path: path.read_bytes() for path in results.rglob("*.parquet")} == before


@pytest.mark.parametrize(
    "names", [("throw-01/samples.parquet", "throw-02/report.html"), ("throw-01/findings.parquet",)]
)
def test_files_that_another_program_cut_are_made_again(ready, names):
    study, results = ready
    before = {name: (results / name).read_bytes() for name in names}
    for name, content in before.items():
        (results / name).write_bytes(content[: len(content) // 2])

    done = sessiongate("run", study, "--out", results)

    assert done.returncode == 0, done.stdout + done.stderr
    assert "Changed by another program since the last run, and made again: throw-0" in done.stdout
    assert {name: (results / name).read_bytes() for name in names} == before
    assert "Nothing to do" in sessiongate("run", study, "--out", results).stdout


def test_a_verdict_that_cannot_be_read_is_made_again(ready):
    """Of the same size and time, so that nothing but reading tells; the seal is of this folder."""
    study, results = ready
    assert sessiongate("run", study, "--out", results).returncode == 0
    verdict = results / "throw-01" / "quality.json"
    before, stat = verdict.read_bytes(), verdict.stat()
    verdict.write_bytes(bytes(16) + before[16:])
    os.utime(verdict, ns=(stat.st_atime_ns, stat.st_mtime_ns))

    done = sessiongate("run", study, "--out", results)

    assert done.returncode == 1
    assert "Traceback" not in done.stdout + done.stderr
    assert "throw-01: files were changed and cannot be read. Run again to redo them." in done.stderr
    assert sessiongate("run", study, "--out", results).returncode == 0
    assert verdict.read_bytes() == before


def test_another_order_of_sessions_is_that_of_the_tables(ready):
    study, results = ready
    head, first, second = (study / "sessions.csv").read_text(encoding="utf-8").splitlines()
    (study / "sessions.csv").write_text("\n".join([head, second, first, ""]), encoding="utf-8")

    done = sessiongate("run", study, "--out", results)

    assert done.returncode == 0, done.stdout + done.stderr
    names = [line.split(",")[0] for line in (results / "sessions.csv").read_text().splitlines()[1:]]
    assert names == [second.split(",")[0], first.split(",")[0]]


def test_a_page_that_fails_is_told_in_the_record(ready, tmp_path):
    study, results = ready
    (results / "throw-01" / "report.html").unlink()
    fail = "def fail(job, real):\n        raise MemoryError('the kiln was full')\n"
    env = planted(tmp_path, f"if IS_WORKER:\n    {fail}    instead('report', 'throw-01', fail)\n")

    done = sessiongate("run", study, "--out", results, env=env)

    assert done.returncode == 1
    last = json.loads((results / "run.json").read_text(encoding="utf-8"))["last_run"]
    assert [one["session"] for one in last["failed"]] == ["throw-01"]
    assert "the kiln was full" in last["failed"][0]["why"]
    assert last["sessions"]["failed"] == 1


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
