"""What is wrong with a bundle, and whose rule it breaks."""

from dataclasses import dataclass
from typing import Final, Literal

from pipeline.errors import Problem

BAG: Final = "bag"
BUNDLE: Final = "bundle"
Rule = Literal["bag", "bundle"]

COPY_AGAIN = "Copy it again from where the bundle came from."
NO_FILE = "no such file"
ASK = "Ask whoever made the bundle for a whole copy."


@dataclass(frozen=True)
class Fault:
    """One fault; ``breaks`` is ``bag`` for RFC 8493, ``bundle`` for what a bundle promises beyond it."""

    problem: Problem
    breaks: Rule


def of_bag(file: str, where: str, expected: str, found: str, remedy: str = COPY_AGAIN) -> Fault:
    """A fault by RFC 8493; texts from the bundle are made fit for a terminal here."""
    return Fault(Problem(shown(file), where, expected, found, remedy), BAG)


def of_bundle(file: str, where: str, expected: str, found: str, remedy: str = ASK) -> Fault:
    """A fault by what a bundle of this program promises."""
    return Fault(Problem(shown(file), where, expected, found, remedy), BUNDLE)


def shown(text: str, most: int = 300) -> str:
    """Text as it may go to a terminal: what cannot be seen is written as an escape, and much is cut.

    A name in a bundle from elsewhere may hold line ends or the orders of a terminal.
    """
    cut = text if len(text) <= most else f"{text[:most]}..."
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in cut)
