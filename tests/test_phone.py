"""The pages on a phone: what must be read there has room, and what does not fit says that it goes on."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import batch_examples as batch
import pytest
import report_examples as examples
import report_pages as pages

from pipeline.report import write_overview, write_report
from pipeline.study import Decision

pytestmark = pages.NEEDS_BROWSER
WIDTHS = [320, 360, 390, 412]
LONG_ROOM = "throwing room on the upper floor, behind the kiln"


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    yield from pages.started(tmp_path_factory.mktemp("profile"))


def opened(browser: Any, page: Path, width: int) -> None:
    size = {"width": width, "height": 800, "deviceScaleFactor": 1, "mobile": True}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    pages.opened(browser, page)
    pages.settled(browser)


@pytest.fixture(scope="module")
def long_room(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A batch with a decision about every second session, in a room with a long name."""
    qualities, strips = batch.sessions(8)
    for quality in qualities:
        quality["site"] = LONG_ROOM
    out = tmp_path_factory.mktemp("decided")
    write_overview(qualities, strips, batch.run_of(qualities), out, batch.decided(qualities))
    return out


@pytest.mark.parametrize("width", WIDTHS)
def test_name_and_day_stay_on_one_line_beside_decisions_and_long_rooms(
    browser: Any, long_room: Path, width: int
) -> None:
    opened(browser, long_room / "index.html", width)
    rows = browser.execute_script(_ROWS)
    assert len(rows) == 8
    for row in rows:
        assert row["room"] == LONG_ROOM
        assert row["name_px"] >= 0.4 * row["row_px"], row
        assert row["name_lines"] == row["day_lines"] == 1, row
    assert any("analysed" in row["usable"] for row in rows)
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return pages.written(tmp_path_factory.mktemp("results")) / "kiln-03" / "report.html"


@pytest.mark.parametrize("width", [*WIDTHS, 600, 900, 1280])
def test_what_goes_on_sideways_says_so(browser: Any, session: Path, width: int) -> None:
    opened(browser, session, width)
    frames = browser.execute_script(_FRAMES)
    assert {frame["section"] for frame in frames} >= {"moments", "spectrum", "margins"}
    for frame in frames:
        assert frame["shaded"] or not frame["goes_on"], frame
        assert frame["said"] == (frame["goes_on"] and frame["figure"]), frame


def test_a_decision_that_agrees_does_not_widen_the_page(browser: Any, tmp_path: Path) -> None:
    # WCAG 2.2, 1.4.10 Reflow: at 320 CSS pixels no scrolling in two dimensions.
    quality = examples.session(tmp_path)
    decision = Decision("kiln-03", "accept_in_part", "looked at it", "VW", "2026-03-04", "", 2)
    files = [tmp_path / name for name in ("samples.parquet", "findings.parquet", "report.html", "strip.svg")]
    write_report(quality, *files[:2], [], *files[2:], decision)
    opened(browser, files[2], 320)
    assert "(as computed)" in browser.find_element("id", "review").find_element("xpath", "..").text
    assert browser.execute_script("return document.documentElement.scrollWidth") <= 320


@pytest.mark.parametrize("width", [360, 412])
def test_what_to_do_next_time_stands_on_the_first_screen(browser: Any, session: Path, width: int) -> None:
    opened(browser, session, width)
    last = browser.find_elements("css selector", ".advice li")[-1]
    assert last.location["y"] + last.size["height"] < 800


_FRAMES = """
const frames = [...document.querySelectorAll(".sheet[tabindex], .v-table")];
return frames.filter(e => e.checkVisibility()).map(e => {
  const said = e.closest("figure")?.querySelector(".sideways");
  return {section: e.closest("section").getAttribute("aria-labelledby"), figure: !!e.closest("figure"),
    goes_on: e.scrollWidth > e.clientWidth + 1, said: !!said && said.checkVisibility(),
    shaded: getComputedStyle(e).backgroundImage.includes("gradient")};
});
"""

_ROWS = """
const lines = e => new Set([...e.getClientRects()].map(r => Math.round(r.top))).size;
return [...document.querySelectorAll(".sessions tbody tr:not(.divide)")].map(row => {
  row.scrollIntoView();
  const name = row.querySelector(".c-name"), day = row.querySelector("time");
  return {row_px: row.clientWidth, name_px: name.clientWidth, room: row.querySelector(".s").textContent,
    name_lines: lines(name.firstElementChild), day_lines: lines(day),
    usable: row.querySelector(".c-usable").textContent};
});
"""
