"""``README.md`` of a bundle: what a stranger in another lab has to know before the first line of code."""

import re
from collections import Counter
from collections.abc import Collection, Sequence
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from pipeline.bundle.fields import of_any_session
from pipeline.bundle.first_steps import R_NEEDS
from pipeline.bundle.licence import licence_of
from pipeline.bundle.parquet import IN_PART
from pipeline.bundle.recoded import Made, Recoded, RecodedSession
from schemas.bags import CRATE, DATA_PACKAGE
from schemas.columns import VERDICTS
from schemas.conditions import CONDITIONS, FAULT_MASK

_TEMPLATES = Path(__file__).with_name("templates")

_VERDICTS = {
    "accept": "may be used whole: every measure that could be had is within its limit",
    "accept_in_part": "may be used in the stretches that `usable_intervals` lists",
    "reject": "is not to be used, by the reasons in `reasons`",
    "unreadable": "could not be read",
}
_WANTED = {
    "accepted": "the samples of sessions that are used whole",
    "usable": "the samples of sessions that are used whole and, of others, the parts that may be used",
    "all": "the samples of all sessions that could be read, of rejected ones too (look at `verdict` first)",
}
_DESCRIPTIONS = (
    ("dictionary.md", "every column of every table in words"),
    (DATA_PACKAGE, "the same for programs: Data Package 2.0"),
    (CRATE, "every file and how it was made: RO-Crate 1.2"),
    ("LICENSE", "terms of use"),
    ("CITATION.cff", "how to cite"),
)


def readme(recoded: Recoded, made: Sequence[Made]) -> str:
    """Text of ``README.md``.

    Parameters
    ----------
    recoded : Recoded
        The study.
    made : sequence of Made
        What the other writers made; what describes it need not be among it.
    """
    paths = [one.path for one in made]
    several, recorded = recoded.sessions, recoded.recorded
    count = Counter(session.quality["verdict"] for session in several)
    return (
        _environment()
        .get_template("README.md")
        .render(
            title=_line(recoded.title),
            version=recoded.version,
            n_sessions=_n(len(several), "session"),
            n_participants=_n(len({session.participant for session in several}), "participant"),
            n_recordings=_n(len(recorded), "recording"),
            length=_length(sum(map(_held_s, recorded))),
            wanted=_WANTED[recoded.wishes.sessions],
            utc=recoded.time_zone == "UTC",
            rates=", ".join(f"{rate:g} Hz" for rate in _rates(recorded)),
            verdicts=[(name, count[name], _VERDICTS[name]) for name in VERDICTS],
            conditions=CONDITIONS,
            fault_mask=FAULT_MASK,
            first=next((path for path in paths if path.endswith("/samples.parquet")), ""),
            has_reports="reports/index.html" in paths,
            has_trace="trace.parquet" in paths,
            examples=sorted(path for path in paths if path.startswith("examples/")),
            r_needs=R_NEEDS["csv" in recoded.wishes.formats],
            has_csv="csv" in recoded.wishes.formats,
            places=_places(made, {session.code for session in several}),
            warnings=[_line(warning) for warning in recoded.warnings],
            left_out=[_line(one) for one in recoded.left_out],
            licence=licence_of(recoded.wishes.licence),
        )
    )


def _environment() -> Environment:
    return Environment(  # noqa: S701 (Markdown; what users wrote goes through _line)
        loader=FileSystemLoader(_TEMPLATES),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )


def _held_s(session: RecodedSession) -> float:
    """Length of what the bundle holds of a session, in s."""
    if session.parts is not None:
        return sum(stop - start for start, stop in session.parts)
    return float(session.quality.get("duration_s") or 0.0)


def _length(length_s: float) -> str:
    return f"{length_s / 3600:.1f} h" if length_s >= 36_000 else f"{length_s / 60:.0f} min"


def _rates(sessions: Sequence[RecodedSession]) -> list[float]:
    recordings = [one for session in sessions for one in session.quality.get("recordings", ())]
    return sorted({float(one["sample_hz"]) for one in recordings})


def _places(made: Sequence[Made], codes: Collection[str]) -> list[tuple[str, str]]:
    """Files and what they hold; those of each session once, under a pattern."""
    rows: dict[str, list[str]] = {}
    a_code = re.compile(rf"\b(?:{'|'.join(map(re.escape, codes))})\b")
    for one in made:
        place = of_any_session(one.path, codes)
        said = a_code.sub("SESSION", one.description) if "SESSION" in place else one.description
        rows.setdefault(place, []).append(said)
    told = {place: _line(_said_of_all(several)) for place, several in rows.items()}
    return sorted((told | dict(_DESCRIPTIONS)).items())


def _said_of_all(several: Sequence[str]) -> str:
    """What holds for the files of all sessions: of some only the usable stretches are here."""
    whole = [said for said in several if IN_PART not in said]
    if not whole or len(whole) == len(several):
        return several[0]
    return f"{whole[0]}; of sessions used in part, the usable stretches"


def _line(text: str) -> str:
    """Text on one line, that neither ends a cell of a table nor opens a tag."""
    return " ".join(text.split()).replace("|", "\\|").replace("<", "&lt;")


def _n(count: int, word: str) -> str:
    return f"{count} {word}" if count == 1 else f"{count} {word}s"
