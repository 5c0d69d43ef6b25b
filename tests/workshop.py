"""A small right study folder that tests spoil, and how they read what is said of it."""

import re
from pathlib import Path

import pytest

from pipeline.errors import InputError
from pipeline.study import load_study

STUDY = 'title = "A pottery workshop (invented)"\ntime_zone = "Europe/Lisbon"\nmains_hz = 50\n'
HEADER = "session,participant,site,device,layout,dumps,started_at\n"
WEDGING = "wedging-1,P01,throwing room,strap-1,strap,dumps/a.bin,2026-03-02T09:30:00+00:00\n"
GLAZING = "glazing-1,P02,kiln room,strap-2,strap,dumps/b.bin,2026-03-02T13:05:00+01:00\n"
LOG = "session,start_s,stop_s,activity,intensity\n"
LAYOUT = """\
framing = "sync"
sample_hz = 125

[[frame]]
[[frame.part]]
is = "sync"
bytes = "A5 5A"
[[frame.part]]
is = "samples"
type = "u16"
count = 10
channels = ["field"]

[[channel]]
name = "field"
kind = "field"
unit = "V"
bits = 12
reference_v = 3.0
gain = 5.0
"""


def make_folder(tmp_path: Path) -> Path:
    """A study of two sessions in which nothing is wrong."""
    study = tmp_path / "workshop"
    (study / "layouts").mkdir(parents=True)
    (study / "study.toml").write_text(STUDY)
    (study / "sessions.csv").write_text(HEADER + WEDGING + GLAZING)
    (study / "layouts" / "strap.toml").write_text(LAYOUT)
    return study


def faults(folder: Path) -> list[str]:
    with pytest.raises(InputError) as raised:
        load_study(folder)
    messages = [str(problem) for problem in raised.value.problems]
    for message in messages:
        assert ": expected " in message
        assert "; found " in message
        assert message.endswith((".", "?"))
    return messages


def told(messages: list[str], *parts: str) -> None:
    """Exactly one message holds all the parts, in their order."""
    pattern = re.compile(".*".join(re.escape(part) for part in parts), re.DOTALL)
    assert len([message for message in messages if pattern.search(message)]) == 1, f"{parts} in {messages}"


def only(folder: Path, *parts: str) -> None:
    messages = faults(folder)
    told(messages, *parts)
    assert len(messages) == 1, messages


def sessions(folder: Path, *rows: str, header: str = HEADER) -> None:
    (folder / "sessions.csv").write_bytes((header + "".join(rows)).encode())


def activities(folder: Path, *rows: str) -> None:
    (folder / "activities.csv").write_bytes((LOG + "".join(rows)).encode())
