"""How the project says what is wrong: place, rule, what stands there, what to do."""

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Problem:
    """One fault in what a user gave.

    ``file`` is the path as the user knows it, ``where`` a line, a key or a byte offset in it (may be
    empty when the file as a whole is meant).
    """

    file: str
    where: str
    expected: str
    found: str
    remedy: str

    def __str__(self) -> str:
        place = f"{self.file}, {self.where}" if self.where else self.file
        return f"{place}: expected {self.expected}; found {self.found}. {self.remedy}"


class InputError(ValueError):
    """Raised with every fault found in one pass over what a user gave."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class Unreadable(ValueError):
    """Raised when a session's dumps give no recording; the session ends, the others go on."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        super().__init__(str(problem))


class ReadingFailed(Unreadable):
    """Raised when the disk does not give a dump that is there: nobody knows what it holds.

    What was read of it, and other dumps of the session, count for nothing: it may be given the next time.
    """
