"""The JSON Schemas: as the tables make them, right about right files, of one mind with the loaders."""

import copy
import json
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from layout_texts import BINARY, CHECKSUM, CONVERTER, EDF, KINDS, SYNC, TEXT, TEXT_KINDS, WAV

from pipeline.errors import InputError, Problem
from pipeline.layouts import load_layout
from pipeline.layouts.written import wrong_tables
from pipeline.study import load_study, write_blank_study
from pipeline.verdict.policy import builtin_policy, commented_policy, load_policy
from schemas import json_schemas

DEMO = Path(__file__).parents[1] / "demo_raw"
PARAMETERS = "width = 16\npoly = 0x1021\ninit = 0\nreflect_in = false\nreflect_out = false\nxor_out = 0"
STAMP = '[[frame.part]]\nis = "received"\ncolumn = "at"\n'
LAYOUTS = {
    "binary": BINARY + CONVERTER,
    "parameters": BINARY.replace('name = "CRC-16/XMODEM"', PARAMETERS) + "scale = 1\n",
    "sectors": BINARY.replace('"sync"\nsample', '"sectors"\nsector_bytes = 512\nsample').replace(SYNC, "")
    + CONVERTER,
    "slip": BINARY.replace('"sync"\nsample', '"slip"\nsample').replace("count = 10\n", "") + CONVERTER,
    "kinds": KINDS,
    "received": (BINARY + CONVERTER).replace(
        CHECKSUM, '[[frame.part]]\nis = "received"\ntype = "u64"\nhz = 1000\n' + CHECKSUM
    ),
    "text": TEXT,
    "stamps": TEXT.replace("[[frame]]\n", f'[[frame]]\n{STAMP}form = "rfc3339"\n'),
    "numbers": TEXT.replace("[[frame]]\n", f"[[frame]]\n{STAMP}hz = 1000\n"),
    "text kinds": TEXT_KINDS,
    "wav": WAV,
    "edf": EDF,
}
STUDY = 'title = "A workshop"\nmains_hz = 50\n[[site]]\nname = "kiln room"\nmains_hz = 60\n'


def validator(name: str) -> Draft202012Validator:
    schema = json.loads((json_schemas.FOLDER / f"{name}.schema.json").read_text())
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema)


@pytest.fixture(scope="module")
def layouts() -> Draft202012Validator:
    return validator("layout")


def test_they_are_up_to_date() -> None:
    there = {path.name: path.read_text() for path in json_schemas.FOLDER.iterdir()}
    assert there == json_schemas.schemas(), "run: python -m schemas.json_schemas"


# ---------------------------------------------------------------- right files


@pytest.mark.parametrize("name", LAYOUTS)
def test_right_layouts(layouts: Draft202012Validator, tmp_path: Path, name: str) -> None:
    assert list(layouts.iter_errors(tomllib.loads(LAYOUTS[name]))) == []
    assert problems_of(tmp_path, LAYOUTS[name]) == []


@pytest.mark.parametrize("path", sorted((DEMO / "layouts").glob("*.toml")), ids=lambda path: path.stem)
def test_layouts_of_the_demo(layouts: Draft202012Validator, path: Path) -> None:
    assert list(layouts.iter_errors(tomllib.loads(path.read_text()))) == []


def test_study_of_the_demo() -> None:
    assert list(validator("study").iter_errors(tomllib.loads((DEMO / "study.toml").read_text()))) == []


def test_files_of_a_new_study(layouts: Draft202012Validator, tmp_path: Path) -> None:
    write_blank_study(tmp_path / "workshop", commented_policy())
    for name, schema in (("study", validator("study")), ("policy", validator("policy"))):
        text = (tmp_path / "workshop" / f"{name}.toml").read_text()
        assert list(schema.iter_errors(tomllib.loads(text))) == []
        in_force = re.sub(r"^#(\w+ = |\[)", r"\1", text, flags=re.MULTILINE)
        assert list(schema.iter_errors(tomllib.loads(in_force))) == []
    for path in (tmp_path / "workshop" / "layouts").glob("*.toml"):
        assert list(layouts.iter_errors(tomllib.loads(path.read_text()))) == []


# ---------------------------------------------------------------- wrong files


def problems_of(folder: Path, text: str) -> list[Problem]:
    path, problems = folder / "layout.toml", list[Problem]()
    path.write_text(text)
    load_layout(path, "layout.toml", problems)
    return problems


def spoilt(table: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """A table with one key at a time removed, misspelt, of another type or out of bounds."""
    for path in places(table):
        for name, change in CHANGES.items():
            other = copy.deepcopy(table)
            inner: Any = other
            for step in path[:-1]:
                inner = inner[step]
            change(inner, path[-1])
            if other != table:
                yield f"{name} {'.'.join(map(str, path))}", other


def places(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """The path to each key of a table and of those in it."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield (*path, key)
            yield from places(inner, (*path, key))
    elif isinstance(value, list):
        for i, inner in enumerate(value):
            yield from places(inner, (*path, i))


def _misspell(table: dict[str, Any], key: str) -> None:
    table[key + "_"] = table.pop(key)


CHANGES = {
    "without": lambda table, key: table.pop(key),
    "misspelt": _misspell,
    "a list for": lambda table, key: table.update({key: [1]}),
    "a word for": lambda table, key: table.update({key: "wheel"}),
    "minus two for": lambda table, key: table.update({key: -2}),
    "much for": lambda table, key: table.update({key: 2**40}),
    "a truth for": lambda table, key: table.update({key: True}),
    "another": lambda table, key: table.update({"delimiter": ",", "hz": 5.5}),
}


@pytest.mark.parametrize("name", LAYOUTS)
def test_of_one_mind_with_the_loader(
    layouts: Draft202012Validator, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, name: str
) -> None:
    """What the schema refuses the loader refuses, and what the loader's tables of keys refuse, the schema."""
    n_refused = 0
    for words, table in spoilt(tomllib.loads(LAYOUTS[name])):
        problems: list[Problem] = []
        refused = not layouts.is_valid(table)
        assert refused or not wrong_tables(table, "layout.toml", problems), (words, problems)
        monkeypatch.setattr("pipeline.layouts.load.read_toml", lambda *_, table=table: table)
        assert not refused or problems_of(tmp_path, ""), words
        n_refused += refused
    assert n_refused > 50


@pytest.mark.parametrize(
    ("name", "old", "new"),
    [
        ("binary", "gain = 5.0", "gain = 5.0\nscale = 1"),
        ("binary", "gain = 5.0", ""),
        ("binary", "reference_v = 3.0\nbias_v = 1.5\ngain = 5.0", "scale = 1\namplifier_high_v = 3"),
        ("binary", "reference_v = 3.0\nbias_v = 1.5\ngain = 5.0", "scale = 1\nbias_v = 1.5"),
        ("binary", 'unit = "V"', 'unit = "m[g]"'),
        ("binary", 'kind = "field"\nunit = "V"', 'kind = "acceleration"\nunit = "[g]"'),
        ("binary", 'name = "CRC-16/XMODEM"', 'name = "CRC-16/XMODEM"\npoly = 7'),
        ("binary", 'name = "CRC-16/XMODEM"', "poly = 7"),
        ("binary", SYNC, ""),
        ("binary", '["field"]', '["field", "field"]'),
        ("binary", '["field"]', "[]"),
        ("parameters", "scale = 1", "scale = 0"),
        ("parameters", "scale = 1", ""),
        ("text", "adc_min = -2000", ""),
        ("wav", "bits = 8", ""),
        ("edf", "bits = 12", "bits = 20"),
        ("edf", "scale = 1\n", ""),
        ("stamps", 'form = "rfc3339"', 'form = "rfc3339"\nhz = 1'),
        ("numbers", 'column = "at"\nhz = 1000', 'column = "at"'),
    ],
)
def test_what_holds_between_keys(
    layouts: Draft202012Validator, tmp_path: Path, name: str, old: str, new: str
) -> None:
    assert old in LAYOUTS[name]
    text = LAYOUTS[name].replace(old, new, 1)
    assert not layouts.is_valid(tomllib.loads(text))
    assert problems_of(tmp_path, text)


@pytest.mark.parametrize(
    ("text", "is_right"),
    [
        (STUDY, True),
        (STUDY.replace("= 60", "= 55"), False),
        (STUDY.replace("mains_hz = 50", "mains_hz = '50'"), False),
        (STUDY.replace("mains_hz = 50", ""), False),
        (STUDY.replace("mains_hz = 50", "mains = 50"), False),
        (STUDY.replace("name", "nmae"), False),
        (STUDY.replace("title", "titel"), False),
    ],
)
def test_study(tmp_path: Path, text: str, is_right: bool) -> None:
    assert validator("study").is_valid(tomllib.loads(text)) == is_right
    write_blank_study(tmp_path / "workshop")
    (tmp_path / "workshop" / "study.toml").write_text(text)
    if is_right:
        load_study(tmp_path / "workshop")
    else:
        with pytest.raises(InputError, match=r"study\.toml"):
            load_study(tmp_path / "workshop")


@pytest.mark.parametrize(
    ("text", "is_right"),
    [
        ("", True),
        ("[mains]\nlimit_fraction = 0.02\n[limits]\nlost_fraction = 0\n", True),
        ("[mains]\nlimit_fraction = -0.02\n", False),
        ("[mains]\nlimit_fraction = '0.02'\n", False),
        ("[mains]\nlimit_fraction = true\n", False),
        ("[mains]\nlimit_fraction = 1\n", True),
        ("[mains]\nlimit_fraction = 2\n", False),
        ("[contact_loss]\nleast_probability = 0.99\n", True),
        ("[contact_loss]\nleast_probability = 1.0\n", False),
        ("[contact_loss]\nleast_probability = 65\n", False),
        ("[contact_loss]\nleast_probability = 0\n", False),
        ("[verdict]\nleast_usable_fraction = 25\n", False),
        ("[contact_loss.least_probability]\nvalue = 0.5\n", False),
        ("[mains]\nlimit = 0.02\n", False),
        ("[line]\nlimit_fraction = 0.02\n", False),
        ("mains = 0.02\n", False),
    ],
)
def test_policy(tmp_path: Path, text: str, is_right: bool) -> None:
    assert validator("policy").is_valid(tomllib.loads(text)) == is_right
    (tmp_path / "policy.toml").write_text(text)
    if is_right:
        load_policy(tmp_path / "policy.toml")
    else:
        with pytest.raises(InputError):
            load_policy(tmp_path / "policy.toml")


def test_a_threshold_written_as_the_built_in_policy_writes_it_is_told_how(tmp_path: Path) -> None:
    (tmp_path / "policy.toml").write_text("[contact_loss.least_probability]\nvalue = 0.5\n")
    with pytest.raises(InputError, match=r"Write \[contact_loss\], and below it: least_probability = 0.65"):
        load_policy(tmp_path / "policy.toml")


def test_policy_knows_every_threshold() -> None:
    sections = json_schemas.policy_schema()["properties"]
    for threshold in builtin_policy().thresholds.values():
        assert sections[threshold.section]["properties"][threshold.name]["default"] == threshold.value
