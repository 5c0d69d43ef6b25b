"""A scenario with something planted in it, and where in a session it stands."""

from collections.abc import Callable
from dataclasses import dataclass

from pipeline.simulate.code_faults import Dumped
from pipeline.simulate.movement import Activity
from pipeline.simulate.scenario import Scenario, Truth
from pipeline.simulate.wearers import Rng, log_uniform

Span = tuple[float, float]
Spoil = Callable[[Dumped], Dumped]


def _nothing(dumped: Dumped) -> Dumped:
    return dumped


@dataclass(frozen=True)
class Scene:
    """A scenario with faults in it, what is still to be done to its codes, and what only that tells.

    ``rails`` is the kind of the overloads that the model finds; ``log`` the activity log where it is wrong.
    """

    scenario: Scenario
    spoil: Spoil = _nothing
    truth: tuple[Truth, ...] = ()
    rails: str = "hard_rails"
    log: tuple[Activity, ...] | None = None


Plant = Callable[[Scenario, Rng, Span], Scene]


def slots(
    rng: Rng, span: Span, shortest_s: float, longest_s: float, most: int, apart_s: float = 4.0
) -> list[Span]:
    """Up to `most` stretches within `span`, at least two where there is room, with `apart_s` between them."""
    room_s = span[1] - span[0]
    n = max(1, min(int(rng.integers(2, most + 1)), int(room_s // (shortest_s + apart_s))))
    share_s = room_s / n
    found = []
    for i in range(n):
        lasts_s = log_uniform(rng, shortest_s, max(min(longest_s, share_s - apart_s), shortest_s * 1.001))
        start_s = span[0] + i * share_s + float(rng.uniform(0, max(share_s - apart_s - lasts_s, 0.0)))
        found.append((start_s, start_s + lasts_s))
    return found
