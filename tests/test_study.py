"""What is said of a study folder: what is right loads, what is wrong is named, all of it in one pass."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from workshop import GLAZING, HEADER, LOG, STUDY, WEDGING, activities, make_folder, only, sessions, told

from pipeline.stamps import StampError, parse_stamp
from pipeline.study import Study, check_folders, load_study


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A study of two sessions in which nothing is wrong."""
    return make_folder(tmp_path)


# ---------------------------------------------------------------- a study that is right


def test_everything_is_read(folder: Path) -> None:
    (folder / "study.toml").write_text(STUDY + '[[site]]\nname = "kiln room"\nmains_hz = 60\n')
    sessions(folder, WEDGING[:-1] + ",left\n", GLAZING[:-1] + ",\n", header=HEADER[:-1] + ",wrist\n")
    activities(folder, "wedging-1,60,90.5,trimming,hand\n", "wedging-1,0,60,wedging,arm\n")
    study = load_study(folder)
    first, second = study.sessions
    assert (study.title, study.time_zone) == ("A pottery workshop (invented)", "Europe/Lisbon")
    assert (first.name, first.participant, first.site, first.device) == (
        "wedging-1",
        "P01",
        "throwing room",
        "strap-1",
    )
    assert (first.layout, first.layouts, first.dumps) == ("strap", ("strap",), ("dumps/a.bin",))
    assert first.line == 2
    assert first.started_at == datetime(2026, 3, 2, 9, 30, tzinfo=UTC)
    assert second.started_at == datetime(2026, 3, 2, 12, 5, tzinfo=UTC)
    assert (first.mains_hz, second.mains_hz) == (50.0, 60.0)
    assert (first.extra, second.extra) == ((("wrist", "left"),), (("wrist", ""),))
    assert [(a.start_s, a.stop_s, a.activity, a.intensity, a.line) for a in first.activities] == [
        (0.0, 60.0, "wedging", "arm", 3),
        (60.0, 90.5, "trimming", "hand", 2),
    ]
    assert second.activities == ()
    assert study.layouts["strap"].sample_hz == 125
    assert study.layout_files == {"strap": folder / "layouts" / "strap.toml"}
    assert study.policy_file is None
    assert {path.name for path in study.own_files} == {
        "study.toml",
        "sessions.csv",
        "activities.csv",
        "strap.toml",
    }


def test_the_policy_is_used_when_it_is_there(folder: Path) -> None:
    (folder / "policy.toml").write_text("")
    assert load_study(folder).policy_file == folder / "policy.toml"


def test_keys_name_other_files(folder: Path) -> None:
    (folder / "study.toml").write_text(
        STUDY + 'sessions = "who.csv"\nactivities = "what.csv"\npolicy = "limits.toml"\nlayouts = "devices"\n'
    )
    (folder / "sessions.csv").rename(folder / "who.csv")
    (folder / "what.csv").write_text(LOG + "wedging-1,0,60,wedging,arm\n")
    (folder / "limits.toml").write_text("")
    (folder / "layouts").rename(folder / "devices")
    study = load_study(folder)
    assert study.policy_file == folder / "limits.toml"
    assert study.layout_files["strap"] == folder / "devices" / "strap.toml"
    assert len(study.sessions[0].activities) == 1


def test_time_zone_is_utc_where_none_is_given(folder: Path) -> None:
    (folder / "study.toml").write_text('title = "t"\nmains_hz = 60.0\n')
    assert load_study(folder).time_zone == "UTC"


def test_dumps_in_parts_need_not_exist(folder: Path) -> None:
    sessions(folder, WEDGING.replace("dumps/a.bin", "dumps/a-1.bin; ./dumps//a-2.bin;x/../dumps/a-3.bin"))
    assert load_study(folder).sessions[0].dumps == ("dumps/a-1.bin", "dumps/a-2.bin", "dumps/a-3.bin")


def test_unused_layouts_and_hidden_files_are_left_alone(folder: Path) -> None:
    (folder / "layouts" / "half-written.toml").write_text("[[frame]")
    (folder / "layouts" / "._strap.toml").write_bytes(b"\x00\xff")
    assert load_study(folder).layouts.keys() == {"strap"}


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_line_ends_and_byte_order_mark(folder: Path, ending: str, mark: bytes) -> None:
    # RFC 4180 section 2: the last record may or may not end in a line break.
    text = (HEADER + WEDGING + GLAZING).rstrip().replace("\n", ending)
    (folder / "sessions.csv").write_bytes(mark + text.encode())
    assert [session.line for session in load_study(folder).sessions] == [2, 3]


def test_quoted_values_hold_commas_quotes_and_line_ends(folder: Path) -> None:
    # RFC 4180 section 2, rules 6 and 7.
    sessions(
        folder,
        WEDGING.replace("throwing room", '"throwing ""big"" room,\r\nground floor"'),
        GLAZING,
        ",,,,,,\n",
        "\n",
    )
    study = load_study(folder)
    assert study.sessions[0].site == 'throwing "big" room,\r\nground floor'
    assert [session.line for session in study.sessions] == [2, 4]


# ---------------------------------------------------------------- RFC 3339


@pytest.mark.parametrize(
    ("text", "milliseconds"),
    [
        # RFC 3339 section 5.8. The counts from 1970-01-01T00:00:00Z were worked out from the calendar alone.
        ("1985-04-12T23:20:50.52Z", 482_196_050_520),
        ("1996-12-19T16:39:57-08:00", 851_042_397_000),
        ("1996-12-20T00:39:57Z", 851_042_397_000),
        ("1937-01-01T12:00:27.87+00:20", -1_041_337_172_130),
        # The same section: a leap second; here it is the second that follows, 1991-01-01T00:00:00Z.
        ("1990-12-31T23:59:60Z", 662_688_000_000),
        ("1990-12-31T15:59:60-08:00", 662_688_000_000),
        # Section 5.6: "T" and "Z" may be lower case.
        ("1985-04-12t23:20:50.52z", 482_196_050_520),
    ],
)
def test_stamps_of_the_standard(text: str, milliseconds: int) -> None:
    epoch = datetime(1970, 1, 1, tzinfo=UTC)
    assert parse_stamp(text) - epoch == timedelta(milliseconds=milliseconds)


def test_the_offset_stays_as_written() -> None:
    assert parse_stamp("1996-12-19T16:39:57-08:00").utcoffset() == timedelta(hours=-8)


def test_digits_beyond_the_microsecond_are_cut() -> None:
    assert parse_stamp("2026-03-02T09:30:00.1234569Z").microsecond == 123456


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("2026-03-02T09:30:00", ("without an offset", "2026-03-02T09:30:00+01:00", "2026-03-02T09:30:00Z")),
        # RFC 3339 section 4.3: -00:00 says that the offset is unknown.
        ("2026-03-02T09:30:00-00:00", ("offset is unknown", "+00:00 or Z")),
        ("2026-02-29T09:30:00Z", ("day", "Correct the date")),  # 2026 is no leap year
        ("2026-03-02T24:00:00Z", ("hour", "Correct the date")),
        ("2026-03-02T09:30:60Z", ("second 60 exists only", "Correct the date")),
        ("2026-03-02T23:59:60Z", ("end of a month", "Correct the date")),
        ("2026-03-02T09:30:61Z", ("second", "Correct the date")),
        ("2026-03-02T09:30:00+24:00", ("23:59", "Correct the date")),
        ("2026-03-02T09:30:00+01:60", ("23:59", "Correct the date")),
        ("0000-03-02T09:30:00Z", ("year", "Correct the date")),
        ("0001-01-01T00:00:00+10:00", ("0001", "Correct the date")),
        ("9999-12-31T23:59:60Z", ("9999", "Correct the date")),
        ("2026-03-02", ("'2026-03-02'", "Write it such as 2026-03-02T09:30:00+00:00")),
        ("02.03.2026 09:30", ("02.03.2026", "Write it such as")),
        ("2026-03-02T09:30+00:00", ("09:30+00:00", "Write it such as")),
        ("２026-03-02T09:30:00Z", ("２026", "Write it such as")),
    ],
)
def test_what_is_no_stamp(text: str, parts: tuple[str, ...]) -> None:
    with pytest.raises(StampError) as raised:
        parse_stamp(text)
    told([str(raised.value)], *parts)


# ---------------------------------------------------------------- study.toml


def test_no_such_folder(tmp_path: Path) -> None:
    only(tmp_path / "nowhere", "nowhere", "a study folder", "no such folder", "sessiongate new")


def test_a_file_is_no_study_folder(folder: Path) -> None:
    only(folder / "study.toml", "study.toml", "a study folder", "a file", "Give the folder")


def test_study_toml_is_missing(folder: Path) -> None:
    (folder / "study.toml").unlink()
    only(folder, "study.toml", "a TOML file", "no such file", "Create it")


def test_study_toml_is_no_toml(folder: Path) -> None:
    (folder / "study.toml").write_text('title = "t"\nmains_hz 50\n')
    only(folder, "study.toml, line 2, column 10", "TOML", "text that is none (Expected '='", "Correct it")


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        (
            STUDY + 'titel = "x"\n',
            ("key titel", "one of title", "unknown key 'titel'", "Did you mean 'title'?"),
        ),
        (STUDY + 'weather = "x"\n', ("key weather", "one of title", "unknown key", "Remove it")),
        (
            STUDY.replace('"A pottery workshop (invented)"', "5"),
            ("key title", "a string", "found 5", "Name of"),
        ),
        (STUDY.replace("50", "true"), ("key mains_hz", "a number in Hz", "true", "Nominal frequency")),
        (STUDY.replace("50", "nan"), ("key mains_hz", "a number in Hz", "nan", "Nominal frequency")),
        (STUDY.replace("50", "400"), ("key mains_hz", "50 or 60", "400", "nominal frequency")),
        (STUDY.replace("mains_hz = 50", ""), ("key mains_hz", "a number in Hz", "no such key", "Add it")),
        (
            STUDY.replace("Lisbon", "Lisbom"),
            ("key time_zone", "IANA", "Europe/Lisbom", "mean 'Europe/Lisbon'?"),
        ),
        (STUDY.replace("Europe/Lisbon", "Europe"), ("key time_zone", "IANA", "'Europe'", "?")),
        (STUDY.replace("Europe/Lisbon", "../UTC"), ("key time_zone", "IANA", "'../UTC'")),
        (STUDY + "time = 07:32\n", ("line 4", "TOML", "Correct it")),
        (STUDY + 'policy = "no.toml"\n', ("key policy", "'no.toml'", "no such file", "or remove the key")),
        (STUDY + 'activities = "no.csv"\n', ("key activities", "'no.csv'", "no such file", "remove the key")),
        (STUDY + 'policy = "layouts"\n', ("key policy", "'layouts'", "a folder", "remove the key")),
        (STUDY + 'sessions = "no.csv"\n', ("no.csv", "a CSV file", "no such file", "Create it")),
        (STUDY + 'layouts = "no"\n', ("no: ", "folder of the layouts", "no such folder", "key layouts")),
        (
            STUDY + '[[site]]\nname = "kiln room"\n',
            ("key site[0].mains_hz", "a number", "no such key", "Add it"),
        ),
        (
            STUDY + '[[site]]\nname = "kiln room"\nmains_hz = 55\n',
            ("key site[0].mains_hz", "50 or 60", "55", "nominal"),
        ),
        (
            STUDY + '[[site]]\nname = "a"\nmains_hz = 50\n[[site]]\nname = "a"\nmains_hz = 60\n',
            ("key site[1].name (the 2nd site, a)", "each site once", "'a', as the 1st site", "Remove"),
        ),
        (STUDY + "[site]\n", ("key site", "a list of tables", "{}", "A site whose mains differs")),
    ],
)
def test_faults_of_study_toml(folder: Path, text: str, parts: tuple[str, ...]) -> None:
    (folder / "study.toml").write_text(text)
    only(folder, "study.toml" if parts[0][:3] in ("key", "lin") else "workshop", *parts)


def test_an_acronym_keeps_its_capitals(folder: Path) -> None:
    (folder / "study.toml").write_text(STUDY.replace('"Europe/Lisbon"', "1"))
    only(folder, "key time_zone", "a string", "1", "IANA name")


def test_site_that_no_session_uses_is_no_fault(folder: Path) -> None:
    (folder / "study.toml").write_text(STUDY + '[[site]]\nname = "drying loft"\nmains_hz = 60\n')
    assert {session.mains_hz for session in load_study(folder).sessions} == {50.0}


# ---------------------------------------------------------------- study folder and results folder


def test_results_beside_the_study(folder: Path, tmp_path: Path) -> None:
    before = sorted(tmp_path.rglob("*"))
    assert check_folders(folder, tmp_path / "results" / "today") == []
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.parametrize("made", ["run.json", ".work"])
def test_earlier_results_are_taken(folder: Path, tmp_path: Path, made: str) -> None:
    results = tmp_path / "results"
    (results / made).mkdir(parents=True)
    (results / "wedging-1").mkdir()
    assert check_folders(folder, results) == []


def test_a_stray_file_of_a_file_manager_is_passed_over(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "results").mkdir()
    (tmp_path / "results" / ".DS_Store").touch()
    assert check_folders(folder, tmp_path / "results") == []


def test_the_folder_of_a_drill_takes_no_results(folder: Path, tmp_path: Path) -> None:
    drill = tmp_path / "drill"
    (drill / ".work" / "own" / ".work").mkdir(parents=True)
    (problem,) = check_folders(folder, drill)
    assert "the folder of a drill" in str(problem)
    assert check_folders(folder, drill / ".work" / "own") == []


@pytest.mark.parametrize(
    ("results", "parts"),
    [
        ("workshop", ("apart from the study", "the study folder itself", "beside it")),
        ("workshop/results", ("apart from the study", "inside the study folder", "beside it")),
        ("workshop/../workshop/x/y", ("apart from the study", "inside the study folder", "beside it")),
        ("link/results", ("apart from the study", "inside the study folder", "beside it")),
        (".", ("apart from the study", "holds the study folder", "beside it")),
        ("file", ("a folder", "a file at", "Choose another name")),
        ("file/results", ("a folder", "a file at", "Choose another name")),
        ("loop/results", ("can be written", "Choose another folder")),
        ("photos", ("a new or empty folder", "such as 'boards.jpg'", "Choose a new folder")),
    ],
)
def test_where_results_may_not_go(folder: Path, tmp_path: Path, results: str, parts: tuple[str, ...]) -> None:
    (tmp_path / "link").symlink_to(folder)
    (tmp_path / "loop").symlink_to("loop")
    (tmp_path / "file").touch()
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "boards.jpg").touch()
    (problem,) = check_folders(folder, tmp_path / results)
    told([str(problem)], str(tmp_path), *parts)
    assert sorted(path.name for path in folder.iterdir()) == ["layouts", "sessions.csv", "study.toml"]


def test_folder_that_cannot_be_written(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(dir: Path) -> None:
        raise OSError(30, "Read-only file system", str(dir))

    monkeypatch.setattr("tempfile.TemporaryFile", refused)
    (problem,) = check_folders(folder, tmp_path / "results")
    told([str(problem)], "results", "can be written", "Read-only file system", "Choose another folder")


def test_relative_folders(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder.parent)
    assert check_folders(Path("workshop"), Path("results")) == []
    assert len(check_folders(Path("workshop"), Path("workshop/results"))) == 1
    monkeypatch.chdir(folder)
    assert len(check_folders(Path(), Path("results"))) == 1
    assert isinstance(load_study(Path()), Study)
