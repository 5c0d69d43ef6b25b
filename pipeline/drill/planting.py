"""One copy's faults, made in the bytes of the dumps."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.drill import faults
from pipeline.drill.faults import Floats, Stretch
from pipeline.drill.host import Host
from pipeline.drill.kinds import Kind
from pipeline.drill.losing import byte_faults
from pipeline.drill.places import Edit, apply
from pipeline.drill.plan import Copy, Wanted
from pipeline.drill.rewriting import Patch, edits_of, with_copies
from pipeline.drill.scoring import Event
from pipeline.layouts import Channel
from pipeline.recording import to_counts
from pipeline.simulate.front_end import quantise

TAIL_S = 8.0
"""How long an event may go on in the samples behind its end: the recovery of the AC coupling."""

_MAKE: Mapping[str, Callable[[Stretch, np.random.Generator], Floats]] = {
    "hard_rails": faults.hard_rails,
    "soft_rails": faults.soft_rails,
    "stuck": faults.stuck,
    "held": faults.held,
    "zero_filled": faults.zero_filled,
    "mains": faults.mains,
    "contact_open": faults.contact_open,
    "contact_intermittent": faults.contact_intermittent,
    "contact_partial": faults.contact_partial,
    "contact_drying": faults.contact_drying,
    "low_coupling": faults.low_coupling,
    "noise": faults.noise,
}
_OF_ALL_FIELD = frozenset(["mains", "low_coupling", "noise"])
_OF_EVERYTHING = frozenset(["zero_filled", "held"])


@dataclass(frozen=True)
class Planted:
    """What was planted: where the fault is by its nature, how strong, and in which channels.

    ``asked_s`` is the length that was asked for; a swing beyond a rail is a fault only where it is beyond.
    ``moving_s`` is for how long of it the wearer moves; None without an accelerometer.
    """

    event: Event
    asked_s: float
    channels: tuple[str, ...]
    n_frames: int = 0
    moving_s: float | None = None

    def matters(self, kind: Kind) -> bool:
        """Whether it has to be found, being of that kind."""
        return kind.counts_in(self.event.strength, self.asked_s, self.moving_s)


@dataclass(frozen=True)
class Chosen:
    """A channel to be changed, and the index of its file of samples."""

    recording: int
    channel: Channel


def plant(
    copy: Copy, host: Host, mains_limit: float, targets: tuple[Path, ...], folder: Path
) -> list[Planted]:
    """Write the copy's dumps with its faults in them.

    Parameters
    ----------
    copy : Copy
        What to plant.
    host : Host
        Whose dumps are copied; they are only read.
    mains_limit : float
        Peak of mains over the input range that the policy allows.
    targets : tuple of Path
        Where the copies of the dumps go.
    folder : Path
        For files between, which stay there.

    Returns
    -------
    list of Planted
        Events that are in the copy: where a swing never reached its rail there is none.
    """
    rng = np.random.default_rng(copy.seed)
    if copy.kind.name not in _MAKE:
        edits, planted = byte_faults(copy, host, rng)
        apply(edits, host.dumps, targets)
        return [Planted(event, asked_s, (), n) for event, asked_s, n in planted]
    patches, made = list[Patch](), list[Planted]()
    # A device has one amplifier: its rails are the same in all of a copy, and beyond what it ever reached.
    share = rng.uniform(0.5, 0.9)
    for number, wanted in enumerate(copy.events):
        chosen = _choose(copy.kind.name, host, rng)
        truths = list[Event]()
        for one in chosen:
            rail = min(max(share, 1.05 * host.reach.get(one.channel.name, 0.0)), 0.97)
            own = np.random.default_rng([*copy.seed, number])
            patch, truth = _changed(copy, host, one, wanted, mains_limit, rail, own)
            patches.append(patch)
            truths += truth
        if truths:
            start_s, stop_s = min(t.start_s for t in truths), max(t.stop_s for t in truths)
            event = Event(truths[0].condition, start_s, stop_s, copy.kind.name, wanted.strength)
            names = tuple(one.channel.name for one in chosen)
            moving_s = host.moving_within(start_s, stop_s)
            made.append(Planted(event, wanted.stop_s - wanted.start_s, names, moving_s=moving_s))
    apply(_edits(patches, host, folder), host.dumps, targets)
    return made


def _edits(patches: list[Patch], host: Host, folder: Path) -> list[Edit]:
    edits = edits_of(patches, host.recordings, host.layout, host.dumps, host.places, host.left_alone, folder)
    return with_copies(edits, host.dumps, host.places) if host.quality["frames"]["duplicate"] else edits


def _choose(kind: str, host: Host, rng: np.random.Generator) -> list[Chosen]:
    every = [Chosen(i, c) for i, recording in enumerate(host.recordings) for c in recording.channels]
    if kind in _OF_EVERYTHING:
        return every
    field = [one for one in every if one.channel.kind == "field"]
    return field if kind in _OF_ALL_FIELD else [field[int(rng.integers(len(field)))]]


def _changed(
    copy: Copy,
    host: Host,
    one: Chosen,
    wanted: Wanted,
    mains_limit: float,
    rail: float,
    rng: np.random.Generator,
) -> tuple[Patch, list[Event]]:
    """The counts of one channel with one event in them, and where the fault lies."""
    recording, channel = host.recordings[one.recording], one.channel
    start, stop = recording.rows_at(np.array([wanted.start_s, wanted.stop_s + TAIL_S])).tolist()
    values = recording.read([channel.name], start, stop)[channel.name].astype(np.float64)
    time_s = recording.clock.time_s(np.arange(start, stop, dtype=np.int64))
    limit_v = mains_limit * (channel.adc_high - channel.adc_low)
    it = Stretch(
        values,
        time_s,
        wanted.start_s,
        wanted.stop_s,
        channel,
        wanted.strength,
        host.mains_hz,
        limit_v,
        rail,
        host.noise_v.get(channel.name, 0.0),
    )
    made = _MAKE[copy.kind.name](it, rng)
    if channel.kind == "field" and copy.kind.name not in ("hard_rails", "zero_filled"):
        low, high = channel.amplifier_low, channel.amplifier_high
        made = np.clip(made, -np.inf if low is None else low, np.inf if high is None else high)
    changed = np.abs(made - it.values) > 1e-6 * abs(channel.scale)  # neither lost nor merely rounded
    counts = to_counts(np.nan_to_num(values), channel)
    new = quantise(made[changed], channel.scale, channel.offset, channel.adc_min, channel.adc_max)
    counts[changed] = new
    spans = list(_where(copy, it, counts))
    condition = copy.kind.conditions[0] if copy.kind.conditions else ""
    return Patch(one.recording, channel, start, counts), [Event(condition, a, b) for a, b in spans]


def _where(copy: Copy, it: Stretch, counts: np.ndarray) -> Iterator[tuple[float, float]]:
    """The stretch in which the fault is there by its nature."""
    kind, channel = copy.kind.name, it.channel
    if kind in ("hard_rails", "soft_rails"):
        if kind == "hard_rails":
            at_rail = (counts == channel.adc_min) | (counts == channel.adc_max)
        else:
            low, high = faults.soft_ends(channel, it.rail)
            values, near = counts * channel.scale + channel.offset, 0.004 * (high - low)
            at_rail = (values <= low + near) | (values >= high - near)
        rows = np.flatnonzero(at_rail & it.inside)
        if len(rows):
            yield float(it.time_s[rows[0]]), float(it.time_s[rows[-1]]) + 1 / channel.sample_hz
    elif kind == "contact_drying":
        # from where half of the signal is gone
        yield it.start_s + (it.stop_s - it.start_s) * np.log(2) / np.log(it.strength), it.stop_s
    else:
        yield it.start_s, it.stop_s
