"""What does not fit together across the sessions of a study: told to a person, and no reason to stop."""

from pipeline.crosscheck.check import check_study
from pipeline.crosscheck.folders import dump_files
from pipeline.crosscheck.matter import Entry, Matter, Stated

__all__ = ["Entry", "Matter", "Stated", "check_study", "dump_files"]
