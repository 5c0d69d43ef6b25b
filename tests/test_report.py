"""The pages: what they say, that they say it the same way twice, and that no name can harm them."""

import re
import tracemalloc
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
import report_examples as examples
from scipy import signal

from pipeline.report import write_overview, write_report
from pipeline.report.glance import look
from pipeline.report.pictures import time_marks
from pipeline.report.spectrum import SpectrumSum
from pipeline.report.words import (
    amount,
    clock,
    count,
    line_words,
    number,
    place_words,
    share,
    span_words,
    timed,
)

FAULTS = {
    "lost": ((0.7, 0.73),),
    "saturated": ((0.2, 0.23),),
    "settling": ((0.23, 0.25),),
    "low_coupling": ((0.5, 0.55),),
}
RUN = {**examples.RUN, "counts": {"accept": 1, "accept_in_part": 1, "reject": 1, "unreadable": 1}}


def report(folder: Path, quality: dict[str, Any], doings: Any = None) -> tuple[str, str]:
    doings = examples.activities(quality["duration_s"]) if doings is None else doings
    out, strip = folder / "report.html", folder / "strip.svg"
    write_report(quality, folder / "samples.parquet", folder / "findings.parquet", doings, out, strip)
    return out.read_text(encoding="utf-8"), strip.read_text(encoding="utf-8")


def spaced(text: str) -> str:
    """`text` with plain spaces for narrow ones."""
    return text.replace("\u202f", " ")


def parsed(svg: str) -> ElementTree.Element:
    return ElementTree.fromstring(svg)  # noqa: S314 (our own output)


class Page(HTMLParser):
    """Elements, ids, links within the page and text of a page."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.ids: list[str] = []
        self.hrefs: list[str] = []
        self.attributes: set[str] = set()
        self.text = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        for name, value in attrs:
            self.attributes.add(name)
            if name == "id":
                self.ids.append(value or "")
            if name == "href":
                self.hrefs.append(value or "")

    def handle_data(self, data: str) -> None:
        self.text += data


def test_page_says_verdict_intervals_lanes_and_ledger(tmp_path: Path) -> None:
    quality = examples.session(tmp_path, faults=FAULTS)
    html, _ = report(tmp_path, quality)
    page = Page(html)
    said = quality["sentence"].removeprefix("Use in part: ")
    assert spaced(timed(said)) in spaced(page.text)
    assert "0:15.0–0:42.0" in page.text  # between settling's end at 0.25 and loss at 0.7 of 60 s
    for words in ("at a rail", "settling", "lost", "tied to ground", "can be used", "wedging clay"):
        assert words in page.text
    assert "250 Hz folds to 0 Hz, not assessable" in page.text
    for group in ("Outside the limit", "Within the limit", "Not assessed against its limit"):
        assert group in page.text
    assert "1\u202f203\u202f410" in page.text
    assert "not a medical device" in page.text.lower()


def test_moments_that_did_not_decide_are_not_said_to(tmp_path: Path) -> None:
    quality = examples.session(tmp_path, faults=FAULTS)  # its reason is what stood at a rail
    page = Page(report(tmp_path, quality)[0])
    assert "Moments that decided, and others" in page.text
    assert page.text.count("It did not decide the verdict.") == 2  # what was lost, and settling
    whole = Page(report(tmp_path, {**quality, "verdict": "accept", "reasons": []})[0])
    assert "Moments of what was found; none decided" in whole.text
    every = {
        **quality,
        "reasons": [
            {"measure": f"{name}_fraction", "text": ""} for name in ("saturated", "lost", "settling")
        ],
    }
    assert "The moments that decided" in Page(report(tmp_path, every)[0]).text


def test_links_within_the_page_lead_somewhere_and_ids_are_unique(tmp_path: Path) -> None:
    html, _ = report(tmp_path, examples.session(tmp_path, faults=FAULTS))
    page = Page(html)
    assert len(page.ids) == len(set(page.ids))
    inside = {href[1:] for href in page.hrefs if href.startswith("#")}
    used = set(re.findall(r"url\(#([^)]+)\)", html))
    assert (inside | used) <= set(page.ids)


def test_nothing_outside_the_file_is_needed(tmp_path: Path) -> None:
    html, strip = report(tmp_path, examples.session(tmp_path, faults=FAULTS))
    page = Page(html)
    assert not {"link", "img", "iframe", "object", "embed"} & set(page.tags)
    assert not {"src", "srcset", "xlink:href"} & page.attributes
    assert "http" not in re.sub(r"http-equiv|http://www\.w3\.org/2000/svg", "", html)
    assert "<image" not in strip
    assert "@import" not in html


def test_same_input_same_bytes(tmp_path: Path) -> None:
    quality = examples.session(tmp_path, faults=FAULTS)
    assert report(tmp_path, quality) == report(tmp_path, quality)


def test_hostile_names_do_no_harm(tmp_path: Path) -> None:
    hostile = '</title></style></svg><script>alert(1)</script>"\' onload="x" $x_{$ --> \u65b0 &amp;'
    quality = examples.session(tmp_path, faults=FAULTS)
    for key in ("participant", "site", "device", "layout", "title", "sentence", "started_at", "session"):
        quality[key] = hostile
    quality["notes"] = [hostile]
    quality["ledger"] = {hostile: next(iter(quality["ledger"].values()))}
    quality["made_by"]["dumps"] = {hostile: hostile}
    quality["reasons"] = [{"measure": hostile, "text": hostile}]
    quality["measures"][0] |= {
        "absent": hostile,
        "limit_reason": hostile,
        "title": hostile,
        "channel": hostile,
    }
    for line in quality["mains_lines"]:
        line["why"] = hostile
    html, strip = report(tmp_path, quality, [examples.Doing(1.0, 59.0, hostile, "arm")])
    page = Page(html)
    assert "script>alert" not in html
    assert page.tags.count("script") == Page(html.replace(hostile, "")).tags.count("script")
    assert not {name for name in page.attributes if name.startswith("on")}
    assert page.tags.count("svg") == Page(html.replace(hostile, "")).tags.count("svg")
    assert [element.tag for element in parsed(strip).iter() if "script" in element.tag] == []
    write_overview([quality], {hostile: strip}, {**RUN, "study": hostile}, tmp_path)
    index = Page((tmp_path / "index.html").read_text(encoding="utf-8"))
    assert not {name for name in index.attributes if name.startswith("on")}


def test_unreadable_session_says_what_to_do(tmp_path: Path) -> None:
    html, strip = report(tmp_path, examples.session(tmp_path, verdict="unreadable"))
    page = Page(html)
    assert "What is wrong, and what to do" in page.text
    assert "expected frames that begin with A5 5A; found none" in page.text
    assert "sessiongate peek" in page.text
    assert "no detector found anything" not in page.text
    assert "74\u202f112" in page.text
    assert 'class="plot"' not in html
    parsed(strip)


def test_rejected_session_offers_nothing_as_usable(tmp_path: Path) -> None:
    quality = examples.session(tmp_path, verdict="reject", faults={"contact_loss": ((0.3, 1.0),)})
    html, strip = report(tmp_path, quality)
    assert "What can be used Nothing." in " ".join(Page(html).text.split())
    assert "s-usable" not in strip


def test_session_with_every_sample_lost_but_the_ends(tmp_path: Path) -> None:
    html, _ = report(tmp_path, examples.session(tmp_path, faults={"lost": ((0.001, 0.999),)}))
    assert "No spectrum of field: losses leave no stretch of 2 s unbroken" in spaced(html)


@pytest.mark.parametrize("n", [1, 3, 40, 700])
def test_very_short_recordings(tmp_path: Path, n: int) -> None:
    html, _ = report(tmp_path, examples.session(tmp_path, verdict="accept", duration_s=n / 250))
    assert 'class="plot"' in html


@pytest.mark.parametrize("duration_s", [60.0, 518_400.0, 600_000.0, 4e9])
def test_however_long_a_pause_made_the_session_the_axis_of_time_has_few_marks(duration_s: float) -> None:
    marks = time_marks(duration_s)
    assert 5 <= len(marks) <= 13
    assert marks[-1] <= duration_s


def test_long_list_of_findings_is_cut_with_a_note(tmp_path: Path) -> None:
    many = tuple((i / 300, i / 300 + 0.001) for i in range(300))
    quality = examples.session(tmp_path, faults={"low_coupling": many, "saturated": ((0.5, 0.51),)})
    html, _ = report(tmp_path, quality)
    assert "302 findings; the 200 gravest are shown" in html
    assert "✕ fault" in html


def test_envelope_keeps_extremes_and_gaps(tmp_path: Path) -> None:
    examples.session(tmp_path, faults={"saturated": ((0.5, 0.5003),), "lost": ((0.7, 0.8),)})
    glance = look(tmp_path / "samples.parquet", 60.0)
    assert glance is not None
    field = glance.envelopes[0]
    assert len(field.low) == 1200
    assert np.nanmax(field.high) == pytest.approx(0.28, abs=1e-6)  # four samples of 15,000 stay visible
    assert np.isnan(field.low[840:960]).all()
    assert not np.isnan(field.low[:840]).any()
    assert glance.runs(1).tolist() == [[42.0, 48.0]]


def test_spectrum_in_blocks_is_welch(tmp_path: Path) -> None:
    # scipy.signal.welch is the reference: the same segments, taken all at once.
    rng = np.random.default_rng(5)
    values = rng.normal(size=20_000)
    streamed = SpectrumSum(250.0, len(values))
    for part in np.split(values, [1, 777, 9_000, 9_001]):
        streamed.add(part, np.zeros(len(part), bool))
    spectrum = streamed.finished()
    assert spectrum is not None
    frequency_hz, density = signal.welch(values, 250.0, "hann", 2000)
    np.testing.assert_allclose(spectrum.frequency_hz, frequency_hz)
    np.testing.assert_allclose(spectrum.density, density)


def test_memory_does_not_grow_with_length(tmp_path: Path) -> None:
    examples.session(tmp_path, duration_s=4 * 3600.0)  # 3.6 million rows; field alone would be 14 MB
    look(tmp_path / "samples.parquet", 4 * 3600.0)
    tracemalloc.start()
    look(tmp_path / "samples.parquet", 4 * 3600.0)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 25e6


def test_strip_is_small_and_without_ids(tmp_path: Path) -> None:
    _, strip = report(tmp_path, examples.session(tmp_path, faults=FAULTS))
    assert len(strip) < 5000
    root = parsed(strip)
    assert root.get("viewBox") == "0 0 480 48"
    assert [child.tag.split("}")[1] for child in root][:2] == ["title", "desc"]
    assert not [element for element in root.iter() if element.get("id")]
    assert not [element for element in root.iter() if element.tag.endswith("text")]


def batch(folder: Path) -> tuple[list[dict[str, Any]], dict[str, str]]:
    plan = [
        ("throw-01", "accept", {}),
        ("kiln-03", "accept_in_part", FAULTS),
        ("glaze-01", "reject", {"contact_loss": ((0.1, 0.9),)}),
        ("glaze-02", "unreadable", {}),
    ]
    qualities, strips = [], {}
    for name, verdict, faults in plan:
        quality = examples.session(folder / name, name, verdict, faults=faults)
        strips[name] = report(folder / name, quality)[1]
        qualities.append(quality)
    write_overview(qualities, strips, RUN, folder)
    return qualities, strips


def test_overview_orders_by_need_and_counts(tmp_path: Path) -> None:
    qualities, strips = batch(tmp_path)
    html = (tmp_path / "index.html").read_text(encoding="utf-8")
    page = Page(html)
    rows = re.findall(r'class="c-name"><a href="([^"]+)"', html)
    # Doubtful ones first, then what could not be read or is not to be used.
    assert rows == [f"{name}/report.html" for name in ("kiln-03", "throw-01", "glaze-02", "glaze-01")]
    assert len(page.ids) == len(set(page.ids))
    assert "What needs looking at comes first" in page.text
    assert "2026-03-03T01:04:10+00:00" in page.text
    before = html
    write_overview(qualities[::-1], strips, RUN, tmp_path)
    assert (tmp_path / "index.html").read_text(encoding="utf-8") == before


def test_a_thousand_sessions_make_one_page_that_stays_small(tmp_path: Path) -> None:
    quality = examples.session(tmp_path, faults=FAULTS)
    _, strip = report(tmp_path, quality)
    qualities = [{**quality, "session": f"kiln-{i:04d}"} for i in range(1000)]
    write_overview(qualities, {q["session"]: strip for q in qualities}, RUN, tmp_path)
    assert (tmp_path / "index.html").stat().st_size < 6e6


def test_words_for_numbers() -> None:
    assert [number(v) for v in (0, 0.00123, 12.345, 1234567, -0.5)] == [
        "0",
        "0.00123",
        "12.3",
        "1\u202f234\u202f567",
        "\u22120.5",
    ]
    assert [share(v) for v in (0, 0.00001, 0.0312, 0.99999, 1, None)] == [
        "0\u202f%",
        "<\u202f0.01\u202f%",
        "3.1\u202f%",
        ">\u202f99.99\u202f%",
        "100\u202f%",
        "–",
    ]
    assert amount(0.0028, "V") == "2.8\u202fmV"
    assert amount(2.8e-5, "V") == "28\u202fµV"
    assert amount(0.99999991, "1", "contact_loss_probability") == ">\u202f99.99\u202f%"
    assert amount(20.0, "[ppm]") == "20\u202fppm"
    assert amount(49.99612, "Hz", "mains_hz") == "49.996\u202fHz"
    assert amount(0.0020031, "Hz", "mains_hz_uncertainty_hz") == "0.002\u202fHz"
    assert amount(1.92381, "Hz", "cadence_hz") == "1.92\u202fHz"
    assert amount(None, "V") == "–"
    assert span_words(3720) == "1\u202fh 2\u202fmin"
    assert [clock(65), clock(3725), clock(65.25, 1), clock(59.99, 1)] == [
        "1:05",
        "1:02:05",
        "1:05.2",
        "1:00.0",
    ]
    assert count(1311447) == "1\u202f311\u202f447"


def test_words_for_mains_lines() -> None:
    # Folding by the sampling theorem: f - fs for fs/2 < f < fs, sign dropped (Oppenheim & Schafer, Discrete-
    # Time Signal Processing, ch. 4, from memory): 60 Hz at 90 samples a second appears at 30 Hz.
    line = {"channel": "field", "nominal_hz": 60.0, "harmonic": 1, "folded_hz": 30.0, "assessable": True}
    assert line_words(line) == "60 Hz folds to 30 Hz"
    assert place_words([{**line, "nominal_hz": 30.0}, line]) == "30 Hz, 60 Hz folded"
    # The 6th harmonic of 50 Hz and the 5th of 60 Hz are the same 300 Hz, said once.
    same = {**line, "nominal_hz": 50.0, "harmonic": 6, "folded_hz": 300.0}
    assert place_words([same, {**same, "nominal_hz": 60.0, "harmonic": 5}]) == "300 Hz"
    assert line_words({**line, "folded_hz": 0.0, "assessable": False}).endswith("not assessable")
