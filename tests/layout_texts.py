"""A right layout of each framing that tests spoil, and how they read what is said of it."""

import re
from pathlib import Path

from pipeline.errors import Problem
from pipeline.layouts import Channel, Layout, load_layout

BINARY = """\
framing = "sync"
sample_hz = 125
tick_hz = 32768

[[frame]]
[[frame.part]]
is = "sync"
bytes = "A5 5A"
[[frame.part]]
is = "sequence"
type = "u16"
[[frame.part]]
is = "ticks"
type = "u32"
[[frame.part]]
is = "samples"
type = "u16"
count = 10
channels = ["field"]
[[frame.part]]
is = "checksum"
name = "CRC-16/XMODEM"

[[channel]]
name = "field"
kind = "field"
unit = "V"
"""
TEXT = """\
framing = "text"
sample_hz = 125
tick_hz = 1000

[text]
delimiter = ","
header = true

[[frame]]
[[frame.part]]
is = "sequence"
column = "n"
bits = 16
[[frame.part]]
is = "ticks"
column = "ms"
[[frame.part]]
is = "samples"
channels = ["acc"]
decimals = 3

[[channel]]
name = "acc"
kind = "acceleration"
unit = "[g]"
scale = 1
adc_min = -2000
adc_max = 2000
"""
CONVERTER = "bits = 12\nreference_v = 3.0\nbias_v = 1.5\ngain = 5.0\n"


def read(path: Path, text: str) -> tuple[Layout | None, list[Problem]]:
    file = path / "strap.toml"
    file.write_text(text)
    problems: list[Problem] = []
    return load_layout(file, "layouts/strap.toml", problems), problems


def right(path: Path, text: str) -> Layout:
    layout, problems = read(path, text)
    assert problems == []
    assert layout is not None
    return layout


def channel(path: Path, text: str) -> Channel:
    return right(path, text).channels[0]


def told(path: Path, text: str, *faults: tuple[str, ...]) -> None:
    """Each fault's parts stand in one message, in their order, and there are no other messages."""
    layout, problems = read(path, text)
    messages = [str(problem) for problem in problems]
    assert layout is None
    for parts in faults:
        pattern = re.compile(".*".join(re.escape(part) for part in ("layouts/strap.toml", *parts)))
        fitting = [message for message in messages if pattern.search(message)]
        assert len(fitting) == 1, f"{parts} in {messages}"
        assert ": expected " in fitting[0]
        assert "; found " in fitting[0]
    assert len(messages) == len(faults), messages
