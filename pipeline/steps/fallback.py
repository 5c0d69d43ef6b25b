"""What a step leaves when it fails on a session: files that say so, so that the others go on."""

import html

from pipeline.detectors import Detected
from pipeline.errors import Problem
from pipeline.recording import open_recording
from pipeline.steps.convert import write_setback
from pipeline.steps.detect import write_detected
from pipeline.steps.job import Job, write_json
from pipeline.steps.judge import write_final
from pipeline.verdict.judge import unreadable
from pipeline.writing import write_text


def write_fallback(step: str, job: Job, error: Exception) -> None:
    """Write a failed step's files; the session ends as ``unreadable`` with this reason."""
    places = job.places
    log = f"logs/{job.session.name}/{step}.log"
    problem = Problem(
        job.session.name,
        f"step '{step}'",
        "a finished step",
        f"{type(error).__name__}: {str(error).splitlines()[0] if str(error) else ''}",
        f"This is a fault of the program; please report it with {log}.",
    )
    outcome = {"status": "failed", "why": str(problem)}
    if step == "convert":
        write_setback(job, "failed", problem)
    elif step == "validate":
        write_json(places.validation, outcome)
    elif step == "detect":
        write_detected(places, Detected(), outcome)
    elif step == "judge":
        write_final(job, open_recording(places.recording), Detected(), unreadable(str(problem)))
    else:
        page = f"<!doctype html><html lang='en'><title>{job.session.name}</title><p>{html.escape(str(problem))}</p></html>\n"
        write_text(places.report, page)
        write_text(places.strip, "<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 480 48'></svg>\n")
