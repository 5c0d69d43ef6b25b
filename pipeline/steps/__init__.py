"""What each rule of the workflow does for one session: read the previous step's files, write its own."""

from pipeline.steps.convert import convert, validate
from pipeline.steps.detect import detect
from pipeline.steps.job import STEP_CODE, Job, Places, code_digest
from pipeline.steps.judge import judge
from pipeline.steps.present import overview, report

SESSION_STEPS = {
    "convert": convert,
    "validate": validate,
    "detect": detect,
    "judge": judge,
    "report": report,
}

__all__ = ["SESSION_STEPS", "STEP_CODE", "Job", "Places", "code_digest", "overview"]
