"""Clocks that are set during a session: seconds go on, the clock that people read jumps.

In the European Union summer time begins and ends at 01:00 UTC on the last Sundays of March and October
(Directive 2000/84/EC, articles 2 and 3): 29 March and 25 October in 2026.
"""

import json
from datetime import datetime
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
import report_examples as examples
from conftest import sessiongate
from report_pages import NEEDS_BROWSER, started
from small import quality, small_study
from test_report import report, spaced

from pipeline.report.starts import clock_time, clock_turns, started_words

SPRING, AUTUMN = "2026-03-29T01:59:00+01:00", "2026-10-25T02:59:00+02:00"
"""A minute before the clocks of Berlin are set."""
_TOLD = """
const done = arguments[0], said = () => (document.querySelector(".v-status") || {}).textContent || "";
setTimeout(() => done(said()), 100);
"""


@pytest.mark.parametrize(("start", "forward_s"), [(SPRING, 3600.0), (AUTUMN, -3600.0)])
def test_clocks_are_set_at_a_second_of_the_recording(start: str, forward_s: float) -> None:
    told = {"started_at": start, "time_zone": "Europe/Berlin", "duration_s": 90.5}
    clock = clock_time(told)
    assert clock is not None
    assert clock["turns"] == [[60.0, forward_s]]
    assert clock_time(told | {"duration_s": 60.0})["turns"] == []  # it ends as they are set
    assert clock_time(told | {"time_zone": "Etc/GMT-1"})["turns"] == []
    assert clock_time(told | {"time_zone": ""})["turns"] == []  # the offset that was stated holds throughout
    assert clock_time(told | {"started_at": "noon"}) is None


def test_a_recording_of_months_has_every_turn() -> None:
    start = datetime.fromisoformat("2026-01-01T00:00:00.25+00:00")
    from zoneinfo import ZoneInfo

    turns = list(clock_turns(start.astimezone(ZoneInfo("Europe/Lisbon")), 365 * 86400.0))
    assert [forward_s for _, forward_s in turns] == [3600.0, -3600.0]
    found = [datetime.fromtimestamp(start.timestamp() + at_s).astimezone(start.tzinfo) for at_s, _ in turns]
    assert [f"{one:%Y-%m-%dT%H:%M:%S.%f}" for one in found] == [
        "2026-03-29T01:00:00.000000",
        "2026-10-25T01:00:00.000000",
    ]


def test_the_page_says_so(tmp_path: Path) -> None:
    one = examples.session(tmp_path, duration_s=90.0)
    one |= {"started_at": AUTUMN, "time_zone": "Europe/Berlin"}
    html, _ = report(tmp_path, one)
    assert "clocks there went back by 60 min at second 60 of the recording" in html
    assert "went" not in started_words(AUTUMN, "Europe/Berlin", 60.0)


@NEEDS_BROWSER
@pytest.mark.parametrize(
    ("start", "first", "last"), [(SPRING, "01:59:00", "03:00:30"), (AUTUMN, "02:59:00", "02:00:30")]
)
def test_the_viewer_shows_what_clocks_showed(tmp_path: Path, start: str, first: str, last: str) -> None:
    one = examples.session(tmp_path, duration_s=90.0)
    one |= {"started_at": start, "time_zone": "Europe/Berlin"}
    report(tmp_path, one)
    for browser in started(tmp_path / "profile"):
        browser.get((tmp_path / "report.html").as_uri())
        browser.execute_script("document.querySelector('.v-stage').scrollIntoView()")
        shown = ""
        for _ in range(50):
            shown = spaced(browser.execute_async_script(_TOLD))
            if "clock" in shown:
                break
    assert f"{first} to {last} by the clock" in shown


def test_sessions_across_both_changes(tmp_path: Path) -> None:
    """Seconds, starts and order hold in results and bundle; nothing takes an hour for a gap or an overlap."""
    study, results, bundle = tmp_path / "study", tmp_path / "results", tmp_path / "bundle"
    small_study(study, ("throw-01", "throw-02"))
    rows = (study / "sessions.csv").read_text(encoding="utf-8")
    rows = rows.replace("2026-03-02T09:30:00+01:00", SPRING).replace("2026-03-02T10:05:00+01:00", AUTUMN)
    (study / "sessions.csv").write_text(rows, encoding="utf-8")
    toml = (study / "study.toml").read_text(encoding="utf-8").replace('"Etc/GMT-1"', '"Europe/Berlin"')
    (study / "study.toml").write_text(toml, encoding="utf-8")

    done = sessiongate("run", study, "--out", results)

    assert done.returncode == 0, done.stdout + done.stderr
    for name, start, utc in (
        ("throw-01", SPRING, "2026-03-29T00:59:00Z"),
        ("throw-02", AUTUMN, "2026-10-25T00:59:00Z"),
    ):
        assert quality(results, name)["started_at"] == start
        table = pq.read_table(results / name / "samples.parquet")
        assert table.schema.metadata[b"start_utc"].decode() == utc
        steps_s = np.diff(table["time_s"].to_numpy())
        assert steps_s.max() < 0.1
        assert steps_s.min() > 0
        assert "clocks there went" in (results / name / "report.html").read_text(encoding="utf-8")
    assert json.loads((results / "run.json").read_text(encoding="utf-8"))["matters"] == []
    made = sessiongate("bundle", results, "--out", bundle, "--keep", "time_zone")
    assert made.returncode == 0, made.stdout + made.stderr
    for path in sorted(bundle.rglob("quality.json")):
        # a bundle moves dates by whole days of UTC: an offset would tell of summer time
        assert json.loads(path.read_text(encoding="utf-8"))["started_at"].endswith("T00:59:00Z")
    assert sessiongate("verify", bundle).returncode == 0
