"""What pages are made from, and the templates they share."""

from functools import cache
from pathlib import Path
from typing import Protocol

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from pipeline.report import words


class Activity(Protocol):
    """One row of the activity log."""

    @property
    def start_s(self) -> float:
        """Start in seconds from the session's first sample."""

    @property
    def stop_s(self) -> float:
        """End in seconds from the session's first sample."""

    @property
    def activity(self) -> str:
        """What was done."""

    @property
    def intensity(self) -> str:
        """How much of the body moved: rest, hand, arm or body."""


@cache
def templates() -> Environment:
    """The environment of every page: all values are escaped, a missing one is an error."""
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters.update(
        absence=words.absence,
        amount=words.amount,
        clock=words.clock,
        joined=words.joined,
        short=words.short_title,
        upper_first=words.upper_first,
        count=words.count,
        number=words.number,
        share=words.share,
        span=words.span_words,
        title_of=words.measure_title,
        unit=words.unit_words,
        value_title=words.value_title,
    )
    return environment
