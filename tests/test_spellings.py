"""Names with marks on their letters, written as one character or as several: what looks alike is the same.

Unicode Standard Annex 15: forms NFC and NFD. Some systems keep names of files in NFD; spreadsheets write NFC.
"""

from pathlib import Path
from unicodedata import normalize

import pytest
from workshop import make_folder

from pipeline.crosscheck import dump_files
from pipeline.study import load_study

NAME = "größe é/ofen ü.bin"


def study_with(folder: Path, on_disk: str, in_table: str) -> Path:
    """A study of which one dump has such a name, here and there."""
    study = make_folder(folder)
    dump = study / "dumps" / normalize(on_disk, NAME)
    dump.parent.mkdir(parents=True)
    dump.write_bytes(b"x")
    table = study / "sessions.csv"
    text = table.read_text(encoding="utf-8").replace("dumps/a.bin", f"dumps/{normalize(in_table, NAME)}", 1)
    table.write_text(text, encoding="utf-8")
    return study


@pytest.mark.parametrize("on_disk", ["NFC", "NFD"])
@pytest.mark.parametrize("in_table", ["NFC", "NFD"])
def test_a_dump_is_found_in_either_spelling(tmp_path: Path, on_disk: str, in_table: str) -> None:
    folder = study_with(tmp_path, on_disk, in_table)
    study = load_study(folder)
    [dump] = [name for session in study.sessions for name in session.dumps if "ofen" in name]
    assert (folder / dump).read_bytes() == b"x"
    assert dump in dump_files(study)  # nobody's file otherwise


def test_a_dump_that_is_not_there_keeps_the_name_of_the_table(tmp_path: Path) -> None:
    folder = study_with(tmp_path, "NFD", "NFC")
    (folder / "dumps" / normalize("NFD", NAME)).unlink()
    names = [name for session in load_study(folder).sessions for name in session.dumps]
    assert f"dumps/{NAME}" in names


def test_of_two_files_that_look_alike_the_one_that_is_named_is_taken(tmp_path: Path) -> None:
    folder = study_with(tmp_path, "NFD", "NFC")
    other = folder / "dumps" / NAME
    try:
        other.parent.mkdir()
    except FileExistsError:
        pytest.skip("this file system does not tell them apart")
    other.write_bytes(b"y")
    [dump] = [name for session in load_study(folder).sessions for name in session.dumps if "ofen" in name]
    assert (folder / dump).read_bytes() == b"y"


@pytest.mark.parametrize(("on_disk", "in_table"), [("NFC", "NFD"), ("NFD", "NFC")])
def test_layouts_and_sites_too(tmp_path: Path, on_disk: str, in_table: str) -> None:
    """A site that were not found would have the mains frequency of the others."""
    folder = make_folder(tmp_path)
    layout = next((folder / "layouts").glob("*.toml"))
    layout.rename(layout.with_name(f"{normalize(on_disk, 'tö')}.toml"))
    table = folder / "sessions.csv"
    text = table.read_text(encoding="utf-8").replace(f",{layout.stem},", f",{normalize(in_table, 'tö')},")
    header, row, *others = text.splitlines()
    cells = row.split(",")
    cells[header.split(",").index("site")] = normalize(in_table, "Bürö")
    table.write_text("\n".join([header, ",".join(cells), *others]) + "\n", encoding="utf-8")
    with (folder / "study.toml").open("a", encoding="utf-8") as toml:
        toml.write(f'\n[[site]]\nname = "{normalize(on_disk, "Bürö")}"\nmains_hz = 60\n')

    study = load_study(folder)

    assert study.sessions[0].mains_hz == 60
    assert "tö" in study.layouts
    assert study.sessions[0].layouts[0] == "tö"
