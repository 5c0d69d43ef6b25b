"""Files that get their final names one by one, or all of a step together."""

import threading
from pathlib import Path

import pytest

from pipeline.writing import gathered, write_text


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_gathered_files_get_their_names_together(tmp_path: Path) -> None:
    with gathered() as files:
        write_text(tmp_path / "glaze", "celadon")
        write_text(tmp_path / "clay", "stoneware")
        assert [name for name in names(tmp_path) if not name.startswith(".")] == []
    files.name()
    assert names(tmp_path) == ["clay", "glaze"]
    assert (tmp_path / "clay").read_text() == "stoneware"


def test_written_twice_the_last_counts(tmp_path: Path) -> None:
    with gathered() as files:
        write_text(tmp_path / "glaze", "celadon")
        write_text(tmp_path / "glaze", "tenmoku")
    files.name()
    assert (tmp_path / "glaze").read_text() == "tenmoku"
    assert names(tmp_path) == ["glaze"]


def test_a_failure_leaves_nothing_of_what_was_gathered(tmp_path: Path) -> None:
    def cracked() -> None:
        with gathered():
            write_text(tmp_path / "glaze", "celadon")
            raise ValueError("cracked")

    with pytest.raises(ValueError, match="cracked"):
        cracked()
    assert names(tmp_path) == []


def test_a_name_that_cannot_be_given_leaves_no_scraps(tmp_path: Path) -> None:
    """What came before it has its name, and is whole."""
    with gathered() as files:
        write_text(tmp_path / "clay", "stoneware")
        write_text(tmp_path / "kiln", "hot")
        write_text(tmp_path / "glaze", "celadon")
    (tmp_path / "kiln").mkdir()
    with pytest.raises(OSError):  # noqa: PT011 - each system has its own words
        files.name()
    assert names(tmp_path) == ["clay", "kiln"]


def test_other_threads_name_their_files_at_once(tmp_path: Path) -> None:
    with gathered() as files:
        write_text(tmp_path / "glaze", "celadon")
        other = threading.Thread(target=write_text, args=(tmp_path / "clay", "stoneware"))
        other.start()
        other.join()
        assert (tmp_path / "clay").exists()
        assert not (tmp_path / "glaze").exists()
    files.name()
