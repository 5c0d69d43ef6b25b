"""Does the dataset carry the signal: how well the field tells rest, hand, arm and body movement apart.

A check of the dataset, not a result: it asks whether what a study is after can be seen at all, by means so
simple that they cannot find what is not there. A session's windows are made once, ``windows_of``, and kept,
``write_windows``; its page shows ``session_signal`` of them. The batch page shows ``study_signal`` of all
sessions' files, and ``signal.csv`` holds its ``signal_rows``.
"""

from pipeline.signal.features import windows_of
from pipeline.signal.rows import signal_rows
from pipeline.signal.session import session_signal
from pipeline.signal.study import Looked, Worn, look_at, shared, signal_over, study_signal
from pipeline.signal.windows import Windows, read_windows, write_windows

__all__ = [
    "Looked",
    "Windows",
    "Worn",
    "look_at",
    "read_windows",
    "session_signal",
    "shared",
    "signal_over",
    "signal_rows",
    "study_signal",
    "windows_of",
    "write_windows",
]
