"""Windows of invented sessions, and studies of them, for the tests of the check of the signal."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.signal import Worn, study_signal, write_windows
from pipeline.signal.windows import CLASSES, Windows

ALL = ("rest", "hand", "arm", "body")
LEVELS = {"rest": 0.001, "hand": 0.0011, "arm": 0.01, "body": 0.1}


def made(
    stretches: Sequence[str], seed: int = 1, gain: float = 1.0, n_each: int = 20, kept: bool = True
) -> Windows:
    """Windows whose amplitude follows the class, invented; one stretch of the log after another."""
    rng = np.random.default_rng(seed)
    n = n_each * len(stretches)
    stretch = np.repeat(np.arange(len(stretches)), n_each)
    label = np.array([CLASSES.index(name) for name in stretches])[stretch]
    features = rng.lognormal(0, 0.3, (n, 6))
    features[:, :4] *= gain * np.array([LEVELS[name] for name in stretches])[stretch, np.newaxis]
    ones = np.ones(n)
    usable = np.full(n, kept)
    return Windows(np.arange(n) * 2.0, label, stretch, features, ones, usable, "field")


def study_of(folder: Path, sessions: Sequence[tuple[str, str, Windows]]) -> dict[str, Any]:
    worn = []
    for i, (name, participant, windows) in enumerate(sessions):
        path = folder / f"{name}.parquet"
        write_windows(windows, path)
        start = datetime.fromisoformat("2026-03-02T09:30:00+01:00") + timedelta(days=i)
        worn.append(Worn(name, participant, start, path))
    return study_signal(worn)


def six(**others: Windows) -> list[tuple[str, str, Windows]]:
    found = [(f"throw-{i}", f"p{i % 6}", made(ALL, i, gain=1 + i / 20)) for i in range(12)]
    return [(name, who, others.get(name.replace("-", "_"), windows)) for name, who, windows in found]
