"""The tables of a layout as written, against the keys that its framing and its parts take."""

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.checking import Fault, check_names, check_table, faults_in, nth
from pipeline.errors import Problem
from schemas.keys import FRAMINGS, Key, taken_by
from schemas.layout_keys import CHANNEL, FRAME, LAYOUT, TEXT
from schemas.part_keys import PART


def wrong_tables(table: Mapping[str, Any], shown: str, problems: list[Problem]) -> frozenset[str]:
    """Check every key of a layout; each fault adds a problem.

    Returns
    -------
    frozenset of str
        The paths of the tables that have one, such as ``frame[0].part[2]``; of the top ``""``.
    """
    check = _Check(table.get("framing"), shown, problems)
    check("", table, LAYOUT)
    if isinstance(table.get("text"), dict):
        check("text", table["text"], TEXT)
    for name, keys in (("frame", FRAME), ("channel", CHANNEL)):
        for i, row in enumerate(_tables(table, name)):
            check(f"{name}[{i}]", row, keys, nth(i, name, row.get("name")))
            for j, part in enumerate(_tables(row, "part") if name == "frame" else ()):
                meant = nth(j, "part", part.get("is"))
                check(f"{name}[{i}].part[{j}]", part, PART, meant, part.get("is"))
    return frozenset(check.wrong)


def kinds_of_part(framing: str) -> tuple[str, ...]:
    """What a part may be in frames of that framing."""
    return next(key.choices for key in taken_by(PART, framing) if key.name == "is")


def _tables(table: Mapping[str, Any], name: str) -> list[dict[str, Any]]:
    rows = table.get(name, [])
    return [row for row in rows if isinstance(row, dict)] if isinstance(rows, list) else []


class _Check:
    """Checks one table after the other and keeps the paths of those that are wrong."""

    def __init__(self, framing: Any, shown: str, problems: list[Problem]) -> None:
        self.wrong = list[str]()
        self._framing = framing if framing in FRAMINGS else ""
        self._shown, self._problems = shown, problems

    def __call__(
        self, where: str, table: Mapping[str, Any], keys: Sequence[Key], meant: str = "", kind: Any = ""
    ) -> None:
        before = len(self._problems)
        known = self._framing and (keys is not PART or kind in kinds_of_part(self._framing))
        taken = taken_by(keys, self._framing, kind if known else "")
        names = [key.name for key in taken]
        of_others = {key.name for key in keys} - set(names)
        if known:
            fault = faults_in(where, self._shown, self._problems, meant)
            self._name_foreign([name for name in table if name in of_others], keys, names, kind, fault)
            mine = {name: value for name, value in table.items() if name not in of_others}
        else:  # of a table of which it is not known what it takes, the names and what all of its sort take
            every = list(dict.fromkeys(key.name for key in keys))
            check_names(table, every, self._shown, where, self._problems, meant)
            mine = {name: value for name, value in table.items() if name in names}
        check_table(mine, taken, self._shown, where, self._problems, meant)
        if len(self._problems) > before:
            self.wrong.append(where)

    def _name_foreign(
        self, foreign: Sequence[str], keys: Sequence[Key], names: Sequence[str], kind: Any, fault: Fault
    ) -> None:
        """Name keys that belong to another kind of part or to another framing: they would be ignored."""
        for name in foreign:
            here = [key for key in keys if key.name == name and (not key.parts or kind in key.parts)]
            framings = [framing for key in here for framing in key.framing]
            if framings:
                remedy = f"Remove it, or set framing = {' or '.join(repr(other) for other in framings)}."
                fault(name, f"keys of framing '{self._framing}': {', '.join(names)}", f"'{name}'", remedy)
            else:
                fault(
                    name, f"keys of '{kind}': {', '.join(names)}", f"'{name}'", "Remove it, or correct 'is'."
                )
