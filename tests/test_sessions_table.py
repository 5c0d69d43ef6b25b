"""What is said of the tables of a study: sessions and activities."""

from pathlib import Path

import pytest
from workshop import (
    GLAZING,
    HEADER,
    LAYOUT,
    STUDY,
    WEDGING,
    activities,
    faults,
    make_folder,
    only,
    sessions,
    told,
)

from pipeline.study import load_study


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A study of two sessions in which nothing is wrong."""
    return make_folder(tmp_path)


# ---------------------------------------------------------------- sessions.csv


def test_sessions_are_missing(folder: Path) -> None:
    (folder / "sessions.csv").unlink()
    only(folder, "sessions.csv", "a CSV file", "no such file", "Create it")


@pytest.mark.parametrize(
    ("content", "parts"),
    [
        (b"", ("line 1", "a header that names session, participant", "an empty file", "Add it")),
        (b"\n\n", ("line 1", "a header", "an empty file", "Add it")),
        (HEADER.encode(), ("at least one session", "none", "Add a row")),
        (
            (HEADER + WEDGING.replace("throwing", "T\xf6pfer")).encode("latin-1"),
            ("line 2, byte 71", "UTF-8 text", "0xF6", "Save the file as UTF-8"),
        ),
        ((HEADER + WEDGING).encode("utf-16"), ("line 1, byte 0", "UTF-8 text", "0xFF", "UTF-8")),
        (
            (HEADER + WEDGING).replace(",", ";").encode(),
            ("line 1", "commas", "semicolons", "Save the table as CSV"),
        ),
        (
            (HEADER + WEDGING).replace(",", "\t").encode(),
            ("line 1", "commas", "tabs", "Save the table as CSV"),
        ),
        (
            (HEADER.replace("site,", "") + WEDGING).encode(),
            ("line 1", "a column 'site'", "columns session, participant, device", "Add the column"),
        ),
        (
            (HEADER.replace("site", "Sites") + WEDGING).encode(),
            ("line 1", "a column 'site'", "Sites", "Is it the column 'Sites'?"),
        ),
        (
            (HEADER.replace(",site", ", site") + WEDGING).encode(),
            ("line 1", "a column 'site'", " site", "Is it the column ' site'?"),
        ),
        (
            (HEADER[:-1] + ",site\n" + WEDGING[:-1] + ",x\n").encode(),
            ("line 1", "each column once", "'site' 2 times", "Rename or remove"),
        ),
        (
            (HEADER[:-1] + ",\n" + WEDGING[:-1] + ",x\n").encode(),
            ("line 1", "a name for every column", "none for column 8", "Name it"),
        ),
        (
            (HEADER + WEDGING + GLAZING[:-1] + ",\n").encode(),
            ("line 3", "7 values", "found 8", "double quotes"),
        ),
        (
            (HEADER + WEDGING.replace("room", '"ro\nom"').replace('throwing "', '"') + "a,b\n").encode(),
            ("line 4", "7 values", "found 2", "Add or remove commas"),
        ),
        (
            (HEADER + WEDGING + GLAZING.replace("kiln", '"kiln')).encode(),
            ("line 3", "double quotes", "unexpected end of data", "Close or double the quote"),
        ),
        (
            (HEADER + WEDGING + GLAZING.replace("kiln room", '"kiln" room')).encode(),
            ("line 3", "double quotes", "expected after", "Close or double the quote"),
        ),
    ],
)
def test_faults_of_form(folder: Path, content: bytes, parts: tuple[str, ...]) -> None:
    (folder / "sessions.csv").write_bytes(content)
    only(folder, "sessions.csv", *parts)


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ("glazing-1", "", ("column session", "a value", "an empty one", "Add it: unique name")),
        ("glazing-1", "glazing 1", ("column session", "letters", "'glazing 1'", "name of a folder")),
        ("glazing-1", "-glazing", ("column session", "not a hyphen first", "'-glazing'", "Rename")),
        ("glazing-1", "g" * 65, ("column session", "1 to 64", "ggg", "Rename")),
        ("glazing-1", "glasür", ("column session", "a-z", "'glasür'", "Rename")),
        ("glazing-1", "../x", ("column session", "a-z", "'../x'", "Rename")),
        ("glazing-1", "Logs", ("column session", "not taken", "'Logs'", "results folder")),
        ("glazing-1", "index", ("column session", "not taken", "'index'", "results folder")),
        ("glazing-1", "nul", ("column session", "not taken", "'nul'", "operating system")),
        ("glazing-1", "wedging-1", ("column session", "name of its own", "already on line 2", "Rename one")),
        (
            "glazing-1",
            "Wedging-1",
            ("column session", "name of its own", "line 2 as 'wedging-1'", "Rename one"),
        ),
        ("P02", "P02 ", ("column participant", "without blanks", "'P02 '", "part of the value")),
        ("strap,", "strapp,", ("column layout", "(strap)", "'strapp'", "Did you mean 'strap'?")),
        ("strap,", "strap.toml,", ("column layout", "(strap)", "'strap.toml'", "Did you mean 'strap'?")),
        ("strap,", "serial,", ("column layout", "(strap)", "'serial'", "Add serial.toml")),
        (
            "strap,dumps/b.bin",
            "strap;serial,dumps/b.bin;dumps/c.log",
            ("column layout", "(strap)", "'serial'", "Add serial.toml"),
        ),
        ("strap,", "strap;strap,", ("column layout", "the dump's layout", "2 in 'strap;strap'", "Name the")),
        (
            "strap,dumps/b.bin",
            "strap;strap,dumps/b.bin;dumps/c.bin;dumps/d.bin",
            (
                "column layout",
                "one layout, or one for each of the 3 dumps",
                "2 in",
                "Name the layout of each",
            ),
        ),
        (
            "strap,dumps/b.bin",
            "strap;;strap,dumps/b.bin;dumps/c.bin;dumps/d.bin",
            ("column layout", "(strap)", "''", "parted by ';'"),
        ),
        ("dumps/b.bin", "", ("column dumps", "a value", "empty", "paths below the study folder")),
        ("dumps/b.bin", "dumps/b.bin;", ("column dumps", "before and after", "'dumps/b.bin;'", "too many")),
        ("dumps/b.bin", "/dumps/b.bin", ("column dumps", "below", "absolute path", "Copy or link")),
        ("dumps/b.bin", "C:\\b.bin", ("column dumps", "below", "absolute path", "Copy or link")),
        ("dumps/b.bin", "C:b.bin", ("column dumps", "below", "absolute path", "Copy or link")),
        ("dumps/b.bin", "dumps/../../b.bin", ("column dumps", "below", "leads out of it", "Copy or link")),
        ("dumps/b.bin", "..", ("column dumps", "below", "leads out of it", "Copy or link")),
        ("dumps/b.bin", "dumps\\b.bin", ("column dumps", "'/' between", "dumps\\b.bin", "Write dumps/b.bin")),
        ("dumps/b.bin", "layouts", ("column dumps", "a file", "a folder", "Name its files")),
        ("dumps/b.bin", "dumps/\x00", ("column dumps", "below", "\\x00", "cannot be printed")),
        ("dumps/b.bin", "d" * 300, ("column dumps", "below", "too long", "Check its name")),
        ("dumps/b.bin", "dumps/b.bin;dumps/b.bin", ("column dumps", "each dump once", "2 times", "Remove")),
        ("2026-03-02T13:05:00+01:00", "2026-03-02T13:05:00", ("column started_at", "RFC 3339", "+01:00")),
    ],
)
def test_faults_of_a_session(folder: Path, old: str, new: str, parts: tuple[str, ...]) -> None:
    assert old in GLAZING
    sessions(folder, WEDGING, GLAZING.replace(old, new))
    only(folder, "sessions.csv, line 3, ", *parts)


def test_two_sessions_may_name_one_dump(folder: Path) -> None:
    """It is told on the page of the batch instead; see test_crosscheck.py."""
    sessions(folder, WEDGING, GLAZING.replace("dumps/b.bin", "./dumps/a.bin"))
    assert [session.dumps for session in load_study(folder).sessions] == [("dumps/a.bin",)] * 2


@pytest.mark.parametrize(
    ("layouts", "dumps", "wanted"),
    [
        ("strap", "a.bin", ("strap",)),
        ("strap", "a.bin;b.bin;c.bin", ("strap", "strap", "strap")),
        ("strap;serial", "a.bin;a.log", ("strap", "serial")),
        ("serial; strap;serial", "a.log;a.bin;b.log", ("serial", "strap", "serial")),
    ],
)
def test_a_layout_for_all_dumps_or_for_each(
    folder: Path, layouts: str, dumps: str, wanted: tuple[str, ...]
) -> None:
    (folder / "layouts" / "serial.toml").write_text(LAYOUT)
    sessions(folder, WEDGING.replace(",strap,dumps/a.bin", f",{layouts},{dumps}"))
    study = load_study(folder)
    (session,) = study.sessions
    assert (session.layout, session.layouts) == (layouts, wanted)
    assert len(session.layouts) == len(session.dumps)
    assert study.layouts.keys() == study.layout_files.keys() == set(wanted)


def test_messages_stay_on_one_line(folder: Path) -> None:
    name = '"glaz\ning"'
    sessions(folder, WEDGING.replace("wedging-1", name), GLAZING.replace("glazing-1", name))
    activities(folder, f"{name},0,60,{name},hand\n", f"{name},30,60,{name},hand\n")
    messages = faults(folder)
    assert len(messages) == 4
    assert all("\n" not in message for message in messages)


def test_used_layout_has_faults(folder: Path) -> None:
    text = LAYOUT.replace('unit = "V"', 'unit = "uVolt"').replace("bits = 12", "bits = 24")
    (folder / "layouts" / "strap.toml").write_text(text)
    messages = faults(folder)
    told(messages, "layouts/strap.toml, key channel[0].unit", "one of V, mV, uV", "'uVolt'", "UCUM")
    told(messages, "layouts/strap.toml, key channel[0].bits", "16 bits", "24", "Correct")
    assert len(messages) == 2


def test_all_faults_in_one_pass(folder: Path) -> None:
    (folder / "study.toml").write_text(STUDY.replace("50", "55") + "colour = 1\npolicy = 'no.toml'\n")
    sessions(
        folder,
        "wedging-1,,throwing room,strap-1,strap,/a.bin,yesterday\n",
        "too,few\n",
        "logs,P01,kiln room,strap-1,ribbon,b.bin;b.bin,2026-03-02T13:05:00\n",
    )
    activities(folder, "trimming-1,0,60,trimming,hand\n", "wedging-1,60,0,wedging,strong\n")
    (folder / "layouts" / "strap.toml").write_text(LAYOUT + "colour = 1\n")
    messages = faults(folder)
    for parts in [
        ("study.toml, key colour",),
        ("study.toml, key mains_hz",),
        ("study.toml, key policy",),
        ("sessions.csv, line 2, column participant",),
        ("sessions.csv, line 2, column dumps",),
        ("sessions.csv, line 2, column started_at",),
        ("sessions.csv, line 3: ", "7 values"),
        ("sessions.csv, line 4, column session",),
        ("sessions.csv, line 4, column layout",),
        ("sessions.csv, line 4, column dumps",),
        ("sessions.csv, line 4, column started_at",),
        ("activities.csv, line 2, column session",),
        ("activities.csv, line 3, column stop_s",),
        ("activities.csv, line 3, column intensity",),
        ("layouts/strap.toml, key channel[0].colour",),
    ]:
        told(messages, *parts)
    assert len(messages) == 15


# ---------------------------------------------------------------- activities.csv


@pytest.mark.parametrize(
    ("row", "parts"),
    [
        (
            "wedgin-1,0,60,wedging,arm\n",
            ("column session", "a session of", "'wedgin-1'", "mean 'wedging-1'?"),
        ),
        ("kiln-9,0,60,wedging,arm\n", ("column session", "a session of", "'kiln-9'", "Add it")),
        ("wedging-1,60,60,wedging,arm\n", ("column stop_s", "an end after start_s = 60", "60", "Correct")),
        ("wedging-1,90,60,wedging,arm\n", ("column stop_s", "an end after start_s = 90", "60", "Correct")),
        ("wedging-1,-1,60,wedging,arm\n", ("column start_s", "at least 0 in s", "'-1'", "first sample")),
        ("wedging-1,0,1 min,wedging,arm\n", ("column stop_s", "a number", "'1 min'", "first sample")),
        ("wedging-1,nan,60,wedging,arm\n", ("column start_s", "a number", "'nan'", "first sample")),
        ("wedging-1,0,1e999,wedging,arm\n", ("column stop_s", "a number", "'1e999'", "first sample")),
        ("wedging-1,0,6_0,wedging,arm\n", ("column stop_s", "a number", "'6_0'", "first sample")),
        ('wedging-1,0,"60,5",wedging,arm\n', ("column stop_s", "a number", "'60,5'", "Write 60.5")),
        (
            "wedging-1,0,60,wedging,arms\n",
            ("column intensity", "rest, hand", "'arms'", "Did you mean 'arm'?"),
        ),
        (
            "wedging-1,0,60,wedging,strong\n",
            ("column intensity", "rest, hand", "'strong'", "It says how much"),
        ),
        ("wedging-1,0,60,,arm\n", ("column activity", "a value", "an empty one", "what was done")),
        ("wedging-1,0,60,wedging\n", ("line 2", "5 values", "4", "Add or remove commas")),
    ],
)
def test_faults_of_an_activity(folder: Path, row: str, parts: tuple[str, ...]) -> None:
    activities(folder, row)
    only(folder, "activities.csv, ", *(parts if parts[0] == "line 2" else ("line 2, ", *parts)))


def test_overlap_names_both_lines(folder: Path) -> None:
    activities(
        folder,
        "wedging-1,0,100,wedging,arm\n",
        "wedging-1,10,20,trimming,hand\n",
        "glazing-1,50,60,glazing,hand\n",
        "wedging-1,90,120,carrying boards,body\n",
        "wedging-1,120,130,resting,rest\n",
    )
    messages = faults(folder)
    told(messages, "line 3", "do not overlap", "'trimming' from 10 s", "'wedging' of line 2", "until 100 s")
    told(messages, "line 5", "do not overlap", "from 90 s", "of line 2", "Correct one")
    assert len(messages) == 2


def test_sessions_that_cannot_be_read_are_not_called_unknown(folder: Path) -> None:
    sessions(folder, WEDGING.replace("throwing", '"throwing'), GLAZING)
    activities(folder, "glazing-1,0,60,glazing,hand\n")
    only(folder, "sessions.csv, line 2", "unexpected end of data")
