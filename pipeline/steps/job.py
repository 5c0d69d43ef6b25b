"""What a step is given, and where its files stand."""

import hashlib
import json
import time
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.layouts import Layout
from pipeline.study import Decision, Session, Study
from pipeline.verdict import Policy
from pipeline.writing import write_text

STEP_CODE = {
    "convert": (
        "errors.py",
        "writing.py",
        "stamps.py",
        "layouts",
        "frames",
        "finder",
        "timebase",
        "recording",
        "steps/convert.py",
    ),
    "detect": ("recording", "detectors", "steps/detect.py"),
    "draw": (
        "recording",
        "detectors",
        "report/drawn.py",
        "report/glance.py",
        "report/layers.py",
        "report/segments.py",
        "report/spectrum.py",
        "signal/features.py",
        "signal/windows.py",
        "steps/draw.py",
    ),
    "judge": ("recording", "detectors", "verdict", "steps/judge.py"),
    "report": ("recording", "report", "signal", "steps/present.py", "steps/signal.py"),
    "overview": (
        "crosscheck",
        "report",
        "signal",
        "steps/present.py",
        "steps/signal.py",
        "steps/study_record.py",
        "steps/tables.py",
    ),
}
"""Step -> the code it depends on: a change there runs the step again (imports are not tracked otherwise)."""


@dataclass(frozen=True)
class Job:
    """One session on its way through the steps. ``layouts`` are those of its dumps, one for each.

    ``review`` is what a person decided about it: pages and tables show it, no other step looks at it.
    """

    session: Session
    layouts: tuple[Layout, ...]
    study_folder: Path
    study_title: str
    time_zone: str
    policy: Policy
    results: Path
    review: Decision | None = None

    @property
    def layout(self) -> Layout:
        """That of the first dump."""
        return self.layouts[0]

    @property
    def layouts_sha256(self) -> str:
        """Digests of all layouts, each once, parted by a blank."""
        return " ".join(dict.fromkeys(layout.sha256 for layout in self.layouts))

    @property
    def places(self) -> "Places":
        """Where this session's files stand."""
        return Places(self.results, self.session.name)


@dataclass(frozen=True)
class Tables:
    """What the tables and the page over all sessions are made from: once, when all of them are done.

    ``shares`` are files with what others have seen of the participants; without any, it is seen here.
    """

    study: Study
    policy: Policy
    results: Path
    started: str
    shares: tuple[Path, ...] = ()

    @property
    def places(self) -> list["Places"]:
        """Where the files of all sessions stand."""
        return [Places(self.results, session.name) for session in self.study.sessions]


@dataclass(frozen=True)
class Share:
    """Part `i` of `n` of the participants, whose windows are looked at before the tables are made.

    What is seen of them goes into a file, whose path is among the ``shares`` of the tables.
    """

    tables: Tables
    i: int
    n: int
    path: Path

    @property
    def results(self) -> Path:
        """The folder of all results."""
        return self.tables.results


@dataclass(frozen=True)
class Places:
    """Paths of one session's files: for the user below ``<session>``, between steps below ``.work``.

    Which further recordings there are, and whether there are events, is known after the conversion only, so
    that no rule names their files. A step that writes them begins by taking away what an earlier run left.
    """

    results: Path
    session: str

    @property
    def _work(self) -> Path:
        return self.results / ".work" / self.session

    @property
    def folders(self) -> tuple[Path, Path]:
        """Where all of these files stand."""
        return self._work, self.results / self.session

    @property
    def made(self) -> list[Path]:
        """Files that steps make, those of them that rules name; further ones come with them."""
        between = [path for path in self._work.glob("*") if path != self.failed]
        return [*between, self.samples, self.findings, self.quality, self.report]

    @property
    def recording(self) -> Path:
        """Samples in units, before any finding: those of the main recording."""
        return self.recording_of("")

    def recording_of(self, suffix: str) -> Path:
        """The same of another recording, by what tells its file apart ('_50hz')."""
        return self._work / f"recording{suffix}.parquet"

    @property
    def converted_events(self) -> Path:
        """Events before the verdict; absent where the dumps hold none."""
        return self._work / "events.parquet"

    @property
    def conversion(self) -> Path:
        """What the conversion counted, or why there is nothing."""
        return self._work / "conversion.json"

    @property
    def validation(self) -> Path:
        """Whether the recording was read again and held against its schema."""
        return self._work / "validation.json"

    @property
    def detected(self) -> Path:
        """Findings, measures and mains lines."""
        return self._work / "detected.json"

    @property
    def marks(self) -> Path:
        """Sample spans by condition."""
        return self._work / "marks.parquet"

    @property
    def marked(self) -> Path:
        """The main recording with its quality, before the verdict: all of ``samples`` but the policy."""
        return self.marked_of("")

    def marked_of(self, suffix: str) -> Path:
        """The same of another recording, by what tells its file apart ('_50hz')."""
        return self._work / f"samples{suffix}.parquet"

    @property
    def found(self) -> Path:
        """One row for each finding, before the verdict: all of ``findings`` but the policy."""
        return self._work / "findings.parquet"

    @property
    def drawn(self) -> Path:
        """What the page shows of the recordings, whatever the verdict."""
        return self._work / "drawn.npz"

    @property
    def windows(self) -> Path:
        """Windows of the field beside the activity log, before anything is excluded."""
        return self._work / "windows.parquet"

    @property
    def strip(self) -> Path:
        """Thin picture for the batch page."""
        return self._work / "strip.svg"

    @property
    def signal(self) -> Path:
        """The same windows with what is analysed: whether the study carries the signal."""
        return self._work / "signal.parquet"

    @property
    def failed(self) -> Path:
        """When a step last failed, and why; absent where none ever did.

        No rule knows this file, so the engine leaves it alone. What it says is part of what the conversion
        depends on: after a failure it differs from what the engine noted, so the next run begins the
        session anew. It stays after that, or the run after the next would see a change again.
        """
        return self._work / "failed.txt"

    @property
    def samples(self) -> Path:
        """The main recording with its quality."""
        return self.samples_of("")

    def samples_of(self, suffix: str) -> Path:
        """The same of another recording, by what tells its file apart ('_50hz')."""
        return self.results / self.session / f"samples{suffix}.parquet"

    @property
    def events(self) -> Path:
        """What came at no rate; absent where the dumps hold none."""
        return self.results / self.session / "events.parquet"

    def clear_converted(self) -> None:
        """Take away further recordings and events between steps."""
        _remove([*self._work.glob("recording_*hz.parquet"), self.converted_events])

    def clear_marked(self) -> None:
        """Take away further recordings with their quality before the verdict."""
        _remove(self._work.glob("samples_*hz.parquet"))

    def clear_samples(self) -> None:
        """Take away all samples between steps."""
        self.clear_converted()
        self.clear_marked()
        _remove([self.recording, self.marked])

    def clear_final(self) -> None:
        """Take away the final files of further recordings and events."""
        _remove([*self.samples.parent.glob("samples_*hz.parquet"), self.events])

    @property
    def between(self) -> tuple[Path, ...]:
        """All files that rules name and no user sees."""
        converted = (self.recording, self.conversion, self.validation)
        drawn = (self.marked, self.found, self.drawn, self.windows)
        return (*converted, self.detected, self.marks, *drawn, self.strip, self.signal)

    def reopen(self) -> None:
        """Take away a verdict that the next run has to make anew, and the engine would not.

        Of a step that failed, or was stopped before it began, the engine takes away what an earlier run left,
        but asks for none of it as long as the verdict is there; nor for what is made with the verdict and is
        read by the tables alone. And where a file beside the main recording is gone, that goes: it is the one
        that a rule names.
        """
        try:
            quality = read_json(self.quality)
            files = [one["file"] for one in quality["recordings"]]
            files += [quality["events"]["file"]] if quality["events"] else []
        except (OSError, ValueError, LookupError):  # the verdict itself is to be made anew
            return
        if not all((self.samples.parent / name).exists() for name in files):
            _remove([self.samples])
        if not all(path.exists() for path in self.between):
            _remove([self.quality])

    @property
    def findings(self) -> Path:
        """One row for each finding."""
        return self.results / self.session / "findings.parquet"

    @property
    def quality(self) -> Path:
        """Verdict, reasons, measures, ledger."""
        return self.results / self.session / "quality.json"

    @property
    def report(self) -> Path:
        """The same for a person."""
        return self.results / self.session / "report.html"


def _remove(paths: Iterable[Path]) -> None:
    for path in paths:
        path.unlink(missing_ok=True)


class StepFailed(RuntimeError):
    """A step could not even write that it failed: the disk is full, or its process was killed."""


class DumpsChanged(RuntimeError):
    """Raised when a dump changed while it was read: what came of it is the content of no file."""


class WorkerEnded(RuntimeError):
    """Raised when a worker process ends before its step does: killed, or out of memory."""


class WorkerHung(WorkerEnded):
    """Raised when a step takes longer than any should: its worker was killed for it."""


def mark_failed(places: Places, step: str, why: str) -> None:
    """Have the next run begin this session anew."""
    write_text(places.failed, f"{time.time_ns()} {step} {' '.join(why.split())}\n")


def to_redo(broken: Mapping[Places, str]) -> StepFailed:
    """What to raise where files of sessions cannot be read, and why not: the next run redoes these."""
    for places, why in broken.items():
        mark_failed(places, "overview", why)
    names = ", ".join(places.session for places in broken)
    return StepFailed(f"{names}: files were changed and cannot be read. Run again to redo them.")


def last_failure(places: Places) -> str:
    """What :func:`mark_failed` wrote last; empty where nothing ever failed."""
    try:
        return places.failed.read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return ""


def log_rows(session: Session) -> list[list[Any]]:
    """What the activity log says of a session, without where it stands in the file."""
    return [[a.start_s, a.stop_s, a.activity, a.intensity] for a in session.activities]


def write_json(path: Path, content: Mapping[str, Any], *, on_one_line: bool = False) -> None:
    """Write JSON that is the same for the same content; NaN is refused.

    On one line it is written ten times as fast, which counts where there is much of it and nobody reads it.
    """
    indent = None if on_one_line else 1
    write_text(path, json.dumps(content, indent=indent, ensure_ascii=False, allow_nan=False) + "\n")


def read_json(path: Path) -> dict[str, Any]:
    """Read what :func:`write_json` wrote."""
    content: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return content


def code_digest(step: str) -> str:
    """SHA-256 over the source files a step depends on."""
    package = Path(__file__).parent.parent
    digest = hashlib.sha256()
    for name in STEP_CODE[step]:
        place = package / name
        files = (
            sorted(f for f in place.rglob("*") if f.is_file() and f.suffix != ".pyc")
            if place.is_dir()
            else [place]
        )
        for file in (*files, *sorted((package.parent / "schemas").glob("*.py"))):
            digest.update(file.read_bytes())
    return digest.hexdigest()[:16]
