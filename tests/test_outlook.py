"""What a run says it will redo, and why: words and reasons, without the engine (`test_growing` asks it)."""

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from pipeline.outlook import Made, Redo, changed, in_words, redos

OLD, NEW = Made("0.1.0", "0.1.0"), Made("0.1.0", "0.2.0")
TEXTS = "'mains 50; log ab12; detection cd34'", "'code ef56'"


@pytest.mark.parametrize(
    ("after", "keys"),
    [
        (TEXTS, ()),
        (("'mains 60; log ab12; detection cd34'", "'code ef56'"), ("mains",)),
        (("'mains 50; log ab13; detection cd35'", "'code ef57'"), ("log", "detection", "code")),
        (("'mains 50; log ab12'", "'code ef56'"), ("detection",)),
    ],
)
def test_what_changed_is_told_by_its_key(after: tuple[str, ...], keys: tuple[str, ...]) -> None:
    assert changed(TEXTS, after) == keys


def test_a_name_with_quotes_is_a_value_too() -> None:
    assert changed(['"row it\'s"'], ['"row it\'s"']) == ()
    assert changed(['"row it\'s"'], ["'row its'"]) == ("row",)


@pytest.mark.parametrize(
    ("redo", "line"),
    [
        (Redo("convert", ("new",), ("throw-10", "throw-11")), "New: throw-10, throw-11."),
        (
            Redo("convert", ("dumps", "layouts"), ("throw-01",)),
            "Converted again: throw-01 (size or time of dumps changed; layouts changed).",
        ),
        (
            Redo("judge", ("policy",), tuple(f"kiln-{n:02}" for n in range(12))),
            "Judged again: 12 sessions (the policy changed).",
        ),
        (Redo("report", ("review",), ("kiln-01",)), "New pages: kiln-01 (decisions changed)."),
        (Redo("overview", ("files",), ()), "New tables and batch page: other files lie where dumps lie."),
        (
            Redo("detect", ("mains", "log"), ("kiln-01",)),
            "Looked through again for faults: kiln-01 (mains frequency changed; activity log changed).",
        ),
    ],
)
def test_each_group_has_a_line(redo: Redo, line: str) -> None:
    assert in_words([redo], len(redo.sessions), OLD)[0] == line


def test_an_upgrade_says_which_version_does_what_differently() -> None:
    redo = Redo("judge", ("code",), tuple(f"kiln-{n:02}" for n in range(12)))
    why = "sessiongate 0.2.0 judges differently from 0.1.0, which made these results"
    assert in_words([redo], 12, NEW) == [
        f"Judged again: 12 sessions ({why}).",
        "Nothing is converted again.",
    ]
    assert "this copy of sessiongate 0.1.0 judges differently" in in_words([redo], 12, OLD)[0]


def test_what_stays_is_counted() -> None:
    new = Redo("convert", ("new",), ("throw-10",))
    assert in_words([new], 200, OLD)[1] == "199 sessions stay as they are."
    judged = Redo("judge", ("facts",), ("throw-10",))
    assert in_words([judged], 2, OLD)[1] == "1 session stays as it is; nothing is converted again."
    assert in_words([Redo("overview", ("told",), ())], 2, OLD)[1] == "2 sessions stay as they are."


# Reasons, from what the engine has found


def job(rule: str, session: str, folder: Path, *outputs: str) -> Any:
    wildcards = SimpleNamespace(session=session)
    return SimpleNamespace(
        rule=SimpleNamespace(name=rule), wildcards=wildcards, output=[folder / name for name in outputs]
    )


def reason(**told: Any) -> Any:
    nothing: dict[str, Any] = dict.fromkeys(("missing_output", "incomplete_output", "updated_input"), ())
    nothing |= {"params_changed": None, "input_changed": False, "forced": False}
    return SimpleNamespace(**nothing | told)


def dag(*found: tuple[Any, Any]) -> Any:
    reasons = {id(one): why for one, why in found}
    return SimpleNamespace(
        needrun_jobs=lambda: iter([one for one, _ in found]), reason=lambda one: reasons[id(one)]
    )


def test_the_first_step_of_a_session_gives_the_reason(tmp_path: Path) -> None:
    params = SimpleNamespace(only_old={"'code a'"}, only_new={"'code b'"})
    later = job("judge", "kiln-01", tmp_path, "page"), reason(updated_input=["x"])
    first = job("draw", "kiln-01", tmp_path, "drawn"), reason(params_changed=params)
    other = job("judge", "kiln-02", tmp_path, "quality"), reason(params_changed=params)
    tables = job("overview", "", tmp_path, "index.html"), reason(updated_input=["x"])
    assert redos(dag(later, first, other, tables)) == [
        Redo("draw", ("code",), ("kiln-01",)),
        Redo("judge", ("code",), ("kiln-02",)),
    ]


@pytest.mark.parametrize(
    ("texts", "expected"),
    [
        (("'review a'",), Redo("report", ("review",), ("kiln-01",))),
        (("'pages a'",), Redo("report", ("code",), ("kiln-01",))),
        (("'pages a'", "'code a'"), Redo("judge", ("code",), ("kiln-01",))),
        (("'pages a'", "'facts f; policy a'"), Redo("judge", ("code", "policy"), ("kiln-01",))),
    ],
)
def test_what_changes_pages_alone_judges_nothing(
    tmp_path: Path, texts: tuple[str, ...], expected: Redo
) -> None:
    """Verdicts are made by the same rule, and come out as they were."""
    params = SimpleNamespace(only_old=texts, only_new=[text.replace(" a", " b") for text in texts])
    one = job("judge", "kiln-01", tmp_path, "page"), reason(params_changed=params)
    assert redos(dag(one)) == [expected]


def test_new_gone_and_half_done_are_told_apart(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "b").write_text("")
    (tmp_path / "kiln-04").mkdir()  # of a run before
    monkeypatch.chdir(tmp_path)
    new = job("convert", "kiln-01", tmp_path, "a", "c"), reason(missing_output=[tmp_path / "a"])
    gone = job("convert", "kiln-02", tmp_path, "a", "b"), reason(missing_output=[tmp_path / "a"])
    half = job("detect", "kiln-03", tmp_path, "b"), reason(incomplete_output=[tmp_path / "b"])
    left = job("convert", "kiln-04", tmp_path, "a", "c"), reason(missing_output=[tmp_path / "a"])
    assert redos(dag(new, gone, half, left)) == [
        Redo("convert", ("gone",), ("kiln-02", "kiln-04")),
        Redo("convert", ("new",), ("kiln-01",)),
        Redo("detect", ("half",), ("kiln-03",)),
    ]


def test_texts_of_an_earlier_version_are_a_change_of_the_program(tmp_path: Path) -> None:
    params = SimpleNamespace(only_old={"'06ef7012012c96f6'"}, only_new={"'code b'"})
    one = job("judge", "kiln-01", tmp_path, "quality"), reason(params_changed=params)
    assert redos(dag(one)) == [Redo("judge", ("code",), ("kiln-01",))]


def test_tables_alone(tmp_path: Path) -> None:
    params = SimpleNamespace(only_old={"'files a'"}, only_new={"'files b'"})
    tables = job("overview", "", tmp_path, "index.html"), reason(params_changed=params)
    assert redos(dag(tables)) == [Redo("overview", ("files",), ())]
    fewer = job("overview", "", tmp_path, "index.html"), reason(input_changed=True)
    assert redos(dag(fewer)) == [Redo("overview", ("sessions",), ())]
