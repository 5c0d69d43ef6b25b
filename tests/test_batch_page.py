"""The batch page: what it counts, sorts, groups and filters, on paper and without scripts."""

import base64
import hashlib
import re
from collections.abc import Iterator
from importlib import resources
from pathlib import Path
from typing import Any

import batch_examples as batch
import numpy as np
import pytest
import report_pages as pages

from pipeline.report import write_overview

N = 40


def words_of(html: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", html).replace("\u202f", " ").split())


def rows_of(html: str) -> list[str]:
    table = html[html.index('class="sessions"') :]
    rows = re.findall(r"<tr.*?</tr>", table[table.index("<tbody") : table.index("</tbody>")], re.S)
    return [row for row in rows if 'class="divide"' not in row]


@pytest.fixture(scope="module")
def sessions() -> tuple[list[dict[str, Any]], dict[str, str]]:
    return batch.sessions(N)


@pytest.fixture(scope="module")
def folder(
    tmp_path_factory: pytest.TempPathFactory, sessions: tuple[list[dict[str, Any]], dict[str, str]]
) -> Path:
    out = tmp_path_factory.mktemp("batch")
    qualities, strips = sessions
    write_overview(qualities, strips, batch.run_of(qualities), out)
    return out


@pytest.fixture(scope="module")
def html(folder: Path) -> str:
    return (folder / "index.html").read_text(encoding="utf-8")


# ---------------------------------------------------------------- without scripts


def test_a_row_says_all_of_a_session(html: str, sessions: Any) -> None:
    rows = {words_of(re.search(r"<th.*?</th>", row, re.S)[0]): words_of(row) for row in rows_of(html)}
    assert len(rows) == N
    for quality in sessions[0]:
        row = rows[quality["session"]]
        for key in ("participant", "site", "device"):
            assert quality[key] in row, key
        nearest = quality["margins"]["nearest"]
        if nearest and nearest["factor"] < 0.5:
            assert " far " in row
        elif nearest:
            moved = re.search(r"electrode off −([\d.]+) %", row)
            assert float(moved[1]) == pytest.approx((1 - nearest["factor"]) * 100, rel=0.05)
        else:
            assert " none " in row


def test_what_needs_looking_at_comes_first(html: str) -> None:
    order = [re.search(r'class="(\w+)"', row)[1] for row in rows_of(html)]
    rank = {"unreadable": 0, "reject": 1, "accept_in_part": 2, "accept": 3}
    doubtful = [" data-d>" in row or " data-d " in row for row in rows_of(html)]
    keys = list(zip([not one for one in doubtful], [rank[name] for name in order], strict=True))
    assert any(doubtful)
    assert keys == sorted(keys)


def test_controls_show_only_where_scripts_run(html: str) -> None:
    assert '<div class="controls" id="controls" hidden>' in html
    assert "<tr hidden" not in html


def test_only_scripts_of_the_page_itself_may_run(html: str) -> None:
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', html)[1]
    allowed = re.findall(r"'(sha256-[^']+)'", policy)
    scripts = re.findall(r"<script>(.*?)</script>", html, re.S)
    digests = [
        "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in scripts
    ]
    assert allowed == digests
    assert "innerHTML" not in html
    assert "default-src 'none'" in policy


def test_doubtful_are_those_that_nobody_decided_and_somebody_should(sessions: Any, tmp_path: Path) -> None:
    qualities, strips = sessions
    near = next(q for q in qualities if q["margins"]["nearest"] and q["margins"]["nearest"]["factor"] > 0.85)
    review = {"decision": "accept", "reason": "looked at it", "initials": "VW", "date": "2026-03-04"}
    review |= {"stale": False, "why": "", "followed": True}
    for decided, doubtful in ((None, 1), (review, 0), ({**review, "stale": True, "followed": False}, 1)):
        reviews = {near["session"]: decided} if decided else {}
        write_overview([near], strips, batch.run_of([near]), tmp_path, reviews)
        (row,) = rows_of((tmp_path / "index.html").read_text(encoding="utf-8"))
        assert len(re.findall(r" data-d\b", row)) == doubtful
        assert ("VW" in row) == bool(decided)


def test_a_thousand_sessions_take_three_megabytes(tmp_path: Path) -> None:
    qualities, strips = batch.sessions(1000)
    write_overview(qualities, strips, batch.run_of(qualities), tmp_path)
    assert (tmp_path / "index.html").stat().st_size < 3e6


def test_what_people_changed_is_told_without_what_they_did_not(sessions: Any, tmp_path: Path) -> None:
    qualities, strips = sessions
    for verdict, said in (
        ("accept", "People left all as computed"),
        ("reject", "People took back all or some of 1"),
    ):
        (one,) = [q for q in qualities if q["verdict"] == verdict][:1]
        reviews = {one["session"]: batch.decided([one])[one["session"]]}
        write_overview(qualities, strips, batch.run_of(qualities), tmp_path, reviews)
        assert f". {said}</caption>" in (tmp_path / "index.html").read_text(encoding="utf-8")


def test_the_strap_that_wears_out_is_told_at_the_top(html: str) -> None:
    head = html[html.index("<header") : html.index("</header>")]
    assert f"{batch.WORN} : electrode off rises from" in words_of(head)


# ---------------------------------------------------------------- in a browser


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    for driver in pages.started(tmp_path_factory.mktemp("profile")):
        driver.set_window_size(1280, 900)
        yield driver


def opened(browser: Any, folder: Path, fragment: str = "") -> None:
    browser.get("about:blank")
    browser.get_log("browser")
    browser.get((folder / "index.html").as_uri() + fragment)


def shown(browser: Any) -> list[str]:
    """Names of the rows that show, from top to bottom."""
    return list(
        browser.execute_script(
            "return [...document.querySelectorAll('table.sessions tbody tr:not(.group):not([hidden]) th')]"
            ".map(e => e.textContent)"
        )
    )


def said(browser: Any) -> str:
    browser.execute_async_script("setTimeout(arguments[0], 350)")
    return browser.find_element("css selector", ".controls [role=status]").text.replace("\u202f", " ")


def click(browser: Any, selector: str) -> None:
    element = browser.find_element("css selector", selector)
    browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", element)
    browser.execute_async_script(_STILL, element)
    element.click()


_STILL = """
// rows that come into sight get their true height, which moves what is below: wait until it stands still
const [element, done] = arguments;
let before = NaN;
const look = () => { const now = element.getBoundingClientRect().top;
  if (now === before && now >= 0 && now < innerHeight) return done();
  if (now < 0 || now >= innerHeight) element.scrollIntoView({block: "center"});
  before = now; setTimeout(look, 60); };
look();
"""


def fragment(browser: Any) -> str:
    return browser.current_url.partition("#")[2]


@pages.NEEDS_BROWSER
def test_filters_and_their_counts_follow_each_other(browser: Any, folder: Path, sessions: Any) -> None:
    opened(browser, folder)
    assert said(browser).startswith(f"All {N} sessions: ")
    rejected = {q["session"] for q in sessions[0] if q["verdict"] == "reject"}
    click(browser, "[data-verdict=reject]")
    assert set(shown(browser)) == rejected
    assert said(browser).startswith(f"{len(rejected)} of {N} sessions: 0 %")
    counts = {
        e.get_attribute("data-reason"): int(e.find_element("css selector", "b").text)
        for e in browser.find_elements("css selector", "[data-reason]")
    }
    assert counts == {"contact_loss_fraction": len(rejected), "saturated_fraction": 0}
    assert fragment(browser) == "verdict=reject"
    click(browser, "[data-reason=saturated_fraction]")
    assert shown(browser) == []
    assert browser.find_element("css selector", ".empty").is_displayed()
    click(browser, "[data-clear]")
    assert len(shown(browser)) == N
    assert browser.switch_to.active_element.get_attribute("id") == "find"
    assert browser.get_log("browser") == []


@pages.NEEDS_BROWSER
def test_free_text_and_doubtful_only(browser: Any, folder: Path, sessions: Any) -> None:
    opened(browser, folder)
    browser.find_element("id", "find").send_keys("STRAP-C kiln ")
    browser.execute_async_script("setTimeout(arguments[0], 200)")
    wanted = {q["session"] for q in sessions[0] if q["device"] == "strap-c" and q["site"] == "kiln room"}
    assert set(shown(browser)) == wanted
    assert fragment(browser) == "q=STRAP-C+kiln+"
    opened(browser, folder, "#doubtful=1")
    doubtful = shown(browser)
    total = browser.find_element("css selector", ".doubt b").text
    assert 0 < len(doubtful) == int(total) < N


@pages.NEEDS_BROWSER
def test_doubtful_sessions_come_first_and_lead_on_to_each_other(browser: Any, folder: Path) -> None:
    opened(browser, folder)
    marks = [
        row.get_attribute("data-d") is not None for row in browser.find_elements("css selector", "tbody tr")
    ]
    n = sum(marks)
    assert marks[:n] == [True] * n
    first_of_the_rest = browser.find_elements("css selector", "tbody tr")[n]
    assert (first_of_the_rest.text, n < N) == ("Not doubtful from here on", True)
    first, second = shown(browser)[:2]
    link = browser.find_element("css selector", ".c-name a")
    browser.execute_script("arguments[0].addEventListener('click', e => e.preventDefault())", link)
    browser.execute_script("arguments[0].click()", link)
    told = link.get_attribute("href").partition("#doubtful=")[2].split(",")
    assert told[:2] == [first, second]
    assert len(told) == n


@pages.NEEDS_BROWSER
def test_on_a_phone_filters_are_folded(browser: Any, folder: Path) -> None:
    size = {"width": 360, "height": 800, "deviceScaleFactor": 1, "mobile": True}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    try:
        opened(browser, folder)
        fold = browser.find_element("css selector", ".fold")
        assert not browser.find_element("id", "find").is_displayed()
        browser.execute_script("arguments[0].click()", fold)
        assert browser.find_element("id", "find").is_displayed()
        assert fold.get_attribute("aria-expanded") == "true"
        assert browser.execute_script("return document.documentElement.scrollWidth") <= 360
    finally:
        browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


@pages.NEEDS_BROWSER
@pytest.mark.parametrize("key", ["name", "start", "usable", "margin"])
def test_sorting_by_the_keyboard(browser: Any, folder: Path, sessions: Any, key: str) -> None:
    from selenium.webdriver.common.keys import Keys

    def usable(q: Any) -> float:
        return sum(b - a for a, b in q["usable"]) / q["duration_s"] if q["duration_s"] else -1.0

    def margin(q: Any) -> float:
        return abs(1 - q["margins"]["nearest"]["factor"]) if q["margins"]["nearest"] else np.inf

    by = {
        "name": lambda q: q["session"],
        "start": lambda q: q["started_at"],
        "usable": usable,
        "margin": margin,
    }
    known = {q["session"]: by[key](q) for q in sessions[0]}
    opened(browser, folder)
    button = browser.find_element("css selector", f"[data-sort={key}] button")
    button.send_keys(Keys.ENTER)
    got = [known[name] for name in shown(browser)]
    assert (
        got == sorted(got)
        if isinstance(got[0], str)
        else np.all(np.diff(np.nan_to_num(got, posinf=9)) >= -1e-4)
    )
    assert (
        browser.find_element("css selector", f"[data-sort={key}]").get_attribute("aria-sort") == "ascending"
    )
    assert browser.switch_to.active_element == button
    button.send_keys(Keys.SPACE)
    assert (
        browser.find_element("css selector", f"[data-sort={key}]").get_attribute("aria-sort") == "descending"
    )
    assert len(browser.find_elements("css selector", "[aria-sort]")) == 1
    assert fragment(browser) == f"sort={key}&down=1"


@pages.NEEDS_BROWSER
@pytest.mark.parametrize("key", ["participant", "site", "device", "day"])
def test_grouping(browser: Any, folder: Path, sessions: Any, key: str) -> None:
    opened(browser, folder)
    click(browser, f"[data-group={key}]")
    of = {q["session"]: q["started_at"][:10] if key == "day" else q[key] for q in sessions[0]}
    got = [of[name] for name in shown(browser)]
    assert got == sorted(got)
    heads = [e.text for e in browser.find_elements("css selector", "tr.group")]
    assert len(heads) == len(set(of.values()))
    assert sum(int(re.search(r"(\d+) sessions?;", text)[1]) for text in heads) == N
    click(browser, f"[data-group={key}]")
    assert browser.find_elements("css selector", "tr.group") == []


@pages.NEEDS_BROWSER
def test_the_address_keeps_the_view_and_nonsense_in_it_does_no_harm(browser: Any, folder: Path) -> None:
    opened(browser, folder, "#verdict=accept&group=site&sort=name&down=1&q=potter-1")
    names = shown(browser)
    assert names
    assert "kiln" not in "".join(names[len([n for n in names if n.startswith("kiln")]) :])
    browser.refresh()
    assert shown(browser) == names
    opened(browser, folder, "#verdict=<img src=x>&group=__proto__&sort=constructor&q=%3Cscript%3E")
    assert shown(browser) == []
    assert browser.get_log("browser") == []
    opened(browser, folder, "#trends")
    assert fragment(browser) == "trends"
    browser.execute_async_script("setTimeout(arguments[0], 300)")
    assert (
        abs(browser.execute_script("return document.getElementById('trends').getBoundingClientRect().top"))
        < 9
    )


@pages.NEEDS_BROWSER
def test_a_trend_leads_to_its_own_sessions_alone(browser: Any, tmp_path: Path, sessions: Any) -> None:
    names = {"strap-a": "strap-1", "strap-b": "strap-10", "strap-c": 'strap & "c"=1+1#/%', "strap-d": "10"}
    qualities = [{**q, "device": names[q["device"]]} for q in sessions[0]]
    write_overview(qualities, sessions[1], batch.run_of(qualities), tmp_path)
    opened(browser, tmp_path)
    for panel in browser.find_elements("css selector", ".panels h4 a[href^='#device']")[:4]:
        name = panel.get_attribute("textContent")
        browser.execute_script("arguments[0].click()", panel)
        browser.execute_async_script("setTimeout(arguments[0], 100)")
        of = {q["session"]: q["started_at"] for q in qualities if q["device"] == name}
        assert shown(browser) == sorted(of, key=of.__getitem__)
        assert said(browser).startswith(f"Only {name}: {len(of)} of {N} sessions")
        browser.back()
    click(browser, "[data-clear]")
    assert len(shown(browser)) == N


@pages.NEEDS_BROWSER
def test_everything_is_there_on_paper_and_without_scripts(browser: Any, folder: Path) -> None:
    opened(browser, folder, "#verdict=reject")
    assert len(shown(browser)) < N
    browser.execute_script("dispatchEvent(new Event('beforeprint'))")
    assert len(shown(browser)) == N
    browser.execute_script("dispatchEvent(new Event('afterprint'))")
    assert 0 < len(shown(browser)) < N
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        opened(browser, folder)
        displayed = [
            e
            for e in browser.find_elements("css selector", "table.sessions tbody tr:not(.divide)")
            if e.is_displayed()
        ]
        assert len(displayed) == N
        assert not browser.find_element("css selector", ".controls").is_displayed()
    finally:
        browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})


@pages.NEEDS_BROWSER
def test_hostile_text_stays_text_when_it_is_grouped_and_sought(browser: Any, tmp_path: Path) -> None:
    hostile = "</th><img src=x onerror=\"document.title='taken'\"><script>document.title='taken'</script>"
    qualities, strips = batch.sessions(6)
    qualities[0]["started_at"] = hostile
    for quality in qualities[:3]:
        for key in ("participant", "site", "device", "session", "sentence"):
            quality[key] = hostile + str(len(strips)) if key == "session" else hostile
        quality["reasons"] = [{"measure": hostile, "text": hostile}]
        strips[quality["session"]] = next(iter(strips.values()))
    write_overview(qualities, strips, {**batch.run_of(qualities), "study": hostile}, tmp_path)
    for group in ("participant", "site", "device", "day"):
        opened(browser, tmp_path, f"#group={group}&q=onerror")
        assert len(shown(browser)) == 3
        assert hostile in browser.find_element("css selector", "tr.group:not([hidden])").get_attribute(
            "textContent"
        )
        assert browser.find_elements("css selector", "img") == []
        assert browser.title != "taken"
        assert browser.get_log("browser") == []


@pages.NEEDS_BROWSER
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 1000, 1500])
def test_a_view_that_is_grouped_and_filtered_meets_wcag(
    browser: Any, folder: Path, width: int, scheme: str
) -> None:
    # W3C, Web Content Accessibility Guidelines 2.2, levels A and AA, by the rules of axe-core.
    pytest.importorskip("axe_playwright_python", reason="the package that carries axe-core is not installed")
    axe = (resources.files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8")
    size = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})
    try:
        opened(browser, folder, "#group=device&verdict=reject,accept_in_part&sort=margin")
        said(browser)
        assert browser.execute_script("return document.documentElement.scrollWidth") <= width
        browser.execute_script(axe)
        found = browser.execute_async_script(_AXE)
        assert found == []
    finally:
        browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})


_AXE = """
const done = arguments[0], tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"];
axe.run(document, {runOnly: {type: "tag", values: tags}}).then(found => done(
  found.violations.map(v => v.id + ": " + v.nodes.map(n => n.html.slice(0, 120)).slice(0, 3).join(" | "))));
"""
