"""Make the demo study: sixteen invented sessions from the physical model, byte for byte the same each time.

Run from the top of a checkout: ``python demo_raw/make_demo.py``. It rewrites the dumps, ``sessions.csv``,
``activities.csv`` and ``planted.csv`` beside this file, or below the folder given.
"""

import csv
import io
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import numpy as np

from pipeline.errors import Problem
from pipeline.layouts import Layout, load_layout
from pipeline.simulate import (
    Accelerometer,
    Activity,
    Beside,
    Body,
    Contact,
    Mains,
    Passer,
    Scenario,
    dumps,
    mishaps,
    simulate,
)
from pipeline.simulate.movement import Intensity
from pipeline.simulate.wire import Event, Sending, encode_kinds

HERE = Path(__file__).resolve().parent
DEVICES = {"radio": "strap-a", "serial": "strap-b", "card": "strap-c", "capture": "strap-d"}
ENDINGS = {"radio": "bin", "serial": "log", "card": "img", "capture": "cap"}

STEP_HZ = {"p1": 1.95, "p2": 1.88, "p3": 2.02, "p4": 1.92}
PITCH_RAD = {"p1": 0.35, "p2": 0.15, "p3": 0.5, "p4": -0.1}

WORK: dict[str, tuple[str, Intensity]] = {
    "rest": ("sitting at the wheel", "rest"),
    "trim": ("trimming", "hand"),
    "glaze": ("glazing", "hand"),
    "wedge": ("wedging", "arm"),
    "carry": ("carrying boards", "body"),
}

Rng = np.random.Generator
Frames = list[bytes]


@dataclass(frozen=True)
class Plan:
    """One session: who did what and when, what was planted, and the verdict that follows from it.

    ``work`` is a word of `WORK` and the second at which it ends, each beginning where the one before ends.
    ``spoil`` turns what the device sent into what arrived; ``write`` turns that into the dump's bytes.
    """

    session: str
    participant: str
    layout: str
    started_at: str
    work: tuple[tuple[str, float], ...]
    verdict: str = "accept"
    planted: tuple[tuple[str, float, float], ...] = ()
    body: Body = field(default_factory=Body)
    mains: Mains = field(default_factory=Mains)
    contact: Contact = field(default_factory=Contact)
    passers: tuple[Passer, ...] = ()
    vigour: float = 1.0
    skew_ppm: float = 8.0
    first_sequence: int = 0
    first_tick: int = 0
    n_parts: int = 1
    events: tuple[Event, ...] = ()
    first_received: int = 0
    jitter_s: float = 0.0
    spoil: Callable[[Frames, Rng], Frames] = lambda frames, rng: frames
    write: Callable[[bytes, Rng], bytes] = lambda data, rng: data

    @property
    def site(self) -> str:
        """Where the session took place, which its name begins with."""
        return "kiln-room" if self.session.startswith("kiln") else "throwing-room"

    @property
    def activities(self) -> tuple[Activity, ...]:
        """The session's log."""
        found, start_s = [], 0.0
        for word, stop_s in self.work:
            name, intensity = WORK[word]
            rate_hz = 1.05 if intensity == "arm" else STEP_HZ[self.participant]
            found.append(Activity(start_s, stop_s, name, intensity, rate_hz, self.vigour))
            start_s = stop_s
        return tuple(found)

    @property
    def dump_names(self) -> tuple[str, ...]:
        """Paths of the dumps below the study folder."""
        folder, end = DEVICES[self.layout], ENDINGS[self.layout]
        if self.n_parts == 1:
            return (f"dumps/{folder}/{self.session}.{end}",)
        return tuple(f"dumps/{folder}/{self.session}-part-{i + 1}.{end}" for i in range(self.n_parts))


def unix_s(started_at: str) -> float:
    """Seconds since 1970 of an instant by RFC 3339."""
    return datetime.fromisoformat(started_at).timestamp()


DAMP = Body(soles_ohm=2e6)
INSULATING = Body(soles_ohm=2e10, step_coulomb=3e-9)
LIVELY = Body(soles_ohm=1e10, step_coulomb=8.5e-10)
AT_THE_KILN = Mains(coupling_farad=0.18e-12, beside=(Beside(10.0, 200.0, 2.2e-12),))

USUAL = (("rest", 30.0), ("trim", 60.0), ("wedge", 110.0), ("carry", 155.0), ("rest", 180.0))
SHORT = (("rest", 20.0), ("trim", 50.0), ("wedge", 90.0), ("carry", 130.0), ("rest", 150.0))

CARD_STARTED, CAPTURE_STARTED = "2026-03-06T13:05:00+01:00", "2026-03-06T14:20:00+01:00"
POTS = tuple(
    Event(second, code)
    for second, code in ((31.4, 1), (58.2, 2), (63.9, 1), (84.6, 2), (141.3, 1), (163.7, 2))
)

PLANS = (
    Plan("throw-01", "p1", "radio", "2026-03-02T09:30:00+01:00", USUAL, skew_ppm=12.0),
    Plan(
        "throw-02",
        "p2",
        "serial",
        "2026-03-02T10:05:00+01:00",
        SHORT,
        first_sequence=60000,
        first_tick=1_250_000,
        skew_ppm=-15.0,
        spoil=mishaps.with_start_up_lines,
    ),
    Plan(
        "throw-03",
        "p3",
        "radio",
        "2026-03-02T11:20:00+01:00",
        (("rest", 50.0), ("trim", 125.0), ("rest", 150.0)),
        first_sequence=40000,
    ),
    Plan(
        "throw-04",
        "p4",
        "radio",
        "2026-03-03T09:10:00+01:00",
        (
            ("rest", 20.0),
            ("wedge", 60.0),
            ("carry", 120.0),
            ("trim", 150.0),
            ("carry", 170.0),
            ("rest", 180.0),
        ),
        planted=(("low_coupling", 20.0, 120.0), ("low_coupling", 150.0, 170.0)),
        body=DAMP,
    ),
    Plan(
        "throw-05",
        "p1",
        "radio",
        "2026-03-03T10:40:00+01:00",
        (
            ("rest", 15.0),
            ("wedge", 45.0),
            ("carry", 85.0),
            ("wedge", 105.0),
            ("carry", 130.0),
            ("rest", 140.0),
        ),
        body=LIVELY,
        vigour=1.25,
        skew_ppm=-6.0,
    ),
    Plan(
        "kiln-01",
        "p2",
        "radio",
        "2026-03-04T09:00:00+01:00",
        (("rest", 25.0), ("glaze", 70.0), ("carry", 130.0), ("glaze", 165.0), ("rest", 180.0)),
        mains=Mains(coupling_farad=0.18e-12),
        first_sequence=64000,
        first_tick=(1 << 32) - 32768 * 60,
        skew_ppm=18.0,
        n_parts=2,
        spoil=mishaps.a_little_loss,
    ),
    Plan(
        "kiln-02",
        "p3",
        "serial",
        "2026-03-04T10:15:00+01:00",
        (("rest", 30.0), ("glaze", 75.0), ("carry", 120.0), ("wedge", 140.0), ("rest", 150.0)),
        mains=Mains(coupling_farad=0.15e-12),
        first_sequence=5200,
        first_tick=(1 << 32) - 40_000_000,
        skew_ppm=22.0,
        spoil=mishaps.opened_midway,
    ),
    Plan(
        "kiln-03",
        "p4",
        "radio",
        "2026-03-04T11:30:00+01:00",
        (("rest", 60.0), ("glaze", 95.0), ("rest", 145.0), ("carry", 180.0)),
        planted=(("uncorroborated", 27.0, 33.0), ("uncorroborated", 117.0, 123.0)),
        mains=Mains(coupling_farad=0.12e-12),
        passers=(Passer(30.0), Passer(120.0, potential_v=-220.0)),
    ),
    Plan(
        "throw-06",
        "p2",
        "radio",
        "2026-03-05T09:20:00+01:00",
        (("rest", 10.0), ("carry", 112.0), ("rest", 120.0)),
        "reject",
        (("saturated", 10.0, 115.0),),
        body=INSULATING,
    ),
    Plan(
        "throw-07",
        "p3",
        "radio",
        "2026-03-05T10:10:00+01:00",
        (("rest", 25.0), ("wedge", 80.0), ("carry", 150.0), ("rest", 180.0)),
        "accept_in_part",
        tuple(("lost", *burst) for burst in mishaps.BURSTS_S),
        first_sequence=65000,
        spoil=mishaps.loss_in_bursts,
    ),
    Plan(
        "throw-08",
        "p4",
        "serial",
        "2026-03-05T11:45:00+01:00",
        (("rest", 20.0), ("wedge", 60.0), ("carry", 145.0), ("trim", 165.0), ("rest", 170.0)),
        "accept_in_part",
        (("contact_loss", 80.0, 130.0),),
        contact=Contact(off=((80.0, 130.0),)),
        first_sequence=300,
    ),
    Plan(
        "kiln-04",
        "p1",
        "radio",
        "2026-03-06T09:05:00+01:00",
        (("rest", 20.0), ("glaze", 50.0), ("carry", 85.0), ("wedge", 110.0), ("rest", 120.0)),
        "reject",
        (("mains", 10.0, 120.0),),
        mains=AT_THE_KILN,
    ),
    Plan(
        "kiln-05",
        "p2",
        "radio",
        "2026-03-06T10:25:00+01:00",
        (("rest", 20.0), ("wedge", 55.0), ("carry", 95.0), ("glaze", 120.0)),
        "reject",
        (("contact_loss", 0.0, 120.0),),
        contact=Contact(off=((-10.0, 160.0),)),
    ),
    Plan(
        "kiln-06",
        "p3",
        "radio",
        "2026-03-06T11:50:00+01:00",
        (("rest", 20.0), ("glaze", 50.0), ("carry", 120.0), ("wedge", 170.0), ("rest", 200.0)),
        "accept_in_part",
        (("lost", 60.0, 95.0),),
        mains=Mains(coupling_farad=0.15e-12),
        first_sequence=30000,
        write=mishaps.damaged,
    ),
    Plan(
        "kiln-07",
        "p4",
        "card",
        CARD_STARTED,
        (("rest", 30.0), ("trim", 85.0), ("carry", 140.0), ("trim", 165.0), ("rest", 180.0)),
        first_sequence=71_204,
        first_tick=round((unix_s(CARD_STARTED) + 1.5 - unix_s("2026-01-01T00:00:00+00:00")) * 32768),
        events=POTS,
        spoil=mishaps.in_a_ring,
    ),
    Plan(
        "throw-09",
        "p1",
        "capture",
        CAPTURE_STARTED,
        (("rest", 25.0), ("wedge", 70.0), ("carry", 140.0), ("trim", 165.0), ("rest", 180.0)),
        skew_ppm=38.0,
        first_sequence=201,
        first_tick=(1 << 24) - 90_000,
        first_received=round((unix_s(CAPTURE_STARTED) + 0.4) * 1000),
        jitter_s=0.006,
        spoil=mishaps.shadowed,
    ),
)


def layout_of(plan: Plan) -> Layout:
    """Read the layout beside this file."""
    problems: list[Problem] = []
    layout = load_layout(HERE / "layouts" / f"{plan.layout}.toml", f"{plan.layout}.toml", problems)
    if layout is None:
        raise ValueError("\n".join(map(str, problems)))
    return layout


def make_dumps(plan: Plan) -> dict[str, bytes]:
    """Simulate one session and write it as its device would; path below the study folder -> bytes."""
    layout = layout_of(plan)
    rng = np.random.default_rng([2026, *plan.session.encode()])
    scenario = Scenario(
        duration_s=plan.work[-1][1],
        sample_hz=layout.sample_hz,
        channels=tuple(channel for channel in layout.channels if channel.kind != "other"),
        activities=plan.activities,
        body=plan.body,
        mains=plan.mains,
        contact=plan.contact,
        accelerometer=Accelerometer(pitch_rad=PITCH_RAD[plan.participant]),
        passers=plan.passers,
    )
    counts = simulate(scenario, rng).counts
    frames = plan.spoil(_frames(plan, layout, scenario, counts, rng), rng)
    names = plan.dump_names
    cuts = [len(frames) * i // len(names) for i in range(len(names) + 1)]
    return {
        name: plan.write(b"".join(frames[start:stop]), rng)
        for name, start, stop in zip(names, cuts, cuts[1:], strict=False)
    }


def _frames(plan: Plan, layout: Layout, scenario: Scenario, counts: np.ndarray, rng: Rng) -> Frames:
    """What the device of that layout writes."""
    if plan.layout in ("radio", "serial"):
        encode = dumps.encode_packets if plan.layout == "radio" else dumps.encode_lines
        return encode(counts, layout, plan.first_sequence, plan.first_tick, plan.skew_ppm)
    # The model runs at one rate; a slower channel takes each so manyth of its samples.
    by_name = {
        channel.name: counts[:: round(layout.sample_hz / channel.sample_hz), i]
        for i, channel in enumerate(scenario.channels)
    }
    sending = Sending(
        plan.first_sequence,
        plan.first_tick,
        plan.skew_ppm,
        plan.first_received,
        jitter_s=plan.jitter_s,
    )
    return encode_kinds(layout, by_name, sending, rng, plan.events)


def table(header: tuple[str, ...], rows: Iterable[Iterable[object]]) -> bytes:
    """A table as CSV (RFC 4180)."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return text.getvalue().encode()


def make_tables() -> dict[str, bytes]:
    """Sessions, activity log, and what was planted; file name -> bytes."""
    sessions = [
        (
            plan.session,
            plan.participant,
            plan.site,
            DEVICES[plan.layout],
            plan.layout,
            ";".join(plan.dump_names),
            plan.started_at,
        )
        for plan in PLANS
    ]
    activities = [
        (plan.session, f"{activity.start_s:g}", f"{activity.stop_s:g}", activity.name, activity.intensity)
        for plan in PLANS
        for activity in plan.activities
    ]
    planted = [
        (plan.session, plan.verdict, condition, start, stop)
        for plan in PLANS
        for condition, start, stop in plan.planted or (("", "", ""),)
    ]
    return {
        "sessions.csv": table(
            ("session", "participant", "site", "device", "layout", "dumps", "started_at"), sessions
        ),
        "activities.csv": table(("session", "start_s", "stop_s", "activity", "intensity"), activities),
        "planted.csv": table(("session", "expected_verdict", "condition", "start_s", "stop_s"), planted),
    }


def make_demo(folder: Path) -> None:
    """Write the tables and every dump below `folder`."""
    files = make_tables()
    for plan in PLANS:
        files |= make_dumps(plan)
    for name, data in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)


if __name__ == "__main__":
    make_demo(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE)
