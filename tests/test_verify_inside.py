"""Checking a bundle opens nothing outside it and writes nothing, whatever the bundle says."""

import os
from pathlib import Path

import pytest

from pipeline.verify.tree import Tree
from pipeline.verify.verify import check
from tests.bag_referee import told
from tests.bundle_damages import DAMAGES, MANIFEST, SAMPLES, flip, folder_link, line, link_instead
from tests.bundles import remake, seal, small_bundle


@pytest.fixture
def bundle(tmp_path: Path) -> Path:
    return small_bundle(tmp_path / "bundle")


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
