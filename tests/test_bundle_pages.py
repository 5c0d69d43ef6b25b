"""Reports inside a bundle: no name of the study, links that lead, no sample that the bundle does not hold."""

import html
import json
import re
import shutil
from pathlib import Path
from urllib.parse import unquote

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from finished import bundled, finished, key_of
from planted import ALSO, DAY, MARKERS, NAME, opened, planted_study, unescaped, wanted

from pipeline.bundle.blanked import write_blanked
from pipeline.bundle.key import read_key
from pipeline.bundle.page_links import index_within
from pipeline.bundle.pages import _decision
from pipeline.bundle.recoded import RecodedSession
from pipeline.report.review import review_of, seen_code


@pytest.fixture(scope="module")
def results(tmp_path_factory) -> Path:
    """Results of a study with a marker in every field."""
    top = tmp_path_factory.mktemp("pages")
    return finished(planted_study(top / "study"), top / "results")


@pytest.fixture(scope="module")
def reports(results) -> dict[str, Path]:
    """Folder of the reports, by which sessions were asked for."""
    wanted_sessions = ("all", "usable", "accepted")
    return {
        name: bundled(results, results.parent / name, name) / "data" / "reports" for name in wanted_sessions
    }


def pages_of(folder: Path) -> dict[str, str]:
    return {path.name: path.read_text(encoding="utf-8") for path in sorted(folder.iterdir())}


def test_no_marker_and_no_date_is_left_also_not_in_packed_data(reports):
    words = wanted([*MARKERS.values(), NAME, *ALSO, DAY, "July 2031", "Jul 2031", "2031-07", "2031-08"])
    for folder in reports.values():
        for path in folder.iterdir():
            pieces = list(opened(path.name, path.read_bytes()))
            for place, raw in pieces:
                for form in (raw.lower(), unescaped(raw)):
                    assert [w for w, ways in words.items() if any(way in form for way in ways)] == [], place


def test_the_search_reaches_the_packed_data_of_a_page(results):
    raw = next(results.glob("*sessiona*/report.html")).read_bytes()
    assert len(list(opened("page", raw))) > 1
    ways = wanted([MARKERS["channel"]])[MARKERS["channel"]]
    assert any(way in raw.lower() for way in ways)


def test_there_is_a_page_for_every_session_and_an_index(reports):
    for folder in reports.values():
        assert len(pages_of(folder)) == 5
        assert all(re.fullmatch(r"(S[0-9]{3}|index)\.html", name) for name in pages_of(folder))


def test_every_link_leads_to_a_file_of_the_bundle_and_a_place_in_it(reports):
    for folder in reports.values():
        pages = pages_of(folder)
        ids = {name: set(re.findall(r'\bid="([^"]+)"', page)) for name, page in pages.items()}
        for name, page in pages.items():
            for link in set(re.findall(r'href="([^"]+)"', page)):
                path, _, place = unquote(html.unescape(link)).partition("#")
                assert path == "" or (folder / path).is_file(), (name, link)
                if place and "=" not in place:
                    assert place in ids[path or name], (name, link)
            assert 'src="' not in page
            assert not re.search(r"url\((?!#)", page)
        assert set(pages) - {"index.html"} <= set(re.findall(r'href="(S\d+\.html)', pages["index.html"]))


def test_pages_speak_of_the_bundle_and_not_of_the_study_folder(reports):
    for page in pages_of(reports["all"]).values():
        for word in (
            "report.html",
            "run.json",
            "quality.json",
            "review.csv",
            "sessions.csv",
            "Over the days",
        ):
            assert word not in page
            assert "sessiongate peek" not in page


def test_what_the_bundle_does_not_hold_is_not_in_its_pages(results, reports):
    """The session in lines of text is used in part, as a person decided; in 'accepted' it has no samples."""
    code = read_key(key_of(results.parent / "accepted")).codes["session"][MARKERS["sessionb"]]
    folder = reports["accepted"]
    assert not (folder.parent / "recordings" / code).exists()
    page = pages_of(folder)[f"{code}.html"]
    assert "holds no samples" in page
    assert "viewer-data" not in page
    whole = read_key(key_of(results.parent / "all")).codes["session"][MARKERS["sessionb"]]
    assert "viewer-data" in pages_of(reports["all"])[f"{whole}.html"]


def test_stretches_that_the_bundle_leaves_out_are_blank(results, reports):
    """What stands outside the parts is null in the file that the page is drawn from, and quality is not."""
    code = read_key(key_of(results.parent / "all")).codes["session"][MARKERS["sessiona"]]
    folder = reports["all"].parent / "recordings" / code
    source = pq.read_table(folder / "samples.parquet")
    out = reports["all"].parents[2] / "blanked.parquet"
    write_blanked(folder / "samples.parquet", out, source.schema, [(1.0, 2.0)])
    shown, time_s = pq.read_table(out), source.column("time_s").to_numpy()
    inside = (time_s >= 1.0) & (time_s < 2.0)
    assert 0 < inside.sum() < len(inside)
    for name in source.column_names:
        kept = source.column(name).filter(pa.array(inside))
        assert shown.column(name).filter(pa.array(inside)).equals(kept)
        if name not in ("sample", "time_s", "quality"):
            assert shown.column(name).filter(pa.array(~inside)).null_count == (~inside).sum()
    assert shown.column("quality").equals(source.column("quality"))


def test_the_same_results_and_key_give_the_same_pages(results, reports, tmp_path):
    again = results.parent / "again"
    shutil.copy(key_of(results.parent / "all"), key_of(again))
    assert pages_of(bundled(results, again, "all") / "data" / "reports") == pages_of(reports["all"])


def test_nothing_but_the_bundle_and_its_key_is_left_beside_it(results, reports):
    names = {path.name for path in results.parent.iterdir()}
    assert {name for name in names if name.startswith(".") or name.endswith(".part")} == set()


@pytest.mark.parametrize(
    ("stale", "why"),
    [
        (None, "It does not say what was looked at, so nobody can tell whether that has changed since."),
        (False, ""),
        (True, "The policy has changed since it was decided"),
        (True, "The recording or its layout has changed since it was decided"),
        (True, "The recording or its layout and the policy have changed since it was decided"),
        (True, "The activity log has changed since it was decided"),
        (True, "The policy and the version of sessiongate have changed since it was decided"),
    ],
)
def test_a_decision_is_told_as_it_was_in_the_study(stale, why):
    tail = "; the computed verdict stands until somebody looks again." if stale else ""
    review = {
        "decision": "reject",
        "reason": "left out",
        "initials": "R1",
        "date": "2020-01-02",
        "stale": stale,
        "followed": not stale,
        "why": why + tail,
    }
    made_by = {"dumps": {"dump-1": "ab" * 32}, "layout_sha256": "cd" * 32, "policy_sha256": "ef" * 32}
    made_by["version"] = "0.1.0"
    quality = {"made_by": made_by, "verdict": "accept", "measures": []}
    session = RecodedSession.__new__(RecodedSession)
    for name, value in (("code", "S001"), ("quality", quality), ("review", review)):
        object.__setattr__(session, name, value)
    assert review_of(quality, _decision(session)) == review
    assert re.fullmatch(r"r[0-9a-f]{8}-p[0-9a-f]{8}-a[0-9a-f]{8}-v0\.1", seen_code(quality))


def test_links_of_the_index_keep_their_places():
    page = '<a href="S001/report.html#m-lost_fraction">x</a><a href="#by=1">y</a>'
    assert index_within(page) == '<a href="S001.html#m-lost_fraction">x</a><a href="#by=1">y</a>'


def test_facts_of_the_trace_name_no_name(reports):
    told = json.loads((reports["all"].parent / "trace.json").read_text(encoding="utf-8"))
    assert len(told["sessions"]) == 4
    for session in told["sessions"].values():
        assert all(re.fullmatch(r"dump-\d+", name) for name in session["dumps"])
        assert all(re.fullmatch(r"([0-9a-f]{64})?", digest) for digest in session["dumps"].values())
