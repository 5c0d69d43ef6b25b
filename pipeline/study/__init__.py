"""The study folder: what a user says of sessions, sites, layouts and activities, checked in one pass."""

from pipeline.study.blank import write_blank_study
from pipeline.study.folders import check_folders
from pipeline.study.load import load_study
from pipeline.study.review import Decision
from pipeline.study.study import Activity, Session, Study

__all__ = ["Activity", "Decision", "Session", "Study", "check_folders", "load_study", "write_blank_study"]
