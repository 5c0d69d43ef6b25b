"""What of ``[text]`` would have to be written otherwise for the lines of a dump to be read."""

import re
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from pipeline.errors import Unreadable
from pipeline.frames.fields import cut_lines, read_fields, trim_lines
from pipeline.frames.lines import DELIMITERS, LineForm, by_position, header_line, wanted_columns

_LOOKED_AT_BYTES = 1 << 16
_DELIMITERS = (",", ";", "tab", "blanks", "|", ":")
_FEWEST = 2
_MOST = 0.5


def fitting_change(form: LineForm, head: bytes) -> str:
    """The keys of ``[text]`` with which most lines can be read, as TOML; empty where nothing helps.

    Parameters
    ----------
    form : LineForm
        With which no line (or no header) was found.
    head : bytes
        The beginning of the dump.
    """
    sample = head[:_LOOKED_AT_BYTES]
    best, n_best = "", max(_FEWEST - 1, int(_MOST * _n_filled(sample)))
    if _n_read(form, sample) > n_best:
        return ""  # it is not the form of the lines that is at fault
    for words, other in _changes(form, sample):
        n = _n_read(other, sample)
        if n > n_best:
            best, n_best = words, n
    return best


def _changes(form: LineForm, sample: bytes) -> Iterator[tuple[str, LineForm]]:
    """Other forms, those with the fewest changes first."""
    # where one of the names stands there is a header, of which another name is wrong
    is_named = form.has_header and any(_is_word(column, sample) for column in wanted_columns(form))
    changes = list[tuple[int, str, LineForm]]()
    for decimal in (".", ","):
        for delimiter in (form.delimiter_key, *_DELIMITERS):
            for has_header in (form.has_header, not form.has_header):
                changed = {
                    "delimiter": (form.delimiter_key, delimiter),
                    "decimal": (form.decimal, decimal),
                    "header": (form.has_header, has_header),
                }
                words = [
                    f"{key} = {str(new).lower() if key == 'header' else repr(new)}"
                    for key, (old, new) in changed.items()
                    if new != old
                ]
                # names of columns are what a header needs: without them it cannot be tried
                if delimiter == decimal or not words or (has_header and not form.has_header):
                    continue
                if is_named and not has_header:
                    continue
                other = replace(
                    form,
                    delimiter=DELIMITERS.get(delimiter, delimiter.encode()),
                    any_blanks=delimiter == "blanks",
                    decimal=decimal,
                    has_header=has_header,
                    header=b"",
                    kinds=(),
                )
                changes.append((len(words), " and ".join(words), other))
    return ((words, other) for _, words, other in sorted(changes, key=lambda change: change[0]))


def _is_word(name: str, sample: bytes) -> bool:
    return re.search(rb"(?<!\w)" + re.escape(name.encode()) + rb"(?!\w)", sample) is not None


def _n_read(form: LineForm, sample: bytes) -> int:
    """Lines whose values are numbers in the right number, whether or not their codes are within range."""
    try:
        form = header_line(form, "", sample) if form.has_header else by_position(form)
    except Unreadable:
        return 0
    block = np.frombuffer(sample, dtype=np.uint8)
    lines = trim_lines(block, cut_lines(block, True, True)[0], form.blank, True)
    fields = read_fields(block, lines, form)
    readable = [read.good | read.too_fine | (read.outside >= 0) for read in fields.kinds]
    return sum(int(lines.sum()) for lines in readable)


def _n_filled(sample: bytes) -> int:
    """Lines that hold something with a digit."""
    return sum(any(48 <= byte <= 57 for byte in line) for line in sample.splitlines())
