"""The methods for the paper say the numbers of the flow, and what was judged by which rules.

Checked against STROBE (von Elm et al. 2007, PLoS Med 4:e296), items 5, 8, 12c, 13a and 13b.
"""

import re
from pathlib import Path

from paper_examples import BATCH, FACTS, STUDY, quality_of, reviewed

from pipeline.report.flow import flow_of
from pipeline.report.methods import Facts, methods_text
from pipeline.verdict import builtin_policy, load_policy


def methods(decisions: dict[str, str], facts: Facts = FACTS, seen: str | None = None) -> str:
    reviews = reviewed(BATCH, decisions, seen)
    return methods_text(BATCH, reviews, flow_of(BATCH, reviews), facts)


def test_methods_say_who_what_and_when() -> None:
    """STROBE 5 (setting, dates) and 8 (how it was measured): versions, layouts and policy are named."""
    text = methods({})
    assert text.startswith(
        "Recorded were 5 sessions of 4 participants with 1 device at 1 site on 2 March 2026."
    )
    assert "sessiongate 0.1.0" in text
    assert "strap abababab" in text
    assert builtin_policy().sha256[:8] in text
    assert "All thresholds are the built-in ones." in text


def test_methods_name_every_limit_with_its_value() -> None:
    text = methods({})
    policy = builtin_policy()
    assert len(re.findall(r"at (?:most|least) [\d.]+ (?:%|s)", text)) == len(policy.limits)
    assert "longest gap at most 5 s" in text
    assert "samples lost at most 5 %" in text
    assert "clean share at least 90 %" in text


def test_methods_name_what_the_study_set_itself(tmp_path: Path) -> None:
    (tmp_path / "policy.toml").write_text("[limits]\nlost_fraction = 0.2\n")
    facts = Facts(STUDY, "0.1.0", {}, load_policy(tmp_path / "policy.toml"))
    text = methods({}, facts)
    assert "samples lost at most 20 %" in text
    assert "Set by the study itself was limits.lost_fraction 20 %; all else is built in." in text


def test_methods_say_numbers_and_reasons_of_the_flow() -> None:
    """STROBE 13a and 13b in words, and 12c: what could not be assessed."""
    text = methods({})
    assert "1 session could not be read (found none in 74,112 bytes: 1)." in text
    assert "of 4 sessions read, 2 were accepted whole and 1 in part (20 s cut from 1 session)" in text
    assert "and 1 was not to be used (by first reason: electrode off: 1)." in text
    assert "Not assessable was gravity at rest in 4 of them." in text
    assert "No person changed a verdict." in text
    assert (
        "Analysed were 3 sessions of 2 participants (2 whole, 1 in part; 3 min 20 s, 62.5 % of the time"
        in text
    )
    assert "Of 2 participants nothing was analysed." in text


def test_methods_tell_of_decisions() -> None:
    text = methods({"throw-01": "reject", "kiln-03": "accept_in_part"})
    assert (
        "1 person decided about 2 sessions: 1 was left out (strap over the sleeve: 1) and 1 was left" in text
    )
    assert "2 decisions made before what was looked at changed were not followed." in methods(
        {"throw-01": "reject", "kiln-03": "reject"}, seen="r00000000-p00000000"
    )
    noted = "it was not noted, or not in full, what was looked at"
    assert f"For 1 decision {noted}" in methods({"throw-01": "reject"}, seen="")
    # One of the two cannot be followed, since nothing could be read: its code lacks all the same.
    both = methods({"throw-01": "reject", "glaze-02": "accept"}, seen="")
    assert "1 decision could not be followed" in both
    assert f"For 2 decisions {noted}" in both


def test_methods_say_rates_mains_the_contact_rule_and_the_margins() -> None:
    told = methods({})
    assert "Nominal sampling rate was 250 Hz." in told
    assert "Mains frequency was 50 Hz." in told
    assert "probable to 65 % or more" in told  # contact_loss.least_probability of the built-in policy
    margins = {"limits": [], "nearest": None, "moved": [
        {"factor": factor, "verdict": "reject" if factor == 0.5 else "accept", "by_limit": {}}
        for factor in (0.5, 0.8, 0.9, 1.1, 1.2, 1.5)
    ]}  # fmt: skip
    qualities = [quality_of("throw-01", "accept", margins=margins)]
    text = methods_text(qualities, {}, flow_of(qualities, {}), FACTS)
    assert "by 10 %, 20 % and 50 % either way, 0, 0 and 1 of 1 verdict would turn" in text.replace(
        "\u202f", " "
    )
    rates = [quality_of("a", "accept"), quality_of("b", "accept", nominal_hz=125.0)]
    text = methods_text(rates, {}, flow_of(rates, {}), FACTS)
    assert "was 125 Hz (1 session) and 250 Hz (1 session)." in text
