"""Real names out, codes in: of names, of texts that may hold one, and of units."""

import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from pipeline.bundle.gather import Gathered
from pipeline.bundle.keep import UNSCANNED
from pipeline.bundle.key import Key
from pipeline.bundle.scan import Scan, names_of

WITHHELD = "This sentence held a name and was left out; measure, value and limit say what was found."
"""In place of a sentence in which a name stands."""

_PLAIN = frozenset(
    re.findall(
        "[a-z]+",
        """
        acc accel acceleration accelerometer adc analog ankle arm back battery button ch channel chest
        count counter current data ef electric electrode emg ecg event field foot forearm gain gyro hand
        high humidity imu in input left leg light low lower magnetometer mag marker mv out potential
        pressure raw ref reference right sensor signal strap sync temp temperature trigger upper voltage
        waist wrist
        """,
    )
)
"""Words that a channel's name may be made of and say nothing of anybody."""

_AXES = ("x", "y", "z")
_NUMBER = re.compile(r"[0-9]{1,2}")
_PARTS = re.compile(r"[a-z]+|[0-9]+")
_DATE = re.compile(r"(?<![0-9])[12][0-9]{3}-[0-9]{2}-[0-9]{2}")
_ANNOTATION = re.compile(r"\{[^{}]*\}?")
_SHORT_WORD = re.compile(r"[^\W\d_]{1,7}")


def is_plain(channel: str) -> bool:
    """Whether a channel's name is made of plain words, one number up to 99, and an axis at its end.

    Single letters are somebody's initials and several numbers a date, so that an axis stands behind a word
    or its number alone.
    """
    parts = _PARTS.findall(channel)
    if len(parts) > 1 and parts[-1] in _AXES and any(part in _PLAIN for part in parts[:-1]):
        parts.pop()
    numbers = [part for part in parts if _NUMBER.fullmatch(part)]
    return len(numbers) <= 1 and all(part in _PLAIN or part in numbers for part in parts)


def _is_telling(name: str) -> bool:
    """Whether a name is no number, and no short word that the program's own sentences may use as well."""
    return len(name) > 1 and re.search(r"[^\W\d]", name) is not None and not _SHORT_WORD.fullmatch(name)


def neutral_unit(unit: str) -> str:
    """A UCUM code without the annotations in braces, which may say anything."""
    return _ANNOTATION.sub("", unit) or ("1" if unit else "")


@dataclass(frozen=True)
class Names:
    """How names of one study are told: by the key, but for what is to be kept."""

    gathered: Gathered
    key: Key
    keep: frozenset[str]

    def passes(self, field: str, value: str) -> bool:
        """Whether a value is handed on: asked for, and without a name or date unless it is not searched."""
        if field not in self.keep:
            return False
        return f"{field}{UNSCANNED}" in self.keep or not self.scan.finds(value)

    @cached_property
    def scan(self) -> Scan:
        """What is looked for in what was asked for."""
        return Scan(self.gathered)

    def code(self, kind: str, name: str) -> str:
        """Code of a participant, session, device, site, layout or reviewer."""
        return self.key.codes[kind][name]

    def layouts(self, joined: str, separator: str) -> str:
        """Codes of several layouts in one text."""
        return separator.join(self.code("layout", name) for name in joined.split(separator) if name)

    def activity(self, name: str) -> str:
        """An activity's name where names are kept, else its code."""
        return name if self.passes("activities", name) else self.key.codes["activity"][name]

    def channel(self, name: str) -> str:
        """A channel's name where it is plain or names are kept, else its code."""
        return name if self.passes("channels", name) else self.key.codes["channel"].get(name, name)

    def channels_in(self, text: str) -> str:
        """A text in which every channel's name is as it is told."""
        codes = self._channel_codes
        if not codes:
            return text
        return re.sub(
            rf"(?<![A-Za-z0-9_])(?:{_either(codes)})(?![A-Za-z0-9_])", lambda found: codes[found[0]], text
        )

    def text(self, text: str) -> str:
        """A sentence of the program's own, with codes for names; withheld where a name is left in it."""
        if not text or self.passes("texts", text):
            return text
        told = text
        codes = self._activity_codes
        if codes:
            # All at once: a code may be another activity's name.
            told = re.sub(f"'({_either(codes)})'", lambda found: f"'{codes[found[1]]}'", text)
        if _DATE.search(told) or self._forbidden.search(told):
            return WITHHELD
        return self.channels_in(told)

    @cached_property
    def _activity_codes(self) -> dict[str, str]:
        """Activity -> code, of those whose names stay behind."""
        codes = self.key.codes["activity"]
        return {name: code for name, code in codes.items() if not self.passes("activities", name)}

    @cached_property
    def _channel_codes(self) -> dict[str, str]:
        """Channel -> code, of those whose names stay behind."""
        codes = self.key.codes["channel"]
        return {name: code for name, code in codes.items() if not self.passes("channels", name)}

    @cached_property
    def _forbidden(self) -> re.Pattern[str]:
        """Everything that a study calls by name, as whole words in any case."""
        names = {name.strip().casefold() for name in _unsaid_in(self.gathered, self.keep)}
        telling = {name for name in names if _is_telling(name)}
        telling -= {code.casefold() for codes in self.key.codes.values() for code in codes.values()}
        ordered = sorted(telling, key=lambda name: (-len(name), name))
        if not ordered:
            return re.compile(r"(?!)")
        return re.compile(rf"(?<!\w)(?:{'|'.join(map(re.escape, ordered))})(?!\w)", re.IGNORECASE)


def _either(names: Iterable[str]) -> str:
    """A pattern of several names, longer ones first."""
    return "|".join(re.escape(name) for name in sorted(names, key=len, reverse=True))


def _unsaid_in(gathered: Gathered, keep: frozenset[str]) -> Iterator[str]:
    """Names, titles, files and free text of a study that must not be read in a sentence."""
    yield from names_of(gathered)
    for held in gathered.sessions:
        yield from held.extra.values()
        if "activities" not in keep:
            yield from (row["activity"] for row in held.activities)
    if "title" not in keep:
        yield gathered.title
    if "time_zone" not in keep:
        yield gathered.time_zone
    for _, text in gathered.layouts.values():
        yield from _free_texts(tomllib.loads(text))


def _free_texts(table: Mapping[str, Any]) -> Iterator[str]:
    """Titles, descriptions, names of frames, columns and labels of a layout."""
    for key, value in table.items():
        if isinstance(value, Mapping):
            yield from _free_texts(value)
        elif isinstance(value, list):
            for row in value:
                if isinstance(row, Mapping):
                    yield from _free_texts(row)
        elif isinstance(value, str) and key in ("title", "description", "label"):
            yield value


def channel_kinds(layouts: Iterable[str]) -> dict[str, str]:
    """Names of channels that are not plain -> kind, of the texts of layouts."""
    return {
        channel["name"]: str(channel["kind"])
        for text in layouts
        for channel in tomllib.loads(text)["channel"]
        if not is_plain(channel["name"])
    }


def descriptions_in(layouts: Iterable[str]) -> set[str]:
    """What the texts of layouts say of their channels."""
    channels = (channel for text in layouts for channel in tomllib.loads(text)["channel"])
    return {str(channel["description"]) for channel in channels if channel.get("description")}
