"""Text in the pictures of a session's page: none is cut at a picture's edge, on a screen or on paper."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import report_examples as examples
import report_pages as pages

from pipeline.report import write_report
from pipeline.report.glance import Envelope, Glance
from pipeline.report.pictures import glance_picture

pytestmark = pages.NEEDS_BROWSER
LONGEST_LANE = "mains while the electrode is off"


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    yield from pages.started(tmp_path_factory.mktemp("profile"))


def with_mains_while_off(folder: Path) -> dict[str, Any]:
    """A session with the longest name of a lane: mains is above its limit only while the electrode is off."""
    faults = {"mains": ((0.31, 0.49),), "contact_loss": ((0.3, 0.5),), "low_coupling": ((0.6, 0.8),)}
    quality = examples.session(folder, faults=faults)
    for measure in quality["measures"]:
        if measure["name"] == "mains_fraction":
            measure["value"] = 0.0
    return quality


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("kiln-05")
    quality = with_mains_while_off(folder)
    paths = folder / "samples.parquet", folder / "findings.parquet"
    doings = examples.activities(quality["duration_s"])
    write_report(quality, *paths, doings, folder / "report.html", folder / "strip.svg")
    return folder / "report.html"


@pytest.mark.parametrize(("media", "width"), [("print", 794), ("screen", 360), ("screen", 1440)])
def test_no_text_is_cut_at_a_pictures_edge(browser: Any, page: Path, media: str, width: int) -> None:
    size = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": media})
    # Without scripts the still picture of the whole recording stands on the screen, too.
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        browser.get(page.as_uri())
    finally:
        browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
    texts = browser.execute_script(_TEXTS)
    assert LONGEST_LANE in [text["text"] for text in texts]
    assert len(texts) > 40
    assert [text for text in texts if text["room"] < -0.5] == []


def test_long_names_of_channels_stand_clear_of_the_numbers(browser: Any, tmp_path: Path) -> None:
    channel = replace(examples.FIELD, name="Wrist WWM electrodes", unit="mm[Hg]")
    quality = with_mains_while_off(tmp_path)
    wave = np.linspace(1000.0, 90_000.0, 200)
    envelope = Envelope(channel, -wave, wave)
    glance = Glance(quality["duration_s"], (envelope,), np.zeros(200, np.uint32), {}, {})
    svg = glance_picture(quality, glance, ())
    (tmp_path / "one.html").write_text(f"<!doctype html><body style='width:51rem'>{svg}", encoding="utf-8")
    browser.get((tmp_path / "one.html").as_uri())
    texts = browser.execute_script(_TEXTS)
    (name,) = [text for text in texts if text["text"] == channel.name]
    numbers = [t for t in texts if t["text"].replace("\u202f", "").replace("\u2212", "").isdigit()]
    assert name["left"] >= 0
    assert len(numbers) > 2
    assert min(t["left"] for t in numbers) > name["left"] + name["long"]


_TEXTS = """
return [...document.querySelectorAll("svg text")].filter(t => t.checkVisibility()).map(t => {
  const own = t.getBoundingClientRect(), svg = t.ownerSVGElement.getBoundingClientRect();
  const left = own.left - svg.left;
  return {text: t.textContent, long: own.width, left,
    room: Math.min(left, svg.right - own.right, own.top - svg.top, svg.bottom - own.bottom)};
});
"""
