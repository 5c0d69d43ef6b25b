"""Every way in which a bundle can be damaged, one by one and together; a library of others as referee."""

import shutil
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.bundle.bag import write_manifests
from pipeline.cli import main
from pipeline.verify.recompute import Recomputed
from pipeline.verify.verify import check
from tests.bag_cases import VALID, write
from tests.bag_referee import referee_accepts, referee_files, told
from tests.bundle_damages import DAMAGES, MANIFEST, TAGS, TOGETHER
from tests.bundles import INFO, describe, small_bundle


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return small_bundle(tmp_path_factory.mktemp("whole") / "bundle")


@pytest.fixture
def bundle(whole: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(whole, tmp_path / "bundle"))


def test_a_whole_bundle_is_whole(whole: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["verify", str(whole)]) == 0
    out = capsys.readouterr()
    assert out.out.startswith("Whole: 12 files, ")
    assert out.err == ""
    assert referee_accepts(whole)


def test_odd_names_are_no_damage(tmp_path: Path) -> None:
    bundle = small_bundle(tmp_path)
    for name in (
        "two words.txt",
        "100%.txt",
        "%41.txt",
        "line\nend.txt",
        "Tonkrüge.txt",
        "壺.txt",
        "-rf",
        "#1?.txt",
    ):
        (bundle / "data" / name).write_text(name)
    describe(bundle / "data")
    write_manifests(bundle, INFO)
    assert [str(fault.problem) for fault in check(bundle).faults] == []


def test_a_link_to_a_bundle_may_be_given(whole: Path, tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to(whole)
    assert main(["verify", str(tmp_path / "link")]) == 0


def test_there_is_the_whole_list() -> None:
    assert len(DAMAGES) == len(set(DAMAGES)) >= 40


@pytest.mark.parametrize("name", DAMAGES)
def test_damage_is_named(name: str, bundle: Path, capsys: pytest.CaptureFixture[str]) -> None:
    expected = DAMAGES[name](bundle)
    if name == f"flipped_{TAGS}":  # nothing speaks for it: what it says of others is named, and that it does
        assert f"by {TAGS}" in str(check(bundle).faults[0].problem)
        expected = set()
    assert expected <= told(bundle)
    assert main(["verify", str(bundle)]) == 1
    out = capsys.readouterr()
    assert out.out == ""
    first, *rest = out.err.splitlines()
    assert first.startswith("Damaged, ")
    assert len(rest) == int(first.split()[1])
    for path in expected:
        assert any(each.startswith((f"  {path}: ", f"  {path}, ")) for each in rest)


@pytest.mark.parametrize("name", [n for n in DAMAGES if "manifest" not in n])
def test_one_fault_is_told_once(name: str, bundle: Path) -> None:
    # The manifest's own checksum and the payload's size are also wrong where it or the payload is.
    expected = DAMAGES[name](bundle)
    others = [fault.problem for fault in check(bundle).faults if fault.problem.file not in expected]
    assert {problem.file for problem in others} <= {MANIFEST, TAGS, "bag-info.txt", "README.md"}
    for path in expected - {MANIFEST, TAGS, "bag-info.txt", "bagit.txt"}:
        assert sum(f.problem.file == path for f in check(bundle).faults) <= 2


def test_what_is_renamed_is_told_with_its_new_name(bundle: Path) -> None:
    DAMAGES["renamed"](bundle)
    (problem,) = [fault.problem for fault in check(bundle).faults]
    assert problem.file == "data/reports/S003.html"
    assert "data/reports/S03.html" in problem.found


def test_letters_encoded_in_another_way_are_told_as_that(tmp_path: Path) -> None:
    bundle = small_bundle(tmp_path)
    (bundle / "data/Tonkrüge.txt").write_text("glazed")  # composed
    describe(bundle / "data")
    write_manifests(bundle, INFO)
    assert main(["verify", str(bundle)]) == 0
    (bundle / "data/Tonkrüge.txt").rename(bundle / "data/Tonkru\u0308ge.txt")
    (problem,) = [fault.problem for fault in check(bundle).faults]
    assert "differs in how its letters are encoded" in problem.found


def test_a_file_cut_short_is_told_with_its_sizes(bundle: Path) -> None:
    path = "data/recordings/S002/samples.parquet"
    size = (bundle / path).stat().st_size
    DAMAGES["cut"](bundle)
    (found,) = [f.problem.found for f in check(bundle).faults if f.problem.file == path]
    assert f"cut short, {size // 2} of {size} bytes" in found


def test_swapped_files_are_told_as_that(bundle: Path) -> None:
    DAMAGES["swapped"](bundle)
    found = {fault.problem.file: fault.problem.found for fault in check(bundle).faults}
    assert "the content of data/recordings/S004" in found["data/recordings/S003/samples.parquet"]


def test_manifests_that_are_swapped_are_told_as_that(bundle: Path) -> None:
    DAMAGES["swapped_manifests"](bundle)
    faults = [str(fault.problem) for fault in check(bundle).faults]
    assert sum("seem to be swapped" in fault for fault in faults) == 2
    assert len(faults) == 2


def test_nobody_is_sent_to_rename_a_file_by_a_damaged_manifest(bundle: Path) -> None:
    DAMAGES["cut_manifest"](bundle)
    problems = [f.problem for f in check(bundle).faults if f.problem.file.startswith("data/")]
    assert problems
    assert all("manifest-sha512.txt itself is damaged" in problem.remedy for problem in problems)


def test_a_manifest_of_another_bundle(bundle: Path, tmp_path: Path) -> None:
    other = small_bundle(tmp_path / "other")
    (other / "data/README.md").write_text("Another.\n")
    write_manifests(other, INFO)
    shutil.copy(other / MANIFEST, bundle / MANIFEST)
    assert told(bundle) >= {MANIFEST, "data/README.md"}


# The referee waits for a pipe for ever, and walks through a link to the top of the machine.
@pytest.mark.parametrize("name", [n for n in DAMAGES if "pipe" not in n and n != "link"])
def test_what_the_referee_finds_is_found(name: str, bundle: Path) -> None:
    DAMAGES[name](bundle)
    faults = [str(fault.problem) for fault in check(bundle).faults]
    assert faults
    for path in referee_files(bundle):
        assert any(path in fault for fault in faults)


@settings(max_examples=60, deadline=None)
@given(st.sets(st.sampled_from(range(len(TOGETHER))), min_size=2))
def test_damages_together_are_all_named(
    whole: Path, tmp_path_factory: pytest.TempPathFactory, kinds: set[int]
) -> None:
    bundle = Path(shutil.copytree(whole, tmp_path_factory.mktemp("damaged") / "bundle"))
    expected = {path for kind in sorted(kinds) for path in TOGETHER[kind](bundle)}
    assert expected <= told(bundle)
    shutil.rmtree(bundle)


@settings(max_examples=80, deadline=None)
@given(st.data())
def test_any_bytes_in_a_tag_file_are_a_fault_and_no_traceback(
    whole: Path, tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    name = data.draw(
        st.sampled_from(
            [
                "bagit.txt",
                "bag-info.txt",
                MANIFEST,
                TAGS,
                "data/datapackage.json",
                "data/ro-crate-metadata.json",
            ]
        )
    )
    bundle = Path(shutil.copytree(whole, tmp_path_factory.mktemp("damaged") / "bundle"))
    before = (bundle / name).read_bytes()
    start = data.draw(st.integers(0, len(before)))
    stop = data.draw(st.integers(start, len(before)))
    after = (
        before[:start]
        + data.draw(st.binary(max_size=8) | st.text(max_size=8).map(str.encode))
        + before[stop:]
    )
    (bundle / name).write_bytes(after)
    assert bool(check(bundle).faults) == (before != after)
    shutil.rmtree(bundle)


@pytest.mark.parametrize("kind", ["nothing", "file", "empty", "folder", "bag_of_others"])
def test_what_is_no_bundle_ends_with_2(kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place = tmp_path / "place"
    if kind == "file":
        place.write_text("clay")
    elif kind != "nothing":
        place.mkdir()
    if kind == "folder":
        (place / "data").mkdir()
    if kind == "bag_of_others":
        write(place, VALID[0].files())
    assert main(["verify", str(place)]) == 2
    err = capsys.readouterr().err
    assert f"{place}: expected" in err
    assert "sessiongate bundle" in err


@pytest.mark.parametrize("arguments", [["verify"], ["verify", "a", "b"], ["verify", "--fast", "a"]])
def test_wrong_use_ends_with_2(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    assert ended.value.code == 2
    assert "usage" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("done", "code", "words"),
    [
        (Recomputed(2, 2, (), ()), 0, "The same again: 2 of 2 sessions"),
        (
            Recomputed(2, 1, (), ("S002: its dumps are not at hand",)),
            0,
            "Not done again or not compared: S002",
        ),
        (Recomputed(2, 2, ("S001, strap: 3 counts at row 7",), ()), 1, "S001, strap: 3 counts at row 7"),
        (Recomputed(2, 0, (), ()), 1, "None of 2 sessions"),
    ],
)
def test_what_doing_it_again_gave_is_told(
    done: Recomputed,
    code: int,
    words: str,
    whole: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    asked: list[tuple[Path, Path, Path]] = []
    monkeypatch.setattr("pipeline.verify.again.recompute", lambda *paths: asked.append(paths) or done)
    assert main(["verify", str(whole), "--recompute", "study"]) == code
    assert asked == [(whole, Path("study"), whole.with_name("bundle-key.csv"))]
    assert words in "".join(capsys.readouterr())


def test_a_damaged_bundle_is_not_compared(bundle: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.verify.again.recompute", lambda *paths: pytest.fail("compared"))
    DAMAGES["cut"](bundle)
    assert main(["verify", str(bundle), "--recompute", "study"]) == 1


def test_a_key_is_for_doing_it_again(whole: Path) -> None:
    assert main(["verify", str(whole), "--key", "key.csv"]) == 2
