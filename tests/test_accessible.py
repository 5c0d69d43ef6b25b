"""Both pages against WCAG 2.2 AA in a real browser: light and dark, phone and wide screen, by keyboard.

The checker is axe-core, whose rules name the success criteria they test; what no machine can test (sense of
the words, order of reading) is not claimed here.
"""

import re
from collections.abc import Iterator
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
import report_pages as pages

pytestmark = pages.NEEDS_BROWSER
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
WIDTHS = {"narrow": 320, "phone": 390, "wide": 1280, "very wide": 2560}
PAGES = [
    "throw-01/report.html",
    "kiln-03/report.html",
    "glaze-01/report.html",
    "glaze-02/report.html",
    "index.html",
]


@pytest.fixture(scope="module")
def axe() -> str:
    pytest.importorskip("axe_playwright_python", reason="the package that carries axe-core is not installed")
    return (resources.files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return pages.written(tmp_path_factory.mktemp("results"))


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    yield from pages.started(tmp_path_factory.mktemp("profile"))


def seen_as(browser: Any, width: int, scheme: str, media: str = "screen") -> None:
    size = {"width": width, "height": 800, "deviceScaleFactor": 1, "mobile": False}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": media, "features": features})


def shown(browser: Any, page: Path, width: int, scheme: str) -> None:
    seen_as(browser, width, scheme)
    pages.opened(browser, page)
    pages.settled(browser)


@pytest.mark.parametrize("page", PAGES)
def test_no_violation_of_wcag_2_2_aa(browser: Any, results: Path, axe: str, page: str) -> None:
    # W3C, Web Content Accessibility Guidelines 2.2, levels A and AA, by the rules of axe-core.
    shown(browser, results / page, WIDTHS["wide"], "light")
    for element in browser.find_elements("css selector", "details"):
        browser.execute_script("arguments[0].open = true", element)
    browser.execute_script(axe)
    for scheme in ("light", "dark"):
        for width in (WIDTHS["narrow"], WIDTHS["wide"]):
            seen_as(browser, width, scheme)
            pages.settled(browser)
            found = browser.execute_async_script(_RUN, RULES)
            assert found["passed"] > 10, "too few rules ran to prove anything"
            assert found["violations"] == [], (scheme, width)


def test_the_checker_would_find_what_is_wrong(browser: Any, results: Path, axe: str) -> None:
    shown(browser, results / "kiln-03" / "report.html", WIDTHS["wide"], "light")
    browser.execute_script(
        "const faint = document.createElement('p'), button = document.createElement('button');"
        "faint.textContent = 'hardly to be read'; faint.style.color = '#ddd';"
        "document.querySelector('main').prepend(faint, button)"
    )
    browser.execute_script(axe)
    found = browser.execute_async_script(_RUN, RULES)
    assert {line.split(":")[0] for line in found["violations"]} == {"color-contrast", "button-name"}


@pytest.mark.parametrize("page", PAGES)
def test_no_page_scrolls_sideways(browser: Any, results: Path, page: str) -> None:
    # WCAG 2.2, 1.4.10 Reflow: at 320 CSS pixels no scrolling in two dimensions.
    shown(browser, results / page, WIDTHS["narrow"], "light")
    for width in WIDTHS.values():
        seen_as(browser, width, "light")
        pages.settled(browser)
        assert browser.execute_script("return document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("page", PAGES)
def test_keyboard_reaches_everything_in_the_order_of_reading(browser: Any, results: Path, page: str) -> None:
    # WCAG 2.2, 2.1.1 Keyboard, 2.4.3 Focus Order and 2.4.7 Focus Visible.
    shown(browser, results / page, 1280, "light")
    expected = browser.execute_script(_FOCUSABLE)
    visited = pages.tabbed(browser, len(expected))
    assert [place for place, _ in visited] == expected[: len(visited)]
    assert all(seen for _, seen in visited), "an element shows no sign of the focus"


def test_first_screen_answers_without_scrolling(browser: Any, results: Path) -> None:
    shown(browser, results / "kiln-03" / "report.html", 1280, "light")
    heading = [browser.find_element("id", name) for name in ("sentence", "use", "why", "next")]
    assert [element.text.split("\n")[0] for element in heading] == [
        "Use in part",
        "What can be used",
        "Why not the rest",
        "Next time",
    ]
    last = browser.find_element("css selector", ".advice li")
    assert last.location["y"] + last.size["height"] < 800


def test_without_scripts_the_page_is_whole(browser: Any, results: Path) -> None:
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        pages.opened(browser, results / "kiln-03" / "report.html")
        assert browser.find_element("css selector", "#viewer-still svg.plot").is_displayed()
        assert not browser.find_element("id", "viewer").is_displayed()
        assert not browser.find_element("css selector", "button.copy").is_displayed()
    finally:
        browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})


def test_on_paper_the_page_is_light_whole_and_still(browser: Any, results: Path) -> None:
    shown(browser, results / "kiln-03" / "report.html", WIDTHS["wide"], "dark")
    seen_as(browser, 794, "dark", media="print")  # A4 at 96 pixels an inch
    try:
        body = browser.find_element("css selector", "body")
        assert body.value_of_css_property("background-color") == "rgba(255, 255, 255, 1)"
        assert browser.find_element("css selector", "#viewer-still svg.plot").is_displayed()
        assert not browser.find_element("id", "viewer").is_displayed()
        assert all(not button.is_displayed() for button in browser.find_elements("css selector", "button"))
        assert browser.execute_script("return document.documentElement.scrollWidth") <= 794
    finally:
        seen_as(browser, WIDTHS["wide"], "light")


@pytest.mark.parametrize("page", PAGES)
def test_nothing_is_fetched(browser: Any, results: Path, page: str) -> None:
    shown(browser, results / page, 1280, "light")
    assert pages.fetched(browser) == []
    assert browser.get_log("browser") == []


HOSTILE = [
    "<script>window.harmed = 1</script>",
    "<img src=x onerror=\"window.harmed = 1\">",
    "</title></style></svg></script><b class=planted>x</b>",
    "\"'><i class=planted autofocus onfocus='window.harmed = 1'>",
    "{{ 7 * 7 }} ${window.harmed = 1} `x`",
    "a\u202eesrever\u202c b\u0000\u0007\u001b[31m\u2028c",
    "\u05d2\u05dc\u05d6\u05d5\u05e8 123 (\u0635\u0644\u0635\u0627\u0644)",
    "javascript:window.harmed=1//",
]  # fmt: skip


@pytest.mark.parametrize("text", HOSTILE)
def test_text_of_a_study_does_no_harm(browser: Any, tmp_path: Path, text: str) -> None:
    """No script runs and no element appears that the same page with harmless text has not."""
    counts = []
    # As long and broken in the same places, since pictures wrap what they say.
    for name, said in (("plain", re.sub(r"\S", "x", text)), ("hostile", text)):
        folder = tmp_path / name
        pages.written_with(folder, said)
        for page in ("kiln-03/report.html", "index.html"):
            pages.opened(browser, folder / page)
            pages.settled(browser)
            assert browser.execute_script("return window.harmed") is None
            assert browser.find_elements("css selector", ".planted") == []
            shown_text = browser.execute_script("return document.documentElement.innerText")
            assert not set(shown_text) & set("\u202e\u202c\x00\x07\x1b\u2028")
            counts.append(browser.execute_script(_ELEMENTS))
            assert [e for e in browser.get_log("browser") if "violates" in e["message"]] == []
            assert pages.fetched(browser) == []
    assert counts[:2] == counts[2:]


def test_same_page_twice(tmp_path: Path) -> None:
    once, again = (pages.written_with(tmp_path / name, "<b>") for name in ("one", "two"))
    for name in ("kiln-03/report.html", "index.html"):
        assert (once / name).read_bytes() == (again / name).read_bytes()


_RUN = """
const done = arguments[1];
axe.run(document, {runOnly: {type: "tag", values: arguments[0]}}).then(found => done({
  passed: found.passes.length,
  violations: found.violations.flatMap(v => v.nodes.slice(0, 5).map(
    n => `${v.id}: ${n.target.join(" ")}: ${n.failureSummary.slice(0, 300)}`)),
}));
"""

_NAMED = """
const named = e => {
  const way = [];
  for (; e && e.parentElement; e = e.parentElement)
    way.unshift(e.tagName + [...e.parentElement.children].indexOf(e));
  return way.join(">");
};
"""

_FOCUSABLE = (
    _NAMED
    + """
return [...document.querySelectorAll("a[href], button, input, select, textarea, summary, [tabindex='0']")]
  .filter(e => !e.disabled && e.checkVisibility({visibilityProperty: true, contentVisibilityAuto: false})
    && e.tabIndex >= 0
    && (e.type !== "radio" || e.checked || !document.querySelector(`[name="${e.name}"]:checked`)))
  .map(named);
"""
)

_ELEMENTS = "return [...document.querySelectorAll('*')].map(e => e.tagName).sort().join(' ')"
