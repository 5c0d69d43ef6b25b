"""What is planted beside the field: into the accelerometer and into the activity log."""

from dataclasses import replace

from pipeline.simulate.movement import Activity
from pipeline.simulate.scenario import Scenario, Truth
from pipeline.simulate.scene import Scene, Span
from pipeline.simulate.wearers import Rng, log_uniform


def _whole(base: Scenario, condition: str, kind: str, strength: float) -> tuple[Truth, ...]:
    return (Truth(condition, 0.0, base.duration_s, kind, strength),)


def axis_stuck(base: Scenario, rng: Rng, span: Span) -> Scene:
    """One axis of the accelerometer holds its first value through the session."""
    part = replace(base.accelerometer, stuck_axis=int(rng.integers(3)))
    return Scene(replace(base, accelerometer=part), truth=_whole(base, "stuck", "axis_stuck", 1.0))


def no_gravity(base: Scenario, rng: Rng, span: Span) -> Scene:
    """An accelerometer, or its driver, that takes gravity away."""
    part = replace(base.accelerometer, gravity=False)
    return Scene(replace(base, accelerometer=part), truth=_whole(base, "gravity", "no_gravity", 1.0))


def gain(base: Scenario, rng: Rng, span: Span) -> Scene:
    """All axes read too much or too little, by a hundredth or up to half of it."""
    error = log_uniform(rng, 0.01, 0.5) * float(rng.choice([-1.0, 1.0]))
    part = replace(base.accelerometer, gain_error=(error, error, error))
    return Scene(replace(base, accelerometer=part), truth=_whole(base, "gravity", "gain", abs(error)))


def log_shifted(base: Scenario, rng: Rng, span: Span) -> Scene:
    """The log's clock runs ahead or behind; strength: seconds."""
    shift_s = log_uniform(rng, 1.0, 40.0) * float(rng.choice([-1.0, 1.0]))
    log = tuple(
        replace(
            one, start_s=max(one.start_s + shift_s, 0.0), stop_s=min(one.stop_s + shift_s, base.duration_s)
        )
        for one in base.activities
        if one.start_s + shift_s < base.duration_s - 1 and one.stop_s + shift_s > 1
    )
    return Scene(base, truth=_whole(base, "activity_mismatch", "log_shifted", abs(shift_s)), log=log)


def log_swapped(base: Scenario, rng: Rng, span: Span) -> Scene:
    """Two entries have each other's label; strength: the differing steps of intensity."""
    order = {"rest": 0, "hand": 1, "arm": 2, "body": 3}
    pairs = [
        (i, j)
        for i, one in enumerate(base.activities)
        for j, other in enumerate(base.activities[:i])
        if one.intensity != other.intensity
    ]
    if not pairs:
        return Scene(base)
    i, j = pairs[int(rng.integers(len(pairs)))]
    log = list(base.activities)
    log[i], log[j] = _labelled(log[i], log[j]), _labelled(log[j], log[i])
    apart = float(abs(order[log[i].intensity] - order[log[j].intensity]))
    truth = tuple(
        Truth("activity_mismatch", log[k].start_s, log[k].stop_s, "log_swapped", apart) for k in (i, j)
    )
    return Scene(base, truth=truth, log=tuple(log))


def log_at_rest(base: Scenario, rng: Rng, span: Span) -> Scene:
    """What was walking stands in the log as rest."""
    walks = [i for i, one in enumerate(base.activities) if one.intensity == "body"]
    if not walks:
        return Scene(base)
    i = walks[int(rng.integers(len(walks)))]
    log = list(base.activities)
    log[i] = replace(log[i], name="sitting at the wheel", intensity="rest")
    truth = (Truth("activity_mismatch", log[i].start_s, log[i].stop_s, "log_at_rest", 1.0),)
    return Scene(base, truth=truth, log=tuple(log))


def _labelled(one: Activity, other: Activity) -> Activity:
    """An entry with the other's label."""
    return replace(one, name=other.name, intensity=other.intensity)
