"""What a results folder holds, as a bundle needs it: read, nothing changed."""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.ending import LAST
from pipeline.errors import InputError, Problem
from pipeline.holding import ENGINE, RUN, Busy, refuse_if_busy
from pipeline.steps.study_record import STUDY_RECORD

_AGAIN = "Run 'sessiongate run' again; what is finished is kept."


@dataclass(frozen=True)
class Held:
    """One session of the results.

    Attributes
    ----------
    name, participant, site, device, layout : str
        As the study has them.
    started_at : datetime
        Aware.
    mains_hz : float
        Nominal frequency of the mains, in Hz.
    activities : tuple of mapping
        Rows of the activity log: ``start_s``, ``stop_s``, ``activity``, ``intensity``.
    extra : mapping
        Further columns of the sessions table.
    quality : mapping
        ``quality.json``.
    review : mapping or None
        A person's decision, as `pipeline.report.review.review_of` tells it.
    findings : tuple of mapping
        Rows of ``findings.parquet``.
    samples : mapping of str to Path
        Suffix of each recording ('' for the main one) -> its file; empty where nothing could be read.
    events : Path or None
        Its events.
    dumps : mapping of str to sequence of str
        Layout -> the dumps read by it, in order, as the sessions table names them.
    """

    name: str
    participant: str
    site: str
    device: str
    layout: str
    started_at: datetime
    mains_hz: float
    activities: tuple[Mapping[str, Any], ...]
    extra: Mapping[str, str]
    quality: Mapping[str, Any]
    review: Mapping[str, Any] | None
    findings: tuple[Mapping[str, Any], ...]
    samples: Mapping[str, Path]
    events: Path | None
    dumps: Mapping[str, Sequence[str]]


@dataclass(frozen=True)
class Gathered:
    """Everything of a finished run that a bundle is made of.

    Attributes
    ----------
    results : Path
        The folder.
    title, time_zone, version : str
        Of the study, and of the program that made the results.
    policy_sha256, policy_text : str
        The policy in force: its digest, and every threshold as TOML without a user's comments.
    layouts : mapping
        Name -> (SHA-256, text as the user wrote it).
    sessions : tuple of Held
        In the order of the sessions table.
    run_sha256 : str
        Digest of the record of the run: another one later means that results were made anew meanwhile.
    """

    results: Path
    title: str
    time_zone: str
    version: str
    policy_sha256: str
    policy_text: str
    layouts: Mapping[str, tuple[str, str]]
    sessions: tuple[Held, ...]
    run_sha256: str = ""


def gather(results: Path) -> Gathered:
    """Read what a finished run left.

    Parameters
    ----------
    results : Path
        A results folder; it is only read.

    Raises
    ------
    InputError
        Where it is none, where a run is at work in it or did not finish, or where its files contradict
        each other.
    """
    _check_folder(results)
    run_sha256 = fingerprint(results)
    run = _read(results / "run.json")
    _check_ended(results, run)
    record = _record(results)
    try:
        sessions = tuple(_held(results, row, run) for row in record["sessions"])
        return Gathered(
            results=results,
            title=str(record["title"]),
            time_zone=str(record["time_zone"]),
            version=str(run["version"]),
            policy_sha256=str(run["policy_sha256"]),
            policy_text=str(record["policy"]),
            layouts={name: (entry["sha256"], entry["text"]) for name, entry in record["layouts"].items()},
            sessions=sessions,
            run_sha256=run_sha256,
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        if isinstance(error, InputError):
            raise
        raise contradictory(results, error) from None


def contradictory(results: Path, error: Exception) -> InputError:
    """What is said of files that lack what a run writes into them."""
    return _unfit(results, f"files that do not hold together ({error!r})", _AGAIN)


def fingerprint(results: Path) -> str:
    """Digest of the record of the run."""
    return hashlib.sha256((results / "run.json").read_bytes()).hexdigest()


def check_idle(results: Path) -> None:
    """Raise InputError while a run is at work in the results folder."""
    for lock in (RUN, ENGINE):
        try:
            refuse_if_busy(results / ".work" / lock)
        except Busy as busy:
            raise _unfit(results, f"a run at work in it ({busy})", "Wait until it has finished.") from None


def _check_folder(results: Path) -> None:
    remedy = "Give the folder that 'sessiongate run STUDY --out RESULTS' wrote."
    if not results.is_dir():
        raise _unfit(results, "a file" if results.exists() else "no such folder", remedy)
    if (results / "study.toml").exists() and not (results / "run.json").exists():
        raise _unfit(results, "a study folder", remedy)
    if (results / "bagit.txt").exists():
        raise _unfit(results, "a bundle, made of results already", remedy)
    check_idle(results)
    if not (results / "run.json").exists():
        if (results / ".work").is_dir():
            raise _unfit(results, "a run that did not finish: there is no run.json", _AGAIN)
        raise _unfit(results, "a folder without run.json", remedy)


def _check_ended(results: Path, run: Mapping[str, Any]) -> None:
    """Raise InputError where the last run was stopped, killed or failed: parts of two runs may lie there."""
    last = run.get(LAST)
    outcome = last.get("outcome") if isinstance(last, Mapping) else "finished"
    if outcome != "finished":
        how = {"stopped": "it was stopped", "running": "it was killed"}.get(str(outcome), "a step failed")
        raise _unfit(results, f"a run that did not finish: {how}", _AGAIN)


def _record(results: Path) -> Mapping[str, Any]:
    path = results / ".work" / STUDY_RECORD
    if not path.exists():
        raise _unfit(results, f"no {STUDY_RECORD} below .work: an older version made them", _AGAIN)
    return _read(path)


def _held(results: Path, row: Mapping[str, Any], run: Mapping[str, Any]) -> Held:
    name = str(row["session"])
    folder = results / name
    quality = _read(folder / "quality.json")
    if quality["verdict"] != run["sessions"].get(name) or not _same_makers(quality, run):
        found = f"{name}/quality.json of another run than run.json"
        raise _unfit(results, found, _AGAIN)
    samples, events = _files_of(folder, quality)
    return Held(
        name=name,
        participant=str(row["participant"]),
        site=str(row["site"]),
        device=str(row["device"]),
        layout=str(quality["layout"]),
        started_at=datetime.fromisoformat(row["started_at"]),
        mains_hz=float(row["mains_hz"]),
        activities=tuple(row["activities"]),
        extra=dict(row["extra"]),
        quality=quality,
        review=row["review"],
        findings=tuple(_findings(folder / "findings.parquet")),
        samples=samples,
        events=events,
        dumps=_dumps(row),
    )


def _dumps(row: Mapping[str, Any]) -> dict[str, list[str]]:
    found = dict[str, list[str]]()
    for layout, dump in zip(row["layouts"], row["dumps"], strict=True):
        found.setdefault(layout, []).append(dump)
    return found


def _same_makers(quality: Mapping[str, Any], run: Mapping[str, Any]) -> bool:
    """Whether a session was judged by the policy, and read from the dumps, that the run tells of."""
    made_by = quality["made_by"]
    return made_by["policy_sha256"] == run["policy_sha256"] and all(
        not digest or run["dumps"].get(dump) == digest for dump, digest in made_by["dumps"].items()
    )


def _files_of(folder: Path, quality: Mapping[str, Any]) -> tuple[dict[str, Path], Path | None]:
    """The recordings by suffix, and the events; every one must be there."""
    samples = {
        one["file"].removeprefix("samples").removesuffix(".parquet"): folder / one["file"]
        for one in quality["recordings"]
    }
    events = folder / quality["events"]["file"] if quality["events"] else None
    for path in (*samples.values(), *([events] if events else [])):
        if not path.is_file():
            raise InputError([Problem(str(path), "", "a file of the results", "no such file", _AGAIN)])
    return samples, events


def _findings(path: Path) -> list[dict[str, Any]]:
    try:
        rows: list[dict[str, Any]] = pq.read_table(path).to_pylist()
    except (OSError, pa.ArrowException) as error:
        found = " ".join(str(error).split()) or "nothing"
        raise InputError([Problem(str(path), "", "a Parquet file", found, _AGAIN)]) from None
    return rows


def _read(path: Path) -> dict[str, Any]:
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        if not isinstance(content, dict):
            raise ValueError("no object")
    except FileNotFoundError:
        raise InputError([Problem(str(path), "", "a file of the results", "no such file", _AGAIN)]) from None
    except ValueError as error:
        raise InputError([Problem(str(path), "", "JSON as a run writes it", str(error), _AGAIN)]) from None
    return content


def _unfit(results: Path, found: str, remedy: str) -> InputError:
    return InputError([Problem(str(results), "", "the results of a finished run", found, remedy)])
