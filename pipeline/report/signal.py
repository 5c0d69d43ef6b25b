"""Whether the dataset carries the signal, as a part of the session's page and of the batch page."""

from collections.abc import Mapping
from typing import Any

from markupsafe import Markup

from pipeline.report.parts import templates


def session_part(signal: Mapping[str, Any]) -> Markup:
    """A section of the session's page from `pipeline.signal.session_signal`; empty without a log."""
    return _part("session", signal)


def study_part(signal: Mapping[str, Any]) -> Markup:
    """A section of the batch page from `pipeline.signal.study_signal`; empty without a log."""
    return _part("study", signal)


def _part(which: str, signal: Mapping[str, Any]) -> Markup:
    text = templates().get_template("signal.html").render(which=which, signal=signal)
    return Markup(text)  # noqa: S704 (rendered by our template, escaped there)
