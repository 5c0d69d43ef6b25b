"""The reports inside a bundle: made anew of what was recoded, with links that lead within the bundle.

No page shows a sample that the bundle does not hold, and none a result that true dates are needed for.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pyarrow.parquet as pq

from pipeline.bundle.blanked import samples_to_show
from pipeline.bundle.choose import Picked
from pipeline.bundle.names import Names
from pipeline.bundle.page_links import index_within, page_within
from pipeline.bundle.recoded import Made, Recoded, RecodedSession
from pipeline.bundle.tables import paper_of, reviews_of
from pipeline.progress import Watch, unwatched
from pipeline.report import write_overview, write_report
from pipeline.report.review import PARTS, seen_code
from pipeline.signal import Worn, read_windows, session_signal, study_signal, write_windows
from pipeline.signal.windows import no_windows
from pipeline.steps.job import Places
from pipeline.study import Decision
from pipeline.writing import write_text
from schemas.columns import FINDINGS, VERDICTS
from schemas.tables import arrow_table

FOLDER = "reports"
_NO_DATE = "not told: dates in this dataset are shifted"


def bytes_to_show(picked: Iterable[Picked]) -> int:
    """Bytes of samples that the pages are drawn from."""
    return sum(map(_sample_bytes, picked))


def _sample_bytes(picked: Picked) -> int:
    return sum(path.stat().st_size for path in picked.held.samples.values())


def write_pages(
    recoded: Recoded,
    picked: Mapping[str, Picked],
    names: Names,
    data: Path,
    watch: Watch = unwatched,
) -> tuple[Made, ...]:
    """Write ``reports/<session>.html`` of every session and ``reports/index.html``.

    Parameters
    ----------
    recoded : Recoded
        The study.
    picked : mapping
        Code of a session -> the same before names were replaced: where samples and windows stand.
    names : Names
        Codes.
    data : Path
        The bundle's ``data``, in which the recordings are.
    watch : callable, optional
        Called after each session with its part of `bytes_to_show`.
    """
    made, strips, windows = [], dict[str, str](), dict[str, Path]()
    with TemporaryDirectory(dir=data.parent, prefix=".pages-") as scratch:
        for session in recoded.sessions:
            folder = Path(scratch) / session.code
            folder.mkdir()
            windows[session.code] = _windows(picked[session.code], names, folder)
            made.append(_write_page(recoded, session, picked[session.code], names, data, folder))
            strips[session.code] = (folder / "strip.svg").read_text(encoding="utf-8")
            for path in folder.glob("samples*.parquet"):  # of one session at a time
                path.unlink()
            watch(_sample_bytes(picked[session.code]))
        made.append(_write_index(recoded, strips, windows, data, Path(scratch)))
    return tuple(made)


def _write_page(
    recoded: Recoded, session: RecodedSession, picked: Picked, names: Names, data: Path, scratch: Path
) -> Made:
    samples = samples_to_show(session, picked.held.samples, names, data, scratch)
    findings = scratch / "findings.parquet"
    pq.write_table(arrow_table(FINDINGS, recoded.findings[session.code]), findings)
    out = data / FOLDER / f"{session.code}.html"
    windows = read_windows(scratch / "signal.parquet")
    write_report(
        session.quality,
        samples,
        findings,
        session.activities,
        out,
        scratch / "strip.svg",
        _decision(session),
        session_signal(windows),
    )
    write_text(out, page_within(out.read_text(encoding="utf-8"), session))
    origins = [f"recordings/{session.code}/samples{suffix}.parquet" for suffix in session.suffixes]
    said = f"what was found in {session.code}, with pictures: to be opened in a browser"
    return Made(f"{FOLDER}/{out.name}", "text/html", said, ("findings.parquet", *origins))


def _write_index(
    recoded: Recoded, strips: Mapping[str, str], windows: Mapping[str, Path], data: Path, scratch: Path
) -> Made:
    qualities = [session.quality for session in recoded.sessions]
    worn = [Worn(s.code, s.participant, s.started_at, windows[s.code]) for s in recoded.sessions]
    out = data / FOLDER
    write_overview(
        qualities,
        strips,
        _run(recoded, qualities),
        out,
        reviews_of(recoded),
        paper_of(recoded, scratch),
        study_signal(worn),
        dated=False,
    )
    page = (out / "index.html").read_text(encoding="utf-8")
    write_text(out / "index.html", index_within(page))
    pages = tuple(f"{FOLDER}/{session.code}.html" for session in recoded.sessions)
    said = "all sessions with their verdicts: to be opened in a browser"
    return Made(f"{FOLDER}/index.html", "text/html", said, ("sessions.parquet", *pages))


def _run(recoded: Recoded, qualities: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """What the index says of the run: neither when it was, nor what did not fit, which names files."""
    verdicts = [quality["verdict"] for quality in qualities]
    return {
        "study": recoded.title,
        "version": recoded.version,
        "policy_sha256": recoded.policy_sha256,
        "started": _NO_DATE,
        "finished": _NO_DATE,
        "counts": {verdict: verdicts.count(verdict) for verdict in VERDICTS},
    }


def _windows(picked: Picked, names: Names, scratch: Path) -> Path:
    """A session's windows as the run made them, with the code of their channel."""
    places, out = Places(names.gathered.results, picked.held.name), scratch / "signal.parquet"
    try:
        windows = read_windows(places.signal)
    except (OSError, ValueError):
        windows = no_windows("the results hold no windows of this session")
    absent, channel = names.text(windows.absent), names.channel(windows.channel)
    write_windows(replace(windows, absent=absent, channel=channel), out)
    return out


def _decision(session: RecodedSession) -> Decision | None:
    """A decision of which the report says what was said of it in the study.

    The code of what was looked at is of names that are gone; another one stands for it, which agrees with
    what is there where that one did.
    """
    review = session.review
    if review is None:
        return None
    parts = seen_code(session.quality).split("-")
    if review["stale"]:
        why = review["why"].lower()
        parts = [_other(part) if what in why else part for part, what in zip(parts, PARTS, strict=True)]
    if review["stale"] is None:  # of an older code the first parts agree
        parts = parts[:2] if "older" in review["why"] else []
    seen = "-".join(parts)
    return Decision(
        session=session.code,
        decision=review["decision"],
        reason=review["reason"],
        initials=review["initials"],
        date=review["date"],
        seen=seen,
        line=1,
    )


def _other(code: str) -> str:
    return code[:-1] + ("1" if code.endswith("0") else "0")
