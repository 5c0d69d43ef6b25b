"""Kept values looked through: whether one holds a name of the study, or a date.

A value that was asked for can undo what codes and shifted dates do: a note that names its session, a column
with a date of birth. It is searched for everything that the study calls by name, and for whatever reads as a
date, a number that could be an instant, or an address. The search errs on the side of leaving out.
"""

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property
from pathlib import PurePosixPath

from pipeline.bundle.gather import Gathered, Held

_MONTHS = """
    january february march april may june july august september october november december
    januar februar maerz märz mai juni juli oktober dezember
    janvier février mars avril juin juillet août septembre octobre novembre décembre
    enero febrero marzo abril mayo junio julio agosto septiembre octubre noviembre diciembre
    janeiro fevereiro março maio junho julho setembro outubro novembro dezembro
    gennaio febbraio aprile maggio giugno luglio settembre ottobre dicembre
    jan feb mar apr jun jul aug sep sept oct okt nov dec dez
"""
_MONTH = rf"(?:{'|'.join(sorted(_MONTHS.split(), key=len, reverse=True))})"
_DATE = re.compile(
    rf"""
    (?<!\d) \d{{1,2}} \s? [./-] \s? \d{{1,2}} \s? [./-] \s? \d{{2,4}} (?!\d)    # 2.3.2026
    | (?<![\d.,]) (?:19|20)\d\d (?! \d | [.,]\d{{3,}} (?!\d) )          # a year, or what begins with one
    | (?<![^\W_]) \d{{1,4}} (?:st|nd|rd|th)? [\s.,/_-]* (?:of\s|de\s)? \s* {_MONTH} (?![^\W_])
    | (?<![^\W_]) {_MONTH} [\s.,/_-]* \d
    | (?<![\d.]) \d{{6,}}                                  # 020326, seconds since 1970, a number of somebody
    | (?<![^\W_]) (?:mon|tues|wednes|thurs|fri|satur|sun)day (?![^\W_])
    | (?<![^\W_]) (?:[0-9a-f]{{2}}[:-]){{3,}} [0-9a-f]{{2}} (?![^\W_])          # an address of a radio
    | \S @ \S
    """,
    re.IGNORECASE | re.VERBOSE,
)
_DAY_ZERO = date(1899, 12, 30)
"""Day 0 of the numbers by which spreadsheets count days (common practice, no source)."""

_LEAST_NUMBER = 3
"""Digits of a name that is a number, from which on it is looked for inside a value; a shorter one, such as
participant 7, is left out where it is the whole value of its own session."""


@dataclass(frozen=True)
class Scan:
    """What is looked for in the kept values of one study."""

    gathered: Gathered

    def finds(self, value: str) -> bool:
        """Whether a value holds a name of the study, somebody's initials, a date or an address."""
        return bool(_DATE.search(value) or self._names.search(value) or self._initials.search(value))

    def is_own(self, value: str, held: Held) -> bool:
        """Whether a value of a session is what names it, its wearer, device or place, however short."""
        return _bare(value) in {_bare(name) for name in _own_names(held)}

    @cached_property
    def _names(self) -> re.Pattern[str]:
        days = {
            held.started_at.date() + timedelta(days=n) for held in self.gathered.sessions for n in (-1, 0, 1)
        }
        counted = [str((day - _DAY_ZERO).days) for day in days]
        words = (word for held in self.gathered.sessions for word in re.split(r"[\W_]+", held.participant))
        longer = (word for word in words if len(word) > 2)
        return _any_of((*names_of(self.gathered), *longer, *counted), re.IGNORECASE)

    @cached_property
    def _initials(self) -> re.Pattern[str]:
        """In capitals as they are written: in small letters they are words."""
        names = [held.participant.split() for held in self.gathered.sessions]
        told = {"".join(word[0] for word in words).upper() for words in names if len(words) > 1}
        told |= {held.review["initials"] for held in self.gathered.sessions if held.review}
        letters = {".".join(one) if one.isalpha() else one for one in told if len(one) > 1}
        return _any_of(letters)


def names_of(gathered: Gathered) -> Iterator[str]:
    """Names of sessions, wearers, devices, places, dumps and layouts; some come several times."""
    for held in gathered.sessions:
        yield from _own_names(held)
        for dump in held.quality["ledger"]:
            path = PurePosixPath(dump)
            yield from (dump, path.name, path.stem)
    yield from gathered.layouts


def _own_names(held: Held) -> tuple[str, ...]:
    return held.name, held.participant, held.device, held.site


def _bare(name: str) -> str:
    return re.sub(r"[\W_]+", "", name).casefold()


def _any_of(names: Iterable[str], flags: int = 0) -> re.Pattern[str]:
    """Whole words, whatever parts them: ``strap-7`` is found as ``strap 7`` and ``strap7``."""
    found = set()
    for name in names:
        parts = [part for part in re.split(r"[\W_]+", name) if part]
        bare = "".join(parts)
        if len(bare) > 1 and (not bare.isdecimal() or len(bare) >= _LEAST_NUMBER):
            found.add(r"[\W_]*".join(map(re.escape, parts)))
    if not found:
        return re.compile(r"(?!)")
    ordered = "|".join(sorted(found, key=lambda one: (-len(one), one)))
    return re.compile(rf"(?<![^\W_])(?:{ordered})(?![^\W_])", flags)


def withheld_words(counts: Mapping[str, tuple[int, int]]) -> Iterator[str]:
    """Sentences on what was kept back: field -> (values that hold something, values)."""
    for field, (n, of_all) in counts.items():
        if n:
            yield (
                f"{n} of {of_all} different values of {field} {'holds' if n == 1 else 'hold'} a name of the "
                f"study or a date, and {'was' if n == 1 else 'were'} left out though the field was asked for."
            )
