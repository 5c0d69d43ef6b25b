"""The copies of a drill as a study folder of their own, which the normal steps run."""

import json
import shutil
from collections.abc import Sequence
from pathlib import Path, PurePosixPath

from pipeline.drill.plan import Copy
from pipeline.steps.job import Job
from pipeline.study import Session, Study, load_study
from pipeline.verdict import load_policy
from pipeline.writing import csv_text, write_text
from schemas.keys import ACTIVITY_COLUMNS, SESSION_COLUMNS


def lay_out(study: Study, copies: Sequence[Copy], folder: Path) -> None:
    """Write everything of a study but the dumps: each copy is a session like the one it is a copy of."""
    by_name = {session.name: session for session in study.sessions}
    hosts = [by_name[copy.session] for copy in copies]
    sites = {host.site: host.mains_hz for host in hosts}
    lines = [f"title = {_quoted(study.title + ', drill')}", f"time_zone = {_quoted(study.time_zone)}"]
    lines.append(f"mains_hz = {next(iter(sites.values())):g}")
    for site, mains_hz in sorted(sites.items()):
        lines += ["", "[[site]]", f"name = {_quoted(site)}", f"mains_hz = {mains_hz:g}"]
    write_text(folder / "study.toml", "\n".join(lines) + "\n")
    rows = [_session_row(copy, host) for copy, host in zip(copies, hosts, strict=True)]
    write_text(folder / "sessions.csv", csv_text([key.name for key in SESSION_COLUMNS], rows))
    log = [
        [copy.name, repr(a.start_s), repr(a.stop_s), a.activity, a.intensity]
        for copy, host in zip(copies, hosts, strict=True)
        for a in host.activities
    ]
    write_text(folder / "activities.csv", csv_text([key.name for key in ACTIVITY_COLUMNS], log))
    for name, path in study.layout_files.items():
        (folder / "layouts").mkdir(exist_ok=True)
        shutil.copyfile(path, folder / "layouts" / f"{name}.toml")
    if study.policy_file:
        shutil.copyfile(study.policy_file, folder / "policy.toml")


def jobs_of(folder: Path, results: Path) -> dict[str, Job]:
    """The jobs of the copies that :func:`lay_out` wrote, by name."""
    study = load_study(folder)
    known = folder, study.title, study.time_zone, load_policy(study.policy_file), results
    return {
        session.name: Job(session, tuple(study.layouts[name] for name in session.layouts), *known)
        for session in study.sessions
    }


def _session_row(copy: Copy, host: Session) -> list[str]:
    # a number first: parts of a session may have the same name in different folders
    dumps = [f"dumps/{copy.name}/{i + 1}-{PurePosixPath(name).name}" for i, name in enumerate(host.dumps)]
    return [
        copy.name,
        host.participant,
        host.site,
        host.device,
        host.layout,
        ";".join(dumps),
        host.started_at.isoformat(),
    ]


def _quoted(text: str) -> str:
    """A basic string of TOML; JSON escapes are among its own."""
    return json.dumps(text, ensure_ascii=False)
