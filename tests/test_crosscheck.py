"""What does not fit together across the sessions of a study."""

import csv
import hashlib
import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
import report_examples as examples
from workshop import GLAZING, WEDGING, make_folder, sessions

from pipeline.crosscheck import Entry, Matter, Stated, check_study, dump_files
from pipeline.report import write_overview
from pipeline.signal import windows_of, write_windows
from pipeline.steps.job import Places, Tables, write_json
from pipeline.steps.present import overview
from pipeline.study import load_study
from pipeline.verdict import builtin_policy
from pipeline.workflow import Plan

AN_HOUR_AHEAD = timezone(timedelta(hours=1))
NINE = datetime(2026, 3, 2, 9, 0, tzinfo=AN_HOUR_AHEAD)


def sha(content: str) -> str:
    return hashlib.sha256(content.encode()).hexdigest()


def entry(name: str, start_min: float = 0, minutes: float | None = 30, **more: Any) -> Entry:
    """A session `start_min` minutes after nine, with a device, a participant and a dump of its own."""
    own: dict[str, Any] = {
        "participant": f"p-{name}",
        "device": f"strap-{name}",
        "dumps": (f"dumps/{name}.bin",),
        "sha256": (sha(name),),
    }
    start = NINE + timedelta(minutes=start_min)
    duration_s = None if minutes is None else minutes * 60
    return Entry(session=name, started_at=start, duration_s=duration_s, **{**own, **more})


def claimed(entries: Sequence[Entry]) -> list[str]:
    return [path for each in entries for path in each.dumps]


def matters(*entries: Entry, files: Sequence[str] | None = None) -> tuple[Matter, ...]:
    return check_study(entries, claimed(entries) if files is None else files)


def only(*entries: Entry) -> Matter:
    (matter,) = matters(*entries)
    assert matter.text.endswith(".")
    assert "\n" not in matter.text
    return matter


def test_a_study_in_which_everything_fits() -> None:
    assert matters(entry("a"), entry("b"), entry("c", minutes=None)) == ()
    assert matters() == ()


# ---------------------------------------------------------------- dumps of two sessions


def test_one_dump_under_two_sessions() -> None:
    matter = only(entry("a"), entry("b", dumps=("dumps/a.bin",), sha256=(sha("a"),)))
    assert (matter.kind, matter.sessions, matter.files) == ("shared_dump", ("a", "b"), ("dumps/a.bin",))
    assert matter.text == (
        "a and b name the same dump, dumps/a.bin; find out whose recording it is, and remove it from the "
        "others in sessions.csv."
    )


def test_the_same_bytes_under_another_name() -> None:
    other = entry("b", dumps=("x/1.bin", "x/2.bin"), sha256=(sha("1"), sha("a")))
    matter = only(entry("a"), other)
    assert (matter.kind, matter.sessions) == ("shared_dump", ("a", "b"))
    assert matter.files == ("dumps/a.bin", "x/2.bin")
    assert matter.text.startswith(
        "dumps/a.bin of a and x/2.bin of b hold the same bytes under different names;"
    )


def test_dumps_that_were_not_read_are_told_apart_by_their_paths() -> None:
    unread = {"sha256": ("",), "minutes": None}
    assert matters(entry("a", **unread), entry("b", **unread)) == ()
    assert only(entry("a", **unread), entry("b", dumps=("dumps/a.bin",), **unread)).kind == "shared_dump"
    # read for one of them, as where the other failed
    assert only(entry("a"), entry("b", dumps=("dumps/a.bin",), **unread)).kind == "shared_dump"


def test_a_copy_within_a_session_is_no_matter_of_the_study() -> None:
    assert matters(entry("a", dumps=("1", "2"), sha256=(sha("a"), sha("a")))) == ()


def test_sessions_that_share_a_dump_do_not_overlap_as_well() -> None:
    same = {"device": "strap-1", "participant": "p1", "dumps": ("1",), "sha256": (sha("1"),)}
    assert only(entry("a", **same), entry("b", **same)).kind == "shared_dump"


# ---------------------------------------------------------------- starts


def stated(seconds: float, by: str = "the device's clock") -> tuple[Stated, ...]:
    return (Stated(by, (NINE + timedelta(seconds=seconds)).astimezone(UTC)),)


@pytest.mark.parametrize("seconds", [-120, -59, 0, 30, 120])
def test_a_start_that_is_written_by_the_minute(seconds: float) -> None:
    assert matters(entry("a", stated=stated(seconds))) == ()


def test_a_start_that_the_device_contradicts() -> None:
    matter = only(entry("a", stated=stated(411)))
    assert (matter.kind, matter.sessions) == ("start", ("a",))
    assert matter.text == (
        "a starts at 2026-03-02 09:00:00+01:00 by sessions.csv, but at 2026-03-02 09:06:51+01:00 by the "
        "device's clock, 6 min 51 s later; correct started_at, or set that clock before the next recording."
    )


@pytest.mark.parametrize(
    ("seconds", "told"),
    [
        (-3590, "59 min 50 s earlier, as if one of the two were in another time zone; correct"),
        (5.75 * 3600 + 60, "5 h 46 min later, as if"),
        (-3000, "50 min earlier; correct"),
        (86_400 * 30, "30 d later; correct"),
        (130, "2 min 10 s later; correct"),
    ],
)
def test_how_far_a_start_is_off(seconds: float, told: str) -> None:
    assert told in only(entry("a", stated=stated(seconds))).text


def test_clock_at_the_end_of_the_calendar() -> None:
    never_set = (Stated("the device's clock", datetime(1, 1, 1, tzinfo=UTC)),)
    west = replace(entry("a", stated=never_set), started_at=NINE.astimezone(timezone(timedelta(hours=-8))))
    assert "0001-01-01 00:00:00+00:00 by the device's clock" in only(west).text


# ---------------------------------------------------------------- at the same time


def test_one_device_cannot_record_twice() -> None:
    matter = only(entry("a", device="strap-1"), entry("b", 20, device="strap-1"))
    assert (matter.kind, matter.sessions) == ("overlap", ("a", "b"))
    assert matter.text == (
        "a and b, both of device strap-1, overlap in time by 10 min; a device makes one recording at a time: "
        "correct started_at or device in sessions.csv."
    )


def test_one_participant_can_wear_two_devices() -> None:
    matter = only(entry("a", participant="p1"), entry("b", 20, 60, participant="p1"))
    assert "both of participant p1, overlap in time by 10 min;" in matter.text
    assert matter.text.endswith("unless several were worn at once.")


def test_both_at_once_are_told_once() -> None:
    same = {"device": "strap-1", "participant": "p1"}
    assert "device strap-1" in only(entry("a", **same), entry("b", 10, **same)).text


@pytest.mark.parametrize(
    ("first", "second", "told"),
    [
        ((0, 30), (30, 30), False),
        ((0, 30), (28, 30), False),  # within what writing by the minute leaves open
        ((0, 30), (27.9, 30), True),
        ((0, 1), (0, 1), True),  # short ones: more than half of one
        ((0, 1), (0.6, 1), False),
        ((0, 600), (300, 1), True),  # one within the other
        ((300, 1), (0, 600), True),  # in another order than the table's
    ],
)
def test_how_much_of_an_overlap_is_one(
    first: tuple[float, float], second: tuple[float, float], told: bool
) -> None:
    both = entry("a", *first, device="strap-1"), entry("b", *second, device="strap-1")
    assert bool(matters(*both)) is told


def test_a_row_of_overlaps_is_one_matter() -> None:
    """A start that was copied down the whole table is told in one sentence, in time that does not explode."""
    many = [entry(f"s{i:04}", device="strap-1", participant="p1") for i in range(3000)]
    matter = only(*many)
    assert len(matter.sessions) == 3000
    assert "and 2,989 more, all of device strap-1" in matter.text


def test_rows_end_where_nothing_overlaps() -> None:
    starts = {"a": 0, "b": 20, "c": 100, "d": 200, "e": 210}
    found = matters(*(entry(name, start, device="strap-1") for name, start in starts.items()))
    assert [matter.sessions for matter in found] == [("a", "b"), ("d", "e")]


def test_unreadable_sessions_take_no_time() -> None:
    assert matters(entry("a", device="strap-1"), entry("b", device="strap-1", minutes=None)) == ()


def test_offsets_are_taken_into_account() -> None:
    """Nine in one zone is ten in the next: these two do not meet."""
    later = replace(entry("b", device="strap-1"), started_at=datetime(2026, 3, 2, 9, 0, tzinfo=UTC))
    assert matters(entry("a", device="strap-1"), later) == ()


# ---------------------------------------------------------------- files of no session


def test_files_of_no_session_by_folder() -> None:
    files = ["dumps/a.bin", "dumps/b.bin", "dumps/c.bin", "dumps/x/d.bin", "e.bin"]
    found = matters(entry("a"), files=files)
    assert [matter.text for matter in found] == [
        "e.bin in the study folder is of no session; add it to sessions.csv, or move it elsewhere.",
        "b.bin and c.bin in dumps/ are of no session; add them to sessions.csv, or move them elsewhere.",
        "d.bin in dumps/x/ is of no session; add it to sessions.csv, or move it elsewhere.",
    ]
    assert found[1].files == ("dumps/b.bin", "dumps/c.bin")
    assert {matter.sessions for matter in found} == {()}


def test_files_beside_the_dumps(tmp_path: Path) -> None:
    folder = make_folder(tmp_path)
    sessions(folder, WEDGING, GLAZING.replace("dumps/b.bin", "card/b.bin; loose.bin"))
    kept = ["dumps/a.bin", "dumps/old/c.bin", "card/b.bin", "card/b2.bin", "loose.bin", "other.bin"]
    system = ["dumps/.DS_Store", "dumps/Thumbs.db", "dumps/README.md", "dumps/.trash/x.bin", "card/~$b.xlsx"]
    system += [
        "dumps/__MACOSX/a.bin",
        "card/deeper/y.bin",
        "elsewhere/z.bin",
        "activities.csv",
        "policy.toml",
    ]
    for name in (*kept, *system):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).touch()
    (folder / "activities.csv").write_text("session,start_s,stop_s,activity,intensity\n")
    assert dump_files(load_study(folder)) == tuple(sorted(kept))


def test_folders_that_do_not_exist(tmp_path: Path) -> None:
    assert dump_files(load_study(make_folder(tmp_path))) == ()


def test_page_is_made_anew_when_files_come_or_go(tmp_path: Path) -> None:
    folder = make_folder(tmp_path)
    (folder / "dumps").mkdir()

    def files() -> str:
        return Plan.of(str(folder), str(tmp_path / "results"), "").files

    before = files()
    assert files() == before
    (folder / "dumps" / "loose.bin").touch()
    with_one = files()
    (folder / "dumps" / "loose.bin").unlink()
    assert with_one != before == files()


# ---------------------------------------------------------------- the page


def page_of(folder: Path, found: Sequence[Matter]) -> str:
    quality = examples.session(folder / "a", "wedging-1", duration_s=20.0)
    other = examples.session(folder / "b", "glazing-1", duration_s=20.0)
    run = {
        "study": "A pottery workshop (invented)",
        "version": "0",
        "policy_sha256": "ab",
        "started": "",
        "finished": "",
        "counts": {"accept_in_part": 2},
        "matters": [json.loads(json.dumps(vars(matter))) for matter in found],
    }
    write_overview([quality, other], {}, run, folder)
    return (folder / "index.html").read_text(encoding="utf-8")


def test_page_says_what_does_not_fit_and_marks_the_row(tmp_path: Path) -> None:
    found = (
        Matter("unclaimed", (), ("dumps/<b>.bin",), "<b>.bin in dumps/ is of no session."),
        Matter("start", ("glazing-1",), (), "glazing-1 starts 7 min later by the device's clock."),
    )
    page = page_of(tmp_path, found)
    assert page.count("What does not fit together") == 1
    assert "&lt;b&gt;.bin in dumps/ is of no session." in page
    row = page[page.index('<tbody role="rowgroup">') :]
    marks = row.count("does not fit:")
    assert (marks, row.count('<a href="#matter-2">start time</a>')) == (1, 1)
    assert 'id="matter-2"' in page


def test_page_is_silent_where_everything_fits(tmp_path: Path) -> None:
    page = page_of(tmp_path, ())
    assert "What does not fit together" not in page
    assert "does not fit:" not in page


# ---------------------------------------------------------------- a batch as it was read


def batch(
    folder: Path, conversions: dict[str, dict[str, Any]], qualities: dict[str, dict[str, Any]] | None = None
) -> dict[str, Any]:
    """Write what steps leave of two sessions, make the batch page, and give what the tables are made of."""
    study = load_study(make_folder(folder))
    results = folder / "results"
    for session in study.sessions:
        places = Places(results, session.name)
        quality = examples.session(results / session.name, session.name, duration_s=600.0)
        write_json(places.quality, quality | (qualities or {}).get(session.name, {}))
        dumps = [{"name": name, "sha256": sha(name)} for name in session.dumps]
        write_json(places.conversion, {"dumps": dumps, **conversions.get(session.name, {})})
        places.strip.write_text("<svg xmlns='http://www.w3.org/2000/svg'></svg>")
        write_windows(windows_of(places.samples, session.activities, quality["usable"]), places.signal)
    overview(Tables(study, builtin_policy(), results, "2026-03-03T01:00:00+00:00"))
    return json.loads((results / ".work" / "record.json").read_text(encoding="utf-8"))


def test_run_says_what_does_not_fit(tmp_path: Path) -> None:
    """wedging-1 starts at 09:30 in UTC, glazing-1 at 13:05 one hour ahead of it."""
    (tmp_path / "workshop" / "dumps").mkdir(parents=True)
    (tmp_path / "workshop" / "dumps" / "c.bin").touch()
    same = [{"name": "dumps/a.bin", "sha256": sha("x"), "header_start": "2026-03-02T09:31:10"}]
    other = [{"name": "dumps/b.bin", "sha256": sha("x"), "header_start": "2026-03-02T13:07:30"}]
    run = batch(
        tmp_path,
        {
            "wedging-1": {"dumps": same, "device_start_utc": "2026-03-02T09:29:00.250000Z"},
            "glazing-1": {"dumps": other, "receiver_start_utc": "2026-03-02T13:05:00Z"},
        },
    )
    told = [(matter["kind"], matter["sessions"], matter["files"]) for matter in run["matters"]]
    assert told == [
        ("shared_dump", ["wedging-1", "glazing-1"], ["dumps/a.bin", "dumps/b.bin"]),
        ("start", ["glazing-1"], []),
        ("start", ["glazing-1"], []),
        ("unclaimed", [], ["dumps/c.bin"]),
    ]
    texts = [matter["text"] for matter in run["matters"]]
    assert "by the receiver's stamps, 1 h later, as if" in texts[1]
    assert "13:07:30+01:00 by the header of dumps/b.bin, 2 min 30 s later;" in texts[2]
    page = (tmp_path / "results" / "index.html").read_text(encoding="utf-8")
    assert page.count('<a href="#matter-') == 4


def test_empty_dumps_are_not_taken_for_copies(tmp_path: Path) -> None:
    nothing = hashlib.sha256(b"").hexdigest()
    names = {"wedging-1": "dumps/a.bin", "glazing-1": "dumps/b.bin"}
    run = batch(tmp_path, {s: {"dumps": [{"name": n, "sha256": nothing}]} for s, n in names.items()})
    assert run["matters"] == []


def test_a_dump_that_only_one_session_could_read_keeps_its_digest(tmp_path: Path) -> None:
    made = {"version": "0", "layout_sha256": "", "policy_sha256": ""}
    digests = {"wedging-1": sha("x"), "glazing-1": ""}  # the second one names a layout that does not fit
    qualities = {s: {"made_by": {**made, "dumps": {"dumps/a.bin": d}}} for s, d in digests.items()}
    assert batch(tmp_path, {}, qualities)["dumps"] == {"dumps/a.bin": sha("x")}


def test_the_table_has_the_largest_lag_of_either_sign(tmp_path: Path) -> None:
    lag = {"name": "step_lag_s", "limit": None}
    lags = [{**lag, "channel": channel, "value": lag_s} for channel, lag_s in (("a", -2), ("b", 0.1))]
    batch(tmp_path, {}, {"wedging-1": {"measures": lags}})
    with (tmp_path / "results" / "sessions.csv").open(encoding="utf-8") as source:
        assert float(next(csv.DictReader(source))["step_lag_s"]) == -2
