"""How far a run is: on a terminal, in a file, in a mail of cron; and how long the rest takes."""

import io
import json
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from test_progress import Terminal

from pipeline.following import MOST_TROUBLE, SHOWN_EACH, Follower
from pipeline.outlook import Redo
from pipeline.progress import time_words
from pipeline.screen import Screen, cut, width
from pipeline.watching import PROGRESS, Part, Watch, say

MB = 1_000_000
STEPS = ("convert", "detect", "judge", "report")


def states(sizes: dict[str, int], spent_s: dict[str, float], steps=STEPS) -> list[dict[str, Any]]:
    """What is told of sessions that are done one after the other, each in so many seconds."""
    told: list[dict[str, Any]] = []
    clock = {"s": 0.0}
    watch = Watch(told.append, lambda: clock["s"])
    parts = [Part(name, step, size) for name, size in sizes.items() for step in steps]
    watch.begin(parts, [Redo(steps[0], ("new",), tuple(sizes))], [], len(sizes))
    for name, seconds in spent_s.items():
        clock["s"] += seconds
        for step in steps:
            watch.step_done(name, step)
        watch.session_done(name, "accept", f"+ {name}: Can be used.")
    return [event for event in told if event["kind"] == "session"]


def left(event: dict[str, Any]) -> str:
    return str(event["state"]).partition("about ")[2].removesuffix(" left")


def test_time_left_follows_bytes_not_sessions() -> None:
    """A session of a day beside short ones: the hours are where the bytes are."""
    sizes = {f"throw-{n:02}": MB for n in range(9)} | {"kiln-01": 1000 * MB}
    short = states(sizes, {f"throw-{n:02}": 1.0 for n in range(9)})[-1]
    assert "9 of 10 sessions done" in short["state"]
    assert short["share"] < 0.1
    assert left(short).endswith("min")  # by sessions it would be one second
    long = states(sizes, {"kiln-01": 600.0})[-1]
    assert "1 of 10 sessions done" in long["state"]
    assert long["share"] > 0.9
    assert left(long).endswith("s")


def test_time_left_is_of_what_is_to_be_done_now() -> None:
    """Of 200 sessions 198 were done before: they are in no estimate."""
    told: list[dict[str, Any]] = []
    clock = {"s": 0.0}
    watch = Watch(told.append, lambda: clock["s"])
    parts = [Part(name, step, 8 * MB) for name in ("kiln-01", "kiln-02") for step in STEPS]
    watch.begin(parts, [], [], 200)
    clock["s"] = 60.0
    for step in STEPS:
        watch.step_done("kiln-01", step)
    watch.session_done("kiln-01", "accept", "+ kiln-01")
    assert told[-1]["state"].startswith("1 of 2 sessions done, 0 failed, ")
    seconds = float(left(told[-1]).split()[0]) * (60 if "min" in left(told[-1]) else 1)
    assert 60 <= seconds <= 300  # a session, and tables of 200


@pytest.mark.parametrize("pace", [0.5, 1.0, 20.0])
def test_equal_sessions_leave_equal_times(pace: float) -> None:
    """Also on a machine that is slow, or busy: what the start takes, and the tables at the end, are in it."""
    names = [f"kiln-{n:02}" for n in range(40)]
    one_s = sum(Part("", step, 8 * MB).work_s for step in STEPS)
    spent_s = dict.fromkeys(names, one_s * pace)
    spent_s[names[0]] += 1.5 * pace
    told = states(dict.fromkeys(names, 8 * MB), spent_s)
    for i, event in enumerate(told[:-1], 1):
        expected_s = pace * (one_s * (40 - i) + 1.6)
        number, unit = left(event).split()
        found_s = float(number) * {"s": 1, "min": 60}[unit]
        assert found_s == pytest.approx(expected_s, abs=0.6 if unit == "s" else 31), event["state"]


def test_nothing_is_said_of_the_time_before_anything_is_done() -> None:
    told: list[dict[str, Any]] = []
    watch = Watch(told.append, lambda: 5.0)
    watch.begin([Part("kiln-01", "convert", 0)], [], [], 1)
    watch.session_done("kiln-02", "accept", "+")
    assert "left" not in told[-1]["state"]


def test_a_step_that_fails_ends_its_session() -> None:
    told: list[dict[str, Any]] = []
    watch = Watch(told.append)
    watch.begin([Part("kiln-01", step, MB) for step in STEPS], [], [], 1)
    watch.step_done("kiln-01", "convert")
    watch.session_done("kiln-01", None, "! kiln-01: step 'detect': no")
    assert told[-1]["state"].startswith("1 of 1 sessions done, 1 failed, ")
    assert watch.done.failed == ["kiln-01"]


@pytest.mark.parametrize(
    ("s", "words"), [(0.4, "0 s"), (89, "89 s"), (90, "2 min"), (5400, "1.5 h"), (86400, "24.0 h")]
)
def test_times_in_words(s: float, words: str) -> None:
    assert time_words(s) == words


# What the front door makes of it


def heard(follower: Follower, *events: dict[str, Any]) -> bytes:
    return b"".join(follower.hear(f"{PROGRESS}{json.dumps(event)}\n".encode()) for event in events)


def to_do(n: int, **more: Any) -> dict[str, Any]:
    names = [f"kiln-{i:04}" for i in range(n)]
    one = {"step": "convert", "why": ["new"], "sessions": names}
    return {"kind": "to do", "redone": [one], "sessions": names, "lines": [f"New: {n} sessions."], **more}


def session(i: int, n: int, verdict: str | None = "accept") -> dict[str, Any]:
    sign = "+" if verdict == "accept" else "!"
    state = f"{i + 1} of {n} sessions done, 0 failed, {(i + 1) / n:.0%}"
    line = f"{sign} kiln-{i:04}: a sentence"
    return {
        "kind": "session",
        "session": f"kiln-{i:04}",
        "verdict": verdict,
        "line": line,
        "share": (i + 1) / n,
        "state": state,
    }


def ticking(step_s: float) -> Iterator[float]:
    now_s = 0.0
    while True:
        yield now_s
        now_s += step_s


def test_a_thousand_sessions_do_not_flood_a_mail_but_fill_the_diary(tmp_path: Path) -> None:
    out, clock = io.StringIO(), ticking(5.0)
    follower = Follower(tmp_path, Screen(out), lambda: next(clock))
    (tmp_path / "logs").mkdir()
    with follower.diary():
        kept = heard(follower, to_do(1000), *(session(i, 1000) for i in range(1000)))
    lines = out.getvalue().splitlines()
    assert lines[0] == "New: 1000 sessions."
    assert len(lines) == 10
    assert lines[1].startswith("101 of 1000 sessions done") or lines[1].startswith("100 of 1000")
    diary = (tmp_path / "logs" / "progress.log").read_text(encoding="utf-8").splitlines()
    assert len(diary) == 1001
    assert diary[-1].endswith("1000 of 1000 sessions done, 0 failed, 100%  + kiln-0999: a sentence")
    assert diary[0].partition(" ")[0].endswith("Z")
    assert kept.count(b"\n") == 1001


def test_few_sessions_have_a_line_each(tmp_path: Path) -> None:
    out = io.StringIO()
    follower = Follower(tmp_path, Screen(out), lambda: 0.0)
    heard(follower, to_do(SHOWN_EACH), session(0, SHOWN_EACH))
    assert out.getvalue().splitlines()[1:] == [" 1 of 40  + kiln-0000: a sentence"]


def test_a_terminal_has_one_line_that_is_rewritten_and_what_went_wrong(tmp_path: Path) -> None:
    out = Terminal()
    follower = Follower(tmp_path, Screen(out), lambda: 0.0)
    heard(follower, to_do(1000), *(session(i, 1000) for i in range(3)), session(3, 1000, "unreadable"))
    heard(follower, session(4, 1000))
    text = out.getvalue()
    assert text.count("\n") == 2
    assert "! kiln-0003: a sentence\n" in text
    assert text.endswith("5 of 1000 sessions done, 0 failed, 0%")
    follower.screen.clear()
    assert out.getvalue().endswith("\r")


def test_all_that_fail_are_counted_after_some(tmp_path: Path) -> None:
    out = io.StringIO()
    follower = Follower(tmp_path, Screen(out), lambda: 0.0)
    heard(follower, to_do(1000), *(session(i, 1000, "unreadable") for i in range(1000)))
    told = [line for line in out.getvalue().splitlines() if line.startswith(("!", "..."))]
    assert len(told) == MOST_TROUBLE + 1
    assert "progress.log" in told[-1]
    assert len(follower.done.failed) == 1000


def test_quiet_says_only_what_goes_wrong(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    follower = Follower(tmp_path, Screen(quiet=True), lambda: 0.0)
    heard(follower, to_do(2), session(0, 2), session(1, 2, None))
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err == "! kiln-0001: a sentence\n"


def test_what_the_engine_says_else_is_kept_and_searched(tmp_path: Path) -> None:
    """Also a line that was cut off when the engine was killed, and words that look like facts."""
    follower = Follower(tmp_path, Screen(io.StringIO()), lambda: 0.0)
    for raw in (b'sessiongate: {"kind": "sess', b"sessiongate: []\n", b"sessiongate: words\n", b"\xff\n"):
        assert follower.hear(raw) == raw
    follower.hear(b"WorkflowError:\n")
    follower.hear(b"The kiln is cold.\n")
    assert follower.faults.told() == ["WorkflowError: The kiln is cold."]


def test_an_engine_alone_speaks_to_people(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("SESSIONGATE_WATCHED", raising=False)
    say(to_do(2))
    say({"kind": "state", "share": 0.5, "state": "half"})
    say(session(0, 2))
    assert capsys.readouterr().err.splitlines() == [
        "sessiongate: New: 2 sessions.",
        "sessiongate: 1 of 2 sessions done, 0 failed, 50%  + kiln-0000: a sentence",
    ]
    monkeypatch.setenv("SESSIONGATE_WATCHED", "1")
    say(session(0, 2))
    assert json.loads(capsys.readouterr().err.removeprefix(PROGRESS)) == session(0, 2)


# Terminals


def test_a_line_that_is_rewritten_never_wraps() -> None:
    assert cut("kiln", 4) == "kiln"
    assert cut("kilns", 4) == "kil…"
    assert width("窯") == 2  # East Asian wide (Unicode Standard Annex 11)
    assert width("o\u0308") == 1
    assert width(cut("窯窯窯", 4)) <= 4


def test_a_reader_that_is_gone_ends_nothing(tmp_path: Path) -> None:
    class Gone(Terminal):
        def write(self, text: str) -> int:
            raise BrokenPipeError

    screen = Screen(Gone())
    screen.line("wedging")
    screen.rewrite("throwing")
    screen.trouble("cracked")


# Jobs that are done elsewhere


def test_jobs_of_a_cluster_are_counted_as_the_engine_takes_them_in() -> None:
    told: list[dict[str, Any]] = []
    jobs = [
        SimpleNamespace(rule=SimpleNamespace(name=rule), wildcards=SimpleNamespace(session="kiln-01"))
        for rule in STEPS[:-1]  # the page is made with the verdict
    ]
    tables = SimpleNamespace(rule=SimpleNamespace(name="overview"), wildcards=SimpleNamespace())
    asked = [0]

    def finished(job: Any) -> bool:
        asked[0] += 1
        return asked[0] > 10

    dag = SimpleNamespace(needrun_jobs=lambda: iter([*jobs, tables]), finished=finished)
    watch = Watch(told.append)
    watch.begin([Part("kiln-01", step, MB) for step in STEPS], [], [], 1)
    watch.follow(dag, watch.step_done, every_s=0.0)
    assert [event["kind"] for event in told] == ["to do", *["state"] * len(STEPS)]
    assert watch.done.verdicts == {}
    for _ in range(2):  # told of twice, it is counted once
        watch.session_done("kiln-01", "accept", "+ kiln-01")
    assert len(told) == len(STEPS) + 2


def test_a_job_of_a_cluster_speaks_to_people(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its engine inherits that there is a front door, but what it says goes into the log of the job."""
    monkeypatch.setenv("SESSIONGATE_WATCHED", "1")
    watch = Watch()
    watch.step_done("kiln-01", "convert")
    watch.session_done("kiln-01", "accept", "+ kiln-01: Can be used.")
    assert capsys.readouterr().err == "sessiongate: + kiln-01: Can be used.\n"
