"""What the Snakefile asks: the sessions, their files, and what makes a step run again."""

import gc
import hashlib
import json
import os
import signal
import threading
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from types import FrameType, SimpleNamespace
from typing import Any

from pipeline import __version__
from pipeline.crosscheck import dump_files
from pipeline.demands import memory_mb, minutes
from pipeline.ending import Ending, made_by
from pipeline.errors import InputError
from pipeline.holding import ENGINE, Busy, claim, release, sweep
from pipeline.outlook import STEPS, Made, in_words, redos, steps_of
from pipeline.retiring import retire, retired_line
from pipeline.steps.job import STEP_CODE, Job, StepFailed, Tables, code_digest, last_failure, log_rows
from pipeline.steps.words import verdict_line
from pipeline.study import Decision, Study, check_folders, load_study
from pipeline.verdict import Policy, load_policy
from pipeline.watching import AT_ONCE, WATCHED, Part, Watch, watched
from pipeline.workers import MANY, Workers
from pipeline.writing import POWER_MAY_FAIL

LOOKED_AT, LOOKED_AT_FOR_EACH_CORE = 16, 4
"""Of jobs that are ready, how many the engine chooses from at least. Of these it takes the step that comes
last in its session (`priority`), so that sessions are finished, and not all begun first.
"""

SEAL = "seal.txt"
"""Below ``.work``: how everything was when the front door had nothing left to do."""

SPARE = 3
"""Steps that the front door has the engine ask for beyond those at work: they wait for a worker, so that
none waits for the engine, which takes 10 ms to find what comes next.
"""

SELDOM = 100_000, 50, 100
"""Objects made, and collections of younger ones, before garbage is looked for (see `gc.set_threshold`)."""


@dataclass(frozen=True)
class Plan:
    """A study on its way into a results folder."""

    study: Study
    policy: Policy
    results: Path
    jobs: dict[str, Job]
    origins: dict[str, str]
    logs: dict[str, str]
    failures: dict[str, str]
    code: dict[str, str]
    workers: Workers
    watch: Watch
    ending: Ending
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
        keys = {step: "pages" if step == "report" else "code" for step in STEP_CODE}
        code = {step: f"{key} {code_digest(step)}" for step, key in keys.items()}
        # Taken once and before anything is read: what changes during a run differs in the next one.
        failures = {name: last_failure(job.places) for name, job in jobs.items()}
        origins = {name: _origin(job, failures[name]) for name, job in jobs.items()}
        logs = {session.name: f"log {_digest(log_rows(session))}" for session in study.sessions}
        work = Workers(), Watch(), Ending(results, list(jobs))
        return Plan(study, policy, results, jobs, origins, logs, failures, code, *work, started)

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
        settings = self.policy.settings_sha256[:16]
        return f"mains {session.mains_hz:g}; {self.log(wildcards)}; detection {settings}"

    def log(self, wildcards: Any) -> str:
        """What the activity log says of a session."""
        return self.logs[wildcards.session]

    def circumstances(self, wildcards: Any) -> str:
        """Everything that a verdict or a report shows of study, session and policy."""
        session = self.jobs[wildcards.session].session
        facts = [session.participant, session.site, session.device, session.started_at.isoformat()]
        study = _digest([self.study.title, self.study.time_zone])
        policy = self.policy.sha256[:16]
        return f"facts {_digest(facts)}; study {study}; {self.log(wildcards)}; policy {policy}"

    def review(self, wildcards: Any) -> str:
        """What a person decided about the session, for its page alone."""
        return f"review {_digest(_decided(self.jobs[wildcards.session].review))}"

    def memory_mb(self, wildcards: Any, attempt: int) -> int:
        """Memory that a cluster is asked for, for one session."""
        return memory_mb(self._n_bytes(wildcards.session), attempt)

    def minutes(self, wildcards: Any, attempt: int) -> int:
        """Time that a cluster is asked for, for all steps of one session."""
        return minutes(self._n_bytes(wildcards.session), attempt)

    @property
    def reviews(self) -> str:
        """What people decided about all sessions, for the tables and the batch page."""
        return f"reviews {_digest([_decided(job.review) for job in self.jobs.values()])}"

    @property
    def told(self) -> str:
        """What the study says of its sessions that no verdict shows, for who hands the results on."""
        return f"told {_digest([[name, job.session.extra] for name, job in self.jobs.items()])}"

    @property
    def files(self) -> str:
        """The files that lie where dumps lie, as a text that changes with them."""
        return f"files {_digest(dump_files(self.study))}"

    def texts(self) -> Iterator[str]:
        """All that makes a rule run again, beside files."""
        yield from self.code.values()
        yield from (f"policy {self.policy.sha256}", self.reviews, self.told, self.files)
        for name in self.jobs:
            wildcards = SimpleNamespace(session=name)
            of_session = (self.origin, self.surroundings, self.circumstances, self.review)
            yield from (text(wildcards) for text in of_session)

    def expect(self, workflow: Any) -> None:
        """Make ready for much to do, where the front door says that there is something."""
        if watched() and workflow.is_main_process and workflow.local_exec and len(self.jobs) >= MANY:
            self.workers.expect_many(_at_once(workflow))

    def begin(self, workflow: Any) -> None:
        """Count what there is to do, and have rules run as threads that wait for warm workers.

        Says who is at work in the results folder, too, and clears away what no longer belongs there, as the
        front door does before.
        """
        POWER_MAY_FAIL.set()
        if workflow.is_main_process:  # else a job on a node of a cluster
            self._stay_with_the_front_door()
            claim(self.results / ".work" / ENGINE, os.getpid())
            self._announce(workflow)
        if workflow.local_exec:
            self.workers.limit(_at_once(workflow))
            quicken(workflow.scheduler, workflow.resource_settings.cores or 1)

    def _announce(self, workflow: Any) -> None:
        """Say what will be done, and why."""
        lines = []
        if not watched():  # else the front door has done it
            if gone := self.retire():
                self.watch.done.retired = tuple(gone)
                lines = [retired_line(gone, self.results)]
            self.ending.begin(workflow.resource_settings.cores or 0)
            (self.results / ".work" / SEAL).unlink(missing_ok=True)
        redone = redos(workflow.dag)
        made = Made(made_by(self.results), __version__)
        lines += in_words(redone, len(self.jobs), made)
        at_once = _at_once(workflow) if workflow.local_exec else 1
        self.watch.begin(self._parts(workflow.dag), redone, lines, len(self.jobs), at_once)
        if not workflow.local_exec:
            follow = threading.Thread(
                target=self.watch.follow, args=(workflow.dag, self._is_over), daemon=True
            )
            follow.start()

    def _stay_with_the_front_door(self) -> None:
        """Do nothing where it was killed meanwhile, as another run may have begun; else end at its word."""
        if not watched():
            return
        if os.environ[WATCHED] != str(os.getppid()):
            raise Busy("Who started this run was killed.")
        if hasattr(signal, "SIGHUP"):
            signal.signal(signal.SIGHUP, signal.SIG_IGN)
        finishes = signal.getsignal(signal.SIGTERM)  # the engine's own, which waits for its jobs

        def stop(number: int, frame: FrameType | None) -> None:
            self.workers.stop()
            if callable(finishes):  # in a thread: it takes a lock that this one may hold just now
                threading.Thread(target=finishes, args=(number, frame), daemon=True).start()

        signal.signal(signal.SIGTERM, stop)

    def end(self, workflow: Any, code: int) -> None:
        """Leave the results folder to the next run; write how this one ended where no front door does.

        What was done, and what the engine noted of it, is on the disk before the lock is gone.
        """
        self.workers.close()
        if not workflow.is_main_process:
            return
        if self.watch.done.redone and hasattr(os, "sync"):
            os.sync()
        release(self.results / ".work" / ENGINE, os.getpid())
        if watched():
            return
        done = self.watch.done
        done.engine = code
        left = {job.wildcards.session for job in workflow.dag.needrun_jobs() if job.rule.name in STEPS}
        for name in set(done.to_do) - left - set(done.verdicts):  # its steps ran elsewhere, as on a cluster
            with suppress(OSError, ValueError, LookupError):  # no verdict: it was asked for less
                done.add(name, *self._came_out(name))
        self.ending.end("failed" if code else "finished", code, done)

    def _parts(self, dag: Any) -> list[Part]:
        """Steps of sessions that are to be done."""
        jobs = [job for job in dag.needrun_jobs() if job.rule.name in STEPS]
        sizes = {name: self._n_bytes(name) for name in {job.wildcards.session for job in jobs}}
        return [
            Part(job.wildcards.session, step, sizes[job.wildcards.session])
            for job in jobs
            for step in steps_of(job.rule.name)
        ]

    def retire(self) -> list[str]:
        """Put aside what sessions left that are no longer in the study; give their names.

        What writers left that were killed goes, too.
        """
        sweep(self.results)
        return retire(self.results, self.jobs)

    def _n_bytes(self, session: str) -> int:
        """Of a session's dumps, as far as they are there."""
        return sum(_size(self.study.folder / name) for name in self.jobs[session].session.dumps)

    @property
    def files_made(self) -> list[Path]:
        """What rules make and can make again, of each rule one file at least."""
        of_sessions = [path for job in self.jobs.values() for path in job.places.made]
        return [*of_sessions, self.results / "sessions.parquet"]

    def reopen(self) -> None:
        """Have sessions judged anew of which somebody deleted a file that no rule names."""
        for job in self.jobs.values():
            job.places.reopen()

    def run(self, step: str, wildcards: Any, *, goes_on: bool = False) -> None:
        """Do one step of one session in a worker: a warm one where the engine runs rules as threads.

        Never in the engine's own process, which has loaded NumPy with as many threads as there are cores.
        """
        job = self.jobs[wildcards.session]
        try:
            self.workers.run(step, job, goes_on=goes_on)
        except StepFailed as failed:
            if not self.workers.is_stopped:
                self.watch.session_done(wildcards.session, None, f"! {failed}")
            raise
        self._is_over(wildcards.session, step)

    def _is_over(self, session: str, step: str) -> None:
        """Count a step that was done, here or elsewhere."""
        self.watch.step_done(session, step)
        if step == "report":
            with suppress(OSError, ValueError, LookupError):  # a file system that is shared may lag behind
                self.watch.session_done(session, *self._came_out(session))

    def _came_out(self, session: str) -> tuple[str | None, str]:
        """A session's verdict and the line that tells it; None where a step failed after a verdict."""
        places = self.jobs[session].places
        verdict, line = verdict_line(places.quality)
        why = last_failure(places)
        if verdict == "unreadable" or not why or why == self.failures[session]:
            return verdict, line
        return None, f"! {session}: {why.split(' ', 2)[-1]}"

    @property
    def tables(self) -> Tables:
        """What the tables and the page over all sessions are made from."""
        return Tables(self.study, self.policy, self.results, self.started)

    def make_tables(self) -> None:
        """Make the tables and the page over all sessions: in a worker, like the steps of a session."""
        self.workers.make_tables(self.tables)


def collect_seldom() -> None:
    """Have the engine look for garbage seldom.

    For a thousand sessions it makes a million objects that last as long as it does. To look through them
    again and again took a quarter of its time.
    """
    gc.set_threshold(*SELDOM)


def _at_once(workflow: Any) -> int:
    """How many steps are at work at once on this machine: by the front door, else one for each core."""
    return int(os.environ.get(AT_ONCE) or workflow.resource_settings.cores or 1)


def quicken(scheduler: Any, cores: int) -> None:
    """Have the engine spend its time on jobs, not on deciding which; where it has no such switch, as it does.

    - It gives every rule with Python code a process of its own, which reads the study and imports everything
      anew: seconds for each step instead of milliseconds. ``--force-use-threads`` asks for threads from the
      start; here the same is set for who starts the engine without it.
    - It looks at the inputs of all jobs that are ready whenever one ends: with a thousand sessions thousands
      of files each time. ``--scheduler-subsample`` has it look at a few.
    - Its limit of jobs for each second sets, each time, a timer that has it look again a second later, which
      sets another: the more jobs have ended, the oftener it looks. Jobs that wait for workers need no limit.
    """
    executor = getattr(scheduler, "_executor", None)
    if executor is not None and hasattr(executor, "use_threads"):
        executor.use_threads = True
    if hasattr(scheduler, "subsample"):
        scheduler.subsample = scheduler.subsample or max(LOOKED_AT, LOOKED_AT_FOR_EACH_CORE * cores)
    if hasattr(scheduler, "job_rate_limiter"):
        scheduler.job_rate_limiter = None


def _origin(job: Job, failure: str) -> str:
    session = job.session
    started = session.started_at.isoformat()
    named = _digest([session.name, session.dumps, started, [layout.name for layout in job.layouts]])
    dumps = " ".join(_stamp(job.study_folder / name) for name in session.dumps)
    layouts = _digest(job.layouts_sha256)
    return f"row {named}; dumps {dumps}; layouts {layouts}; failed {failure.partition(' ')[0]}"


def _stamp(dump: Path) -> str:
    """Size and time of the last change of a dump, which need not exist."""
    try:
        stat = dump.stat()
    except OSError:
        return "none"
    return f"{stat.st_size}@{stat.st_mtime_ns}"


def _size(dump: Path) -> int:
    try:
        return dump.stat().st_size
    except OSError:
        return 0


def _decided(review: Decision | None) -> list[str]:
    """A decision without its line, which shows nowhere."""
    if review is None:
        return []
    return [review.session, review.decision, review.reason, review.initials, review.date, review.seen]


def _digest(content: Any) -> str:
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()[:16]
