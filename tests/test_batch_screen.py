"""The batch page on a wide screen: what shows of it before anybody scrolls, and what stays on its line."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import batch_examples as batch
import pytest
import report_pages as pages

from pipeline.report import write_overview

pytestmark = pages.NEEDS_BROWSER


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    yield from pages.started(tmp_path_factory.mktemp("profile"))


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A batch with trends that stand out, and decisions."""
    qualities, strips = batch.sessions(40)
    out = tmp_path_factory.mktemp("batch")
    write_overview(qualities, strips, batch.run_of(qualities), out, batch.decided(qualities))
    return out / "index.html"


def opened(browser: Any, page: Path, width: int, media: str = "screen") -> None:
    size = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": media})
    pages.opened(browser, page)
    pages.settled(browser)


def test_sessions_show_on_the_first_screen(browser: Any, page: Path) -> None:
    opened(browser, page, 1440)
    assert browser.find_element("css selector", ".stands").is_displayed()
    first = browser.find_element("css selector", ".sessions tbody tr")
    assert first.location["y"] + first.size["height"] < 900


def test_trends_unfold_and_lead_to_their_sessions(browser: Any, page: Path) -> None:
    opened(browser, page, 1440)
    link = browser.find_element("css selector", ".stands li a")
    assert not link.is_displayed()
    assert batch.WORN in browser.find_element("css selector", ".stands summary").text
    browser.find_element("css selector", ".stands summary").click()
    assert link.is_displayed()


def test_where_the_doubtful_end_is_marked_in_that_order_alone(browser: Any, page: Path) -> None:
    opened(browser, page, 1440)
    marks = browser.execute_script(_ORDER)
    at = marks.index("divide")
    assert set(marks[:at]) == {"doubtful"}
    assert set(marks[at + 1 :]) == {"clear"}
    for choose, shows in (
        ("[data-doubtful]", False),  # no other rows are left
        ("[data-clear]", True),
        ("[data-sort=name] button", False),
        ("[data-sort=verdict] button", True),
        ("[data-group=device]", False),
        ("[data-group=device]", True),
    ):
        browser.execute_script("document.querySelector(arguments[0]).click()", choose)
        assert ("divide" in browser.execute_script(_ORDER)) == shows, choose


@pytest.mark.parametrize(
    ("media", "width"), [("screen", 800), ("screen", 1280), ("screen", 1440), ("print", 794)]
)
def test_what_is_usable_stays_on_its_lines(browser: Any, page: Path, media: str, width: int) -> None:
    opened(browser, page, width, media)
    cells = browser.execute_script(_USABLE)
    assert any("analysed" in cell["text"] for cell in cells)
    for cell in cells:
        assert cell["sticks_out_px"] <= 0, cell
        assert cell["lines"] <= 3, cell


_ORDER = """
return [...document.querySelectorAll(".sessions tbody tr:not([hidden])")]
  .map(row => row.className === "divide" ? "divide" : row.dataset.d === undefined ? "clear" : "doubtful");
"""

_USABLE = """
return [...document.querySelectorAll(".sessions .c-usable")].map(cell => {
  cell.scrollIntoView();
  const range = document.createRange();
  range.selectNodeContents(cell);
  const boxes = [...range.getClientRects()], box = cell.getBoundingClientRect();
  return {text: cell.textContent, sticks_out_px: Math.max(...boxes.map(b => b.right - box.right),
    ...boxes.map(b => box.left - b.left)), lines: new Set(boxes.map(b => Math.round(b.bottom / 8))).size};
});
"""
