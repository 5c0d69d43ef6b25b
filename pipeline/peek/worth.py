"""Whether a recording is worth keeping, in one line: from quick measures, by the built-in policy."""

from pipeline.frames import Dump
from pipeline.peek.quick import Seen
from pipeline.peek.words import lasting, percent
from pipeline.timebase import Placing
from pipeline.verdict.policy import Policy

_HARDLY_MOVING = 0.01


def worth(placing: Placing, seen: Seen, policy: Policy, layout_is_doubted: bool) -> str:
    """The first line of what peek says.

    Not worth keeping is what would be rejected anyway: too little is left without what is lost, at a rail,
    settling after that, or stuck. Doubtful is what is beyond a limit of the policy, or lies still. Mains and
    contact are not looked at.

    Parameters
    ----------
    placing : Placing
        The session that the dump makes.
    seen : Seen
        Quick measures of its main grid.
    policy : Policy
        Whose limits decide.
    layout_is_doubted : bool
        Whether another layout would fit better.
    """
    grid = placing.main
    duration_s = grid.n_rows / (grid.clock.rate_hz or grid.sample_hz)
    fields = [one for one in seen.channels if one.channel.kind == "field"]
    stuck = max((one.repeated for one in fields), default=0.0)
    left = (1 - seen.lost) * max(1 - seen.overloaded - stuck, 0.0)
    reasons = ["the layout does not seem to fit, see below"] if layout_is_doubted else []
    reasons += _beyond(placing.dumps, seen, policy)
    least_s, least = policy.verdict("least_usable_s"), policy.verdict("least_usable_fraction")
    # where the layout is wrong, what is left may be its fault: nobody should throw a recording away for it
    poor = "doubtful" if layout_is_doubted else "not worth keeping"
    if duration_s * left < least_s:
        few = (
            f"{lasting(duration_s * left)} of {lasting(duration_s)} left (at least {least_s:g} s are needed)"
        )
        return f"{poor}: {', '.join((few, *reasons))}"
    if left < least:
        few = f"{percent(left)} of {lasting(duration_s)} left (at least {percent(least)} are needed)"
        return f"{poor}: {', '.join((few, *reasons))}"
    if reasons:
        return f"doubtful: {', '.join((lasting(duration_s), *reasons))}"
    good = [lasting(duration_s), f"{percent(seen.lost)} lost"]
    if fields:
        most = max(one.at_rail for one in fields)
        good.append(f"{percent(most)} at a rail" if most else "no channel at a rail")
    return f"worth keeping: {', '.join(good)}"


def _beyond(dumps: tuple[Dump, ...], seen: Seen, policy: Policy) -> list[str]:
    """What is beyond a limit of the policy, and what else speaks against the recording."""
    damaged = _damaged(dumps)
    measures = [(f"{percent(seen.lost)} lost", seen.lost, "lost_fraction")]
    for one in seen.channels:
        if one.channel.kind == "field":
            name, at_rail, stuck = one.channel.name, one.at_rail, one.repeated
            measures.append((f"{name} at a rail for {percent(at_rail)}", at_rail, "saturated_fraction"))
            settling = max(one.overloaded - at_rail, 0.0)
            measures.append(
                (f"{name} settling after an overload for {percent(settling)}", settling, "settling_fraction")
            )
            measures.append((f"{name} stuck for {percent(stuck)}", stuck, "stuck_fraction"))
    measures.append((f"{percent(damaged)} of the bytes damaged", damaged, "damaged_fraction"))
    limits = {name: limit.value for name, limit in policy.limits.items()}
    found = [
        f"{text} (limit {percent(limits[name])})" for text, value, name in measures if value > limits[name]
    ]
    if seen.longest_gap_s > limits["longest_gap_s"]:
        found.append(f"a gap of {lasting(seen.longest_gap_s)} (limit {limits['longest_gap_s']:g} s)")
    if seen.moving is not None and seen.moving < _HARDLY_MOVING:
        found.append("the accelerometer lies still throughout")
    return found


def _damaged(dumps: tuple[Dump, ...]) -> float:
    total = sum(dump.ledger.total - dump.ledger.padding for dump in dumps)
    return sum(dump.ledger.damaged + dump.ledger.unrecognised for dump in dumps) / total if total else 0.0
