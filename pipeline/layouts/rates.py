"""Channels in their parts: each in one of them, at a rate that goes with how many stand in a frame."""

import math
from collections.abc import Mapping, Sequence
from itertools import combinations

from pipeline.checking import Fault, did_you_mean, faults_in, nth
from pipeline.errors import Problem
from pipeline.layouts.kinds import named
from pipeline.layouts.layout import Channel, Frame


def check_names(
    described: Sequence[str], frames: Sequence[Frame], shown: str, problems: list[Problem]
) -> None:
    """Each channel is described once, and stands in one samples part."""
    fault = faults_in("", shown, problems)
    placed = [
        name for frame in frames for part in frame.all("samples") for name in dict.fromkeys(part.channels)
    ]
    for name in sorted({name for name in described if described.count(name) > 1}):
        fault("channel", "one channel of each name", f"'{name}' {described.count(name)} times", "Rename one.")
    for name in sorted({name for name in placed if placed.count(name) > 1}):
        found = f"'{name}' in {placed.count(name)} of them"
        remedy = "Give each its own channels, by their own names."
        fault("frame", "each channel in one samples part", found, remedy)
    for name in sorted(set(placed) - set(described)):
        remedy = did_you_mean(name, set(described) - set(placed)) or "Describe it, or remove it there."
        fault("channel", "a [[channel]] for each of the samples' channels", f"none named '{name}'", remedy)
    for name in sorted(set(described) - set(placed)):
        remedy = did_you_mean(name, set(placed) - set(described)) or "List it there, or remove it."
        fault("channel", "only the samples' channels", f"'{name}', which no samples part lists", remedy)


def check_rates(
    frames: Sequence[Frame],
    channels: Mapping[str, Channel],
    framing: str,
    shown: str,
    problems: list[Problem],
) -> None:
    """Channels of a part share a rate; rows of two parts of a frame are in the ratio of their rates.

    Channels that could not be worked out are not in `channels`; they are passed over.
    """
    for i, frame in enumerate(frames):
        rates = list[tuple[float, int]]()
        for j, part in enumerate(frame.parts):
            if part.is_ != "samples":
                continue
            own = sorted({channels[name].sample_hz for name in part.channels if name in channels})
            if len(own) > 1:
                of_part = faults_in(f"frame[{i}].part[{j}]", shown, problems, nth(j, "part", part.is_))
                found = " and ".join(f"{rate:g} Hz" for rate in own)
                remedy = "Give channels of another rate a samples part of their own."
                of_part("channels", "one rate for the channels of a part", found, remedy)
            rates += [(hz, part.count) for hz in own[:1]]
        fault = faults_in(f"frame[{i}]", shown, problems, named(i, frame))
        if framing != "edf":
            for (hz, count), (other_hz, other) in combinations(rates, 2):
                _check_ratio(hz, count, other_hz, other, fault)
        elif len({hz for hz, _ in rates}) < len(rates):
            remedy = "List their channels in one part."
            fault("part", "one samples part for each rate", "two of one rate", remedy)


def _check_ratio(hz: float, count: int, other_hz: float, other: int, fault: Fault) -> None:
    if hz == other_hz and count != other:
        found = " and ".join(str(n) if n else "none" for n in (count, other))
        fault("part", f"the same count in samples parts at {hz:g} Hz", found, "Correct count or sample_hz.")
    elif count and other and not math.isclose(count * other_hz, other * hz, rel_tol=1e-6):
        wanted = f"counts in the ratio of the rates {hz:g} Hz and {other_hz:g} Hz"
        fault("part", wanted, f"{count} and {other}", "Correct count or sample_hz.")
