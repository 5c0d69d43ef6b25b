"""Why a dump gives no frames, in one sentence that says what to do."""

import re

import numpy as np

from pipeline.errors import Problem, Unreadable
from pipeline.frames.fitting import MOST, fitting_checks
from pipeline.frames.guess import fitting_change
from pipeline.frames.lines import LineForm, header_line
from pipeline.frames.seen import Seen
from pipeline.frames.shape import Shape
from pipeline.frames.text import SeenLines
from pipeline.layouts import Layout

_CHANCE_SHARE = 0.05
"""Below this share of fitting candidates the check is taken not to fit: 8 bits fit by chance once in 256."""

_PRINTABLE = frozenset(range(0x20, 0x7F)) | {9, 10, 13}


_WHERE_FRAMES_BEGIN = {
    "sync": ("sync pattern", "binary frames"),
    "sectors": ("sector", "sectors with frames"),
    "cobs": ("packet", "packets with frames"),
    "slip": ("packet", "packets with frames"),
}
"""Framing -> the places where a frame may begin, in the singular, and what a dump should hold."""


def looks_like_text(head: bytes) -> bool:
    """Whether nearly all of the first bytes are printable ASCII in lines."""
    some = head[:65536].lstrip(b"\xef\xbb\xbf").replace(b"\0", b"")
    if not some:
        return False
    return sum(byte in _PRINTABLE for byte in some) > 0.97 * len(some)


def no_sync_frames(name: str, head: bytes, layout: Layout, shape: Shape, seen: Seen) -> Problem | None:
    """What is wrong with a binary dump without any good frame, None where it has one."""
    if seen.n_frames:
        return None
    begun = f" that begin with {shape.sync.hex(' ').upper()}" if shape.sync else ""
    expected = f"{_WHERE_FRAMES_BEGIN[layout.framing][1]}{begun}"
    if looks_like_text(head):
        found = "lines of text"
        return Problem(name, "byte 0", expected, found, "Give the session a layout with framing = 'text'.")
    if seen.n_sync == 0:
        found = f"none in {seen.n_bytes:,} bytes"
        remedy = "Check that the dump belongs to this layout" + (
            ", or correct the sync bytes." if begun else "."
        )
        return Problem(name, f"bytes 0 to {seen.n_bytes}", expected, found, remedy)
    where, patterns = (
        f"bytes 0 to {seen.n_bytes}",
        _count(seen.n_sync, _WHERE_FRAMES_BEGIN[layout.framing][0]),
    )
    if seen.n_believable == 0 and (problem := _wrong_count(name, head, shape, patterns)):
        return problem
    if seen.n_believable == 0:
        expected = f"frames of {shape.n_bytes or f'{shape.min_bytes} to {shape.max_bytes}'} bytes"
        found = f"{patterns}, none of them with a whole frame of believable length"
        remedy = "Check the length part and max_bytes of the layout."
        if shape.length is None:
            remedy = "Check that the dump belongs to this layout, and the sizes of its parts."
        return Problem(name, where, expected, found, remedy)
    if shape.checksum is None:
        found = f"{patterns}, none borne out by another at its end"
        return Problem(name, where, expected, found, "Check the sizes of the layout's parts.")
    kind = shape.checksum.checksum.names if shape.checksum.checksum else "checksum"
    found = f"{patterns}, of which {seen.n_believable:,} failed the checksum"
    remedy = (
        f"No check of the catalogue of {shape.checksum.n_bytes * 8} bits fits either: check the sizes of the "
        "layout's parts and what the checksum covers."
    )
    return Problem(name, where, f"frames whose {kind} fits", found, remedy)


def _wrong_count(name: str, head: bytes, shape: Shape, patterns: str) -> Problem | None:
    """The message for a count beside a length part that says otherwise in nearly all frames."""
    if shape.length is None or not shape.n_rows or not 0 <= shape.length.at < shape.head:
        return None
    block = np.frombuffer(head, dtype=np.uint8)
    starts = np.array([match.start() for match in re.finditer(re.escape(shape.sync), head)], dtype=np.int64)
    inner = shape.stated(block, starts[starts + shape.head <= len(block)]) - shape.head - shape.tail
    if not len(inner):
        return None
    values, n_of = np.unique(inner, return_counts=True)
    most = int(values[np.argmax(n_of)])
    if n_of.max() < MOST * len(inner) or most <= 0 or most % shape.row_bytes:
        return None
    whole, count = most + shape.head + shape.tail, most // shape.row_bytes
    return Problem(
        name,
        f"byte {starts[0]}",
        f"frames of {shape.n_bytes} bytes, as the samples' count = {shape.n_rows} makes them",
        f"{patterns}, whose length part says {whole} bytes, which is count = {count}",
        f"Write count = {count}, or remove count: beside a length part the length decides.",
    )


def wrong_checksum(name: str, layout: Layout, shape: Shape, seen: Seen, kind: str = "") -> Problem | None:
    """The message for a check that (nearly) never fits while others of the catalogue do.

    ``kind`` names the kind of frame, where there are several.
    """
    part = shape.checksum
    if part is None or part.checksum is None or len(seen.kept) < 2 or len(set(seen.kept)) < 2:
        return None
    if seen.n_frames > _CHANCE_SHARE * seen.n_believable:
        return None
    own, others = list[str](), list[str]()
    for check in fitting_checks(seen.kept, len(shape.sync), part.n_bytes, part.checksum):
        if check.checksum is part.checksum:
            now = {"covers": part.covers, "byte_order": part.byte_order}
            keys = check.keys(covers=True)
            own.append(" and ".join(f"{k} = '{v}'" for k, v in keys.items() if v != now[k]))
        else:
            named = [check.checksum.name, *(f"{k} = '{v}'" for k, v in check.keys(covers=True).items())]
            others.append(", ".join(named))
    own = [words for words in own if words]
    if not own and not others:
        return None
    part_of = "the checksum part of " + (f"the frame '{kind}'" if kind else "the layout")
    remedy = f"Correct {part_of}."
    listed = f"while these fit: {'; '.join(others)}"
    if own:
        remedy = f"Write {own[0]} in {part_of}."
        also = f" (these fit, too: {'; '.join(others)})" if others else ""
        listed = f"while it fits with {' or with '.join(own)}{also}"
    found = (
        f"{_count(seen.n_sync, _WHERE_FRAMES_BEGIN[layout.framing][0])}, of which "
        f"{seen.n_believable - seen.n_frames:,} failed the checksum, {listed}"
    )
    expected = f"frames{f' of kind {kind!r}' if kind else ''} whose {part.checksum.names} fits"
    return Problem(name, f"bytes 0 to {seen.n_bytes}", expected, found, remedy)


def _count(n: int, what: str) -> str:
    return f"{n:,} {what}" + ("" if n == 1 else "s")


def no_lines(name: str, head: bytes, form: LineForm, seen: SeenLines) -> Problem | None:
    """What is wrong with a text dump without any good line, None where it has one."""
    if seen.n_frames:
        return None
    where = f"lines 1 to {seen.n_lines}"
    expected = f"lines of {form.n_columns} values between {form.delimiter_words}"
    if head[:2] in (b"\xff\xfe", b"\xfe\xff") or head[1:200:2].count(0) > 90:
        return Problem(
            name, "byte 0", "text in UTF-8 or ASCII", "UTF-16", "Save the dump as UTF-8 or plain text."
        )
    if not looks_like_text(head):
        found = "bytes that are no text"
        return Problem(name, "byte 0", expected, found, "Give the session a layout with framing = 'sync'.")
    if seen.n_out_of_range and seen.n_out_of_range >= 0.5 * seen.n_numeric:
        line, channel = seen.first_out_of_range
        lines = _count(seen.n_out_of_range, "line")
        found = f"{lines} with codes outside adc_min to adc_max, first in channel '{channel}'"
        return Problem(
            name, f"line {line}", expected, found, "Correct bits, adc_min and adc_max of the channels."
        )
    if seen.n_decimals:
        lines = _count(seen.n_decimals, "line")
        found = f"{lines} with more digits after the decimal sign than the layout's decimals"
        return Problem(name, where, expected, found, "Correct decimals of the samples part.")
    if change := fitting_change(form, head):
        found = f"no line that can be read so, while most lines fit with {change}"
        return Problem(name, where, expected, found, _to_write(change))
    if seen.n_numeric:
        n, values = seen.first_numeric
        found = f"{_count(seen.n_numeric, 'line')} of numbers, none with that many; line {n} has {values}"
        return Problem(name, where, expected, found, "Correct the parts or the delimiter of the layout.")
    return Problem(name, where, expected, "no numeric line", "Check that the dump belongs to this layout.")


def columns_of(form: LineForm, name: str, head: bytes) -> LineForm:
    """:func:`header_line`, whose message says what would have to be written otherwise."""
    try:
        return header_line(form, name, head)
    except Unreadable as error:
        problem = error.problem
        if not looks_like_text(head):
            remedy = "Give the session a layout of the dump's framing, which is none of text."
            found = "bytes that are no text"
            raise Unreadable(Problem(name, "byte 0", problem.expected, found, remedy)) from None
        change = fitting_change(form, head)
        if not change:
            raise
        found = f"{problem.found}, while most lines fit with {change}"
        raise Unreadable(
            Problem(problem.file, problem.where, problem.expected, found, _to_write(change))
        ) from None


def _to_write(change: str) -> str:
    if "header = false" in change:
        return f"Write {change} in [text], remove column and columns, and order the parts as the columns."
    return f"Write {change} in [text]."
