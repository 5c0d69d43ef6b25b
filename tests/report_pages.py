"""Pages of invented sessions, written and opened in Chromium."""

import json
import shutil
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import report_examples as examples

from pipeline.report import write_overview, write_report
from pipeline.report.methods import Facts
from pipeline.report.paper import write_paper
from pipeline.report.review import review_of
from pipeline.signal import Worn, session_signal, study_signal, windows_of, write_windows
from pipeline.study import Decision
from pipeline.verdict import builtin_policy

CHROMIUM, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")
NEEDS_BROWSER = pytest.mark.skipif(
    not (CHROMIUM and DRIVER), reason="chromium and chromedriver are not installed"
)
FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-quic",
)
PLAN = (
    ("throw-01", "accept", {"uncorroborated": ((0.1, 0.2),)}),
    ("kiln-03", "accept_in_part", {"lost": ((0.7, 0.73),), "saturated": ((0.2, 0.23),)}),
    ("glaze-01", "reject", {"contact_loss": ((0.1, 0.9),)}),
    ("glaze-02", "unreadable", {}),
)
DECISIONS = {
    "throw-01": Decision("throw-01", "reject", "strap over the sleeve", "AB", "2026-03-04", "", 2),
    "glaze-01": Decision("glaze-01", "accept", "a short fall", "CD", "2026-03-04", "r00000000-p00000000", 3),
}
RUN = {**examples.RUN, "counts": {"accept": 1, "accept_in_part": 1, "reject": 1, "unreadable": 1}}


def written(folder: Path) -> Path:
    """All pages of four sessions, one of each verdict, in `folder`; a person decided about two of them."""
    qualities, strips = [], {}
    for name, verdict, faults in PLAN:
        own = folder / name
        quality = examples.session(own, name, verdict, faults=faults)
        quality["margins"] = examples.margins(verdict)
        decision = DECISIONS.get(name)
        strips[name] = _page(own, quality, examples.activities(quality["duration_s"]), decision)
        qualities.append(quality)
    _overview(qualities, strips, RUN, DECISIONS, folder)
    return folder


def written_with(folder: Path, text: str) -> Path:
    """Both pages of one session that says `text` wherever a study or a finding may say anything."""
    own = folder / "kiln-03"
    quality = examples.session(own, faults={"lost": ((0.7, 0.73),), "saturated": ((0.2, 0.23),)})
    for key in ("participant", "site", "device", "layout", "title", "time_zone"):
        quality[key] = text
    quality["sentence"] = f"Use in part: {text}"
    quality["session"] = text
    quality["notes"] = [text]
    quality["ledger"] = {text: next(iter(quality["ledger"].values()))}
    quality["made_by"]["dumps"] = {text: "ef" * 32}
    quality["reasons"] = [{"measure": "saturated_fraction", "text": text}]
    for part in quality["left_out"]:
        part["text"] = text
    for measure in quality["measures"][:6]:
        measure |= {"absent": text, "limit_reason": text, "channel": text}
    for line in quality["mains_lines"]:
        line |= {"why": text, "channel": text}
    findings = pq.read_table(own / "findings.parquet")
    rows = [{**row, "explanation": text, "channel": text} for row in findings.to_pylist()]
    pq.write_table(pa.Table.from_pylist(rows, findings.schema), own / "findings.parquet")
    doings = [
        examples.Doing(1.0, 30.0, text, "arm"),
        examples.Doing(30.0, 59.0, f"again {text}", "body"),
    ]
    decision = Decision(text, "reject", text, text, "2026-03-04", "", 2)
    strip = _page(own, quality, doings, decision)
    matters = [{"kind": "start", "sessions": [text], "files": [text], "text": text}]
    run = {**RUN, "study": text, "matters": matters}
    _overview([quality], {text: strip}, run, {text: decision}, folder)
    return folder


def _overview(qualities: Any, strips: Any, run: Any, decisions: dict[str, Decision], folder: Path) -> None:
    decided = [q for q in qualities if q["session"] in decisions]
    reviews = {q["session"]: review_of(q, decisions[q["session"]]) or {} for q in decided}
    facts = Facts(run["study"], run["version"], {run["study"]: "ab" * 32}, builtin_policy())
    paper = write_paper(qualities, reviews, facts, folder)
    worn = [
        Worn(q["session"], q["participant"], datetime.fromisoformat(q["started_at"]), own / "signal.parquet")
        for q, own in zip(
            qualities, sorted(folder.glob("*/"), key=lambda path: _order(path.name)), strict=True
        )
    ]
    write_overview(qualities, strips, run, folder, reviews, paper, study_signal(worn))


def _order(folder: str) -> int:
    return [name for name, _, _ in PLAN].index(folder)


def _page(own: Path, quality: dict[str, Any], doings: Any, decision: Decision | None = None) -> str:
    files = own / "samples.parquet", own / "findings.parquet"
    windows = windows_of(files[0], doings, quality["usable"])
    write_windows(windows, own / "signal.parquet")
    signal = session_signal(windows)
    write_report(quality, *files, doings, own / "report.html", own / "strip.svg", decision, signal)
    return (own / "strip.svg").read_text(encoding="utf-8")


def started(profile: Path, *more: str) -> Iterator[Any]:
    """A browser with `more` flags than `FLAGS`; it is ended when the iterator is."""
    webdriver = pytest.importorskip("selenium.webdriver", reason="selenium is not installed")
    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    for flag in (*FLAGS, *more, f"--user-data-dir={profile}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"performance": "ALL", "browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=webdriver.ChromeService(DRIVER))
    try:
        yield driver
    finally:
        driver.quit()


def opened(browser: Any, page: Path) -> None:
    """Open a page, with empty logs."""
    browser.get_log("performance")
    browser.get_log("browser")
    browser.get(page.as_uri())


def settled(browser: Any) -> None:
    """Wait until the scripts of the page have drawn: two frames without work."""
    browser.execute_async_script(
        "const done = arguments[0]; "
        "setTimeout(() => requestAnimationFrame(() => requestAnimationFrame(() => done())), 120)"
    )


def fetched(browser: Any) -> list[str]:
    """Addresses the page asked for, other than files and what is written in the page itself.

    What the browser shows before the first page is loaded comes from inside the browser ("chrome:").
    """
    messages = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    asked = [m["params"]["request"]["url"] for m in messages if m["method"] == "Network.requestWillBeSent"]
    assert asked, "the performance log is empty, so this check would prove nothing"
    return [url for url in asked if not url.startswith(("file:", "data:", "chrome:"))]


def tabbed(browser: Any, n: int) -> list[tuple[str, bool]]:
    """Press Tab `n` times: where the focus went, and whether that shows."""
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    visited = []
    for _ in range(n):
        ActionChains(browser).send_keys(Keys.TAB).perform()
        visited.append(tuple(browser.execute_script(_FOCUSED)))
    return visited


_FOCUSED = """
const e = document.activeElement, style = getComputedStyle(e), way = [];
const outlined = style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2;
const shows = outlined || style.boxShadow !== "none";
for (let up = e; up && up.parentElement; up = up.parentElement)
  way.unshift(up.tagName + [...up.parentElement.children].indexOf(up));
return [way.join(">"), shows];
"""
