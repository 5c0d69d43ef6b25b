"""Nothing of whom, where and when is left in a bundle: markers in every field, every byte searched.

Source of what is to go: HIPAA Safe Harbor, 45 CFR 164.514(b)(2): names, places, all elements of dates but the
year, serial numbers, device identifiers, addresses, any other code that names somebody.
"""

import base64
import html
import json
import socket
import urllib.parse
import zlib
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from conftest import sessiongate
from few import only
from planted import (
    ALSO,
    DAY,
    MARKERS,
    NAME,
    STARTS,
    SYNC,
    instants,
    opened,
    planted_study,
    texts_of,
    unescaped,
    wanted,
)


@pytest.fixture(scope="module")
def planted(tmp_path_factory) -> Path:
    """Results of the planted study, which has an unreadable session."""
    top = tmp_path_factory.mktemp("zqpathxk")
    done = sessiongate("run", planted_study(top / "study"), "--out", top / "results")
    assert done.returncode == 1, done.stdout + done.stderr
    assert "Traceback" not in done.stdout + done.stderr
    return top / "results"


@pytest.fixture(scope="module")
def bundle(planted) -> Path:
    out = planted.parent / "bundle"
    done = sessiongate("bundle", planted, "--out", out, "--sessions", "all", "--format", "csv,edf")
    assert done.returncode == 0, done.stdout + done.stderr
    return out


def found_in(folder: Path, words: dict[str, list[bytes]]) -> dict[str, set[str]]:
    """Word -> the places in which it stands."""
    found: dict[str, set[str]] = {}
    for path in sorted(folder.rglob("*")):
        inside = path.relative_to(folder).as_posix()
        pieces = [("name", inside.encode())]
        if path.is_file():
            pieces += [*opened(inside, path.read_bytes()), *texts_of(path)]
        for place, raw in pieces:
            for form in (raw.lower(), unescaped(raw)):
                for word, ways in words.items():
                    if any(way in form for way in ways):
                        found.setdefault(word, set()).add(place)
    return found


def test_the_search_opens_what_is_packed(tmp_path):
    word = NAME.encode()
    table = pa.table({"what": [f"{NAME} {i}" for i in range(400)]})
    pq.write_table(table, tmp_path / "a.parquet", compression="zstd")
    pq.write_table(table.slice(0, 0).replace_schema_metadata({"m": NAME}), tmp_path / "b.parquet")
    (tmp_path / "c.html").write_bytes(b'<p data-x="' + base64.b64encode(b"...." + word * 3) + b'">')
    (tmp_path / "d.html").write_bytes(base64.b64encode(zlib.compress(b"0123456789" * 9 + word)))
    (tmp_path / "e.html").write_text(html.escape(NAME).encode("ascii", "xmlcharrefreplace").decode())
    (tmp_path / "f.json").write_text(json.dumps(NAME))
    (tmp_path / "g.svg").write_text(urllib.parse.quote(NAME))
    (tmp_path / "h.bin").write_bytes(NAME.encode("utf-16-le"))
    (tmp_path / NAME).mkdir()
    places = {place.split()[0] for place in found_in(tmp_path, wanted([NAME]))[NAME]}
    assert places == {"name", *(path.name for path in tmp_path.iterdir() if path.is_file())}


def test_no_marker_is_left(bundle):
    words = wanted([*MARKERS.values(), NAME, *ALSO, "zqpathxk"])
    assert found_in(bundle, words) == {}


def test_the_markers_were_there(planted):
    words = wanted([*MARKERS.values(), NAME])
    found = found_in(planted, words)
    never_kept = ("policynote", "studynote", "firmware", "serial", "patient", "recording")
    assert set(words) - set(found) == {MARKERS[name] for name in never_kept}


def test_no_date_is_left(bundle):
    year, month, day = DAY.split("-")
    dates = [DAY, DAY.replace("-", ""), f"{day}.{month}.{year[2:]}", f"{int(day)} July", f"{day}-JUL-{year}"]
    assert found_in(bundle, wanted([*dates, f"July {year}", "2031-08-0", f"{year}-07"])) == {}
    numbers = {key: value for start in STARTS.values() for key, value in instants(start).items()}
    assert found_in(bundle, {key: [value] for key, value in numbers.items()}) == {}


def test_no_stamp_of_a_receiver_or_of_a_clock_that_was_set_is_left(demo_results, tmp_path):
    # One demo session was stamped by its receiver, one has a clock that was set at the turn of the year.
    results = only(demo_results, ("throw-09", "kiln-07"), tmp_path / "results")
    out = tmp_path / "bundle"
    done = sessiongate("bundle", results, "--out", out, "--sessions", "all", "--format", "csv,edf")
    assert done.returncode == 0, done.stdout + done.stderr
    stamps = ("2026-03-06T14:20:00+01:00", "2026-03-06T13:05:00+01:00", "2026-03-06T12:05:01.5+00:00")
    words = wanted(["2026-03-0", "2026-01-01", "06.03.26", "6 March", "06-MAR-2026", "March 2026"])
    assert found_in(out, words) == {}
    for stamp in stamps:
        assert found_in(out, {key: [value] for key, value in instants(stamp).items()}) == {}
    assert "2026-03-06" in (results / "kiln-07/quality.json").read_text()


def test_no_address_of_a_radio_is_left(bundle):
    assert [p for p in bundle.rglob("*") if p.is_file() and SYNC in p.read_bytes()] == []


def test_nothing_of_this_machine_is_left(bundle):
    here = [str(Path.home()), str(bundle.parent), str(Path(__file__).parent.parent)]
    words = [word for word in here if len(word) > 5]
    host = socket.gethostname()
    words += [host] if len(host) > 5 and host != "localhost" else []
    assert found_in(bundle, wanted(words)) == {}


def test_what_is_asked_for_is_there_and_nothing_else(planted):
    out = planted.parent / "kept"
    column = MARKERS["columnname"]
    keep = f"activities,column:{column}"
    done = sessiongate("bundle", planted, "--out", out, "--keep", keep, "--key", "new")
    assert done.returncode == 0, done.stdout + done.stderr
    found = found_in(out, wanted([*MARKERS.values()]))
    assert set(found) == {MARKERS["activity"], column, MARKERS["columnvalue"]}


def test_what_can_be_asked_for_is_told(planted, tmp_path):
    done = sessiongate("bundle", planted, "--out", tmp_path / "b", "--keep", "title")
    said = done.stdout[done.stdout.index("What can be kept") :]
    assert f"column:{MARKERS['columnname']}: " in said
    assert "layouts: " in said
    assert "title: " not in said


def test_the_key_is_not_in_the_bundle(bundle):
    key = bundle.with_name("bundle-key.csv")
    assert MARKERS["participant"] in key.read_text(encoding="utf-8")
    assert key.stat().st_mode & 0o077 == 0
    assert list(bundle.rglob("*key*")) == []
