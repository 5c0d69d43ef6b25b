"""What the Snakefile asks: the sessions, their files, and what makes a step run again."""

import hashlib
import json
import sys
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipeline.errors import InputError
from pipeline.steps.job import STEP_CODE, Job, code_digest
from pipeline.steps.words import verdict_line
from pipeline.study import Study, check_folders, load_study
from pipeline.verdict import Policy, load_policy
from pipeline.workers import Workers, run_here

PROGRESS = "sessiongate: "
"""Lines for the user begin with this; the front door hands them on and keeps the rest in a file."""


@dataclass
class Progress:
    """How many sessions are done, and about how long the rest takes."""

    total: int
    done: int = 0
    began: float = field(default_factory=time.monotonic)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def tell(self, line: str) -> None:
        """Print one session's outcome."""
        with self.lock:
            self.done += 1
            left = max(self.total - self.done, 0)
            left_s = (time.monotonic() - self.began) / self.done * left
            tail = f"   about {left_s:.0f} s left" if left else ""
            width = len(str(self.total))
            print(
                f"{PROGRESS}{self.done:>{width}} of {self.total}  {line}{tail}", file=sys.stderr, flush=True
            )


@dataclass(frozen=True)
class Plan:
    """A study on its way into a results folder."""

    study: Study
    policy: Policy
    results: Path
    jobs: dict[str, Job]
    code: dict[str, str]
    workers: Workers
    progress: Progress
    started: str

    @staticmethod
    def of(study_folder: str, results_folder: str, started: str) -> "Plan":
        """Read the study; raise InputError with everything that is wrong with it."""
        folder, results = Path(study_folder).absolute(), Path(results_folder).absolute()
        study = load_study(folder)
        if problems := check_folders(folder, results):
            raise InputError(problems)
        shown = str(study.policy_file or "")
        policy = load_policy(study.policy_file, shown)
        jobs = {
            session.name: Job(
                session, study.layouts[session.layout], folder, study.title, study.time_zone, policy, results
            )
            for session in study.sessions
        }
        code = {step: code_digest(step) for step in STEP_CODE}
        return Plan(study, policy, results, jobs, code, Workers(), Progress(len(jobs)), started)

    def dumps(self, wildcards: Any) -> list[str]:
        """The dumps that exist; a missing one is for the convert step to report."""
        session = self.jobs[wildcards.session].session
        return [
            str(self.study.folder / name) for name in session.dumps if (self.study.folder / name).is_file()
        ]

    def layout(self, wildcards: Any) -> str:
        """The layout's file."""
        return str(self.study.layout_files[self.jobs[wildcards.session].session.layout])

    def origin(self, wildcards: Any) -> str:
        """What the sessions table says that goes into the recording."""
        session = self.jobs[wildcards.session].session
        return _digest([session.name, session.dumps, session.started_at.isoformat(), session.layout])

    def surroundings(self, wildcards: Any) -> str:
        """What detectors need beside the recording: mains, activity log, thresholds."""
        session = self.jobs[wildcards.session].session
        return _digest([session.mains_hz, _log_of(session), self.policy.settings_sha256])

    def circumstances(self, wildcards: Any) -> str:
        """Everything that a verdict or a report shows of study, session and policy."""
        session = self.jobs[wildcards.session].session
        facts = [session.participant, session.site, session.device, session.started_at.isoformat()]
        study = [self.study.title, self.study.time_zone]
        return _digest([facts, study, _log_of(session), self.policy.sha256])

    def begin(self, workflow: Any) -> None:
        """Count what there is to do, and have rules run as threads that wait for warm workers.

        The engine gives every rule with Python code a process of its own, which reads the study and imports
        everything anew: seconds for each step instead of milliseconds. ``--force-use-threads`` asks for
        threads from the start; here the same is set for who starts the engine without it. Where the engine
        has no such switch, or jobs go to a cluster, its own way stands.
        """
        self.progress.total = sum(job.rule.name == "report" for job in workflow.dag.needrun_jobs())
        executor = getattr(workflow.scheduler, "_executor", None)
        if workflow.local_exec and executor is not None and hasattr(executor, "use_threads"):
            executor.use_threads = True

    def run(self, step: str, wildcards: Any, pooled: bool) -> None:
        """Do one step of one session, in a warm worker where the engine runs rules as threads."""
        job = self.jobs[wildcards.session]
        if pooled:
            self.workers.run(step, job)
        else:
            run_here(step, job)
        if step == "report":
            self.progress.tell(verdict_line(job.places.quality))


def _log_of(session: Any) -> list[list[Any]]:
    return [[a.start_s, a.stop_s, a.activity, a.intensity] for a in session.activities]


def _digest(content: Any) -> str:
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()[:16]
