"""What the writers of a bundle see: sessions without a real name, and what they wrote."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any


@dataclass(frozen=True)
class Wishes:
    """What the user wants of a bundle.

    Attributes
    ----------
    sessions : str
        ``accepted``: sessions used whole; ``usable``: those and the usable parts of others; ``all``: every
        session that could be read, complete.
    formats : frozenset of str
        Beside Parquet: ``csv``, ``edf``.
    keep : frozenset of str
        Free texts asked for, by the names in `pipeline.bundle.keep`.
    licence : str
        SPDX identifier; empty where none is given.
    least : int
        Participants that are to share a combination of recorded traits (k of k-anonymity).
    """

    sessions: str = "usable"
    formats: frozenset[str] = frozenset()
    keep: frozenset[str] = frozenset()
    licence: str = ""
    least: int = 5


@dataclass(frozen=True)
class RecodedActivity:
    """A stretch of the activity log, [start_s, stop_s) from the session's first sample.

    ``activity`` is a code such as ``body-1`` unless names were asked for; ``intensity`` is ``rest``,
    ``hand``, ``arm`` or ``body``.
    """

    start_s: float
    stop_s: float
    activity: str
    intensity: str


@dataclass(frozen=True)
class RecodedSession:
    """One session of the bundle.

    Attributes
    ----------
    code : str
        ``S001`` ...: name of its folder below ``recordings`` and of its page below ``reports``.
    participant, device, site, layout : str
        Codes ``P01``, ``D01``, ``L01`` and ``layout-1`` ...
    started_at : datetime
        Aware; shifted by the whole days of the participant; in UTC.
    mains_hz : float
        Nominal frequency of the mains, in Hz.
    activities : tuple of RecodedActivity
        In the order of time.
    extra : mapping
        Further columns of the sessions table that were asked for.
    quality : mapping
        As ``quality.json`` of the results, recoded throughout: dumps are named by their SHA-256 alone
        (``dump-1`` ... as keys of ``ledger`` and of ``made_by.dumps``), texts that hold a name are replaced.
    review : mapping or None
        What `pipeline.report.review.review_of` said of a person's decision, without initials and words
        unless asked for.
    use : str
        How it is analysed when people's decisions are followed: ``whole``, ``in_part`` or ``no``.
    has_recording : bool
        Whether its samples are in the bundle: below ``recordings/<code>``.
    parts : tuple of (float, float) or None
        Stretches [start_s, stop_s) whose samples are there; None where all are.
    suffixes : tuple of str
        What tells the files of its recordings apart: '' for ``samples.parquet``, then as ``_50hz``.
    has_events : bool
        Whether ``events.parquet`` is there.
    """

    code: str
    participant: str
    device: str
    site: str
    layout: str
    started_at: datetime
    mains_hz: float
    activities: tuple[RecodedActivity, ...]
    extra: Mapping[str, str]
    quality: Mapping[str, Any]
    review: Mapping[str, Any] | None
    use: str
    has_recording: bool
    parts: tuple[tuple[float, float], ...] | None
    suffixes: tuple[str, ...]
    has_events: bool


@dataclass(frozen=True)
class Recoded:
    """A study as it leaves the house: no real name, date or free text but those asked for.

    Attributes
    ----------
    title : str
        The study's if asked for, else a neutral one.
    version : str
        Version of the program that made the results.
    policy_sha256, policy_text : str
        Digest of the policy in force, and the policy with every threshold in force as TOML.
    layouts : mapping
        Code (``layout-1``) -> (HMAC-SHA-256, by the secret of the key, of the SHA-256 of the
        layout in the study; text of its recoded copy).
    sessions : tuple of RecodedSession
        All sessions of the study by code, also those without a recording in the bundle.
    findings : mapping
        Code of a session -> its findings, recoded, as rows by column.
    time_zone : str
        IANA name if asked for, else ``UTC``.
    wishes : Wishes
        What the bundle was asked to hold.
    left_out : tuple of str
        What was left out, each in a few words, for README and terminal.
    warnings : tuple of str
        Cautions that the reader is to see, such as small cells; without a number that points at a person.
    """

    title: str
    version: str
    policy_sha256: str
    policy_text: str
    layouts: Mapping[str, tuple[str, str]]
    sessions: tuple[RecodedSession, ...]
    findings: Mapping[str, tuple[Mapping[str, Any], ...]]
    time_zone: str
    wishes: Wishes
    left_out: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()

    @property
    def recorded(self) -> tuple[RecodedSession, ...]:
        """Sessions whose samples are in the bundle."""
        return tuple(session for session in self.sessions if session.has_recording)


@dataclass(frozen=True)
class Made:
    """One file that a writer made.

    Attributes
    ----------
    path : str
        Below ``data/`` of the bundle, with '/' between folders.
    media_type : str
        IANA media type.
    description : str
        One line on what it holds.
    made_from : tuple of str
        Paths below ``data/`` of files that it was made of, and ``sha256:...`` of dumps.
    table : str
        Its columns in `schemas`: ``sessions``, ``samples`` ...; empty where it is no table.
    """

    path: str
    media_type: str
    description: str
    made_from: tuple[str, ...] = ()
    table: str = ""
