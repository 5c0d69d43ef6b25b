"""A step that fails on one session leaves every file of its rule, so that the others go on."""

import re

import pytest
from conftest import REPOSITORY
from finished import STARTED
from small import quality, small_study

from pipeline.serving import run_here
from pipeline.steps import by_name
from pipeline.steps.present import overview
from pipeline.workflow import Plan


def outputs(name: str, session: str) -> list[str]:
    """Files that the workflow expects of a rule."""
    rule = (REPOSITORY / "Snakefile").read_text(encoding="utf-8").split(f"rule {name}:")[1].split("log:")[0]
    return [name.format(session=session) for name in re.findall(r'="(.*)",', rule.split("output:")[1])]


@pytest.mark.parametrize("failing", by_name.SESSION_STEPS)
def test_a_step_that_fails_leaves_what_its_rule_names_and_no_other_does(tmp_path, monkeypatch, failing):
    def fail(job):
        raise RuntimeError("invented")

    plan = Plan.of(str(small_study(tmp_path / "study", ("throw-02",))), str(tmp_path / "results"), STARTED)
    for step, does in by_name.SESSION_STEPS.items():
        monkeypatch.setattr(by_name, "SESSION_STEPS", {step: fail if step == failing else does})
        run_here(step, plan.jobs["throw-02"])
        if step == "judge":  # its rule goes on with the page
            continue
        rule = "judge" if step == "report" else step
        assert [name for name in outputs(rule, "throw-02") if not (plan.results / name).is_file()] == []
    logs = {path.stem: path.read_text() for path in (plan.results / "logs" / "throw-02").glob("*.log")}
    assert [step for step, said in logs.items() if "failed:" in said] == [failing]
    overview(plan.tables)
    expected = "accept" if failing == "report" else "unreadable"
    assert quality(plan.results, "throw-02")["verdict"] == expected
