"""Around a bundle: room on the disk, what was left of others, names on the command line, known digests."""

import json
import os
import socket
from collections import namedtuple
from pathlib import Path
from types import SimpleNamespace

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from pipeline.bundle import room
from pipeline.bundle.bag import digest_of, write_manifests
from pipeline.bundle.command import _listed, _quoted
from pipeline.bundle.places import held_aside, left_behind
from pipeline.bundle.room import BYTES_A_PAGE, check_room, room_for
from pipeline.errors import InputError


def test_room_counts_samples_formats_and_pages(tmp_path: Path) -> None:
    path = tmp_path / "samples.parquet"
    pq.write_table(pa.table({"sample": range(1000), "time_s": [0.5] * 1000}), path)
    recorded = SimpleNamespace(recording=True, held=SimpleNamespace(samples={"": path}))
    rejected = SimpleNamespace(recording=False, held=SimpleNamespace(samples={"": path}))
    chosen = SimpleNamespace(sessions=(recorded, rejected))
    least = path.stat().st_size + 2 * BYTES_A_PAGE
    assert room_for(chosen.sessions, frozenset()) == least
    assert room_for(chosen.sessions, frozenset({"csv"})) == least + 2000 * 10
    assert room_for(chosen.sessions, frozenset({"csv", "edf"})) == least + 2000 * 12


def test_room_is_told_with_the_place_before_it_is_wanting(tmp_path: Path, monkeypatch) -> None:
    usage = namedtuple("usage", "total used free")
    monkeypatch.setattr(room.shutil, "disk_usage", lambda place: usage(2e9, 1e9, 1e9))
    told: list[str] = []
    check_room(tmp_path, 1_000_000_000, told.append)
    with pytest.raises(InputError, match="fewer formats"):
        check_room(tmp_path, 1_500_000_000, told.append)
    assert told == [
        f"About {size} to write into {tmp_path}, where 1 GB are free." for size in ("1 GB", "1.5 GB")
    ]


def test_what_a_killed_maker_left_is_named_and_what_a_living_one_has_is_not(tmp_path: Path) -> None:
    for name in ("killed", "other host", "no lock", "mine"):
        (tmp_path / f"{name}.part").mkdir()
    gone = {"pid": 2**22 + 1, "host": socket.gethostname(), "began": "0"}  # above the largest process id
    for name in ("killed", "mine"):
        (tmp_path / f".{name}.lock").write_text(json.dumps(gone))
    (tmp_path / ".other host.lock").write_text(json.dumps(gone | {"pid": os.getpid(), "host": "kiln-room"}))
    (tmp_path / ".editor.lock").write_text("of another program")
    with held_aside(tmp_path / "at work"):
        found = left_behind(tmp_path / "mine")
    assert found == (tmp_path / "killed.part", tmp_path / ".killed.lock")


@pytest.mark.parametrize(
    ("given", "meant"),
    [
        (["title, activities", "review"], ["title", "activities", "review"]),
        (['title,"column:hand, glove"'], ["title", "column:hand, glove"]),
        ([_quoted('column:6" pot, red')], ['column:6" pot, red']),
        (['column:6" pot'], ['column:6" pot']),
        (['"title', "a\nb"], ["title", "a", "b"]),
        (["", " , "], []),
    ],
)
def test_a_name_with_a_comma_stands_in_quotes(given: list[str], meant: list[str]) -> None:
    assert _listed(given) == meant


def test_digests_that_are_known_are_not_taken_again(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    for name in ("a", "b"):
        (tmp_path / "data" / name).write_text(name)
    write_manifests(tmp_path, {})
    before = (tmp_path / "manifest-sha512.txt").read_text()
    read: list[int] = []
    write_manifests(tmp_path, {}, read.append, {"data/a": digest_of(tmp_path / "data/a")})
    assert (tmp_path / "manifest-sha512.txt").read_text() == before
    tags = sum(
        (tmp_path / name).stat().st_size for name in ("bagit.txt", "bag-info.txt", "manifest-sha512.txt")
    )
    assert sum(read) == 1 + tags
