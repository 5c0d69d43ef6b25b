"""The key to the codes of a bundle: it stays behind.

Codes say nothing of what they stand for: they are drawn from the operating system's randomness out of many
more than there are names, so that those of a study that has grown do not tell who came later; and so is the
shift of each participant's dates. A key that exists is used again, and extended by
what is new, so that the same results and the same key give the same bundle.
"""

import csv
import hmac
import io
import os
import random
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import InputError, Problem
from pipeline.writing import csv_text, written_aside

KINDS = {
    "participant": "P{:02d}",
    "session": "S{:03d}",
    "device": "D{:02d}",
    "site": "L{:02d}",
    "layout": "layout-{}",
    "reviewer": "R{}",
}
"""Kind -> how its codes are written. Activities and channels have theirs by intensity and kind."""

HEADER = ("kind", "name", "code", "shift_days")
LEAST_SHIFT_DAYS, MOST_SHIFT_DAYS = 366, 3652
"""Dates go back by at least a year and at most ten: none is in the future, none near the true one."""

SPARE = 4
"""Codes to choose from, for each name there is."""

_SPARSE = frozenset(("participant", "session", "device", "site", "reviewer"))
"""Kinds whose numbers are drawn; layouts, activities and channels are counted."""

_SECRET = "secret"  # noqa: S105 (a word of the file, no password)
_SECRET_BYTES = 32
_ALL_KINDS = (*KINDS, "activity", "channel")
_CODE = re.compile(r"[A-Za-z][A-Za-z0-9_-]{0,39}")


@dataclass(frozen=True)
class Key:
    """Codes of names, and the shift of each participant's dates.

    Attributes
    ----------
    codes : mapping
        Kind (those of `KINDS`, ``activity`` and ``channel``) -> name in the study -> code in the bundle.
    shifts : mapping
        Participant (as the study has it) -> whole days to add to every date of theirs.
    secret : str
        Hexadecimal digits: what digests are keyed by, of files of which a copy is handed on in part.
    """

    codes: Mapping[str, Mapping[str, str]]
    shifts: Mapping[str, int]
    secret: str = ""

    def keyed(self, digests: str) -> str:
        """HMAC-SHA-256 of each digest in a text that parts them by blanks.

        The digest of a layout itself would give back the few bytes that its copy leaves out: trying all of
        them takes minutes. Whoever has key and layout can compute this one.
        """
        secret = bytes.fromhex(self.secret)
        return " ".join(hmac.new(secret, one.encode(), "sha256").hexdigest() for one in digests.split())


EMPTY = Key({kind: {} for kind in _ALL_KINDS}, {})


def extended(
    key: Key,
    names: Mapping[str, Iterable[str]],
    classes: Mapping[str, Mapping[str, str]],
    dice: random.Random | None = None,
) -> Key:
    """Give every name that has no code yet one of its own, in a drawn order.

    Parameters
    ----------
    key : Key
        What is there already; it stays as it is.
    names : mapping
        Kind of `KINDS` -> names of the study.
    classes : mapping
        ``activity`` -> name -> intensity; ``channel`` -> name -> kind: what begins the code of each.
    dice : random.Random, optional
        Where the order and the shifts come from; the operating system's randomness without it.
    """
    dice = dice or random.SystemRandom()
    codes = {kind: dict(key.codes.get(kind, {})) for kind in _ALL_KINDS}
    for kind, written in KINDS.items():
        new = _shuffled(set(names.get(kind, ())) - set(codes[kind]), dice)
        if kind in _SPARSE:
            codes[kind].update(zip(new, _drawn(written, codes[kind].values(), len(new), dice), strict=True))
            continue
        for name in new:
            codes[kind][name] = _next_code(written, codes[kind].values())
    for kind, mark in (("activity", "-"), ("channel", "_")):
        for name in _shuffled(set(classes.get(kind, {})) - set(codes[kind]), dice):
            taken = (*codes[kind].values(), *classes[kind])
            codes[kind][name] = _next_code(classes[kind][name] + mark + "{}", taken)
    shifts = dict(key.shifts)
    for name in _shuffled(set(codes["participant"]) - set(shifts), dice):
        shifts[name] = -dice.randint(LEAST_SHIFT_DAYS, MOST_SHIFT_DAYS)
    return Key(codes, shifts, key.secret or f"{dice.getrandbits(8 * _SECRET_BYTES):0{2 * _SECRET_BYTES}x}")


def _shuffled(names: set[str], dice: random.Random) -> list[str]:
    ordered = sorted(names)
    dice.shuffle(ordered)
    return ordered


def _drawn(written: str, taken: Iterable[str], n: int, dice: random.Random) -> list[str]:
    """Free codes: of 99, 999 and so on, so that `SPARE` times as many stand to choose as are in use."""
    used = set(taken)
    most = 999 if written.format(1).endswith("001") else 99
    while most < SPARE * (len(used) + n):
        most = most * 10 + 9
    return dice.sample([code for i in range(1, most + 1) if (code := written.format(i)) not in used], n)


def _next_code(written: str, taken: Iterable[str]) -> str:
    used, n = set(taken), 1
    while written.format(n) in used:
        n += 1
    return written.format(n)


def read_key(path: Path) -> Key:
    """Read a key, or give an empty one where there is none.

    Raises
    ------
    InputError
        With every line that is none of a key.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return EMPTY
    except (UnicodeDecodeError, IsADirectoryError) as error:
        found = "a folder" if path.is_dir() else str(error)
        raise InputError([Problem(str(path), "", "a key of 'sessiongate bundle'", found, _OTHER)]) from None
    rows = list(csv.reader(io.StringIO(text, newline="")))
    if not rows or tuple(rows[0]) != HEADER:
        found = repr(",".join(rows[0])) if rows else "nothing"
        expected = f"a key of 'sessiongate bundle', which begins with '{','.join(HEADER)}'"
        raise InputError([Problem(str(path), "line 1", expected, found, _OTHER)])
    codes: dict[str, dict[str, str]] = {kind: {} for kind in _ALL_KINDS}
    shifts: dict[str, int] = {}
    secret, problems = "", []
    for n, row in enumerate(rows[1:], 2):
        if not secret and (found_secret := _secret_in(row)):
            secret = found_secret
            continue
        if fault := _fault(row, codes):
            problems.append(Problem(str(path), f"row {n}", fault, repr(",".join(row)), _MEND))
            continue
        kind, name, code, shift = row
        codes[kind][name] = code
        if kind == "participant":
            shifts[name] = int(shift)
    if problems:
        raise InputError(problems)
    return Key(codes, shifts, secret)


_OTHER = "Give the key of an earlier bundle of this study, or a name that is free."
NEW = "new"
"""In place of a key's file: one is to be drawn, whatever lies beside it."""


def check_no_other(path: Path, sessions: Iterable[str]) -> None:
    """Find a key of the same study beside one that is not there yet.

    Two bundles of one study under two keys can be joined by the digests of their dumps: then the shifts of
    both narrow down the true dates.

    Raises
    ------
    InputError
        Where at least half of the sessions of either are known to a key in the same folder.
    """
    if path.exists():
        return
    wanted = set(sessions)
    for other in sorted(path.absolute().parent.glob("*-key.csv")):
        try:
            known = set(read_key(other).codes["session"])
        except (InputError, OSError):
            continue
        if known and 2 * len(known & wanted) >= min(len(known), len(wanted)):
            remedy = (
                f"Give --key {other.name} (with its folder) to use it again, so that codes and dates agree, "
                f"or --key {NEW} to draw another: whoever has both bundles can then join them by the "
                "checksums of their dumps, and narrow down the dates."
            )
            found = f"{other.name}, a key of this study"
            raise InputError([Problem(str(path), "", "the one key of the study", found, remedy)])


_MEND = "Put the line back as it was, or take it out: it is drawn anew then."


def _secret_in(row: list[str]) -> str:
    """What digests are keyed by, where a line says it."""
    said = len(row) == len(HEADER) and row[0] == _SECRET
    return row[2] if said and re.fullmatch(rf"[0-9a-f]{{{2 * _SECRET_BYTES}}}", row[2]) else ""


def _fault(row: list[str], codes: Mapping[str, Mapping[str, str]]) -> str:
    """What a line of a key should be and is not, or ''."""
    if len(row) != len(HEADER):
        return f"{len(HEADER)} columns"
    kind, name, code, shift = row
    if kind not in codes:
        return f"one of {', '.join(_ALL_KINDS)} as kind"
    if not _CODE.fullmatch(code):
        return "a code of letters, digits, '-' and '_'"
    if name in codes[kind] or code in codes[kind].values():
        return "each name and each code once"
    if kind == "participant" and not re.fullmatch(r"-?[0-9]{1,5}", shift):
        return "whole days as shift_days of a participant"
    return ""


def write_key(path: Path, key: Key) -> None:
    """Write a key, complete or not at all, for its owner's eyes alone."""
    rows = [
        (kind, name, code, str(key.shifts[name]) if kind == "participant" else "")
        for kind in _ALL_KINDS
        for name, code in sorted(key.codes[kind].items(), key=lambda item: (len(item[1]), item[1]))
    ]
    rows.append((_SECRET, "", key.secret, ""))
    with written_aside(path) as aside:
        number = os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(number, "w", encoding="utf-8", newline="\n") as file:
            file.write(csv_text(HEADER, rows))
