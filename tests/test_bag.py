"""Bags as they are written: by the text of RFC 8493, and by a library of others as referee."""

import os
import tracemalloc
from pathlib import Path

import bagit
import pytest

from pipeline.bundle.bag import digest_of, finish, write_manifests
from pipeline.errors import InputError
from tests.bundles import INFO, small_bundle

# FIPS 180-2, appendix C.1: SHA-512 of 'abc'.
ABC = (
    "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a"
    "2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f"
)


def bag_of(folder: Path, files: dict[str, bytes], info: dict[str, str] | None = None) -> Path:
    for name, content in files.items():
        path = folder / "data" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    write_manifests(folder, INFO if info is None else info)
    return folder


def manifest(bag: Path) -> str:
    return (bag / "manifest-sha512.txt").read_text(encoding="utf-8")


def test_every_byte_of_a_small_bag(tmp_path: Path) -> None:
    # RFC 8493: 2.1.1 declaration, 2.1.3 payload manifest, 2.2.1 tag manifest, 2.2.2 bag-info.txt.
    bag = bag_of(tmp_path, {"clay.txt": b"abc"}, {"External-Description": "a \n kiln"})
    assert sorted(path.name for path in bag.iterdir()) == [
        "bag-info.txt",
        "bagit.txt",
        "data",
        "manifest-sha512.txt",
        "tagmanifest-sha512.txt",
    ]
    assert (bag / "bagit.txt").read_bytes() == b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    assert (bag / "bag-info.txt").read_bytes() == b"External-Description: a kiln\nPayload-Oxum: 3.1\n"
    assert manifest(bag) == f"{ABC}  data/clay.txt\n"
    tags = (bag / "tagmanifest-sha512.txt").read_text().splitlines()
    assert [line[130:] for line in tags] == ["bag-info.txt", "bagit.txt", "manifest-sha512.txt"]
    assert all(line[:128] == digest_of(bag / line[130:]) for line in tags)


@pytest.mark.parametrize(
    ("name", "written"),
    [
        ("two words.txt", "two words.txt"),
        ("line\nend.txt", "line%0Aend.txt"),
        ("return\rhere.txt", "return%0Dhere.txt"),
        ("Tonkrüge.txt", "Tonkrüge.txt"),
        ("壺.txt", "壺.txt"),
        ("deep/er/clay.txt", "deep/er/clay.txt"),
        (" leading", " leading"),
        ("tab\there", "tab\there"),
    ],
)
def test_names_are_written_as_the_standard_says(tmp_path: Path, name: str, written: str) -> None:
    # RFC 8493, 2.1.3: LF, CR and '%' percent-encoded, and only those.
    bag = bag_of(tmp_path, {name: b"abc"})
    assert manifest(bag) == f"{ABC}  data/{written}\n"
    bagit.Bag(str(bag)).validate()


def test_percent_is_written_as_the_standard_says(tmp_path: Path) -> None:
    # RFC 8493, 2.1.3. The referee (bagit 1.9.0) does not put '%25' back, so it is not asked.
    bag = bag_of(tmp_path, {"100%.txt": b"abc", "%0A.txt": b"abc"})
    assert manifest(bag) == f"{ABC}  data/%250A.txt\n{ABC}  data/100%25.txt\n"


def test_the_referee_accepts_a_bundle(tmp_path: Path) -> None:
    bag = bagit.Bag(str(small_bundle(tmp_path)))
    bag.validate()
    assert bag.version_info == (1, 0)
    assert bag.info["External-Description"] == INFO["External-Description"]
    assert set(bag.algorithms) == {"sha512"}
    assert len(list(bag.payload_files())) == int(bag.info["Payload-Oxum"].split(".")[1])


def test_bytes_do_not_depend_on_the_order_in_which_files_came(tmp_path: Path) -> None:
    names = ["b/1", "a.txt", "a/2", "a-b", "é"]
    one = bag_of(tmp_path / "one", {name: name.encode() for name in names})
    two = bag_of(tmp_path / "two", {name: name.encode() for name in reversed(names)})
    for name in ("manifest-sha512.txt", "tagmanifest-sha512.txt", "bag-info.txt"):
        assert (one / name).read_bytes() == (two / name).read_bytes()
    paths = [line[130:] for line in manifest(one).splitlines()]
    assert paths == sorted(paths)


def test_writing_twice_changes_nothing(tmp_path: Path) -> None:
    bag = small_bundle(tmp_path)
    before = {path: path.read_bytes() for path in bag.rglob("*") if path.is_file()}
    write_manifests(bag, INFO)
    assert before == {path: path.read_bytes() for path in bag.rglob("*") if path.is_file()}


def test_tag_files_of_others_are_listed(tmp_path: Path) -> None:
    # RFC 8493, 2.2.4 and 2.2.1.
    (tmp_path / "notes").mkdir()
    (tmp_path / "notes/kiln.txt").write_text("invented")
    bag = bag_of(tmp_path, {"clay.txt": b"abc"})
    assert "  notes/kiln.txt\n" in (bag / "tagmanifest-sha512.txt").read_text()
    bagit.Bag(str(bag)).validate()


def test_folders_without_a_file_are_taken_away(tmp_path: Path) -> None:
    (tmp_path / "data/recordings/S009").mkdir(parents=True)
    bag_of(tmp_path, {"clay.txt": b"abc"})
    assert sorted(path.name for path in (tmp_path / "data").iterdir()) == ["clay.txt"]


@pytest.mark.parametrize("kind", ["symlink", "folder_symlink", "pipe"])
def test_what_is_no_file_stops_the_writing(tmp_path: Path, kind: str) -> None:
    data = tmp_path / "bag/data"
    data.mkdir(parents=True)
    (data / "clay.txt").write_bytes(b"abc")
    if kind == "pipe":
        os.mkfifo(data / "odd")
    else:
        (data / "odd").symlink_to(tmp_path if kind == "folder_symlink" else data / "clay.txt")
    with pytest.raises(ValueError, match="neither a file nor a folder"):
        write_manifests(tmp_path / "bag", INFO)
    assert not (tmp_path / "bag/manifest-sha512.txt").exists()


def test_a_name_that_is_not_text_stops_the_writing(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    with open(os.path.join(os.fsencode(tmp_path), b"data", b"\xff"), "wb"):  # noqa: PTH118, PTH123
        pass
    with pytest.raises(ValueError, match="surrogates"):
        write_manifests(tmp_path, INFO)


def test_no_payload_no_bag(tmp_path: Path) -> None:
    (tmp_path / "data/empty").mkdir(parents=True)
    with pytest.raises(ValueError, match="no payload"):
        write_manifests(tmp_path, INFO)


@pytest.mark.parametrize("label", ["", " Kiln", "Kiln ", "Ki:ln", "Ki\nln"])
def test_labels_are_checked(tmp_path: Path, label: str) -> None:
    # RFC 8493, 2.2.2: no colon, no line end, no white space at either end.
    with pytest.raises(ValueError, match="label"):
        bag_of(tmp_path, {"clay.txt": b"abc"}, {label: "x"})


def test_every_byte_is_told_to_who_watches(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    (tmp_path / "data/large").write_bytes(bytes(3_000_001))
    seen: list[int] = []
    write_manifests(tmp_path, INFO, seen.append)
    tags = sum(
        (tmp_path / name).stat().st_size for name in ("bagit.txt", "bag-info.txt", "manifest-sha512.txt")
    )
    assert sum(seen) == 3_000_001 + tags
    assert max(seen) <= 1 << 20


def test_memory_is_that_of_a_block(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    with (tmp_path / "data/large").open("wb") as file:
        file.truncate(64 << 20)
    tracemalloc.start()
    write_manifests(tmp_path, INFO)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 3 << 20


def test_the_final_name_comes_in_one_step(tmp_path: Path) -> None:
    aside = small_bundle(tmp_path / "BUNDLE.part")
    final = tmp_path / "BUNDLE"
    finish(aside, final)
    assert not aside.exists()
    bagit.Bag(str(final)).validate()


@pytest.mark.parametrize("there", ["folder", "empty", "file", "broken_link"])
def test_what_has_the_final_name_already_stays(tmp_path: Path, there: str) -> None:
    aside, final = small_bundle(tmp_path / "BUNDLE.part"), tmp_path / "BUNDLE"
    if there == "file":
        final.write_text("wedging")
    elif there == "broken_link":
        final.symlink_to("nowhere")
    else:
        final.mkdir()
        if there == "folder":
            (final / "kept").write_text("wedging")
    with pytest.raises(InputError, match="a name that is free"):
        finish(aside, final)
    assert aside.is_dir()
    assert os.path.lexists(final)


def test_a_rename_that_fails_leaves_no_half_bag(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    aside, final = small_bundle(tmp_path / "BUNDLE.part"), tmp_path / "BUNDLE"

    def no_space(number: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pipeline.bundle.bag.os.fsync", no_space)
    with pytest.raises(OSError, match="No space"):
        finish(aside, final)
    assert not final.exists()
