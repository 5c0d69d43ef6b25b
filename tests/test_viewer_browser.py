"""The recording in its page, in a real browser: what shows and what is told, by mouse, keyboard and touch."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import report_examples as examples
from report_pages import NEEDS_BROWSER, started
from test_viewer import COUNTS, finding, page, seen, small_recording

from pipeline.report import drawn, viewer

pytestmark = NEEDS_BROWSER
SPIKE_ROW, SPIKE_V = 5_003, 0.29


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    for driver in started(tmp_path_factory.mktemp("profile"), "--force-prefers-reduced-motion"):
        driver.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride",
            {"width": 1200, "height": 1000, "deviceScaleFactor": 1, "mobile": False},
        )
        yield driver


@pytest.fixture(scope="module")
def binned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A page whose recording travels in bins of 16, with a spike of one sample far from any moment."""
    folder = tmp_path_factory.mktemp("binned")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(drawn, "WHOLE_VALUES", 20_000)
        patch.setattr(drawn, "BOUNDS", 10_000)
        patch.setattr(viewer, "SINGLE_VALUES", 6_000)
        quality = examples.session(folder, faults={"saturated": ((0.75, 0.77),)})
        table = pq.read_table(folder / "samples.parquet")
        field = table["field"].to_numpy().copy()
        field[SPIKE_ROW] = SPIKE_V
        pq.write_table(pa.table({"time_s": [45.001]}), folder / "events.parquet")
        pq.write_table(table.set_column(2, table.schema.field("field"), [field]), folder / "samples.parquet")
        found = seen(folder, quality, examples.activities(60.0))
    out = folder / "page.html"
    out.write_text(page(found.viewer, found.stills), encoding="utf-8")
    return out


def opened(browser: Any, out: Path) -> Any:
    browser.get_log("browser")
    browser.get(out.as_uri())
    return settled(browser)


def settled(browser: Any) -> str:
    """What the live region says once it is up to date."""
    return str(browser.execute_async_script(_SETTLED))


def point_at(browser: Any, share: float) -> None:
    """Move the mouse over the picture to a share of its time axis."""
    browser.execute_script(
        "const stage = document.querySelector('.v-stage'), box = stage.getBoundingClientRect();"
        "const clientX = box.left + 58 + (box.width - 58) * arguments[0];"
        "const how = {clientX, pointerType: 'mouse', bubbles: true};"
        "stage.dispatchEvent(new PointerEvent('pointermove', how));",
        share,
    )


def keys(browser: Any, *pressed: str) -> str:
    browser.execute_script("document.querySelector('.v-stage').focus()")
    from selenium.webdriver import ActionChains

    ActionChains(browser).send_keys(*pressed).perform()
    return settled(browser)


def table(browser: Any) -> dict[str, list[str]]:
    rows = browser.find_elements("css selector", ".v-values tbody tr")
    cells = ([cell.text for cell in row.find_elements("css selector", "th, td")] for row in rows)
    return {name: values for name, *values in cells}


def test_a_spike_of_one_sample_is_told_and_drawn_at_every_zoom(browser: Any, binned: Path) -> None:
    assert opened(browser, binned).startswith("Shown: the whole recording, 0:00 to 1:00 (09:30:00 to")
    point_at(browser, (SPIKE_ROW + 0.5) / 15_000)
    spans = []
    for _ in range(9):
        spans.append(settled(browser))
        assert table(browser)["field"][1] == "290.0\u202fmV", spans[-1]
        assert browser.execute_script(_INK_AT_TOP) > 0, spans[-1]
        keys(browser, "+")
    assert len(set(spans)) == 9
    assert "Smallest and largest of every 16 samples" in spans[-1]


def test_single_samples_of_a_moment_are_one_click_away(browser: Any, binned: Path) -> None:
    opened(browser, binned)
    (button,) = browser.find_elements("css selector", "[aria-label='Go to a moment'] button")
    assert button.text == "Saturation 0:45"
    assert browser.get_log("browser") == []
    button.click()
    assert settled(browser).endswith("Every single sample.")
    assert table(browser)["field"] == ["280.1\u202fmV", "280.1\u202fmV", "11250"]
    assert browser.find_element("css selector", ".v-under").text.endswith("(body), at a rail, an event.")


def test_single_samples_are_offered_only_where_the_page_has_them(browser: Any, binned: Path) -> None:
    opened(browser, binned)
    button = next(b for b in browser.find_elements("css selector", ".v-buttons button") if "Single" in b.text)
    assert (button.text, button.is_enabled()) == ("Single samples: only at moments", False)
    browser.find_element("css selector", "[aria-label='Go to a moment'] button").click()
    settled(browser)
    for _ in range(2):  # at its very start, too, where half of what surrounds the line is not there
        assert (button.text, button.is_enabled()) == ("Single samples", True)
        button.click()
        assert settled(browser).endswith("Every single sample.")
        point_at(browser, 0.0)
        settled(browser)
    keys(browser, "0")
    point_at(browser, 0.2)
    settled(browser)
    assert not button.is_enabled()


def test_the_keyboard_does_all_of_it(browser: Any, binned: Path) -> None:
    from selenium.webdriver import ActionChains
    from selenium.webdriver.common.keys import Keys

    opened(browser, binned)
    assert "0:15 to 0:45" in keys(browser, "+")
    assert "0:21 to 0:51" in keys(browser, Keys.ARROW_RIGHT)
    assert "0:15 to 0:45" in keys(browser, Keys.ARROW_LEFT)
    assert "0:00 to 0:30" in keys(browser, Keys.HOME)
    assert "0:30 to 1:00" in keys(browser, Keys.END)
    assert "the whole recording" in keys(browser, "-")
    keys(browser, "+" * 12)
    before = table(browser)["field"]
    ActionChains(browser).key_down(Keys.SHIFT).send_keys(Keys.ARROW_RIGHT * 20).key_up(Keys.SHIFT).perform()
    settled(browser)
    assert table(browser)["field"] != before
    assert "the whole recording" in keys(browser, "0")


def test_every_button_has_a_name_and_does_something(browser: Any, binned: Path) -> None:
    opened(browser, binned)
    said = {keys(browser, "+")}
    for button in browser.find_elements("css selector", ".viewer button"):
        assert len(button.accessible_name) > 3
        if not button.is_enabled():
            continue
        button.click()
        said.add(settled(browser))
    assert len(said) >= 5
    toggle = browser.find_elements("css selector", ".v-buttons button[aria-pressed]")
    assert [one.get_attribute("aria-pressed") for one in toggle] == ["true"]


def test_dragging_moves_and_two_fingers_zoom(browser: Any, binned: Path) -> None:
    opened(browser, binned)
    keys(browser, "+")
    box = browser.execute_script(
        "const b = document.querySelector('.v-stage').getBoundingClientRect();"
        "return [b.left, b.top, b.width];"
    )
    x, y, seconds = box[0] + 400, box[1] + 60, 30 / (box[2] - 58)

    def touch(kind: str, *points: float) -> None:
        at = [{"x": px, "y": y, "id": i} for i, px in enumerate(points)]
        browser.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": kind, "touchPoints": at})

    touch("touchStart", x)
    for moved in (20, 60, 100):
        touch("touchMove", x - moved)
    touch("touchEnd")
    shown = settled(browser)
    from_s = float(shown.split(" to ")[0].split("0:")[1])
    assert from_s == pytest.approx(15 + 100 * seconds, abs=0.6)
    touch("touchStart", x, x + 100)
    for wider in (20, 60, 100):
        touch("touchMove", x - wider, x + 100 + wider)
    touch("touchEnd")
    assert "10\u202fs." in settled(browser)


def test_the_wheel_zooms_only_a_picture_that_was_clicked(browser: Any, binned: Path) -> None:
    opened(browser, binned)
    assert browser.execute_script(_WHEEL) is False
    assert "the whole recording" in settled(browser)
    browser.execute_script("document.querySelector('.v-stage').focus()")
    assert browser.execute_script(_WHEEL) is True
    assert "the whole recording" not in settled(browser)


def test_without_scripts_and_in_print_the_still_picture_stands(browser: Any, binned: Path) -> None:
    opened(browser, binned)
    still = browser.find_element("css selector", ".viewer-still")
    assert not still.is_displayed()
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        assert still.is_displayed()
        assert not browser.find_element("id", "viewer").is_displayed()
    finally:
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        browser.get(binned.as_uri())
        assert browser.find_element("css selector", ".viewer-still").is_displayed()
        assert not browser.find_element("id", "viewer").is_displayed()
    finally:
        browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})


@pytest.mark.parametrize(("n", "all_lost"), [(1, False), (1, True), (2, False), (600, True)])
def test_next_to_nothing_is_shown_without_a_fault(
    browser: Any, tmp_path: Path, n: int, all_lost: bool
) -> None:
    quality = small_recording(tmp_path, np.full(n, 5.0), COUNTS, np.full(n, all_lost))
    found = viewer.see(quality, tmp_path / "samples.parquet", [finding("saturation", 0.0, 0.001)], [])
    assert found is not None
    out = tmp_path / "page.html"
    out.write_text(page(found.viewer, found.stills), encoding="utf-8")
    assert opened(browser, out).endswith("Every single sample.")
    keys(browser, "++--0")
    expected = "nothing" if all_lost else "\u2212500\u202fmV"
    assert table(browser)["field"][0] == expected
    assert browser.get_log("browser") == []


def test_a_phone_shows_it_without_sideways_scrolling_and_dark_follows(browser: Any, binned: Path) -> None:
    size = {"width": 360, "height": 800, "deviceScaleFactor": 2, "mobile": True}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    try:
        opened(browser, binned)
        assert browser.execute_script("return document.documentElement.scrollWidth") <= 360
        light = browser.execute_script(_PICTURE)
        dark = [{"name": "prefers-color-scheme", "value": "dark"}]
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": dark})
        settled(browser)
        assert browser.execute_script(_PICTURE) != light
    finally:
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})
        size |= {"width": 1200, "height": 1000, "deviceScaleFactor": 1, "mobile": False}
        browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)


# A picture is drawn in the next frame; what is said follows a quarter of a second behind it.
_SETTLED = """
const done = arguments[0], said = () => (document.querySelector(".v-status") || {}).textContent || "";
requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(() => done(said()), 300)));
"""
_WHEEL = """
const wheel = new WheelEvent("wheel", {deltaY: -300, clientX: 600, cancelable: true, bubbles: true});
document.querySelector(".v-stage").dispatchEvent(wheel);
return wheel.defaultPrevented;
"""
_PICTURE = "return document.querySelector('.v-stage canvas').toDataURL()"
# Pixels of the field's own colour near the top of its panel: the largest value reaches up there.
_INK_AT_TOP = """
const canvas = document.querySelector(".v-stage canvas");
const {data} = canvas.getContext("2d").getImageData(60, 24, canvas.width - 62, 10);
let n = 0;
for (let i = 0; i < data.length; i += 4) if (data[i + 2] - data[i] > 60) n++;
return n;
"""
