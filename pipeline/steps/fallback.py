"""What a step leaves when it fails on a session: files that say so, so that the others go on."""

import html

from pipeline.detectors import Detected
from pipeline.errors import Problem, ReadingFailed
from pipeline.signal.windows import no_windows, write_windows
from pipeline.steps.convert import write_setback
from pipeline.steps.detect import write_detected
from pipeline.steps.draw import write_undrawn
from pipeline.steps.job import (
    DumpsChanged,
    Job,
    WorkerEnded,
    WorkerHung,
    mark_failed,
    read_json,
    write_json,
)
from pipeline.steps.judge import write_unreadable
from pipeline.writing import write_text


def write_fallback(step: str, job: Job, error: Exception) -> None:
    """Write a failed step's files; the session ends as ``unreadable`` with this reason, until the next run.

    Nothing that an earlier step left is read: it may be what the step failed on.
    """
    places = job.places
    problem = _problem(step, job, error)
    mark_failed(places, step, str(problem))
    outcome = {"status": "failed", "why": str(problem)}
    if step == "convert":
        write_setback(job, "failed", problem)
    elif step == "validate":
        write_json(places.validation, outcome)
    elif step == "detect":
        write_detected(places, [Detected()], outcome)
    elif step == "draw":
        _draw_nothing(job, problem)
    elif step == "judge":
        _write_nothing(job, problem)
    else:
        try:
            read_json(places.quality)
        except ValueError:  # a verdict that nobody can read is none
            _write_nothing(job, problem)
        title, why = job.session.name, html.escape(str(problem))
        page = f"<!doctype html><html lang='en'><meta charset='utf-8'><title>{title}</title><p>{why}</p>"
        write_text(places.report, f"{page}</html>\n")
        write_text(places.strip, "<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 480 48'></svg>\n")
        write_windows(no_windows("its page could not be made"), places.signal)


def _draw_nothing(job: Job, problem: Problem) -> None:
    write_setback(job, "failed", problem)
    write_undrawn(job)


def _write_nothing(job: Job, problem: Problem) -> None:
    _draw_nothing(job, problem)
    write_unreadable(job, str(problem))


def _problem(step: str, job: Job, error: Exception) -> Problem:
    log = f"logs/{job.session.name}/{step}.log"
    found = f"{type(error).__name__}: {str(error).splitlines()[0] if str(error) else ''}"
    remedy = f"The next run begins this session anew; where that does not help, report it with {log}."
    if isinstance(error, ReadingFailed):
        return error.problem
    if isinstance(error, DumpsChanged):
        remedy = "Wait until the dumps are copied, and run again."
        return Problem(job.session.name, "", "dumps that stay as they are", str(error), remedy)
    if isinstance(error, WorkerHung):
        found = str(error)
    elif isinstance(error, (MemoryError, WorkerEnded)):
        found = str(error) or "no memory left"
        remedy = "Free memory, or have fewer --jobs at once, and run again."
    return Problem(job.session.name, f"step '{step}'", "a finished step", found.rstrip("."), remedy)
