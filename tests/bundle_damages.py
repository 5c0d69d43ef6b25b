"""Ways to damage a bundle, each with the files that must be named."""

import hashlib
import os
from collections.abc import Callable
from pathlib import Path

MANIFEST, TAGS = "manifest-sha512.txt", "tagmanifest-sha512.txt"
SAMPLES = "data/recordings/S001/samples.parquet"

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
    "manifest_too_many": add("manifest-md5.txt"),
    "manifest_of_one_name": add("manifest-SHA512.txt"),
    "fetch": add("fetch.txt"),
    "climbs_out": line(MANIFEST, "data/../../outside"),
    "absolute": line(MANIFEST, "/etc/hostname"),
    "listed_missing": lambda b: line(MANIFEST, "data/nothing")(b) | {"data/nothing"},
}


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
"""Damages that leave each other alone: each kind has its own file."""
