"""A report as it stands in a bundle: links that lead to its files, and words that are true there."""

import re
from collections.abc import Sequence

from pipeline.bundle.recoded import RecodedSession

_PAGE = re.compile(r'href="([A-Za-z0-9_-]+)/report\.html')
_TABLES = {
    "sessions.csv": "../sessions.parquet",
    "exclusions.csv": "../exclusions.csv",
    "margins.csv": "../margins.csv",
    "run.json": "../trace.json",
    "flow.svg": "../flow.svg",
    "flow.txt": "../flow.txt",
    "methods.txt": "../methods.txt",
}
"""Links of the batch page -> where the same stands in a bundle."""

_ONLY_HERE = {
    "part": "Of this session the dataset holds the usable stretches only: curves are blank elsewhere, and "
    "spectrum and moments are of what is there.",
    "none": "Of this session the dataset holds no samples, so that no curves are shown; measures and "
    "findings are of the whole recording.",
}


def page_within(page: str, session: RecodedSession) -> str:
    """The page of a session, for ``reports/``."""
    page = page.replace('href="../index.html', 'href="index.html')
    page = page.replace('data-page="../*/report.html"', 'data-page="*.html"')
    page = page.replace("(as the study states)", "(shifted by whole days)")
    page = page.replace(", <code>usable</code> in <code>quality.json</code>", "")
    page = page.replace("What is wrong, and what to do", "What is wrong")
    page = page.replace("<code>sessions.csv</code>", "<code>sessions.parquet</code>")
    page = page.replace("All sessions of this run", "All sessions of this dataset")
    page = _without(page, [] if session.has_recording else ["glance", "moments", "spectrum"])
    page = _signed(_unread(page))
    return _with_note(page, session)


def index_within(page: str) -> str:
    """The page of all sessions, for ``reports/``."""
    page = _PAGE.sub(r'href="\1.html', page)
    for name, place in _TABLES.items():
        page = page.replace(f'href="{name}"', f'href="{place}"')
    page = page.replace(">sessions.csv</a>", ">sessions.parquet</a>")
    return page.replace(">run.json</a>", ">trace.json</a>")


def _without(page: str, sections: Sequence[str]) -> str:
    """The page without some sections, and without the links to them."""
    for name in sections:
        page = re.sub(rf'<section aria-labelledby="{name}">.*?</section>\n?', "", page, flags=re.DOTALL)
        page = re.sub(rf'<li><a href="#{name}">[^<]*</a></li>\n?', "", page)
    return page


def _unread(page: str) -> str:
    """The page without what to do in the study where nothing could be read."""
    told = "<p>Nothing of it could be decoded; who recorded it may know more.</p>"
    section = r'(<section aria-labelledby="wrong">(?:(?!</section>).)*?)<ol class="notes">.*?</ol>'
    return re.sub(section, lambda found: found[1] + told, page, count=1, flags=re.DOTALL)


def _signed(page: str) -> str:
    """The page without the line to decide by, which belongs into a study."""
    return re.sub(
        r"<p>To decide, put this line into <code>review\.csv</code>.*?First line of the file: .*?</p>\n?",
        "",
        page,
        flags=re.DOTALL,
    )


def _with_note(page: str, session: RecodedSession) -> str:
    """The page with a word on samples that are not in the bundle."""
    if session.has_recording and session.parts is None:
        return page
    said = _ONLY_HERE["part" if session.has_recording else "none"]
    page = re.sub(r"Every single sample of the recording is in this page\.", said, page)
    return page.replace('<nav class="contents"', f'<p class="where">{said}</p>\n<nav class="contents"', 1)
