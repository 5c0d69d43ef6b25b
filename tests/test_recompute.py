"""A bundle done again from the dumps: what is the same agrees, what is another is told, nothing is written.

That every number can be led back to its dump is this project's own promise; there is no source for it.
"""

import hashlib
import io
import re
import shutil
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from finished import bundled, finished, key_of
from planted import MARKERS, planted_study
from small import dump_of, small_study

from pipeline.bundle.key import read_key
from pipeline.bundle.make import Order, make_bundle
from pipeline.bundle.recoded import Wishes
from pipeline.cli import main
from pipeline.errors import InputError
from pipeline.progress import Progress
from pipeline.verify.again import compare_again
from pipeline.verify.bytes_apart import compare_files
from pipeline.verify.differences import differences
from pipeline.verify.recompute import recompute


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> tuple[Path, Path]:
    """A study and its bundle."""
    top = tmp_path_factory.mktemp("again")
    study, bundle = small_study(top / "study"), top / "bundle"
    wishes = Wishes(formats=frozenset({"csv", "edf"}), licence="CC-BY-4.0", least=2)
    results, by = finished(study, top / "results"), ("Invented Potter",)
    make_bundle(Order(results, bundle, key_of(bundle), wishes, by, "2026-05-04"), Progress(out=io.StringIO()))
    return study, bundle


@pytest.fixture
def study(made, tmp_path) -> Path:
    """A copy of the study that a test may spoil."""
    return Path(shutil.copytree(made[0], tmp_path / "study"))


@pytest.fixture(scope="module")
def codes(made) -> dict[str, str]:
    return dict(read_key(key_of(made[1])).codes["session"])


def _digests(*folders: Path) -> dict[Path, str]:
    files = [path for folder in folders for path in folder.rglob("*") if path.is_file()]
    return {path: hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def _only(study: Path, *sessions: str) -> None:
    """Take the dumps of all other sessions away."""
    for name in {"throw-01", "throw-02", "kiln-06"} - set(sessions):
        dump_of(study, name).unlink()


def test_the_same_dumps_agree_and_nothing_is_written(made, tmp_path, monkeypatch, capsys):
    study, bundle = made
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr("tempfile.tempdir", None)
    before = _digests(study, bundle)
    done = recompute(bundle, study, key_of(bundle))
    assert (done.differences, done.notes) == ((), ())
    assert (done.n_done, done.n_sessions) == (3, 3)
    n = sum(path.is_file() for path in (bundle / "data").rglob("*"))
    assert (done.n_compared, done.n_files) == (n + 1, n + 1)  # and bag-info.txt
    assert _digests(study, bundle) == before
    assert list(tmp_path.iterdir()) == []
    assert "3 of 3 sessions done again" in capsys.readouterr().err


def test_some_of_the_dumps_are_enough_for_some_of_the_sessions(made, study, codes, capsys):
    _only(study, "throw-02")
    assert compare_again(made[1], study, key_of(made[1])) == 0
    told = capsys.readouterr().out
    assert "1 of 3 sessions" in told
    for name in ("throw-01", "kiln-06"):
        assert re.search(rf"{codes[name]}, dump-1: the dump is not at hand", told)


def test_a_byte_changed_in_any_kind_of_file_is_told(made, tmp_path, codes):
    """Whoever changes a bundle can write its checksums anew; doing it again tells even so."""
    bundle, code = Path(shutil.copytree(made[1], tmp_path / "bundle")), codes["throw-01"]
    changed = [
        *(f"csv/{code}/samples.csv", "csv/sessions.csv", "edf/README.md", "margins.csv"),
        *("exclusions.csv", "methods.txt", "flow.svg", "policy.toml", "README.md", "LICENSE", "trace.json"),
        *(f"reports/{code}.html", "reports/index.html", "examples/with_pandas.py", "CITATION.cff"),
        *(
            next((bundle / "data" / top).rglob(what)).relative_to(bundle / "data").as_posix()
            for top, what in (("edf", "*.edf"), ("layouts", "*.toml"), ("recordings", "*.parquet"))
        ),
    ]
    for name in changed:
        path = bundle / "data" / name
        raw = bytearray(path.read_bytes())
        raw += b" "
        path.write_bytes(raw)
    (bundle / "data/reports/more.html").write_text("invented")
    (bundle / "data/flow.txt").unlink()
    info = bundle / "bag-info.txt"
    info.write_text(info.read_text().replace("3 recordings", "9 recordings"))
    done = recompute(bundle, made[0], key_of(made[1]))
    told = "\n".join(done.differences)
    assert "Bytes alone differ" not in done.remark  # margins.csv is a table, too
    for name in changed:
        assert f"data/{name}: " in told
    assert "data/reports/more.html: only in the bundle" in told
    assert "data/flow.txt: only now" in told
    assert len(told.splitlines()) >= len(changed) + 2


def test_of_some_of_the_dumps_the_files_of_their_sessions_are_compared(made, study, tmp_path, codes):
    _only(study, "throw-02")
    bundle, own, other = (
        Path(shutil.copytree(made[1], tmp_path / "bundle")),
        codes["throw-02"],
        codes["kiln-06"],
    )
    for name in (f"reports/{own}.html", "policy.toml", f"reports/{other}.html", "methods.txt"):
        path = bundle / "data" / name
        path.write_text(path.read_text().replace("e", "f", 1))
    exclusions = bundle / "data/exclusions.csv"
    exclusions.write_text(exclusions.read_text() + f"{own},invented\n")
    done = recompute(bundle, study, key_of(made[1]))
    told = "\n".join(done.differences)
    assert f"data/reports/{own}.html: line " in told
    assert "data/policy.toml: line " in told
    assert f"{own}, exclusions.csv: " in told
    assert other not in told
    assert "methods.txt" not in told
    named = next(note for note in done.notes if note.startswith("files for which all dumps are needed"))
    assert {"methods.txt", "README.md", "sessions.parquet", "csv/sessions.csv"} <= set(
        re.split(r"[ ,]+", named)
    )
    assert other not in named


def test_where_two_files_begin_to_differ_is_told(tmp_path):
    for name, text, raw in (("old", "a\nb 1\n", b"\0" * 9), ("new", "a\nb 2\n", b"\0" * 8 + b"\1\1")):
        (tmp_path / name / "data").mkdir(parents=True)
        (tmp_path / name / "bag-info.txt").write_text("")
        (tmp_path / name / "data/methods.txt").write_text(text)
        (tmp_path / name / "data/edf.edf").write_bytes(raw)
    done = compare_files(tmp_path / "old", tmp_path / "new")
    assert done.differences == (
        "data/edf.edf: other bytes from byte 8 on; 9 bytes in the bundle, 10 now",
        "data/methods.txt: line 2: 'b 1' in the bundle, 'b 2' now",
    )
    assert (done.n_files, done.n_compared) == (3, 3)


def test_a_session_is_known_by_its_dumps_whatever_it_is_called(made, study):
    _only(study, "throw-02")
    for name in ("sessions.csv", "activities.csv"):
        path = study / name
        path.write_text(re.sub(r"^throw-02,", "renamed,", path.read_text(), flags=re.MULTILINE))
    done = recompute(made[1], study, key_of(made[1]))
    assert (done.n_done, done.differences) == (1, ())


def test_a_changed_dump_is_told(made, study, codes):
    _only(study, "throw-01")
    dump = dump_of(study, "throw-01")
    raw = bytearray(dump.read_bytes())
    raw[1000] ^= 1
    dump.write_bytes(raw)
    done = recompute(made[1], study, key_of(made[1]))
    assert done.n_done == 0
    old = hashlib.sha256(dump_of(made[0], "throw-01").read_bytes()).hexdigest()[:16]
    new = hashlib.sha256(raw).hexdigest()[:16]
    (said,) = done.differences
    assert said.startswith(f"{codes['throw-01']}, dump-1: another dump")
    assert old in said
    assert new in said
    assert compare_again(made[1], study, key_of(made[1])) == 1


def test_another_policy_is_told_with_what_it_changes(made, study, codes):
    _only(study, "kiln-06")
    (study / "policy.toml").write_text("[limits]\nlost_fraction = 0.6\nlongest_gap_s = 60.0\n")
    done = recompute(made[1], study, key_of(made[1]))
    told, code = "\n".join(done.differences), codes["kiln-06"]
    assert "policy, limits.lost_fraction: 0.05 in the bundle, 0.6 now" in told
    assert re.search(rf"{code}, sessions\.parquet, reasons: .*lost_fraction.* in the bundle", told)
    assert "lost_fraction: " not in told.replace("limits.lost_fraction: ", "")  # the measure is the same


def test_another_layout_is_told_with_how_far_samples_are_apart(made, study, codes):
    _only(study, "throw-02")
    path = study / "layouts" / "serial.toml"
    text = path.read_text()
    gain = re.search(r"^gain = (.*)$", text, re.MULTILINE)
    assert gain
    path.write_text(text.replace(gain[0], f"gain = {2 * float(gain[1])!r}", 1))
    done = recompute(made[1], study, key_of(made[1]))
    told, code = "\n".join(done.differences), codes["throw-02"]
    layout = read_key(key_of(made[1])).codes["layout"]["serial"]
    assert f"{layout}: another layout" in told
    said = re.search(rf"{code}, samples\.parquet, field: (\d+) of (\d+) values, by up to (\S+),", told)
    assert said
    column = pq.read_table(made[1] / "data/recordings" / code / "samples.parquet").column("field").to_numpy()
    assert int(said[2]) == len(column)
    # Twice the gain is half of every value, and so half of it apart.
    assert float(said[3]) == pytest.approx(np.nanmax(np.abs(column)) / 2, rel=0.01)


def test_a_changed_log_is_told(made, study, codes):
    _only(study, "throw-02")
    path = study / "activities.csv"
    first = next(line for line in path.read_text().splitlines() if line.startswith("throw-02,"))
    parts = first.split(",")
    parts[1] = str(float(parts[1]) + 0.5)
    path.write_text(path.read_text().replace(first, ",".join(parts)))
    told = "\n".join(recompute(made[1], study, key_of(made[1])).differences)
    assert f"{codes['throw-02']}, activities.parquet, start_s: " in told


def test_a_value_changed_in_the_bundle_is_told(made, tmp_path, codes):
    bundle, code = Path(shutil.copytree(made[1], tmp_path / "bundle")), codes["throw-01"]
    path = bundle / "data/recordings" / code / "samples.parquet"
    table = pq.read_table(path)
    column = table.column("field").to_numpy().copy()
    column[1234] += 0.25
    place = table.column_names.index("field")
    table = table.set_column(place, table.schema.field(place), pa.array(column, from_pandas=True))
    pq.write_table(table, path)
    (said,) = differences(bundle / "data", made[1] / "data", [code])
    assert (
        said
        == f"{code}, samples.parquet, field: 1 of {len(column)} values, by up to 0.25, first at sample 1234"
    )


def test_rows_that_are_missing_are_counted(made, tmp_path, codes):
    code = codes["throw-01"]
    for top, cut in ((tmp_path / "old", 40), (tmp_path / "new", 0)):
        folder = top / "recordings" / code
        folder.mkdir(parents=True)
        table = pq.read_table(made[1] / "data/recordings" / code / "samples.parquet")
        pq.write_table(table.slice(cut), folder / "samples.parquet")
        n = table.num_rows
    (said,) = differences(tmp_path / "old", tmp_path / "new", [code])
    assert said == f"{code}, samples.parquet: {n - 40} rows in the bundle, {n} now, {n - 40} in both"


def test_another_count_of_findings_names_the_detector(tmp_path):
    rows = [{"session": "S001", "detector": name, "value": 1.0} for name in ("mains", "dropout", "dropout")]
    for name, kept in (("old", rows), ("new", rows[:2])):
        (tmp_path / name).mkdir()
        pq.write_table(pa.Table.from_pylist(kept), tmp_path / name / "findings.parquet")
    (said,) = differences(tmp_path / "old", tmp_path / "new", ["S001"])
    assert said == "S001, findings.parquet: 3 rows in the bundle, 2 rows now (dropout 2, now 1)"


def test_rounding_is_no_difference(tmp_path):
    for name, value in (("old", 1.0), ("new", 1.0 + 1e-12)):
        (tmp_path / name).mkdir()
        row = {"session": "S001", "measure": value, "verdict": "accept"}
        pq.write_table(pa.Table.from_pylist([row]), tmp_path / name / "sessions.parquet")
    assert list(differences(tmp_path / "old", tmp_path / "new", ["S001"])) == []


def test_what_was_asked_for_is_compared_too_and_the_unreadable_are_named(tmp_path):
    study = planted_study(tmp_path / "study")
    column = f"column:{MARKERS['columnname']}"
    keep = frozenset({"activities", "time_zone", "channels", "texts", "review", column})
    bundle = bundled(finished(study, tmp_path / "results"), tmp_path / "bundle", keep=keep)
    done = recompute(bundle, study, key_of(bundle))
    assert done.differences == ()
    assert (done.n_done, done.n_sessions) == (3, 4)
    (note,) = done.notes
    assert note.endswith("its dumps could not be read, so that no checksum tells them")
    path = study / "sessions.csv"
    path.write_text(path.read_text().replace(MARKERS["columnvalue"] + "1", "another"))
    told = "\n".join(recompute(bundle, study, key_of(bundle)).differences)
    assert f"{MARKERS['columnname']}: {MARKERS['columnvalue']}1 in the bundle, another now" in told


def test_bundle_and_verify_print_one_fingerprint(made, tmp_path, capsys):
    bundle = tmp_path / "bundle"
    assert main(["bundle", str(made[1].parent / "results"), "--out", str(bundle)]) == 0
    full = hashlib.sha512((bundle / "tagmanifest-sha512.txt").read_bytes()).hexdigest()
    by_bundle = capsys.readouterr().out
    assert main(["verify", str(bundle)]) == 0
    for told in (by_bundle, capsys.readouterr().out):
        assert f"{full[:4]}-{full[4:8]}-{full[8:12]}-{full[12:16]}" in told
        assert full in told


def test_the_readme_of_a_bundle_says_what_doing_it_again_needs(made):
    words = " ".join((made[1] / "data/README.md").read_text().split())
    assert "--recompute STUDY --key KEY`. That needs the raw files, the study folder" in words
    assert "and the key to the codes" in words
    assert "sent or cited apart from the dataset" in words


def test_what_is_needed_and_missing_is_said(made, tmp_path):
    study, bundle = made
    with pytest.raises(InputError, match="the key to the codes"):
        recompute(bundle, study, tmp_path / "none.csv")
    with pytest.raises(InputError, match="where everything came from"):
        recompute(tmp_path, study, key_of(bundle))


def test_every_row_leads_to_bytes_that_hold_it(made, codes):
    """By hand, for the radio frames of the demo: 90 bytes, ten rows, which begin with A5 5A."""
    study, bundle = made
    trace = pq.read_table(bundle / "data/trace.parquet").to_pylist()
    raw = dump_of(study, "throw-01").read_bytes()
    own = [row for row in trace if row["session"] == codes["throw-01"]]
    assert {row["dump_sha256"] for row in own} == {hashlib.sha256(raw).hexdigest()}
    for row in own:
        n = row["stop_frame"] - row["first_frame"]
        assert row["stop_sample"] - row["first_sample"] == 10 * n
        assert row["stop_byte"] - row["start_byte"] == 90 * n
        starts = range(row["start_byte"], row["stop_byte"], 90)
        assert {raw[start : start + 2] for start in starts} == {b"\xa5\x5a"}
    for code, folder in ((code, bundle / "data/recordings" / code) for code in codes.values()):
        samples = pq.read_table(folder / "samples.parquet")
        told = np.zeros(int(samples.column("sample")[-1].as_py()) + 1, bool)
        for row in trace:
            if row["session"] == code:
                assert not told[row["first_sample"] : row["stop_sample"]].any()
                told[row["first_sample"] : row["stop_sample"]] = True
        there = samples.filter(pa.compute.is_valid(samples.column("field"))).column("sample").to_numpy()
        assert told[there].all()
