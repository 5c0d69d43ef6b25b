"""How a dump writes its lines: learnt from some of them."""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import TypeVar

from pipeline.layouts import Layout, Part, Stream
from pipeline.recording.spelling import Field, Spelling

_NUMBER = re.compile(
    r"(?P<before>[ \t\"']*)(?P<number>[+-]?(?P<whole>\d*)(?:[.,](?P<rest>\d*))?)(?P<after>[ \t\"']*)"
)
_INSTANT = re.compile(
    r"(?P<before>[ \t\"']*)\d{4}-\d\d-\d\d(?P<between>[Tt ])\d\d:\d\d:\d\d(?:\.(?P<rest>\d+))?"
    r"(?P<zone>[Zz]|[+-]\d\d:\d\d)(?P<after>[ \t\"']*)"
)
_LINE = re.compile(r"(?P<content>.*?)(?P<end>[\r\n]*)", re.DOTALL)
_DELIMITERS = {"tab": "\t", "blanks": " "}
_NEARLY_ALL = 0.9

_T = TypeVar("_T", int, str)


def columns_in(stream: Stream, header: Sequence[str]) -> tuple[Field, ...]:
    """What each column of a line is, by the order of the parts or by the names in a header (empty: none).

    Samples of other streams than this one count among what is kept as it stood.
    """
    fields, named, n_values = list[Field](), dict[str, Field](), 0
    for part in stream.frame.parts:
        roles = _roles(part, n_values if part in stream.parts else None)
        n_values += len(roles) if part in stream.parts else 0
        fields += roles
        named |= {name: how for name, how in zip(part.columns, roles, strict=False) if how.role != "other"}
    return _numbered([named.get(name, Field("other")) for name in header] if header else fields)


def _roles(part: Part, first_value: int | None) -> list[Field]:
    if part.is_ == "samples":
        n = len(part.channels) * max(part.count, 1)
        if first_value is None:
            return [Field("other")] * n
        return [Field("value", first_value + i, decimals=part.decimals) for i in range(n)]
    if part.is_ == "ignored":
        return [Field("other")] * part.count
    if part.is_ == "kind":
        return [Field("fixed", before=str(part.value))]
    instant = "T" if part.stamp == "rfc3339" else ""
    return [Field(part.is_, decimals=part.decimals, instant=instant)]


def _numbered(fields: Sequence[Field]) -> tuple[Field, ...]:
    n, numbered = 0, list[Field]()
    for how in fields:
        numbered.append(replace(how, at=n) if how.role == "other" else how)
        n += how.role == "other"
    return tuple(numbered)


def split_line(line: str, delimiter: str, any_blanks: bool) -> tuple[list[str], str]:
    """The columns of a line as they stand there, and its end."""
    match = _LINE.fullmatch(line)
    content, end = (match["content"], match["end"]) if match else (line, "")
    if not any_blanks:
        return content.split(delimiter), end
    words = re.findall(r"[ \t]*[^ \t]+", content)
    rest = content[sum(map(len, words)) :]
    return [words[0], *(word[1:] for word in words[1:])] if words else [], rest + end


def learn(layout: Layout, columns: Sequence[Field], lines: Sequence[bytes]) -> Spelling:
    """The spelling that most of `lines` have, which must hold the columns that the layout says."""
    text = layout.text
    if text is None:
        raise ValueError("a layout with framing 'text' has a [text] table")
    delimiter = _DELIMITERS.get(text.delimiter, text.delimiter)
    decoded = [line.decode("latin-1") for line in lines]
    any_blanks = text.delimiter == "blanks"
    if any_blanks and any("\t" in line.strip() and " " not in line.strip() for line in decoded):
        delimiter = "\t"
    split = [split_line(line, delimiter, any_blanks) for line in decoded]
    whole = [(words, end) for words, end in split if len(words) in (len(columns), len(columns) + 1)]
    if not whole:
        return Spelling(tuple(columns), delimiter, text.decimal)
    n_spare = sum(len(words) > len(columns) for words, _ in whole)
    spare = delimiter if 2 * n_spare > len(whole) else ""
    end, _ = _most([end for _, end in whole])
    fields = [_field(how, [words[i] for words, _ in whole]) for i, how in enumerate(columns)]
    return Spelling(tuple(fields), delimiter, text.decimal, spare + end)


def _field(how: Field, words: Sequence[str]) -> Field:
    if how.role == "fixed":
        return replace(how, before=_most(words)[0])
    if how.role == "other":
        return how
    if how.instant:
        found = next((match for word in words if (match := _INSTANT.fullmatch(word))), None)
        if found:
            return replace(
                how,
                before=found["before"],
                after=found["after"],
                instant=found["between"],
                decimals=len(found["rest"] or ""),
                zone=found["zone"],
            )
        how = replace(how, instant="")
    matches = [match for word in words if (match := _NUMBER.fullmatch(word))]
    return _number(how, matches) if matches else how


def _number(how: Field, matches: Sequence[re.Match[str]]) -> Field:
    """How most of the numbers are written; a few that are written otherwise change nothing."""
    decimals = min(_most([len(match["rest"] or "") for match in matches])[0], how.decimals)
    before, share = _most([match["before"] for match in matches])
    size, same_size = _most([len(match["before"] + match["number"]) for match in matches])
    width = 0
    if share < _NEARLY_ALL and same_size >= _NEARLY_ALL:
        before, width = "", size
    zeros, digits = 0, 0 if _are(matches, r"[+-]?[.,]\d+", r"[+-]?0?[.,]\d+") else 1
    if _are(matches, r"[+-]?0\d.*", r"[+-]?0.*"):
        whole, _ = _most([len(match["whole"]) for match in matches])
        length, same_length = _most([len(match["number"]) for match in matches])
        zeros, digits = (length, 1) if same_length >= _NEARLY_ALL else (0, whole)
    return replace(
        how,
        before=before,
        after=_most([match["after"] for match in matches])[0],
        width=width,
        zeros=zeros,
        digits=digits,
        decimals=decimals,
        dropped=how.decimals - decimals,
        plus=_are(matches, r"\+.*", r"\+?[\d.,].*"),
    )


def _most(values: Sequence[_T]) -> tuple[_T, float]:
    """The commonest of the values, and its share."""
    best, n = Counter(values).most_common(1)[0]
    return best, n / len(values)


def _are(matches: Sequence[re.Match[str]], so: str, might_be: str) -> bool:
    """Whether most of the numbers that might be written so are."""
    n_might = sum(re.fullmatch(might_be, match["number"]) is not None for match in matches)
    return 2 * sum(re.fullmatch(so, match["number"]) is not None for match in matches) > n_might
