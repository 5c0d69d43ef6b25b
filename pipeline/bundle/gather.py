"""What a results folder holds, as a bundle needs it: read, nothing changed."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any


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
    """

    results: Path
    title: str
    time_zone: str
    version: str
    policy_sha256: str
    policy_text: str
    layouts: Mapping[str, tuple[str, str]]
    sessions: tuple[Held, ...]
