"""The page of a thousand invented sessions: size, CPU to make it, and how soon it can be used in Chromium.

Usable is when all rows are sorted and counted and the controls are there: the mark that the page's script
sets, against the start of the navigation (W3C Navigation Timing), from a file, in a browser that is already
open. Prints; asserts nothing.
"""

import argparse
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import batch_examples as batch
import report_pages as pages

from pipeline.report import write_overview
from pipeline.report.methods import Facts
from pipeline.report.paper import write_paper
from pipeline.verdict import builtin_policy

TIMES = """
const done = arguments[0];
requestAnimationFrame(() => setTimeout(() => {
  const [page] = performance.getEntriesByType("navigation");
  const paint = performance.getEntriesByName("first-contentful-paint")[0];
  const [usable] = performance.getEntriesByName("usable");
  done([paint ? paint.startTime : NaN, usable.startTime, page.loadEventEnd]);
}, 0));
"""
WORK = """
const [selector, done] = arguments, start = performance.now();
document.querySelector(selector).click();
document.body.offsetHeight;
requestAnimationFrame(() => setTimeout(() => done(performance.now() - start), 0));
"""
CLICKS = {
    "sort by name": "[data-sort=name] button",
    "group by device": "[data-group=device]",
    "filter by verdict": "[data-verdict=reject]",
    "show all": "[data-clear]",
}


def made(n: int, out: Path) -> None:
    """Make the page and print its size and what it cost."""
    qualities, strips = batch.sessions(n)
    facts = Facts("A pottery workshop (invented)", "0.1.0", {"strap-radio": "ab" * 32}, builtin_policy())
    run = batch.run_of(qualities)
    spent = []
    for _ in range(3):
        before = time.process_time()
        paper = write_paper(qualities, {}, facts, out)
        write_overview(qualities, strips, run, out, {}, paper)
        spent.append(time.process_time() - before)
    page = (out / "index.html").read_bytes()
    print(f"{n} sessions: {len(page) / 1e6:.2f} MB, {len(page) / n:.0f} bytes a session")
    print(f"CPU to make it, median of 3: {statistics.median(spent):.2f} s")


def opened(out: Path, times: int) -> None:
    """Open the page several times and print medians in milliseconds."""
    with tempfile.TemporaryDirectory() as profile:
        for browser in pages.started(Path(profile)):
            browser.set_window_size(1280, 900)
            rows = []
            for _ in range(times):
                browser.get("about:blank")
                browser.get((out / "index.html").as_uri())
                rows.append(browser.execute_async_script(TIMES))
            named = zip(("first paint", "usable", "loaded"), zip(*rows, strict=True), strict=True)
            print("; ".join(f"{name} {statistics.median(found):.0f} ms" for name, found in named))
            for name, selector in CLICKS.items():
                print(f"{name}: {browser.execute_async_script(WORK, selector):.0f} ms until drawn")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sessions", type=int, default=1000)
    parser.add_argument("--times", type=int, default=5)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        made(asked.sessions, Path(folder))
        if pages.CHROMIUM and pages.DRIVER:
            opened(Path(folder), asked.times)
