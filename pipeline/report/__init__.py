"""What people look at: a page for each session, a page for the batch, and the flow of exclusions."""

from pipeline.report.overview import write_overview
from pipeline.report.session_page import write_report

__all__ = ["write_overview", "write_report"]
