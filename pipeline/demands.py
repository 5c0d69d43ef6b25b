"""What a session asks of a cluster: memory and time, by the size of its dumps.

Measured on 2 cores: the process that drives the steps takes 170 MB, the one that does them 370 to 480 MB,
whether dumps have 8 MB or 3.9 GB (500 MB is its bar). All steps of a session take 1.2 s of CPU for 8 MB, and
11 s for 194 MB.
"""

import math

MEMORY_MB = 750.0
MEMORY_PER_MB = 0.5
"""Measured: 0.03. What stands in the dumps twice takes more, and gets it when it is tried again."""

MINUTES = 0.5
MINUTES_PER_MB = 0.03
"""Ten times what was measured, at least: nodes are slower, and disks are shared."""


def memory_mb(n_bytes: int, attempt: int) -> int:
    """Memory in MB of a job that does any step of a session, or all of them one after the other.

    Parameters
    ----------
    n_bytes : int
        Of all dumps of the session.
    attempt : int
        1, or more where a job has failed before: it gets as many times as much.
    """
    return math.ceil(attempt * (MEMORY_MB + MEMORY_PER_MB * n_bytes / 1e6))


def minutes(n_bytes: int, attempt: int) -> int:
    """Time that all steps of a session take together, in min; parameters are those of :func:`memory_mb`."""
    return math.ceil(attempt * (MINUTES + MINUTES_PER_MB * n_bytes / 1e6))
