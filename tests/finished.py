"""Results and bundles made in this process: the steps of a run, without the workflow around them."""

import io
from pathlib import Path

from pipeline.bundle.make import Order, make_bundle
from pipeline.bundle.recoded import Wishes
from pipeline.ending import write_run
from pipeline.progress import Progress
from pipeline.serving import run_here
from pipeline.steps.by_name import SESSION_STEPS
from pipeline.steps.present import overview
from pipeline.workflow import Plan

STARTED = "2026-03-09T08:00:00Z"


def finished(study: Path, results: Path) -> Path:
    """The results of a study; what cannot be read ends as unreadable, as in a run."""
    plan = Plan.of(str(study), str(results), STARTED)
    for job in plan.jobs.values():
        for step in SESSION_STEPS:
            run_here(step, job)
    overview(plan.tables)
    write_run(results, {"outcome": "finished"})
    return results


def bundled(
    results: Path, bundle: Path, sessions: str = "usable", keep: frozenset[str] = frozenset()
) -> Path:
    """A bundle of results; its key stands beside it as BUNDLE-key.csv."""
    wishes = Wishes(sessions=sessions, keep=keep)
    make_bundle(Order(results, bundle, key_of(bundle), wishes), Progress(out=io.StringIO()))
    return bundle


def key_of(bundle: Path) -> Path:
    return bundle.with_name(f"{bundle.name}-key.csv")
