"""The steps of a session by their names."""

from collections.abc import Callable, Mapping

from pipeline.steps.convert import convert, validate
from pipeline.steps.detect import detect
from pipeline.steps.draw import draw
from pipeline.steps.job import Job
from pipeline.steps.judge import judge
from pipeline.steps.present import report

SESSION_STEPS: Mapping[str, Callable[[Job], str]] = {
    "convert": convert,
    "validate": validate,
    "detect": detect,
    "draw": draw,
    "judge": judge,
    "report": report,
}
