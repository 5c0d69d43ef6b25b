"""How close a verdict is to turning: by hand, at the edges, and against judging again under moved limits.

All values are invented. What turns a verdict follows from the rules of the judge alone; nothing outside the
project tells it.
"""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.detectors import Detected, Spans
from pipeline.detectors.findings import Measure
from pipeline.verdict import Policy, builtin_policy
from pipeline.verdict.judge import CONDITION_OF, Extent, Verdict, judge, unreadable
from pipeline.verdict.margins import Margins, Standing, margins
from pipeline.verdict.moves import MOVES

POLICY = builtin_policy()
HZ = 10.0
RULES = {"least_usable_s": "clean_s", "least_usable_fraction": "clean_fraction"}


def session(
    duration_s: float = 200.0, faulty_s: float = 0.0, **values: float | None
) -> tuple[Detected, Extent]:
    """A session of 10 Hz whose first `faulty_s` seconds were lost, with those measures and no others."""
    lost = Spans(np.array([0]), np.array([round(faulty_s * HZ)])) if faulty_s else Spans()
    measures = tuple(
        Measure(name, value, "s" if name.endswith("_s") else "1") for name, value in values.items()
    )
    return Detected((), measures, {"lost": lost}), Extent(round(duration_s * HZ), HZ, duration_s)


def own(**values: float) -> Policy:
    """The built-in policy with other numbers, by name."""
    return Policy({k: replace(t, value=values.get(t.name, t.value)) for k, t in POLICY.thresholds.items()})


def of(detected: Detected, extent: Extent, policy: Policy = POLICY) -> Margins:
    return margins(judge(detected, extent, policy), policy)


def by_name(found: Margins) -> dict[str, Standing]:
    return {one.name: one for one in found.limits}


def turning(found: Margins) -> Mapping[str, tuple[float | None, str | None]]:
    return {one.name: (one.factor, one.turns_to) for one in found.limits}


def test_an_accepted_session_turns_where_a_limit_falls_below_its_value() -> None:
    """4 % lost of 5 %: at 0.8 of the limit it is still within, below that used in part."""
    found = of(*session(lost_fraction=0.04, saturated_fraction=0.002))
    assert turning(found) == {
        "clean_fraction": (None, None),  # all of it is clean, and no more than all can be asked for
        "lost_fraction": (0.799999, "accept_in_part"),
        "saturated_fraction": (0.199999, "accept_in_part"),  # 0.002 of 0.01
        "least_usable_s": (6.66667, "reject"),  # 200 s of 30 s
        "least_usable_fraction": (None, None),
    }
    assert found.nearest == by_name(found)["lost_fraction"]
    assert found.nearest == Standing(
        "lost_fraction", None, 0.04, 0.05, "max", 0.799999, "accept_in_part"
    )  # the value and limit it stands for
    assert {one.factor: one.verdict for one in found.moved} == {
        0.5: "accept_in_part",  # 2.5 % of 4 %
        0.8: "accept",  # 4 % of 4 %
        0.9: "accept",
        1.1: "accept",
        1.2: "accept",
        1.5: "accept",
    }
    assert [one.by_limit for one in found.moved] == [{"lost_fraction": "accept_in_part"}, {}, {}, {}, {}, {}]


def test_one_limit_over_turns_where_it_reaches_the_value() -> None:
    """6 % lost of 5 %: 1.2 times the limit accepts it whole."""
    found = of(*session(faulty_s=12.0, lost_fraction=0.06))
    assert turning(found)["lost_fraction"] == (pytest.approx(1.2, abs=2e-6), "accept")
    # 188 s of 200 s clean are within 90 %, and asking for more gives no other verdict than there is
    assert turning(found)["clean_fraction"] == (None, None)
    assert turning(found)["least_usable_fraction"] == (3.76001, "reject")  # 0.94 of 0.25
    assert {one.factor: one.verdict for one in found.moved}[1.1] == "accept_in_part"
    assert {one.factor: one.verdict for one in found.moved}[1.5] == "accept"


def test_two_limits_over_turn_only_together() -> None:
    found = of(*session(faulty_s=26.0, lost_fraction=0.055, longest_gap_s=5.5))
    assert found.nearest == by_name(found)["least_usable_fraction"]  # 0.87 of 0.25 first, none of the two
    assert turning(found)["lost_fraction"] == turning(found)["longest_gap_s"] == (None, None)
    together = {one.factor: (one.verdict, one.by_limit) for one in found.moved}
    # 87 % clean: 90 % less a tenth is 81 %, 5 % and 5 s and a tenth are 5.5 % and 5.5 s
    assert together[1.2] == ("accept", {})
    assert together[0.5] == ("accept_in_part", {})


def test_a_lower_limit_moves_the_other_way() -> None:
    """95 % clean of at least 90 %: stricter means a higher limit, and never above all there is."""
    found = of(*session(faulty_s=10.0, lost_fraction=0.0))
    assert turning(found)["clean_fraction"] == (1.05556, "accept_in_part")  # 0.95 / 0.9, rounded up
    moved = {one.factor: one.by_limit for one in found.moved}
    assert moved[0.9] == moved[0.8] == moved[0.5] == {"clean_fraction": "accept_in_part"}
    assert moved[1.1] == moved[1.2] == moved[1.5] == {}


def test_all_clean_meets_whatever_share_is_asked_for() -> None:
    found = of(*session(lost_fraction=0.0))
    assert {one.verdict for one in found.moved} == {"accept"}
    assert not any(one.by_limit for one in found.moved)


def test_what_was_rejected_for_a_share_alone_turns_by_that_rule() -> None:
    """40 s of 200 s clean: a fifth of it, where a quarter is asked for and 30 s."""
    found = of(*session(faulty_s=160.0, lost_fraction=0.8))
    assert turning(found)["least_usable_fraction"] == (pytest.approx(0.8, abs=2e-6), "accept_in_part")
    assert turning(found)["least_usable_s"] == (None, None)
    moved = {one.factor: (one.verdict, one.by_limit) for one in found.moved}
    assert moved[1.1] == ("reject", {})
    assert moved[1.2] == ("accept_in_part", {"least_usable_fraction": "accept_in_part"})
    # with all limits halved or less, lost samples still keep it from being used whole
    assert moved[1.5] == ("accept_in_part", {"least_usable_fraction": "accept_in_part"})


def test_what_breaks_both_rules_turns_by_neither_alone() -> None:
    found = of(*session(duration_s=100.0, faulty_s=80.0, lost_fraction=0.8))
    assert found.nearest is None
    moved = {one.factor: (one.verdict, one.by_limit) for one in found.moved}
    assert moved[1.5] == ("accept_in_part", {})  # 20 s of 15 s, 20 % of 12.5 %


def test_an_unreadable_session_has_no_margin() -> None:
    found = margins(unreadable("the dump of the kiln room is empty"), POLICY)
    assert found.limits == ()
    assert found.nearest is None
    assert [(one.factor, one.verdict, one.by_limit) for one in found.moved] == [
        (move, "unreadable", {}) for move in MOVES
    ]


def test_a_measure_that_could_not_be_had_turns_nothing() -> None:
    found = of(*session(contact_loss_fraction=None, lost_fraction=0.01))
    assert by_name(found)["contact_loss_fraction"] == Standing(
        "contact_loss_fraction", None, None, 0.02, "max", None, None
    )
    assert not any("contact_loss_fraction" in one.by_limit for one in found.moved)


def test_a_value_of_nothing_is_within_every_limit() -> None:
    found = of(*session(stuck_fraction=0.0))
    assert turning(found)["stuck_fraction"] == (None, None)


@pytest.mark.parametrize(("value", "verdict"), [(0.0, "accept"), (1e-9, "accept_in_part")])
def test_a_limit_of_zero_stays_zero_whatever_it_is_multiplied_by(value: float, verdict: str) -> None:
    policy = own(stuck_fraction=0.0)
    detected, extent = session(stuck_fraction=value)
    assert judge(detected, extent, policy).name == verdict
    found = of(detected, extent, policy)
    assert turning(found)["stuck_fraction"] == (None, None)
    assert {one.verdict for one in found.moved} == {verdict}


def test_a_value_on_its_limit_is_within_and_turns_at_the_least_move() -> None:
    found = of(*session(lost_fraction=0.05))
    assert turning(found)["lost_fraction"] == (0.999999, "accept_in_part")
    assert {one.factor: one.verdict for one in found.moved}[0.9] == "accept_in_part"


def test_of_several_channels_the_one_that_decides_is_named() -> None:
    detected, extent = session()
    rows = tuple(
        Measure("mains_fraction", value, "1", channel)
        for channel, value in {"wheel_side": 0.07, "kiln_side": 0.09, "back": 0.01, "far": None}.items()
    )
    found = of(replace(detected, measures=rows), extent)
    mains = by_name(found)["mains_fraction"]
    assert (mains.channel, mains.value) == ("kiln_side", 0.09)
    assert (mains.factor, mains.turns_to) == (pytest.approx(1.8, abs=2e-5), "accept")


def test_values_far_from_their_limits_turn_all_the_same() -> None:
    tiny = turning(of(*session(lost_fraction=3e-12)))["lost_fraction"]
    assert tiny == (pytest.approx(6e-11, rel=1e-5), "accept_in_part")
    huge = turning(of(*session(longest_gap_s=1e12)))["longest_gap_s"]
    assert huge == (pytest.approx(2e11, rel=1e-5), "accept")


# ---- against judging again -------------------------------------------------------------------------------

UPPER = ("lost_fraction", "longest_gap_s", *(name for name in CONDITION_OF if name != "lost_fraction"))
values = st.one_of(
    st.none(),
    st.just(0.0),
    st.sampled_from([0.01, 0.02, 0.05, 5.0]),
    st.floats(1e-9, 0.2),
    st.floats(1e-9, 20.0),
)
limit_values = st.one_of(
    st.just(None), st.just(0.0), st.sampled_from([0.01, 0.05, 0.25, 30.0]), st.floats(1e-6, 2.0)
)


@st.composite
def judged_sessions(draw: st.DrawFn) -> tuple[Detected, Extent, Policy]:
    n_rows = draw(st.integers(1, 3000))
    names = draw(st.lists(st.sampled_from(UPPER), max_size=6))
    measures = tuple(Measure(name, draw(values), "1", f"c{i}") for i, name in enumerate(names))
    edges = sorted(draw(st.sets(st.integers(0, n_rows), max_size=6)))
    edges = edges[: len(edges) // 2 * 2]
    marks = {"mains": Spans(np.array(edges[::2], np.int64), np.array(edges[1::2], np.int64))}
    changed = {
        t.key: replace(t, value=new)
        for t in (*POLICY.limits.values(), *(POLICY.thresholds[f"verdict.{rule}"] for rule in RULES))
        if (new := draw(limit_values)) is not None
    }
    return (
        Detected((), measures, marks),
        Extent(n_rows, HZ, n_rows / HZ),
        Policy({**POLICY.thresholds, **changed}),
    )


def again(
    detected: Detected, extent: Extent, policy: Policy, factors: Mapping[str, float]
) -> tuple[str, Verdict]:
    """Judged with limits times factors; a share is asked for up to 1, or as much as the policy asks."""
    changed = {}
    for name, factor in factors.items():
        section = "verdict" if name in RULES else "limits"
        limit = policy.thresholds[f"{section}.{name}"]
        value = limit.value * factor
        if name in ("clean_fraction", "least_usable_fraction"):
            value = min(value, max(limit.value, 1.0))
        changed[limit.key] = replace(limit, value=value)
    verdict = judge(detected, extent, Policy({**policy.thresholds, **changed}))
    return verdict.name, verdict


@settings(max_examples=150, deadline=None)
@given(judged_sessions())
def test_each_factor_turns_the_verdict_and_none_nearer_does(given_: tuple[Detected, Extent, Policy]) -> None:
    detected, extent, policy = given_
    verdict = judge(detected, extent, policy)
    found = margins(verdict, policy)
    for one in found.limits:
        if one.factor is None:
            tried = [*np.geomspace(1e-3, 1e3, 13), 1 - 1e-6, 1 + 1e-6]
            if one.value and one.limit:
                tried += [one.value / one.limit * (1 + step) for step in (-1e-4, 0.0, 1e-4)]
        else:
            assert again(detected, extent, policy, {one.name: one.factor})[0] == one.turns_to != verdict.name
            tried = [1 + (one.factor - 1) * share for share in (0.1, 0.5, 0.9, 0.999)]
            tried.append(one.factor - np.sign(one.factor - 1) * one.factor * 1e-5)
            # between the value and the short factor that turns the verdict there is no saying
            nearest = abs(one.factor - 1) - 0.9e-5 * one.factor
            tried = [f for f in tried if (f - 1) * (one.factor - 1) > 0 and abs(f - 1) < nearest]
        for factor in tried:
            assert again(detected, extent, policy, {one.name: factor})[0] == verdict.name, (one, factor)
    moves = {one.name: abs(one.factor - 1) for one in found.limits if one.factor is not None}
    assert (found.nearest is None) == (not moves)
    if found.nearest is not None:
        # how long somebody recorded comes last, unless it is within half of what is asked for
        measured = {name: m for name, m in moves.items() if name != "least_usable_s" or m <= 0.5} or moves
        assert moves[found.nearest.name] == min(measured.values())


@settings(max_examples=100, deadline=None)
@given(judged_sessions())
def test_moves_are_what_judging_again_says(given_: tuple[Detected, Extent, Policy]) -> None:
    detected, extent, policy = given_
    verdict = judge(detected, extent, policy)
    found = margins(verdict, policy)
    lower = ("clean_fraction", *RULES)
    for moved in found.moved:
        factors = {one.name: 2 - moved.factor if one.name in lower else moved.factor for one in found.limits}
        factors = {name: round(factor, 6) for name, factor in factors.items()}
        assert moved.verdict == again(detected, extent, policy, factors)[0]
        alone = {name: again(detected, extent, policy, {name: factor})[0] for name, factor in factors.items()}
        assert moved.by_limit == {name: name_ for name, name_ in alone.items() if name_ != verdict.name}
