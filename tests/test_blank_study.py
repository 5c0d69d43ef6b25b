"""The study folder to fill in: it loads as it stands, and every key of the tables is in it."""

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from pipeline.checking import wanted
from pipeline.errors import InputError
from pipeline.layouts.units import SI_UNITS
from pipeline.layouts.written import kinds_of_part
from pipeline.study import load_study, write_blank_study
from schemas.keys import ACTIVITY_COLUMNS, BINARY, SESSION_COLUMNS, SITE, STUDY, Key, taken_by
from schemas.keys import FRAMINGS as EVERY_FRAMING
from schemas.layout_keys import CHANNEL, FRAME, LAYOUT, TEXT
from schemas.part_keys import PART, PARTS

TABLES = {
    "study.toml": (*STUDY, *SITE),
    "layouts/binary.toml": (*LAYOUT, *FRAME, *PART, *CHANNEL),
    "layouts/text.toml": (*LAYOUT, *TEXT, *FRAME, *PART, *CHANNEL),
}
FRAMINGS = {"layouts/binary.toml": BINARY, "layouts/text.toml": ("text",)}
"""Framings of which a file shows the keys; the first is its own."""

ONLY_IN_BINARY = {"bytes", "type", "arrangement", "counts", "width", "poly", "init", "reflect_in", "xor_out"}


@pytest.fixture
def blank(tmp_path: Path) -> Path:
    write_blank_study(tmp_path / "workshop")
    return tmp_path / "workshop"


def test_it_loads_as_it_stands(blank: Path) -> None:
    study = load_study(blank)
    assert set(study.layouts) == {"binary", "text"}
    assert {session.layout for session in study.sessions} == {"binary", "text"}
    assert all(session.activities for session in study.sessions)
    assert study.policy_file == blank / "policy.toml"
    assert list((blank / "dumps").iterdir()) == []


def test_files_written_are_named(tmp_path: Path) -> None:
    written = write_blank_study(tmp_path / "workshop")
    assert sorted(written) == sorted(path for path in (tmp_path / "workshop").rglob("*") if path.is_file())


@pytest.mark.parametrize("name", TABLES)
def test_every_key_stands_in_its_file(blank: Path, name: str) -> None:
    text = (blank / name).read_text()
    missing = [key.name for key in TABLES[name] if _belongs(key, name) and not _stands(key, name, text)]
    assert missing == []


def _belongs(key: Key, name: str) -> bool:
    return not key.framing or bool(set(key.framing) & set(FRAMINGS.get(name, ())))


def _stands(key: Key, name: str, text: str) -> bool:
    if key.type == "table":
        return f"[{key.name}]" in text
    if key.type == "tables":
        return re.search(rf"^#?\[\[(frame\.)?{key.name}\]\]$", text, re.MULTILINE) is not None
    without = key.default if key.default.startswith("needed") else f"without it: {key.default}"
    rule = f"{wanted(key)}; {without if key.default else 'required'}"
    if key.framing and FRAMINGS[name][0] not in key.framing:
        rule += f", in framing {' or '.join(repr(framing) for framing in key.framing)}"
    pattern = (
        rf"^# {_wrapped(key.description[0].upper() + key.description[1:] + ':', '# ')}\n"
        rf"#   {_wrapped(rule, '#   ')}\n#?{key.name} = "
    )
    return re.search(pattern, text, re.MULTILINE) is not None


def _wrapped(words: str, begin: str) -> str:
    """A pattern for words that may go on in lines that begin so."""
    return re.escape(words).replace(r"\ ", rf"(?: |\n{re.escape(begin)})")


def test_every_key_says_what_holds_without_it() -> None:
    for key in {key for keys in TABLES.values() for key in keys}:
        assert bool(key.default) != key.required, key.name


def test_units_are_listed_by_kind() -> None:
    description = next(key.description for key in CHANNEL if key.name == "unit")
    for units in SI_UNITS.values():
        *first, last = units
        assert f"{', '.join(first)} or {last} for a" in description


def test_no_part_takes_two_keys_of_a_name() -> None:
    for framing in EVERY_FRAMING:
        for kind in kinds_of_part(framing):
            names = [key.name for key in taken_by(PART, framing, kind)]
            assert len(set(names)) == len(names), (framing, kind)
        for several in (LAYOUT, TEXT, FRAME, CHANNEL):
            names = [key.name for key in taken_by(several, framing)]
            assert len(set(names)) == len(names), framing


def test_it_points_to_the_page_and_the_schemas(blank: Path) -> None:
    for name in ("README.txt", "layouts/binary.toml", "layouts/text.toml"):
        text = " ".join((blank / name).read_text().replace("\n# ", " ").split())
        assert "is on the page layouts.md of sessiongate, with an example of each" in text
    command = (blank / "README.txt").read_text().splitlines()[-1].strip()
    code = command.removeprefix("python -c '").removesuffix("'")
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    folder = Path(said.stdout.strip())
    assert (folder / "layouts.md").is_file()
    assert (folder / "json" / "layout.schema.json").is_file()


def test_what_a_part_is_stands_above_it(blank: Path) -> None:
    for name, framings in FRAMINGS.items():
        text = " ".join((blank / name).read_text().replace("\n# ", " ").split())
        for kind in kinds_of_part(framings[0]):
            assert PARTS[kind] in text


def test_keys_of_binary_parts_are_no_keys_of_lines(blank: Path) -> None:
    keys = re.findall(r"^#?(\w+) = ", (blank / "layouts" / "text.toml").read_text(), re.MULTILINE)
    assert not ONLY_IN_BINARY & set(keys)
    assert (
        set(re.findall(r"^#?(\w+) = ", (blank / "layouts" / "binary.toml").read_text(), re.M))
        > ONLY_IN_BINARY
    )


@pytest.mark.parametrize("name", TABLES)
def test_the_file_parses_with_every_comment_taken_away(blank: Path, name: str) -> None:
    text = (blank / name).read_text()
    tomllib.loads(text)
    tomllib.loads(re.sub(r"^#(\w+ = |\[)", r"\1", text, flags=re.MULTILINE))


def test_study_loads_with_every_key_in_force(blank: Path) -> None:
    file = blank / "study.toml"
    file.write_text(re.sub(r"^#(\w+ = |\[)", r"\1", file.read_text(), flags=re.MULTILINE))
    study = load_study(blank)
    assert study.time_zone == "Europe/Lisbon"
    assert [session.mains_hz for session in study.sessions] == [50.0, 60.0]


@pytest.mark.parametrize("key", [key for keys in TABLES.values() for key in keys], ids=lambda key: key.name)
def test_every_key_has_an_example_that_it_takes(key: Key) -> None:
    from pipeline.checking import right_values

    if key.type in ("table", "tables"):
        return
    example = list(key.example) if isinstance(key.example, tuple) else key.example
    assert right_values({key.name: example}, (key,)) == {key.name: example}


def test_columns_are_described(blank: Path) -> None:
    text = (blank / "README.txt").read_text()
    for key in (*SESSION_COLUMNS, *ACTIVITY_COLUMNS):
        assert re.search(rf"^    {key.name} +{re.escape(key.description)} ", text, re.MULTILINE)
    header = (blank / "sessions.csv").read_text().splitlines()[0]
    assert header == ",".join(key.name for key in SESSION_COLUMNS)


def test_policy_is_as_given(tmp_path: Path) -> None:
    write_blank_study(tmp_path / "workshop", "# nothing differs\n")
    assert (tmp_path / "workshop" / "policy.toml").read_text() == "# nothing differs\n"


def test_policy_holds_comments_only(blank: Path) -> None:
    assert tomllib.loads((blank / "policy.toml").read_text()) == {}


def test_same_bytes_each_time(tmp_path: Path) -> None:
    first, second = write_blank_study(tmp_path / "a"), write_blank_study(tmp_path / "b")
    assert [path.read_bytes() for path in first] == [path.read_bytes() for path in second]


def test_an_empty_folder_is_taken(tmp_path: Path) -> None:
    (tmp_path / "workshop").mkdir()
    assert write_blank_study(tmp_path / "workshop")


@pytest.mark.parametrize(
    ("name", "found"),
    [("full", "one that holds files already"), ("file", "a file"), ("file/study", "Not a directory")],
)
def test_what_is_there_is_left_alone(tmp_path: Path, name: str, found: str) -> None:
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "notes.txt").write_text("mine")
    (tmp_path / "file").write_text("mine")
    with pytest.raises(InputError, match=rf"{name}: expected a.* folder.*; found {found}\. Choose another"):
        write_blank_study(tmp_path / name)
    assert sorted(path.name for path in tmp_path.rglob("*")) == ["file", "full", "notes.txt"]
