"""Lines of text: how they are written, and which column each part is."""

from typing import Any

from pipeline.checking import faults_in, nth
from pipeline.errors import Problem
from pipeline.layouts.layout import Frame, TextForm

_DIGITS_AND_SIGNS = frozenset("0123456789+-")
_LINE_ENDS = frozenset("\r\n")
_BY_NAME = {"tab": "\t", "blanks": " "}
_STAMP_SIGNS = frozenset(":.TtZz")
"""Besides digits and signs, what RFC 3339 writes a time stamp with."""


def make_text(
    table: dict[str, Any], frames: tuple[Frame, ...], shown: str, problems: list[Problem]
) -> TextForm:
    """Work out ``[text]`` of the layout `table`, whose keys and frames are already checked."""
    form = TextForm(**table["text"])
    fault = faults_in("text", shown, problems)
    stamped = any(part.stamp == "rfc3339" for frame in frames for part in frame.parts)
    delimiter = _BY_NAME.get(form.delimiter, form.delimiter)
    taken = _DIGITS_AND_SIGNS | _LINE_ENDS | {form.decimal} | (_STAMP_SIGNS if stamped else frozenset())
    if not delimiter or set(delimiter) & taken:
        wanted = "characters that are neither digits nor signs nor the decimal sign"
        wanted += " nor part of a time stamp" if stamped else ""
        remedy = "Name the characters that stand between two values."
        fault("delimiter", wanted, repr(form.delimiter), remedy)
    if form.quote and (
        len(form.quote) > 1 or form.quote in taken | set(delimiter) or not form.quote.isascii()
    ):
        wanted = "one character that is no digit, sign or delimiter, or none"
        fault("quote", wanted, repr(form.quote), "Name the character around values, or write ''.")
    for i, frame in enumerate(frames):
        for j, part in enumerate(frame.parts):
            fault = faults_in(f"frame[{i}].part[{j}]", shown, problems, nth(j, "part", part.is_))
            for sign, name in ((form.quote, "quote"), ("" if form.quote else delimiter, "delimiter")):
                if isinstance(part.value, str) and sign and sign in part.value:
                    fault("value", f"a word without the {name}", repr(part.value), "Correct one of the two.")
    if form.header:
        _check_columns(frames, shown, problems)
    else:
        _check_no_columns(table, shown, problems)
    return form


def _check_no_columns(table: dict[str, Any], shown: str, problems: list[Problem]) -> None:
    for i, row in enumerate(table["frame"]):
        for j, part in enumerate(row["part"]):
            fault = faults_in(f"frame[{i}].part[{j}]", shown, problems, nth(j, "part", part["is"]))
            for key in sorted({"column", "columns"} & part.keys()):
                wanted = "header = true in [text], where parts are named by their columns"
                remedy = "Add header = true, or remove the names; then the order decides."
                fault(key, wanted, "no header", remedy)


def _check_columns(frames: tuple[Frame, ...], shown: str, problems: list[Problem]) -> None:
    """With a header every part needs its column's name, each of its own within a kind of line."""
    for i, frame in enumerate(frames):
        seen: set[str] = set()
        for j, part in enumerate(frame.parts):
            fault = faults_in(f"frame[{i}].part[{j}]", shown, problems, nth(j, "part", part.is_))
            if part.is_ != "ignored" and not part.columns:
                fault("column", "the column's name, since lines have a header", "no such key", "Add it.")
            for name in part.columns:
                if name in seen:
                    fault("column", "each column once", f"'{name}' twice", "Name another column.")
                seen.add(name)
