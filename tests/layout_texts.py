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
SYNC = '[[frame.part]]\nis = "sync"\nbytes = "A5 5A"\n'
SEQUENCE = '[[frame.part]]\nis = "sequence"\ntype = "u16"\n'
CHECKSUM = '[[frame.part]]\nis = "checksum"\nname = "CRC-16/XMODEM"\n'
CONVERTER = "bits = 12\nreference_v = 3.0\nbias_v = 1.5\ngain = 5.0\n"
RIGHT = BINARY + CONVERTER
SECTORS = RIGHT.replace('"sync"\nsample', '"sectors"\nsector_bytes = 512\nsample')

_COUNTERS = """\
[[frame.part]]
is = "sequence"
type = "u16"
shared = true
[[frame.part]]
is = "ticks"
type = "u32"
"""
KINDS = f"""\
framing = "sync"
sample_hz = 500
tick_hz = 1000

[[frame]]
name = "field"
[[frame.part]]
is = "sync"
bytes = "A5"
[[frame.part]]
is = "kind"
type = "u8"
value = 1
{_COUNTERS}epoch = "2026-03-02T09:30:00+01:00"
[[frame.part]]
is = "samples"
type = "u12"
count = 8
channels = ["field"]
{CHECKSUM}
[[frame]]
name = "acceleration"
[[frame.part]]
is = "sync"
bytes = "A5"
[[frame.part]]
is = "kind"
type = "u8"
value = 2
{_COUNTERS}[[frame.part]]
is = "samples"
type = "i16"
count = 2
channels = ["acc"]
{CHECKSUM}
[[frame]]
name = "button"
event = true
[[frame.part]]
is = "sync"
bytes = "A5"
[[frame.part]]
is = "kind"
type = "u8"
value = 3
{_COUNTERS}[[frame.part]]
is = "samples"
type = "u8"
count = 1
channels = ["button"]
{CHECKSUM}
[[channel]]
name = "field"
kind = "field"
unit = "V"
reference_v = 3.0
gain = 5.0
[[channel]]
name = "acc"
kind = "acceleration"
unit = "m[g]"
scale = 0.25
sample_hz = 50
[[channel]]
name = "button"
kind = "other"
unit = "1"
scale = 1
"""
TEXT_KINDS = """\
framing = "text"
sample_hz = 250

[text]
delimiter = ","
quote = "'"

[[frame]]
name = "field"
[[frame.part]]
is = "kind"
value = "F"
[[frame.part]]
is = "samples"
channels = ["field"]

[[frame]]
name = "acceleration"
[[frame.part]]
is = "kind"
value = "A"
[[frame.part]]
is = "samples"
channels = ["acc_x", "acc_y"]

[[channel]]
name = "field"
kind = "field"
unit = "V"
bits = 12
reference_v = 3.0
gain = 5.0
[[channel]]
name = "acc_x"
kind = "acceleration"
unit = "m[g]"
bits = 12
scale = 1
sample_hz = 50
[[channel]]
name = "acc_y"
kind = "acceleration"
unit = "m[g]"
bits = 12
scale = 1
sample_hz = 50
"""
WAV = """\
framing = "wav"
sample_hz = 1000

[[frame]]
[[frame.part]]
is = "samples"
channels = ["field", "acc"]

[[channel]]
name = "field"
kind = "field"
unit = "V"
bits = 16
reference_v = 2.0
gain = 2.0
[[channel]]
name = "acc"
kind = "acceleration"
unit = "[g]"
bits = 8
scale = 0.01
"""
EDF = """\
framing = "edf"
sample_hz = 200

[[frame]]
[[frame.part]]
is = "samples"
channels = ["field"]
[[frame.part]]
is = "samples"
channels = ["acc"]

[[channel]]
name = "field"
label = "EF wrist"
kind = "field"
unit = "uV"
[[channel]]
name = "acc"
kind = "acceleration"
unit = "m[g]"
scale = 1
bits = 12
sample_hz = 50
"""


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


Faults = tuple[tuple[str, ...], ...]
"""Parts of the message about each fault."""


def spoilt(path: Path, text: str, old: str, new: str, faults: Faults) -> None:
    assert old in text
    told(path, text.replace(old, new, 1), *faults)
