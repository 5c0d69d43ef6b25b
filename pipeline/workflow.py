"""What the Snakefile asks: the sessions, their files, and what makes a step run again."""

import hashlib
import json
import os
import sys
import threading
import time
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipeline.crosscheck import dump_files
from pipeline.errors import InputError
from pipeline.holding import ENGINE, claim, sweep
from pipeline.retiring import retire
from pipeline.steps.job import STEP_CODE, Job, code_digest, last_failure, log_rows
from pipeline.steps.words import verdict_line
from pipeline.study import Decision, Study, check_folders, load_study
from pipeline.verdict import Policy, load_policy
from pipeline.workers import Workers
from pipeline.writing import POWER_MAY_FAIL

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
            say(f"{self.done:>{width}} of {self.total}  {line}{tail}")


def say(line: str) -> None:
    """Print a line for the user; who reads it may have been killed, which is no fault of a session."""
    with suppress(OSError):
        print(f"{PROGRESS}{line}", file=sys.stderr, flush=True)


@dataclass(frozen=True)
class Plan:
    """A study on its way into a results folder."""

    study: Study
    policy: Policy
    results: Path
    jobs: dict[str, Job]
    origins: dict[str, str]
    failures: dict[str, str]
    code: dict[str, str]
    workers: Workers
    progress: Progress
    started: str

    @staticmethod
    def of(study_folder: str, results_folder: str, started: str, *, may_begin: bool = True) -> "Plan":
        """Read the study; raise InputError with everything that is wrong with it.

        Whether results may be written there is asked where a run may begin, not in the middle of one.
        """
        folder, results = Path(study_folder).absolute(), Path(results_folder).absolute()
        study = load_study(folder)
        if may_begin and (problems := check_folders(folder, results)):
            raise InputError(problems)
        shown = str(study.policy_file or "")
        policy = load_policy(study.policy_file, shown)
        known = folder, study.title, study.time_zone, policy, results
        jobs = {
            session.name: Job(
                session,
                tuple(study.layouts[name] for name in session.layouts),
                *known,
                study.reviews.get(session.name),
            )
            for session in study.sessions
        }
        code = {step: code_digest(step) for step in STEP_CODE}
        # Taken once and before anything is read: what changes during a run differs in the next one.
        failures = {name: last_failure(job.places) for name, job in jobs.items()}
        origins = {name: _origin(job, failures[name]) for name, job in jobs.items()}
        work = Workers(), Progress(len(jobs))
        return Plan(study, policy, results, jobs, origins, failures, code, *work, started)

    def origin(self, wildcards: Any) -> str:
        """What goes into the recording, as a text that changes with it.

        Dumps and layout are no inputs of the rule. The engine would run again only for a newer file, not
        for an older copy put in its place; would end everything for a dump that vanishes meanwhile; and
        would take braces in a path for its own.
        """
        return self.origins[wildcards.session]

    def surroundings(self, wildcards: Any) -> str:
        """What detectors need beside the recording: mains, activity log, thresholds."""
        session = self.jobs[wildcards.session].session
        return _digest([session.mains_hz, log_rows(session), self.policy.settings_sha256])

    def circumstances(self, wildcards: Any) -> str:
        """Everything that a verdict or a report shows of study, session and policy."""
        session = self.jobs[wildcards.session].session
        facts = [session.participant, session.site, session.device, session.started_at.isoformat()]
        study = [self.study.title, self.study.time_zone]
        return _digest([facts, study, log_rows(session), self.policy.sha256])

    def review(self, wildcards: Any) -> str:
        """What a person decided about the session, for its page alone."""
        return _digest(_decided(self.jobs[wildcards.session].review))

    @property
    def reviews(self) -> str:
        """What people decided about all sessions, for the tables and the batch page."""
        return _digest([_decided(job.review) for job in self.jobs.values()])

    @property
    def told(self) -> str:
        """What the study says of its sessions that no verdict shows, for who hands the results on."""
        return _digest([job.session.extra for job in self.jobs.values()])

    @property
    def files(self) -> str:
        """The files that lie where dumps lie, as a text that changes with them."""
        return _digest(dump_files(self.study))

    def begin(self, workflow: Any) -> None:
        """Count what there is to do, and have rules run as threads that wait for warm workers.

        Says who is at work in the results folder, too, and clears away what no longer belongs there, as the
        front door does before.

        The engine gives every rule with Python code a process of its own, which reads the study and imports
        everything anew: seconds for each step instead of milliseconds. ``--force-use-threads`` asks for
        threads from the start; here the same is set for who starts the engine without it. Where the engine
        has no such switch, or jobs go to a cluster, its own way stands.
        """
        POWER_MAY_FAIL.set()
        claim(self.results / ".work" / ENGINE, os.getpid())
        if line := self.retire():
            say(line)
        self.progress.total = sum(job.rule.name == "report" for job in workflow.dag.needrun_jobs())
        executor = getattr(workflow.scheduler, "_executor", None)
        if workflow.local_exec and executor is not None and hasattr(executor, "use_threads"):
            executor.use_threads = True

    def end(self) -> None:
        """Leave the results folder to the next run."""
        (self.results / ".work" / ENGINE).unlink(missing_ok=True)

    def retire(self) -> str:
        """Put aside what sessions left that are no longer in the study; give a line that says so, or ''.

        What writers left that were killed goes, too.
        """
        sweep(self.results)
        gone = retire(self.results, self.jobs)
        place = self.results / ".work" / "retired"
        return f"No longer in the study, moved to {place}: {', '.join(gone)}" if gone else ""

    def reopen(self) -> None:
        """Have sessions judged anew of which somebody deleted a file that no rule names."""
        for job in self.jobs.values():
            job.places.reopen()

    def run(self, step: str, wildcards: Any) -> None:
        """Do one step of one session in a worker: a warm one where the engine runs rules as threads.

        Never in the engine's own process, which has loaded NumPy with as many threads as there are cores.
        """
        job = self.jobs[wildcards.session]
        self.workers.run(step, job)
        if step == "report":
            self.progress.tell(verdict_line(job.places.quality))


def _origin(job: Job, failure: str) -> str:
    session = job.session
    started = session.started_at.isoformat()
    named = _digest([session.name, session.dumps, started, [layout.name for layout in job.layouts]])
    dumps = " ".join(_stamp(job.study_folder / name) for name in session.dumps)
    return f"{named}; dumps {dumps}; layout {job.layouts_sha256}; failed {failure.partition(' ')[0]}"


def _stamp(dump: Path) -> str:
    """Size and time of the last change of a dump, which need not exist."""
    try:
        stat = dump.stat()
    except OSError:
        return "none"
    return f"{stat.st_size}@{stat.st_mtime_ns}"


def _decided(review: Decision | None) -> list[str]:
    """A decision without its line, which shows nowhere."""
    if review is None:
        return []
    return [review.session, review.decision, review.reason, review.initials, review.date, review.seen]


def _digest(content: Any) -> str:
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()[:16]
