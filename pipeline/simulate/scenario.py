"""What a session is made of, what the model computes on its way, and what is true of it."""

from dataclasses import dataclass, field

from pipeline.layouts import Channel
from pipeline.simulate.accelerometer import Accelerometer
from pipeline.simulate.body import Array, Body
from pipeline.simulate.contact import Contact, Touch
from pipeline.simulate.front_end import FrontEnd
from pipeline.simulate.mains import Mains
from pipeline.simulate.movement import Activity, Moves
from pipeline.simulate.passing import Passer

OVERSAMPLING = 8
"""Steps of the model for each sample."""

LEAD_S = 8.0
"""The model runs for so long before the first sample, so that filters and charges have settled."""


@dataclass(frozen=True)
class Scenario:
    """What happens in a session.

    ``channels`` in the order of the samples: one field, three accelerations. ``front`` is the amplifier as it
    is, where it differs from what the layout's field channel says. ``wears_accelerometer`` is False where its
    axes will not be kept: nothing can then be held against them.
    """

    duration_s: float
    sample_hz: float
    channels: tuple[Channel, ...]
    activities: tuple[Activity, ...] = ()
    body: Body = field(default_factory=Body)
    mains: Mains = field(default_factory=Mains)
    contact: Contact = field(default_factory=Contact)
    accelerometer: Accelerometer = field(default_factory=Accelerometer)
    passers: tuple[Passer, ...] = ()
    noise_v: float = 0.3e-3
    front: FrontEnd | None = None
    oversampling: int = OVERSAMPLING
    wears_accelerometer: bool = True

    @property
    def amplifier(self) -> FrontEnd:
        """The front end of the field channel."""
        if self.front is not None:
            return self.front
        channel = next(channel for channel in self.channels if channel.kind == "field")
        return FrontEnd.of_channel(channel, self.noise_v)


@dataclass(frozen=True)
class Truth:
    """A stretch of a session and the condition that it is in, by its name in the quality column.

    ``kind`` and ``strength`` say what brought it about and how plainly; see `pipeline.simulate.draw.MATTERS`.
    """

    condition: str
    start_s: float
    stop_s: float
    kind: str = ""
    strength: float = float("nan")


@dataclass(frozen=True)
class Signals:
    """What the model computes on its way, without noise and without rails.

    ``time_s``, ``electrode_v``, ``line_v`` (the part of the electrode's voltage that comes from the mains),
    ``soles_ohm``, ``sits`` and ``moves`` at each step of the model, ``driven_v`` at each sample.
    """

    time_s: Array
    electrode_v: Array
    line_v: Array
    soles_ohm: Array
    sits: Touch
    moves: Moves
    driven_v: Array
