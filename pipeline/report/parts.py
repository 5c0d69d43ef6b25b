"""What pages are made from, and the templates they share."""

import base64
import hashlib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Protocol

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

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


_TEMPLATES = Path(__file__).parent / "templates"


@dataclass(frozen=True)
class Script:
    """A script that travels in a page: its text, and the digest by which the page lets it run.

    Text of a study can then never run, wherever it ends up: Content Security Policy Level 3, 2.3.1.
    """

    text: Markup
    sha256: str


@cache
def script(*names: str) -> Script:
    """The scripts of those names beside the templates, one behind the other."""
    text = "".join((_TEMPLATES / name).read_text(encoding="utf-8") for name in names)
    digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
    return Script(Markup(text), f"sha256-{digest}")  # noqa: S704 (our own file)


@cache
def templates() -> Environment:
    """The environment of every page: all values are escaped and visible, a missing one is an error."""
    environment = Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        auto_reload=False,
        undefined=StrictUndefined,
        finalize=lambda value: words.visible(value) if type(value) is str else value,
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
        timed=words.timed,
        title_of=words.measure_title,
        unit=words.unit_words,
        value_title=words.value_title,
    )
    return environment
