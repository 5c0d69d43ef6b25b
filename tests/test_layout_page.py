"""The page on the layout language: every example on it, read as it stands, gives the tables beside it."""

import json
import re
import tomllib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from jsonschema import Draft202012Validator

from pipeline.errors import Problem
from pipeline.frames import Dump, read_frames
from pipeline.layouts import Channel, Layout, load_layout
from pipeline.timebase import Placing, place_session
from schemas.json_schemas import FOLDER
from schemas.keys import FRAMINGS
from schemas.layout_page import PLACE, with_keys
from schemas.part_keys import PARTS

PAGE = PLACE.read_text(encoding="utf-8")
_LOST = "lost"
_MICROSECOND = 1e-6
_BYTES = re.compile(r'"(?P<words>[^"]*)"(?::(?P<width>\d+))?|(?P<byte>[0-9A-F]{2})(?:\*(?P<times>\d+))?')
_LEDGER = re.compile(r"^Bytes: (.*)\.$", re.MULTILINE)


@dataclass(frozen=True)
class Example:
    """A section of the page: layouts and dumps in their order, and what it says that comes out of them.

    A table is its header, and its rows of words. A ledger is what stands behind "Bytes:".
    """

    title: str
    layouts: tuple[str, ...]
    dumps: tuple[bytes, ...]
    tables: tuple[tuple[list[str], list[list[str]]], ...]
    ledgers: tuple[str, ...]


def examples() -> list[Example]:
    sections = re.split(r"^### ", PAGE.split("\n## Examples\n")[1], flags=re.MULTILINE)[1:]
    return [example_of(section) for section in sections]


def example_of(section: str) -> Example:
    fences = re.findall(r"^```(\w+)\n(.*?)^```$", section, re.MULTILINE | re.DOTALL)
    outside = re.sub(r"^```.*?^```$", "", section, flags=re.MULTILINE | re.DOTALL)
    return Example(
        section.split("\n")[0],
        tuple(body for language, body in fences if language == "toml"),
        tuple(
            body.encode() if language == "text" else bytes_of(body)
            for language, body in fences
            if language != "toml"
        ),
        tuple(table_of(lines) for lines in re.findall(r"(?:^\|.*\n?)+", outside, re.MULTILINE)),
        tuple(_LEDGER.findall(outside)),
    )


def bytes_of(text: str) -> bytes:
    """Bytes in hexadecimal; `FF*3` is a byte three times, `"ab":4` words filled up with blanks."""
    found = bytearray()
    for line in text.splitlines():
        shown = re.sub(r"#[^\"]*$", "", line)
        assert re.sub(_BYTES, "", shown).strip() == "", line
        for match in _BYTES.finditer(shown):
            if match["byte"]:
                found += bytes.fromhex(match["byte"]) * int(match["times"] or 1)
            else:
                found += match["words"].ljust(int(match["width"] or 0)).encode("ascii")
    return bytes(found)


def table_of(lines: str) -> tuple[list[str], list[list[str]]]:
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines.strip().splitlines()]
    return rows[0], rows[2:]


EXAMPLES = examples()
IDS = [example.title for example in EXAMPLES]


def loaded(example: Example, folder: Path) -> list[Layout]:
    made = []
    for i, text in enumerate(example.layouts):
        path, problems = folder / f"layout-{i + 1}.toml", list[Problem]()
        path.write_text(text, encoding="utf-8")
        layout = load_layout(path, path.name, problems)
        assert problems == []
        assert layout is not None
        made.append(layout)
    return made


def read(example: Example, folder: Path) -> Placing:
    """A dump for each layout; where there is one layout, all dumps are of it."""
    layouts = loaded(example, folder)
    by_layout: dict[str, list[tuple[str, Path]]] = {layout.name: [] for layout in layouts}
    for i, data in enumerate(example.dumps):
        path = folder / f"dump-{i + 1}"
        path.write_bytes(data)
        by_layout[layouts[min(i, len(layouts) - 1)].name].append((path.name, path))
    return place_session([read_frames(by_layout[layout.name], layout, folder) for layout in layouts])


def values_of(channel: Channel, counts: np.ndarray) -> np.ndarray:
    return counts.astype(np.float64) * channel.scale + channel.offset


def tables_in(placing: Placing) -> list[tuple[list[str], np.ndarray]]:
    """For each recording, then for each kind of event: column names and values, NaN where lost."""
    made = []
    for grid in placing.grids:
        time_s = grid.clock.time_s(np.arange(grid.n_rows, dtype=np.int64))
        blocks = [(counts, present) for _, counts, present in grid.blocks()]
        counts = np.concatenate([block[0] for block in blocks])
        present = np.concatenate([block[1] for block in blocks])
        values = [values_of(channel, counts[:, i]) for i, channel in enumerate(grid.channels)]
        columns = [np.where(present[:, i], column, np.nan) for i, column in enumerate(values)]
        names = ["time_s", *(channel.name for channel in grid.channels)]
        made.append((names, np.stack([time_s, *columns], axis=1)))
    for event in placing.events:
        values = [values_of(channel, event.counts[:, i]) for i, channel in enumerate(event.channels)]
        names = ["time_s", *(channel.name for channel in event.channels)]
        made.append((names, np.stack([event.time_s, *values], axis=1)))
    return made


def said(ledger_of: Dump) -> str:
    """A ledger as the page writes it."""
    names = ("decoded", "duplicate", "damaged", "unrecognised", "padding")
    sizes = [(getattr(ledger_of.ledger, name), name) for name in names]
    return ", ".join(f"{size} {name}" for size, name in sizes if size)


@pytest.mark.parametrize("example", EXAMPLES, ids=IDS)
def test_example_gives_its_tables(example: Example, tmp_path: Path) -> None:
    placing = read(example, tmp_path)
    found = tables_in(placing)
    assert [names for names, _ in found] == [names for names, _ in example.tables]
    for (_, values), (_, rows) in zip(found, example.tables, strict=True):
        stated = np.array([[np.nan if cell == _LOST else float(cell) for cell in row] for row in rows])
        np.testing.assert_allclose(values[:, 0], stated[:, 0], rtol=0, atol=_MICROSECOND)
        np.testing.assert_allclose(values[:, 1:], stated[:, 1:], rtol=1e-6, atol=1e-12)
    assert placing.notes == ()


@pytest.mark.parametrize("example", EXAMPLES, ids=IDS)
def test_example_accounts_for_its_bytes(example: Example, tmp_path: Path) -> None:
    placing = read(example, tmp_path)
    assert [said(dump) for dump in placing.dumps] == list(example.ledgers)
    assert [dump.ledger.total for dump in placing.dumps] == [len(data) for data in example.dumps]


@pytest.mark.parametrize("example", EXAMPLES, ids=IDS)
def test_example_is_right_by_the_schema(example: Example) -> None:
    schema = Draft202012Validator(json.loads((FOLDER / "layout.schema.json").read_text()))
    for text in example.layouts:
        assert list(schema.iter_errors(tomllib.loads(text))) == []


def test_every_framing_and_every_part_has_an_example() -> None:
    tables = [tomllib.loads(text) for example in EXAMPLES for text in example.layouts]
    assert {table["framing"] for table in tables} == set(FRAMINGS)
    parts = [part for table in tables for frame in table["frame"] for part in frame["part"]]
    assert {part["is"] for part in parts} == set(PARTS)


def test_keys_are_up_to_date() -> None:
    assert with_keys(PAGE) == PAGE, "run: python -m schemas.layout_page"
