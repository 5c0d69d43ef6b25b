"""Single changes of a layout of lines of text: what might have been written otherwise."""

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise

from pipeline.finder.changes import Change, place_of, with_channels, with_part, with_parts
from pipeline.layouts import Layout, Part, TextForm

DELIMITERS = {"tab": "\t", "blanks": " "}
_DELIMITERS = (",", ";", "tab", "blanks", "|", ":")
_MOST_DECIMALS = 6
_MOST_CHANNELS = 16
_LINES = 400
_COUNTER_BITS = (8, 16, 24, 32)


def text_changes(layout: Layout, data: bytes) -> Iterator[Change]:
    """Every single change of a layout of text that is worth a try on the lines of `data`."""
    if layout.text is None:
        return
    lines = data.decode("utf-8", errors="replace").splitlines()[:_LINES]
    for change in _changes(layout, layout.text, lines):
        # without its header a layout reads nothing
        if change.layout.text and not (change.layout.text.header and not _has_header(change.layout, lines)):
            yield change


def _has_header(layout: Layout, lines: Sequence[str]) -> bool:
    wanted = {name for frame in layout.frames for part in frame.parts for name in part.columns}
    return layout.text is not None and any(wanted <= set(_names(line, layout.text)) for line in lines)


def _changes(layout: Layout, form: TextForm, lines: Sequence[str]) -> Iterator[Change]:
    yield from _of_form(layout, form)
    for i, frame in enumerate(layout.frames):
        for j, part in enumerate(frame.parts):
            yield from _of_part(layout, i, j, part)
        of_columns = _of_names if form.header else _of_columns
        yield from of_columns(layout, form, i, lines)


def _of_form(layout: Layout, form: TextForm) -> Iterator[Change]:
    forms = [(f'delimiter = "{d}"', replace(form, delimiter=d), 1) for d in _DELIMITERS]
    forms += [(f'decimal = "{d}"', replace(form, decimal=d), 1) for d in (".", ",")]
    forms += [
        (f'delimiter = "{d}"\0decimal = "{sign}"', replace(form, delimiter=d, decimal=sign), 2)
        for d in _DELIMITERS
        for sign in (".", ",")
        if d != form.delimiter and sign != form.decimal
    ]
    for lines, other, weight in forms:
        if other != form and other.delimiter != other.decimal:
            yield Change("[text]", tuple(lines.split("\0")), replace(layout, text=other), weight)
    if form.header:
        parts = [replace(part, columns=()) for part in layout.frame.parts]
        made = with_parts(replace(layout, text=replace(form, header=False)), 0, tuple(parts))
        yield Change("[text] and the parts", ("header = false", "no column or columns"), made, 2)


def _of_part(layout: Layout, i: int, j: int, part: Part) -> Iterator[Change]:
    where = place_of(layout, i, j)
    if part.is_ in ("sequence", "ticks"):
        for bits in (*_COUNTER_BITS, 0):
            if bits != part.wraps_at_bits:
                line = f"bits = {bits}" if bits else "no bits"
                made = with_part(layout, i, j, replace(part, wraps_at_bits=bits))
                yield Change(where, (line,), made, 1 if bits else 2, True)
    if part.is_ != "samples":
        return
    for n in range(_MOST_DECIMALS + 1):
        if n != part.decimals:
            made = with_part(layout, i, j, replace(part, decimals=n))
            yield Change(where, (f"decimals = {n}",), _wider(made, 10.0 ** (n - part.decimals)))
    yield Change("the channels", ("bits or adc_min and adc_max for a wider range",), _wider(layout, 1e4), 2)


def _wider(layout: Layout, factor: float) -> Layout:
    """With end codes that many times as far out: what a line prints is not to fail by them."""
    factor = max(factor, 1.0)
    channels = tuple(
        replace(c, adc_min=int(min(c.adc_min, -1) * factor), adc_max=int(max(c.adc_max, 1) * factor))
        if factor > 1
        else c
        for c in layout.channels
    )
    return replace(layout, channels=channels)


def _of_columns(layout: Layout, form: TextForm, i: int, lines: Sequence[str]) -> Iterator[Change]:
    """Columns that the layout forgot or has too many; neighbours in the other order."""
    parts = layout.frames[i].parts
    n_stated = sum(_width(part) for part in parts)
    n_columns = _usual_columns(form, lines)
    of_kind = f"frame '{layout.frames[i].name}', " if len(layout.frames) > 1 else ""
    for j, part in enumerate(parts):
        n = n_columns - n_stated + _width(part)
        if part.is_ == "samples" and part.count == 1 and 0 < n <= _MOST_CHANNELS and n != _width(part):
            line, made = with_channels(layout, i, j, n)
            yield Change(place_of(layout, i, j), (line,), made)
        if part.is_ not in ("samples", "kind"):
            fewer = (*parts[:j], *parts[j + 1 :])
            yield Change(place_of(layout, i, j), ("no such part",), with_parts(layout, i, fewer), 3)
    more = n_columns - n_stated
    for j in range(len(parts) + 1) if more > 0 else ():
        before = (
            f"before the {place_of(layout, i, j).removeprefix(of_kind)[4:]}"
            if j < len(parts)
            else "at the end"
        )
        made = with_parts(layout, i, (*parts[:j], Part("ignored", count=more), *parts[j:]))
        line = f'[[frame.part]] is = "ignored" count = {more}'
        yield Change(f"{of_kind}the parts, {before}", (line,), made, 2)
    for j, (one, other) in enumerate(pairwise(parts)):
        swapped = (*parts[:j], other, one, *parts[j + 2 :])
        line = f"{other.is_} before {one.is_}"
        yield Change(f"{of_kind}the parts", (line,), with_parts(layout, i, swapped), 2)


def _width(part: Part) -> int:
    if part.is_ == "samples":
        return len(part.channels) * part.count
    return part.count if part.is_ == "ignored" else 1


def _usual_columns(form: TextForm, lines: Sequence[str]) -> int:
    """How many columns most lines have."""
    counts = [len(split(line, form)) for line in lines if line.strip()]
    return Counter(counts).most_common(1)[0][0] if counts else 0


def split(line: str, form: TextForm) -> list[str]:
    """The values of a line; a delimiter after the last one counts for nothing."""
    if form.delimiter == "blanks":
        return line.split()
    pieces = line.split(DELIMITERS.get(form.delimiter, form.delimiter))
    return pieces[:-1] if len(pieces) > 1 and not pieces[-1].strip() else pieces


def _of_names(layout: Layout, form: TextForm, i: int, lines: Sequence[str]) -> Iterator[Change]:
    """Another name of the header for a column that it does not have."""
    wanted = {name for part in layout.frames[i].parts for name in part.columns}
    header = next((names for line in lines if wanted & set(names := _names(line, form))), [])
    spare = [name for name in header if name not in wanted and re.search(r"\w", name)]
    for j, part in enumerate(layout.frames[i].parts):
        for name in part.columns:
            for other in spare if name not in header else ():
                columns = tuple(other if column == name else column for column in part.columns)
                made = with_part(layout, i, j, replace(part, columns=columns))
                listed = ", ".join(f'"{column}"' for column in columns)
                line = f"columns = [{listed}]" if part.is_ == "samples" else f'column = "{other}"'
                yield Change(place_of(layout, i, j), (line,), made)


def _names(line: str, form: TextForm) -> list[str]:
    return [name.strip().strip("\"'").strip() for name in split(line.strip("\ufeff\0"), form)]
