"""What the pages say where a reader could be misled: gaps in knowledge, scales, spectra, sums, remedies."""

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import report_examples as examples
from test_report import FAULTS, RUN, Page, report, spaced

from pipeline.report import write_overview
from pipeline.report.glance import look
from pipeline.report.linelabels import line_labels
from pipeline.report.spectrum import BestSpectrum
from pipeline.report.starts import started_words
from pipeline.report.strip import strip_svg
from pipeline.report.words import (
    absence,
    by_titles,
    in_steps,
    joined,
    steps_words,
    timed,
    value_title,
    visible,
)


def test_gaps_and_warnings_stand_beside_a_green_tick(tmp_path: Path) -> None:
    quality = examples.session(tmp_path, "throw-01", "accept")
    html, strip = report(tmp_path, quality)
    head = html[html.index("<header") : html.index("</header>")]
    assert "not assessed:" in head
    assert "warnings:" in head
    page, links = Page(html), Page(head).hrefs
    assert {"#m-gravity_m_s2", "#w-clock"} <= set(links)
    assert "#findings" in links  # the example has no finding on gravity to lead to
    assert {link[1:] for link in links if link.startswith("#")} <= set(page.ids)
    write_overview([quality], {"throw-01": strip}, RUN, tmp_path)
    index = Page((tmp_path / "index.html").read_text(encoding="utf-8"))
    assert "throw-01/report.html#m-gravity_m_s2" in index.hrefs
    assert "throw-01/report.html#w-clock" in index.hrefs
    assert "Counts by reason" not in index.text


def test_files_without_the_newer_keys_still_make_pages(tmp_path: Path) -> None:
    quality = examples.session(tmp_path, faults=FAULTS)
    for key in ("left_out", "warnings", "not_assessed"):
        del quality[key]
    html, strip = report(tmp_path, quality)
    head = html[html.index("<header") : html.index("</header>")]
    assert "#m-gravity_m_s2" in Page(head).hrefs  # it has a limit and no value
    assert "#w-clock" in Page(head).hrefs
    write_overview([quality], {"kiln-03": strip}, RUN, tmp_path)


def test_a_rate_that_was_not_measured_says_so(tmp_path: Path) -> None:
    quality = examples.session(tmp_path)
    assert "from the layout" not in report(tmp_path, quality)[0]
    quality["clock"] = {"source": "nominal", "rate_hz": None, "residual_s": None, "restarts": 0}
    assert "250\u202fHz<span" in report(tmp_path, quality)[0]
    assert "from the layout, not measured" in report(tmp_path, quality)[0]


def test_each_stretch_left_out_has_its_reason(tmp_path: Path) -> None:
    quality = examples.session(tmp_path, faults=FAULTS)
    text = spaced(Page(report(tmp_path, quality)[0]).text)
    assert "0:42.0–0:43.8 samples were lost for 1.8 s" in text
    quality["left_out"] *= 10
    assert f"{len(quality['left_out']) - 3} more" in report(tmp_path, quality)[0]


def test_page_says_what_a_measure_covers_and_what_the_clock_is_held_against(tmp_path: Path) -> None:
    quality = examples.session(tmp_path, faults=FAULTS)
    text = spaced(Page(report(tmp_path, quality)[0]).text)
    assert "counts only time with the electrode on; the lane shows all stretches" in text
    assert "Mains lines over the whole recording" in text
    assert "no time stamp lies further from it than 0.21 ms" in text
    assert "(quality & 63) == 0" in text
    assert "64 and 128 are notes" in text
    # Stamps of the receiver come late by nature: what is known is how near the earliest ones are.
    quality["clock"] |= {"source": "receiver", "residual_s": 0.0042}
    text = spaced(Page(report(tmp_path, quality)[0]).text)
    assert "the earliest stamp of each minute lies within 4.2 ms of it" in text


@pytest.mark.parametrize(
    ("ledger", "says", "not_says"),
    [
        ({"a.bin": 0}, "a.bin is missing or empty: copy the file there, or correct its path", "peek"),
        ({"a.bin": 0, "b.bin": 74_112}, "a.bin is missing or empty", "b.bin is missing"),
        ({"a.bin": 74_112}, "sessiongate peek", "is missing or empty"),
        ({"a.bin": -90_000}, "a later step did not finish", "sessiongate peek"),
    ],
)
def test_remedy_fits_the_cause(tmp_path: Path, ledger: dict[str, int], says: str, not_says: str) -> None:
    quality = examples.session(tmp_path, verdict="unreadable")
    none = dict.fromkeys(("decoded", "duplicate", "damaged", "unrecognised", "padding"), 0)
    quality["ledger"] = {
        path: {**none, "unrecognised": max(n, 0), "decoded": max(-n, 0)} for path, n in ledger.items()
    }
    text = spaced(Page(report(tmp_path, quality)[0]).text)
    assert says in text
    assert not_says not in text
    assert "the dump carries no clock" not in text


def spectrum_of(lost: Any, n: int = 30_000, sample_hz: float = 250.0) -> tuple[Any, str]:
    rng = np.random.default_rng(3)
    values = np.sin(2 * np.pi * 1.25 * np.arange(n) / sample_hz) + rng.normal(0, 0.01, n)
    values[lost] = np.nan
    best = BestSpectrum(sample_hz, n)
    for part, unfit in zip(np.array_split(values, 7), np.array_split(np.isnan(values), 7), strict=True):
        best.add(part, unfit)
    spectrum = best.finished()
    return spectrum, "" if spectrum else best.why_none()


def test_scattered_losses_are_bridged_and_a_slow_wave_keeps_its_strength() -> None:
    lost = np.repeat(np.random.default_rng(1).random(3_000) < 0.12, 10)  # frames of ten samples
    spectrum, _ = spectrum_of(lost)
    assert spectrum.patched == pytest.approx(0.12, abs=0.02)
    assert spectrum.clean_only
    # A sine of amplitude 1 carries the power 1/2 (Parseval), whatever the window.
    near = (spectrum.frequency_hz > 0.5) & (spectrum.frequency_hz < 2)
    power = spectrum.density[near].sum() * spectrum.frequency_hz[1]
    assert power == pytest.approx(0.5, rel=0.05)


def test_regular_gaps_shorten_the_segments() -> None:
    spectrum, _ = spectrum_of(np.arange(30_000) % 1250 > 1000)  # 4 s there, 1 s not
    assert (spectrum.segment_s, spectrum.patched) == (2.0, None)


def test_unbroken_recording_is_not_bridged() -> None:
    lost = np.zeros(30_000, bool)
    lost[5000:5010] = True
    spectrum, _ = spectrum_of(lost)
    assert (spectrum.segment_s, spectrum.patched) == (8.0, None)


def test_why_there_is_no_spectrum() -> None:
    assert "losses leave no stretch of 2 s" in spectrum_of(np.arange(30_000) % 100 > 20)[1]
    assert "no sample of it arrived" in spectrum_of(np.ones(30_000, bool))[1]
    assert "too short" in spectrum_of(np.zeros(40, bool), 40)[1]


def test_strips_of_quiet_and_loud_sessions_have_one_scale(tmp_path: Path) -> None:
    def tallest(scale: float) -> float:
        quality = examples.session(tmp_path, "throw-01", "accept")
        glance = look(tmp_path / "samples.parquet", 60.0)
        assert glance is not None
        for envelope in glance.envelopes:
            envelope.low[:] *= scale
            envelope.high[:] *= scale
        path = re.search(r'class="s-field"[^>]* d="([^"]*)"', strip_svg(quality, glance, []))
        assert path
        return max(float(v) for v in re.findall(r"v(\d+)", path[1]))

    loud, quiet, overloaded = tallest(1.0), tallest(0.01), tallest(100.0)
    # By square root a hundredth of the amplitude is a tenth of the height; 26 units are the whole range.
    assert quiet == pytest.approx(loud / 10, abs=1)
    assert overloaded == 26


def test_labels_of_lines_stand_clear_of_each_other_and_of_leaders() -> None:
    def line(order: int, folded_hz: float) -> dict[str, Any]:
        return {"nominal_hz": 50.0, "harmonic": order, "folded_hz": folded_hz, "assessable": True}

    lines = [line(1, 50.0), line(2, 100.0), line(3, 100.0), line(5, 0.002), line(7, 99.99), line(4, 45.0)]
    labels = line_labels(lines, (0.125, 127.5))
    assert [label.text for label in labels] == [
        "200 Hz folds to 45 Hz",
        "50 Hz",
        "100 Hz, 150 and 350 Hz folded",
        "250 Hz folds to 0.002 Hz",
    ]
    assert [label.row for label in labels] == [0, 1, 2, 3]


def test_sentences_keep_numbers_and_units_together() -> None:
    assert joined("for 75 s, 41.5 % (limit 1 %).") == "for 75\u202fs, 41.5\u202f% (limit 1\u202f%)."
    assert joined("longest gap 7.3 s (limit 5)") == "longest gap 7.3\u202fs (limit 5\u202fs)"
    assert joined("9.5 m/s2 in 3 stretches") == "9.5\u202fm/s² in 3 stretches"
    assert joined("dumps/take-2.bin, byte 4 of 12") == "dumps/take-2.bin, byte 4 of 12"


def test_times_of_a_verdict_are_told_as_on_the_rest_of_the_page() -> None:
    assert timed("3600 s, every measure within its limit.") == "1 h, every measure within its limit."
    told = timed("Only 59.6 s of 3600 s are clean: mains for 1234.5 s, longest gap 73 s (limit 60).")
    assert told.replace(" ", " ") == (
        "Only 59.6 s of 1 h are clean: mains for 20 min 34 s, longest gap 1 min 13 s (limit 1 min)."
    )
    assert timed("37s of 12 ms, 61 samples, v1.75 s") == "37s of 12 ms, 61 samples, v1.75 s"


def test_numbers_below_zero_and_other_measures_are_told_as_people_write_them() -> None:
    assert joined("the layout states it: -0.28 V") == "the layout states it: \u22120.28\u202fV"
    assert joined("2026-03-05, --jobs 2, +-1") == "2026-03-05, --jobs 2, +-1"
    assert (
        by_titles("uncertainty of mains_rms_v over no_such_name")
        == "uncertainty of ‘Mains, rms’ over no_such_name"
    )
    assert absence("no overload") == "not assessed: no overload"
    assert absence("not assessable: folded") == "not assessable: folded"
    assert (value_title("outside_s"), value_title("lost_fraction")) == ("outside", "samples lost")


def test_start_says_its_offset_the_right_way_round() -> None:
    # The names Etc/GMT-1 and the like have the sign of POSIX, opposite to ISO 8601 (tz database,
    # file etcetera).
    assert started_words("2026-03-02T09:30:00+01:00", "Etc/GMT-1") == "2 March 2026, 09:30:00 (UTC+01:00)"
    assert started_words("2026-07-02T09:30:00+01:00", "Europe/Lisbon").endswith("(Europe/Lisbon, UTC+01:00)")
    assert started_words("2026-03-02T09:30:00-03:30", "Etc/UTC") == "2 March 2026, 13:00:00 (UTC+00:00)"


def test_rounding_goes_to_the_part_that_lost_most() -> None:
    per_s, steps = in_steps([60.45, 30.4, 10.4])
    assert (steps_words(sum(steps), per_s), [steps_words(part, per_s) for part in steps]) == (
        "1\u202fmin 41\u202fs",
        ["1\u202fmin 1\u202fs", "30\u202fs", "10\u202fs"],
    )
    per_s, steps = in_steps([0.0, 0.0, 0.0])
    assert steps_words(sum(steps), per_s) == "0\u202fs"
    per_s, steps = in_steps([3661.0, 0.0, 0.0])
    assert steps_words(sum(steps), per_s) == "1\u202fh 1\u202fmin 1\u202fs"


def test_nothing_in_a_name_moves_what_stands_beside_it() -> None:
    # Unicode Standard Annex 9: overrides and embeddings reach beyond the text that holds them.
    assert visible("carrying boards, glaze ½ µ") == "carrying boards, glaze ½ µ"
    assert visible("a\u202eb\x07") == "a\ufffdb\ufffd"
    assert visible("\u05d2\u05dc") == "\u2068\u05d2\u05dc\u2069"
    assert visible("two\nlines") == "two\nlines"
