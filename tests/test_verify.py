"""Every way in which a bundle can be damaged, one by one and together; a library of others as referee."""

import hashlib
import logging
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import bagit
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.bundle.bag import write_manifests
from pipeline.cli import main
from pipeline.verify.bag import check_complete, check_sums, read_tags
from pipeline.verify.faults import BAG, Fault
from pipeline.verify.progress import Progress, in_words
from pipeline.verify.tree import Tree
from pipeline.verify.verify import check
from tests.bag_cases import INVALID, VALID, Case, write
from tests.bundles import INFO, describe, samples, seal, small_bundle

MANIFEST, TAGS = "manifest-sha512.txt", "tagmanifest-sha512.txt"
SAMPLES = "data/recordings/S001/samples.parquet"


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return small_bundle(tmp_path_factory.mktemp("whole") / "bundle")


@pytest.fixture
def bundle(whole: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(whole, tmp_path / "bundle"))


def by_standard(folder: Path) -> list[Fault]:
    """Faults by RFC 8493 alone."""
    with Tree(folder) as tree:
        listing = tree.listing()
        read = read_tags(tree, listing)
        sums = check_sums(tree, listing, read, {}, lambda n: None)
        every = [*read.faults, *check_complete(read, listing), *sums]
    return [fault for fault in every if fault.breaks == BAG]


def referee_accepts(folder: Path) -> bool:
    logging.disable(logging.CRITICAL)
    try:
        bagit.Bag(str(folder)).validate()
    except Exception:  # it also ends in other ways, such as with what a codec raises
        return False
    finally:
        logging.disable(logging.NOTSET)
    return True


def told(folder: Path) -> set[str]:
    return {fault.problem.file for fault in check(folder).faults}


# ---- the standard


@pytest.mark.parametrize("case", VALID, ids=lambda case: case.name)
def test_what_the_standard_allows(case: Case, tmp_path: Path) -> None:
    folder = write(tmp_path, case.files())
    assert [str(fault.problem) for fault in by_standard(folder)] == []
    assert referee_accepts(folder) == case.referee_agrees


@pytest.mark.parametrize("case", INVALID, ids=lambda case: case.name)
def test_what_the_standard_does_not_allow(case: Case, tmp_path: Path) -> None:
    folder = write(tmp_path, case.files())
    assert by_standard(folder)
    assert referee_accepts(folder) != case.referee_agrees


# ---- a whole bundle


def test_a_whole_bundle_is_whole(whole: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["verify", str(whole)]) == 0
    out = capsys.readouterr()
    assert out.out.startswith("Whole: 12 files, ")
    assert out.err == ""
    assert referee_accepts(whole)


def test_a_link_to_a_bundle_may_be_given(whole: Path, tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to(whole)
    assert main(["verify", str(tmp_path / "link")]) == 0


# ---- damage, each alone

Damage = Callable[[Path], set[str]]
"""Damages a bundle; gives the files that must be named."""


def flip(path: str) -> Damage:
    def damage(bundle: Path) -> set[str]:
        raw = bytearray((bundle / path).read_bytes())
        raw[len(raw) // 2] ^= 1
        (bundle / path).write_bytes(raw)
        return {path}

    return damage


def cut(path: str) -> Damage:
    def damage(bundle: Path) -> set[str]:
        os.truncate(bundle / path, (bundle / path).stat().st_size // 2)
        return {path}

    return damage


def lengthen(path: str) -> Damage:
    def damage(bundle: Path) -> set[str]:
        with (bundle / path).open("ab") as file:
            file.write(b"\n")
        return {path}

    return damage


def remove(path: str) -> Damage:
    def damage(bundle: Path) -> set[str]:
        (bundle / path).unlink()
        return {path}

    return damage


def rename(path: str, other: str) -> Damage:
    def damage(bundle: Path) -> set[str]:
        (bundle / path).rename(bundle / other)
        return {path}

    return damage


def add(path: str | bytes, shown: str = "") -> Damage:
    def damage(bundle: Path) -> set[str]:
        full = os.path.join(os.fsencode(bundle), os.fsencode(path))  # noqa: PTH118
        with open(full, "wb") as file:  # noqa: PTH123
            file.write(b"glazing")
        return {shown or os.fsdecode(path)}

    return damage


def swap(one: str, two: str) -> Damage:
    def damage(bundle: Path) -> set[str]:
        (bundle / one).rename(bundle / "aside")
        (bundle / two).rename(bundle / one)
        (bundle / "aside").rename(bundle / two)
        return {one, two}

    return damage


def link_instead(path: str) -> Damage:
    def damage(bundle: Path) -> set[str]:
        outside = bundle.parent / f"outside-{path.replace('/', '-')}"
        (bundle / path).rename(outside)
        (bundle / path).symlink_to(outside)  # the right content, from elsewhere
        return {path}

    return damage


def link(path: str) -> Damage:
    def damage(bundle: Path) -> set[str]:
        (bundle / path).symlink_to("/")
        return {path}

    return damage


def folder_link(path: str) -> Damage:
    def damage(bundle: Path) -> set[str]:
        outside = bundle.parent / "outside-folder"
        (bundle / path).rename(outside)
        (bundle / path).symlink_to(outside)
        return {path, f"{path}/samples.parquet"}

    return damage


def pipe(path: str) -> Damage:
    def damage(bundle: Path) -> set[str]:
        (bundle / path).unlink(missing_ok=True)
        os.mkfifo(bundle / path)
        return {path}

    return damage


def empty_folder(path: str) -> Damage:
    def damage(bundle: Path) -> set[str]:
        (bundle / path).mkdir()
        return {f"{path}/"}

    return damage


def line(name: str, path: str) -> Damage:
    def damage(bundle: Path) -> set[str]:
        with (bundle / name).open("a", encoding="utf-8") as file:
            file.write(f"{hashlib.sha512(b'').hexdigest()}  {path}\n")
        return {name}

    return damage


DAMAGES: dict[str, Damage] = {
    **{f"flipped_{path}": flip(path) for path in (SAMPLES, "bag-info.txt", "bagit.txt", MANIFEST, TAGS)},
    "flipped_description": flip("data/datapackage.json"),
    "flipped_crate": flip("data/ro-crate-metadata.json"),
    "cut": cut("data/recordings/S002/samples.parquet"),
    "cut_manifest": cut(MANIFEST),
    "longer": lengthen("data/reports/S002.html"),
    "missing": remove("data/reports/S001.html"),
    "missing_declaration": remove("bagit.txt"),
    "missing_info": remove("bag-info.txt"),
    "missing_manifest": remove(MANIFEST),
    "missing_tag_manifest": remove(TAGS),
    "missing_description": remove("data/datapackage.json"),
    "missing_crate": remove("data/ro-crate-metadata.json"),
    "extra": add("data/reports/S009.html"),
    "extra_tag_file": add("notes.txt"),
    "extra_spaces": add("data/two  words .txt"),
    "extra_percent": add("data/100%41.txt"),
    "extra_line_end": add("data/line\nend.txt", "data/line\\nend.txt"),
    "extra_not_ascii": add("data/Tonkrüge.txt"),
    "extra_no_text": add(b"data/\xff\xfe", "data/\\udcff\\udcfe"),
    "extra_terminal_orders": add("data/\x1b[2J", "data/\\x1b[2J"),
    "litter": add("data/.DS_Store"),
    "renamed": rename("data/reports/S003.html", "data/reports/S03.html"),
    "renamed_by_case": rename("data/README.md", "data/readme.md"),
    "moved_out": rename("data/README.md", "README.md"),
    "swapped": swap("data/recordings/S003/samples.parquet", "data/recordings/S004/samples.parquet"),
    "swapped_manifests": swap(MANIFEST, TAGS),
    "link_instead": link_instead("data/recordings/S004/samples.parquet"),
    "link_instead_of_manifest": link_instead(MANIFEST),
    "link_instead_of_declaration": link_instead("bagit.txt"),
    "link": link("data/root"),
    "link_at_top": link("root"),
    "folder_link": folder_link("data/recordings/S003"),
    "pipe": pipe("data/waiting"),
    "pipe_instead": pipe("data/reports/S004.html"),
    "empty_folder": empty_folder("data/recordings/S009"),
    "fetch": add("fetch.txt"),
    "climbs_out": line(MANIFEST, "data/../../outside"),
    "absolute": line(MANIFEST, "/etc/hostname"),
    "listed_missing": lambda b: line(MANIFEST, "data/nothing")(b) | {"data/nothing"},
}


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


@pytest.mark.parametrize("name", DAMAGES)
def test_what_the_referee_finds_is_found(name: str, bundle: Path) -> None:
    if "pipe" in name:
        pytest.skip("the referee waits for the pipe for ever")
    if name == "link":
        pytest.skip("the referee walks through the whole machine")
    DAMAGES[name](bundle)
    faults = [str(fault.problem) for fault in check(bundle).faults]
    assert faults
    for path in referee_files(bundle):
        assert any(path in fault for fault in faults)


def referee_files(bundle: Path) -> set[str]:
    """Files that the referee names; '' where it names none."""
    logging.disable(logging.CRITICAL)
    try:
        bagit.Bag(str(bundle)).validate()
    except bagit.BagValidationError as error:
        return {getattr(detail, "path", "") for detail in error.details}
    except Exception:
        return {""}
    finally:
        logging.disable(logging.NOTSET)
    return set()


# ---- damage together: each kind at its own file

TOGETHER = (
    flip("data/recordings/S001/samples.parquet"),
    cut("data/recordings/S002/samples.parquet"),
    link_instead("data/recordings/S003/samples.parquet"),
    rename("data/recordings/S004/samples.parquet", "data/recordings/S004/sample.parquet"),
    remove("data/reports/S001.html"),
    lengthen("data/reports/S002.html"),
    pipe("data/reports/S003.html"),
    rename("data/reports/S004.html", "data/reports/S 4%.html"),
    flip("data/sessions.parquet"),
    remove("data/README.md"),
    flip("data/datapackage.json"),
    cut("data/ro-crate-metadata.json"),
    add("data/line\nend", "data/line\\nend"),
    add(b"data/\xff", "data/\\udcff"),
    link("data/root"),
    empty_folder("data/nothing"),
    flip("bag-info.txt"),
    line(MANIFEST, "/etc/hostname"),
    line(MANIFEST, "data/../../x"),
    add("notes.txt"),
    line(TAGS, "~/notes"),
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.sets(st.sampled_from(range(len(TOGETHER))), min_size=2))
def test_damages_together_are_all_named(
    whole: Path, tmp_path_factory: pytest.TempPathFactory, kinds: set[int]
) -> None:
    bundle = Path(shutil.copytree(whole, tmp_path_factory.mktemp("damaged") / "bundle"))
    expected = {path for kind in sorted(kinds) for path in TOGETHER[kind](bundle)}
    assert expected <= told(bundle)
    shutil.rmtree(bundle)


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
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


# ---- white space, line ends and encoding in manifests, with right checksums of the manifest

STRICT: dict[str, Callable[[bytes], bytes]] = {
    "one_space": lambda raw: raw.replace(b"  ", b" ", 1),
    "three_spaces": lambda raw: raw.replace(b"  ", b"   ", 1),
    "tab": lambda raw: raw.replace(b"  ", b"\t", 1),
    "no_break_space": lambda raw: raw.replace(b"  ", "\u00a0\u00a0".encode(), 1),
    "ideographic_space": lambda raw: raw.replace(b"  ", "\u3000".encode(), 1),
    "space_at_end": lambda raw: raw.replace(b"\n", b" \n", 1),
    "tab_at_end": lambda raw: raw.replace(b"\n", b"\t\n", 1),
    "space_before": lambda raw: b" " + raw,
    "empty_line": lambda raw: raw.replace(b"\n", b"\n\n", 1),
    "empty_line_at_end": lambda raw: raw + b"\n",
    "space_line": lambda raw: raw + b" \n",
    "comment": lambda raw: b"# clay\n" + raw,
    "asterisk": lambda raw: raw.replace(b"  ", b" *", 1),
    "crlf": lambda raw: raw.replace(b"\n", b"\r\n"),
    "one_crlf": lambda raw: raw.replace(b"\n", b"\r\n", 1),
    "cr": lambda raw: raw.replace(b"\n", b"\r"),
    "line_separator": lambda raw: raw.replace(b"\n", "\u2028".encode(), 1),
    "next_line": lambda raw: raw.replace(b"\n", "\u0085".encode(), 1),
    "form_feed": lambda raw: raw.replace(b"\n", b"\f", 1),
    "no_last_line_end": lambda raw: raw[:-1],
    "upper_case": lambda raw: raw[:128].upper() + raw[128:],
    "mark": lambda raw: b"\xef\xbb\xbf" + raw,
    "zero_byte": lambda raw: raw.replace(b"data/", b"data/\0", 1),
    "no_utf_8": lambda raw: raw.replace(b"data/", b"data/\xff", 1),
    "overlong": lambda raw: raw.replace(b"data/", b"data\xc0\xaf", 1),
    "utf_16": lambda raw: raw.decode().encode("utf-16"),
    "empty": lambda raw: b"",
}


@pytest.mark.parametrize("name", STRICT)
def test_the_text_of_a_manifest_is_strict(name: str, bundle: Path) -> None:
    raw = (bundle / MANIFEST).read_bytes()
    (bundle / MANIFEST).write_bytes(STRICT[name](raw))
    seal(bundle)
    assert MANIFEST in told(bundle)


@pytest.mark.parametrize(
    "path",
    [
        "/etc/passwd",
        "//etc/passwd",
        "../x",
        "data/../../x",
        "data/..",
        "data/a/../../../x",
        "data/./x",
        "data//x",
        "data/x/",
        "~/x",
        "~root/x",
        "C:/x",
        "c:x",
        "C:\\x",
        "data\\x",
        "data\\..\\..\\x",
        "\\\\host\\x",
        "data/%2e%2e/x",
        "data/%2E./x",
        "data/%",
        "%0A../x",
        "file:///etc/passwd",
        "",
    ],
)
def test_paths_are_judged_before_anything_is_opened(path: str, bundle: Path, opened: list[str]) -> None:
    line(MANIFEST, path)(bundle)
    seal(bundle)
    faults = [fault.problem for fault in check(bundle).faults]
    assert [problem.where for problem in faults if problem.file == MANIFEST] == ["line 13"]
    assert {problem.file for problem in faults} <= {MANIFEST, path}  # '%' may stand for itself
    inside = {str(each.relative_to(bundle)) for each in bundle.rglob("*") if each.is_file()}
    assert set(opened) - inside <= folders(bundle)


# ---- nothing outside is read, nothing is written


def folders(bundle: Path) -> set[str]:
    return {str(each.relative_to(bundle)) for each in [bundle, *bundle.rglob("*")] if each.is_dir()}


@pytest.fixture
def opened(bundle: Path, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Real paths of all that verify opens, relative to the bundle; Linux tells them."""
    seen: list[str] = []
    real = os.open

    def watched(path: str, flags: int, *rest: object, **more: int) -> int:
        assert not flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT)
        number = real(path, flags, *rest, **more)  # type: ignore[arg-type]
        seen.append(os.path.relpath(os.readlink(f"/proc/self/fd/{number}"), bundle))  # noqa: PTH115
        return number

    monkeypatch.setattr("pipeline.verify.tree.os.open", watched)
    return seen


@pytest.mark.parametrize("name", DAMAGES)
def test_nothing_outside_is_opened_and_nothing_written(name: str, bundle: Path, opened: list[str]) -> None:
    DAMAGES[name](bundle)
    before = snapshot(bundle.parent)
    check(bundle)
    assert snapshot(bundle.parent) == before
    assert opened
    assert not [path for path in opened if path.startswith("..")]


def snapshot(folder: Path) -> dict[str, tuple[int, int, int]]:
    return {
        str(path): (status.st_mode, status.st_size, status.st_mtime_ns)
        for path in [folder, *folder.rglob("*")]
        for status in [path.lstat()]
    }


def test_a_file_that_becomes_a_link_while_it_is_checked_is_not_followed(
    bundle: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = Tree.listing

    def late(self: Tree) -> object:
        listing = real(self)
        link_instead(SAMPLES)(bundle)
        folder_link("data/recordings/S003")(bundle)
        return listing

    monkeypatch.setattr(Tree, "listing", late)
    assert told(bundle) >= {SAMPLES, "data/recordings/S003/samples.parquet"}


def test_without_the_system_s_help_links_are_refused_all_the_same(
    bundle: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pipeline.verify.tree._STEPWISE", False)
    monkeypatch.setattr("pipeline.verify.tree._NO_FOLLOW", 0)
    assert not check(bundle).faults
    expected = link_instead(SAMPLES)(bundle) | folder_link("data/recordings/S003")(bundle)
    assert expected <= told(bundle)
    with Tree(bundle) as tree, pytest.raises(OSError, match="symbolic link"), tree.opened(SAMPLES):
        pass


def test_a_file_that_cannot_be_read_is_named_and_the_others_are_checked(
    bundle: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    flip("data/README.md")(bundle)
    real = Tree.digests

    def failing(self: Tree, path: str, *rest: object) -> dict[str, str]:
        if path == SAMPLES:
            raise OSError(5, "Input/output error")
        return real(self, path, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(Tree, "digests", failing)
    assert told(bundle) == {SAMPLES, "data/README.md"}


def test_no_description_makes_verify_look_elsewhere(bundle: Path, opened: list[str]) -> None:
    def outside(package: dict, crate: dict) -> None:
        package["resources"][0]["path"] = "../../outside.parquet"
        package["resources"][1]["path"] = "/etc/hostname"
        crate["@graph"].append({"@id": "..%2F..%2Foutside", "@type": "File"})

    remake(bundle, outside)
    assert told(bundle) >= {"data/datapackage.json", "data/ro-crate-metadata.json"}
    assert not [path for path in opened if path.startswith("..")]


# ---- what a bundle promises beyond the standard, with right checksums


def remake(bundle: Path, change: Callable[[dict, dict], None]) -> None:
    describe(bundle / "data", change)
    write_manifests(bundle, INFO)


def _first(package: dict, word: str) -> dict:
    return next(one for one in package["resources"] if word in one["path"])


def _fields(package: dict) -> list[dict]:
    return _first(package, "S001/samples")["schema"]["fields"]


DESCRIBED: dict[str, tuple[Callable[[dict, dict], object], str]] = {
    "file_not_in_package": (
        lambda p, c: p["resources"].remove(_first(p, "S001.html")),
        "data/reports/S001.html",
    ),
    "file_not_in_crate": (lambda p, c: c["@graph"].pop(1), "data/README.md"),
    "package_names_too_many": (lambda p, c: p["resources"].append({"path": "kiln.csv"}), "data/kiln.csv"),
    "crate_names_too_many": (
        lambda p, c: c["@graph"].append({"@id": "kiln.csv", "@type": ["File"]}),
        "data/kiln.csv",
    ),
    "twice": (lambda p, c: p["resources"].append(_first(p, "S001.html")), "data/datapackage.json"),
    "no_resources": (lambda p, c: p.pop("resources"), "data/datapackage.json"),
    "odd_resources": (
        lambda p, c: p.update(resources=[1, None, {"path": 3}, {"path": []}]),
        "data/datapackage.json",
    ),
    "no_graph": (lambda p, c: c.pop("@graph"), "data/ro-crate-metadata.json"),
    "wrong_size": (lambda p, c: _first(p, "S001.html").update(bytes=1), "data/reports/S001.html"),
    "wrong_hash": (
        lambda p, c: _first(p, "S001.html").update(hash="sha512:" + "0" * 128),
        "data/reports/S001.html",
    ),
    "wrong_rows": (lambda p, c: _first(p, "S001/samples").update(rows=499), SAMPLES),
    "no_schema": (lambda p, c: _first(p, "S001/samples").pop("schema"), SAMPLES),
    "wrong_name": (lambda p, c: _fields(p)[1].update(name="wrist"), SAMPLES),
    "wrong_order": (lambda p, c: _fields(p).reverse(), SAMPLES),
    "column_too_many": (lambda p, c: _fields(p).append({"name": "x", "type": "number"}), SAMPLES),
    "column_missing": (lambda p, c: _fields(p).pop(), SAMPLES),
    "wrong_type": (lambda p, c: _fields(p)[1].update(type="string"), SAMPLES),
}


@pytest.mark.parametrize("name", DESCRIBED)
def test_descriptions_are_held_against_the_files(name: str, bundle: Path) -> None:
    change, expected = DESCRIBED[name]
    remake(bundle, change)
    assert expected in told(bundle)
    assert referee_accepts(bundle)


@pytest.mark.parametrize("text", ["", "[]", "{", "nul", '{"a": NaN', "[" * 100_000, "\ufeff{}", "7"])
@pytest.mark.parametrize("name", ["datapackage.json", "ro-crate-metadata.json"])
def test_a_description_that_is_no_object_is_named(name: str, text: str, bundle: Path) -> None:
    (bundle / "data" / name).write_text(text)
    write_manifests(bundle, INFO)
    assert f"data/{name}" in told(bundle)


def _parquet(edit: Callable[[bytes], bytes]) -> Callable[[Path], None]:
    return lambda path: path.write_bytes(edit(path.read_bytes())) and None


BROKEN: dict[str, Callable[[Path], None]] = {
    "empty": _parquet(lambda raw: b""),
    "no_parquet": _parquet(lambda raw: b"session,sample\n" * 10),
    "cut": _parquet(lambda raw: raw[:-100]),
    "no_beginning": _parquet(lambda raw: b"XXXX" + raw[4:]),
    "foot_too_long": _parquet(lambda raw: raw[:-8] + b"\xff\xff\xff\x7f" + raw[-4:]),
    "foot_damaged": _parquet(lambda raw: raw[:-200] + bytes(100) + raw[-100:]),
    "pages_taken_out": _parquet(lambda raw: raw[:4] + raw[2000:]),
    "other_columns": lambda path: pq.write_table(pa.table({"sample": [1]}), path),
    "other_rows": lambda path: pq.write_table(samples(0, 499), path),
}


@pytest.mark.parametrize("name", BROKEN)
def test_tables_that_were_never_right_are_named(name: str, bundle: Path) -> None:
    # Checksums are made after the damage: only the description knows better.
    BROKEN[name](bundle / SAMPLES)
    write_manifests(bundle, INFO)
    assert SAMPLES in told(bundle)
    assert referee_accepts(bundle)


# ---- what is no bundle


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


# ---- size


def test_a_manifest_without_end_is_not_read_whole(bundle: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.verify.bag.LARGEST_TEXT", 1000)
    assert MANIFEST in told(bundle)


def test_a_thousand_folders_deep_is_no_traceback(bundle: Path) -> None:
    number = os.open(bundle / "data", os.O_RDONLY)
    for _ in range(1500):
        os.mkdir("a", dir_fd=number)
        below = os.open("a", os.O_RDONLY, dir_fd=number)
        os.close(number)
        number = below
    os.close(number)
    assert any(fault.problem.found == "an empty folder" for fault in check(bundle).faults)
    # rmtree of the test's end follows a path by recursion
    while (bundle / "data/a").exists():
        inner, up = bundle / "data/a", bundle / "data/b"
        inner.rename(up)
        if (up / "a").exists():
            (up / "a").rename(inner)
        up.rmdir()


class Terminal:
    def __init__(self, is_one: bool) -> None:
        self.text, self.is_one = "", is_one

    def isatty(self) -> bool:
        return self.is_one

    def write(self, text: str) -> int:
        self.text += text
        return len(text)

    def flush(self) -> None: ...


@pytest.mark.parametrize(("is_one", "lines"), [(True, 0), (False, 8)])
def test_progress_with_the_time_left(is_one: bool, lines: int) -> None:
    out, seconds = Terminal(is_one), iter(range(1000))
    progress = Progress(1_000_000_000, out, lambda: float(next(seconds)))  # type: ignore[arg-type]
    for _ in range(10):
        progress.add(100_000_000)
    progress.end()
    assert " 40% of 1 GB read, 6 s left" in out.text
    assert out.text.count("\n") in (lines, lines + 1)
    assert not is_one or out.text.rstrip(" ").endswith("\r")


def test_a_small_bundle_shows_no_progress() -> None:
    out = Terminal(True)
    progress = Progress(1000, out, lambda: 0.0)  # type: ignore[arg-type]
    progress.add(1000)
    progress.end()
    assert out.text == ""


@pytest.mark.parametrize(
    ("n", "words"),
    [(0, "0 bytes"), (999, "999 bytes"), (1000, "1 kB"), (30_100, "30.1 kB"), (10**11, "100 GB")],
)
def test_sizes_in_words(n: int, words: str) -> None:
    assert in_words(n) == words
