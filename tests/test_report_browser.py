"""Both pages in a real browser, from the file system: what shows, what links, and that nothing is fetched."""

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import report_examples as examples
from report_pages import NEEDS_BROWSER, fetched, opened, started

from pipeline.report import write_overview, write_report
from pipeline.report.methods import Facts
from pipeline.report.paper import write_paper
from pipeline.verdict import builtin_policy
from schemas.measures import MEASURES

pytestmark = NEEDS_BROWSER


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("results")
    plan = [
        ("throw-01", "accept", {"uncorroborated": ((0.1, 0.2),)}),
        ("kiln-03", "accept_in_part", {"lost": ((0.7, 0.73),), "saturated": ((0.2, 0.23),)}),
        ("glaze-02", "unreadable", {}),
    ]
    qualities, strips = [], {}
    for name, verdict, faults in plan:
        own = folder / name
        quality = examples.session(own, name, verdict, faults=faults)
        paths = (own / "samples.parquet", own / "findings.parquet")
        doings = examples.activities(quality["duration_s"])
        write_report(quality, *paths, doings, own / "report.html", own / "strip.svg")
        qualities.append(quality)
        strips[name] = (own / "strip.svg").read_text(encoding="utf-8")
    counts = {"accept": 1, "accept_in_part": 1, "unreadable": 1}
    paper = write_paper(qualities, {}, Facts(examples.RUN["study"], "0.1.0", {}, builtin_policy()), folder)
    write_overview(qualities, strips, {**examples.RUN, "counts": counts}, folder, {}, paper)
    return folder


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    # What is scrolled to is there at once.
    yield from started(tmp_path_factory.mktemp("profile"), "--force-prefers-reduced-motion")


def texts(browser: Any, selector: str) -> list[str]:
    return [element.text for element in browser.find_elements("css selector", selector)]


def test_session_page(browser: Any, results: Path) -> None:
    opened(browser, results / "kiln-03" / "report.html")
    (sentence,) = texts(browser, "h1")
    assert sentence.startswith("Use in part")
    assert "stood at a rail" in sentence
    assert len(browser.find_elements("css selector", "svg.plot")) == 2
    # On a screen with scripts a picture that can be zoomed into takes the place of the first.
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    plots = browser.find_elements("css selector", "svg.plot")
    widths, labels = [plot.size["width"] for plot in plots], " ".join(texts(browser, "svg.plot text"))
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    assert min(widths) > 700
    for words in ("field", "acc_z", "can be used", "lost", "at a rail", "wedging clay", "movement 0.5–10 Hz"):
        assert words in labels
    assert len(browser.find_elements("css selector", "section[aria-labelledby=findings] tbody tr")) == 3
    rows = browser.find_elements("css selector", "section[aria-labelledby=limits] tbody tr[id]")
    assert len(rows) == len(MEASURES)
    assert fetched(browser) == []
    assert browser.get_log("browser") == []


def test_decisive_measure_is_one_click_away(browser: Any, results: Path) -> None:
    opened(browser, results / "kiln-03" / "report.html")
    link = browser.find_element("css selector", ".see a")
    target = link.get_attribute("href").split("#")[1]
    link.click()
    assert browser.find_element("id", target).tag_name == "tr"
    assert browser.find_element("css selector", ":target").is_displayed()


def test_what_a_green_tick_could_hide_stands_in_the_first_screen(browser: Any, results: Path) -> None:
    size = {"width": 420, "height": 800, "deviceScaleFactor": 1, "mobile": True}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    try:
        opened(browser, results / "throw-01" / "report.html")
        said = texts(browser, ".head .flags li")
        assert said == ["not assessed: gravity", "warnings: clock, gravity"]
        lowest = browser.find_elements("css selector", ".head .flags li")[-1]
        assert lowest.location["y"] + lowest.size["height"] < 800
        browser.find_element("css selector", ".flags a[href='#w-clock']").click()
        assert "412" in browser.find_element("css selector", ":target").text
    finally:
        browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


def test_labels_of_mains_lines_lie_on_nothing(browser: Any, results: Path) -> None:
    opened(browser, results / "kiln-03" / "report.html")
    assert browser.execute_script(_CROSSED) == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("page", ["kiln-03/report.html", "glaze-02/report.html", "index.html"])
def test_text_stands_out_enough(browser: Any, results: Path, page: str, scheme: str) -> None:
    # WCAG 2.2, success criterion 1.4.3: 4.5 to 1. The formula is that of the same document.
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})
    opened(browser, results / page)
    faint = browser.execute_script(_FAINT)
    assert faint == []


@pytest.mark.parametrize("page", ["kiln-03/report.html", "glaze-02/report.html", "index.html"])
def test_phone_width_needs_no_sideways_scrolling_of_the_page(browser: Any, results: Path, page: str) -> None:
    size = {"width": 360, "height": 800, "deviceScaleFactor": 1, "mobile": True}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    try:
        opened(browser, results / page)
        assert browser.execute_script("return document.documentElement.scrollWidth") <= 360
    finally:
        browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


_SCROLLED = """
const [link, done] = arguments;
link.scrollIntoView({block: "center"});
requestAnimationFrame(() => requestAnimationFrame(() => {
  link.scrollIntoView({block: "center"});
  requestAnimationFrame(() => done());
}));
"""


def test_overview_page_and_its_links(browser: Any, results: Path) -> None:
    opened(browser, results / "index.html")
    assert texts(browser, "h1") == ["A pottery workshop (invented)"]
    assert [text.split()[0] for text in texts(browser, ".counts li")] == ["1", "1", "0", "1"]
    rows = browser.find_elements("css selector", "table.sessions tbody tr:not(.divide)")
    assert len(rows) == 3
    assert len(browser.find_elements("css selector", "table.sessions svg.strip")) == 3
    assert "2 analysed: 1 whole, 1 in part" in " ".join(texts(browser, "svg.flow text"))
    assert fetched(browser) == []
    assert browser.get_log("browser") == []
    link = browser.find_element("css selector", "th.c-name a[href^=kiln-03]")
    # Rows are drawn once they come into view, and may move what stands below; whoever clicks has seen that.
    browser.execute_async_script(_SCROLLED, link)
    link.click()
    assert browser.current_url.partition("#")[0].endswith("/kiln-03/report.html")
    browser.find_element("link text", "All sessions of this run").click()
    assert browser.current_url.endswith("/index.html")


def test_a_doubtful_session_leads_on_to_its_neighbours(browser: Any, results: Path) -> None:
    page = results / "kiln-03" / "report.html"
    nav = "nav.among"
    opened(browser, page)
    assert not browser.find_element("css selector", nav).is_displayed()
    browser.get("about:blank")
    browser.get(page.as_uri() + "#doubtful=throw%2001,kiln-03,%3Cb%3E")
    links = browser.find_elements("css selector", f"{nav} a")
    assert [link.text for link in links] == ["Previous doubtful: throw 01", "Next doubtful: <b>"]
    assert "/throw%2001/report.html#doubtful=" in links[0].get_attribute("href")
    assert texts(browser, f"{nav} li")[1] == "Doubtful 2 of 3"
    assert browser.get_log("browser") == []


_CLIPBOARD = """
const fails = arguments[0];
window.copied = null;
Object.defineProperty(navigator, "clipboard", {configurable: true, value: {writeText: async text => {
  if (fails) throw new Error("not allowed");
  window.copied = text;
}}});
document.execCommand = () => { window.copied = getSelection().toString(); return true; };
"""


@pytest.mark.parametrize("fails", [False, True])
@pytest.mark.parametrize(
    ("page", "source"), [("index.html", "methods-text"), ("kiln-03/report.html", "review-line")]
)
def test_what_is_meant_to_be_copied_is_copied(
    browser: Any, results: Path, page: str, source: str, fails: bool
) -> None:
    """By the clipboard or, where a page from a file may not write to it, by selecting the text."""
    opened(browser, results / page)
    browser.execute_script(_CLIPBOARD, fails)
    button = browser.find_element("css selector", f"button[data-copy={source}]")
    assert button.is_displayed()
    browser.execute_script("arguments[0].focus()", button)
    button.send_keys("\ue007")  # the enter key
    told = "return arguments[0].parentElement.querySelector('[role=status]').textContent"
    for _ in range(50):
        if browser.execute_script(told, button):
            break
        time.sleep(0.1)
    assert browser.execute_script(told, button) == "Copied."
    wanted = browser.execute_script("return document.getElementById(arguments[0]).textContent", source)
    assert browser.execute_script("return window.copied").split() == wanted.split()
    assert browser.get_log("browser") == []


def test_strips_and_flow_open_alone(browser: Any, results: Path) -> None:
    for picture in ("flow.svg", "kiln-03/strip.svg"):
        opened(browser, results / picture)
        assert browser.execute_script("return document.documentElement.tagName") == "svg"
        assert browser.get_log("browser") == []


_CROSSED = """
const plot = document.querySelectorAll("svg.plot")[1], crossed = [];
const texts = [...plot.querySelectorAll("text")]
  .filter(t => / Hz/.test(t.textContent) && !/movement/.test(t.textContent));
if (texts.length < 2) crossed.push("too few labels to prove anything");
const boxes = texts.map(t => t.getBoundingClientRect());
boxes.forEach((a, i) => boxes.slice(i + 1).forEach(b => {
  const beside = a.right <= b.left || b.right <= a.left;
  const above = a.bottom - 1 <= b.top || b.bottom - 1 <= a.top;
  if (!beside && !above) crossed.push("texts");
}));
for (const path of plot.querySelectorAll("path")) {
  const line = path.getBoundingClientRect();
  if (line.width > 3 && line.height < 30) continue;
  boxes.forEach((a, i) => {
    const inside = Math.min(a.right, line.right) - Math.max(a.left, line.left);
    if (line.width < 3 && line.height > 50 && inside > 0 && line.left > a.left + 2 && line.right < a.right - 2
        && line.top < a.bottom - 2 && line.bottom > a.top + 2) crossed.push(texts[i].textContent);
  });
}
return crossed;
"""

_FAINT = """
const channel = v => (v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
const parts = c => c.match(/[\\d.]+/g).map(Number);
const light = c => { const [r, g, b] = parts(c).map(channel); return 0.2126*r + 0.7152*g + 0.0722*b; };
const ground = e => { for (; e; e = e.parentElement) { const c = getComputedStyle(e).backgroundColor;
  if (parts(c)[3] !== 0) return c; } return "rgb(255,255,255)"; };
const faint = new Set();
for (const e of document.querySelectorAll("body *")) {
  if (![...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim())) continue;
  if (["STYLE", "title", "desc", "style"].includes(e.tagName)) continue;
  const style = getComputedStyle(e), inSvg = e.namespaceURI.endsWith("svg");
  const own = light(inSvg ? style.fill : style.color), under = light(ground(e));
  const ratio = (Math.max(own, under) + 0.05) / (Math.min(own, under) + 0.05);
  if (ratio < 4.5) faint.add(e.tagName + "." + e.className + " " + e.textContent.slice(0, 30) + " " + ratio);
}
return [...faint];
"""
