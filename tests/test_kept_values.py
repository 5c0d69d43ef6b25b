"""Values that were asked for, and hold a name or a date all the same. All of it is invented.

Source of what counts as a date: HIPAA Safe Harbor, 45 CFR 164.514(b)(2)(i)(C): all elements of dates but the
year; the year as well here, since it narrows a shift. How dates are
written: common practice, no source.
"""

import pytest
from test_recode import gathered, held, names_of

from pipeline.bundle.keep import check_keep, unscanned_words
from pipeline.bundle.recode import _extra, withheld
from pipeline.bundle.scan import withheld_words
from pipeline.errors import InputError

STUDY = gathered(held("w-12", review={"initials": "QT", "decision": "accept", "reason": "it rained"}))


@pytest.mark.parametrize(
    "value",
    ["2026-03-02", "2026-03-02T09:30:00+01:00", "02.03.2026", "3/2/26", "20260302", "020326", "2 March 2026",
     "March 2", "2. März", "born 1987", "1987-05", "on a Monday", "1772443800", "46083", "46083.4",
     "2026-W10", "worn by Marlene K", "marlene", "STRAP 7", "strap7", "kiln_room_2", "as w-12", "W12",
     "dumps/strap-7/wedging 12.log", "wedging 12", "serial", "seen by QT", "M.K.", "MK", "a1:b2:c3:d4:e5:f6",
     "k@invented.example"],
)  # fmt: skip
def test_names_and_dates_are_found(value):
    assert names_of(STUDY).scan.finds(value)


@pytest.mark.parametrize(
    "value",
    ["", "34", "left", "she hurt her thumb", "34.5", "0.1234567", "1.2.3", "12:30", "may be tired", "strap",
     "in room 2", "qt", "a carton of glaze, 20 kg", "kiln", "170 cm", "12"],
)  # fmt: skip
def test_plain_values_pass(value):
    assert not names_of(STUDY).scan.finds(value)


def asked(study, *keep):
    return names_of(study, *check_keep(keep, study))


NOTED = gathered(
    held("w-12", extra={"age": "34", "note": "born 2.3.87"}),
    held("w-13", extra={"age": "34", "note": "hurt her thumb"}),
    held("w-14", extra={"age": "35", "note": "Marlene K"}),
)


def test_a_value_with_a_name_or_a_date_stays_behind():
    names = asked(NOTED, "column:age", "column:note")
    assert [_extra(one, names)["note"] for one in NOTED.sessions] == ["", "hurt her thumb", ""]
    assert [_extra(one, names)["age"] for one in NOTED.sessions] == ["34", "34", "35"]
    assert withheld(names) == {"column 'age'": (0, 2), "column 'note'": (2, 3)}
    (told,) = withheld_words(withheld(names))
    assert told.startswith("2 of 3 different values of column 'note' hold")
    assert unscanned_words(names.keep) == ()


def test_a_field_that_is_not_to_be_searched_is_told():
    names = asked(NOTED, "column:note!", "title!")
    assert [_extra(one, names)["note"] for one in NOTED.sessions] == [s.extra["note"] for s in NOTED.sessions]
    assert unscanned_words(names.keep) == ("Kept without a search for names and dates: column:note, title.",)
    assert {"column:note", "column:note!", "title", "title!"} == names.keep


def test_what_is_short_is_left_out_where_it_is_the_name_itself():
    study = gathered(held("w-12", participant="7", extra={"who": "7", "pots": "6"}))
    assert _extra(study.sessions[0], asked(study, "column:who", "column:pots")) == {"who": "", "pots": "6"}


def test_a_column_that_is_called_by_a_name_stays_behind():
    study = gathered(held("w-12", extra={"pots of Marlene": "6"}))
    names = asked(study, "column:pots of Marlene")
    assert _extra(study.sessions[0], names) == {}
    assert sum(n for n, _ in withheld(names).values()) == 1


def test_an_activity_with_a_date_keeps_its_code():
    log = ({"start_s": 0.0, "stop_s": 9.0, "activity": "glazing on 3 May", "intensity": "arm"},)
    names = asked(gathered(held("w-12", activities=log)), "activities")
    assert names.activity("glazing on 3 May") == "arm-1"


def test_a_field_that_is_none():
    with pytest.raises(InputError, match="titel!"):
        asked(NOTED, "titel!")
