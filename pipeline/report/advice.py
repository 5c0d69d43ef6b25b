"""What to do differently next time: one advice for each cause, by what was found and measured."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from pipeline.report import words
from pipeline.report.analysed import length_s, within_s
from pipeline.report.parts import Activity
from pipeline.report.rates import FOLDS_INTO_HZ, better_hz

NEAR = 0.5
"""A measure within its limit that has come this share of the way there is worth an advice."""

Quality = Mapping[str, Any]
Rows = Sequence[Mapping[str, Any]]


@dataclass(frozen=True)
class Advice:
    """What to do about one cause.

    Attributes
    ----------
    cause : str
        Its name, in lower-case letters: ``contact``, ``mains``, ``folding``, ``losses``, ...
    do : str
        What to do, a sentence.
    because : str
        What that rests on, a sentence with the number.
    measures : tuple of str
        The measures with a limit that the cause moves: they say how urgent it is.
    warned_by : str
        The detector whose warning it follows, if that is all it follows.
    """

    cause: str
    do: str
    because: str
    measures: tuple[str, ...] = ()
    warned_by: str = ""


@dataclass(frozen=True)
class Told:
    """What is known of a session: its quality, its findings, its activities."""

    quality: Quality
    findings: Rows
    activities: Sequence[Activity]

    def measure(self, name: str) -> Mapping[str, Any] | None:
        """Of the channels that have a value the one that counts: the largest of either sign."""
        rows = [m for m in self.quality["measures"] if m["name"] == name and m["value"] is not None]
        return max(rows, key=lambda m: abs(m["value"]), default=None)

    def value(self, name: str) -> float | None:
        """The measure's value; None where there is none."""
        row = self.measure(name)
        return None if row is None else float(row["value"])

    def moved_s(self) -> float:
        """How long the wearer moved, as the accelerometer tells."""
        return (self.value("moving_fraction") or 0.0) * float(self.quality["duration_s"] or 0.0)

    def of(self, detector: str, *severities: str) -> list[Mapping[str, Any]]:
        """Findings of a detector, of those severities if any are named."""
        return [
            f for f in self.findings if f["detector"] == detector and f["severity"] in (severities or _ALL)
        ]

    def warning(self, detector: str, *measures: str) -> Mapping[str, Any] | None:
        """The first warning of a detector, about one of those measures if any are named."""
        rows = self.of(detector, "warning")
        return next((f for f in rows if not measures or f["measure"] in measures), None)

    def decides(self, *measures: str) -> bool:
        """Whether one of the measures is a reason of the verdict."""
        return any(reason["measure"] in measures for reason in self.quality["reasons"])

    def matters(self, *measures: str) -> bool:
        """Whether one of the measures decides, or comes near its limit."""
        rows = [self.measure(name) for name in measures]
        return self.decides(*measures) or any(_nearness(row) >= NEAR for row in rows if row)

    def beside(self, name: str) -> str:
        """A measure with its value and limit, as 'electrode off 29.4 % (limit 2 %)'."""
        row = self.measure(name)
        if row is None:
            return ""
        limit = (
            f" (limit {words.amount(row['limit'], row['unit'], name)})" if row["limit"] is not None else ""
        )
        title = words.lower_first(words.measure_title(name))
        return f"{title} {words.amount(row['value'], row['unit'], name)}{limit}"

    def during(self, detector: str) -> str:
        """The activity in which most of a detector's faults fell, if that is most of them; else nothing."""
        spans = [(f["start_s"], f["stop_s"]) for f in self.of(detector, "fault")]
        total_s, by_activity = length_s(spans), dict[str, float]()
        for one in self.activities:
            inside_s = within_s(spans, one.start_s, one.stop_s)
            by_activity[one.activity] = by_activity.get(one.activity, 0.0) + inside_s
        longest = max(by_activity, key=lambda name: by_activity[name], default="")
        if len(by_activity) < 2 or not total_s or by_activity[longest] <= total_s / 2:
            return ""
        return f" Most of it fell into ‘{longest}’."


_ALL = ("note", "warning", "fault")


def advice(quality: Quality, findings: Rows, activities: Sequence[Activity]) -> tuple[Advice, ...]:
    """What to do differently next time, the most important first; empty where nothing is to be done.

    What decides the verdict comes first, by how far it is beyond its limit; then warnings, then what cannot
    be assessed, then what is near a limit.

    Parameters
    ----------
    quality : mapping
        What stands in ``quality.json``, of a session that could be read.
    findings : sequence of mapping
        All findings of the session, as in ``findings.parquet``.
    activities : sequence of Activity
        The session's part of the activity log.
    """
    told = Told(quality, findings, activities)
    found = [one for cause in _CAUSES if (one := cause(told)) is not None]
    return tuple(
        replace(one, because=words.joined(one.because)) for one in sorted(found, key=lambda a: _rank(told, a))
    )


def _rank(told: Told, one: Advice) -> tuple[int, float]:
    if told.decides(*one.measures):
        return 0, -max(_nearness(told.measure(name)) for name in one.measures)
    if one.warned_by in told.quality.get("warnings", ()):
        return 1, 0.0
    if set(one.measures) & set(words.not_assessed(told.quality)):
        return 2, 0.0
    return 3, 0.0


def _nearness(row: Mapping[str, Any] | None) -> float:
    """Value over limit, or limit over value where the limit is a lower one; 0 where either is missing."""
    if row is None or row["value"] is None or row["limit"] is None:
        return 0.0
    above, below = abs(row["value"]), abs(row["limit"])
    if row["limit_is"] == "min":
        above, below = below, above
    return float(above / below) if below else (float("inf") if above else 0.0)


def _sentence(*clauses: str) -> str:
    return words.upper_first("; ".join(clause for clause in clauses if clause)) + "."


def _contact(told: Told) -> Advice | None:
    if told.matters("contact_loss_fraction"):
        losses = told.of("contact_loss", "fault")
        do = "Tighten the strap, and try before the start whether a wave of the arm shows in the field."
        if losses and all("bit by bit" in f["explanation"] for f in losses):
            do = "Moisten the skin under the electrode before the start, and again in a break: it dried."
        because = _sentence(told.beside("contact_loss_fraction"), _stretches(len(losses)))
        return Advice("contact", do, because + told.during("contact_loss"), _CONTACT)
    if "contact_loss_fraction" in words.not_assessed(told.quality):
        why = next(
            (m["absent"] for m in told.quality["measures"] if m["name"] == "contact_loss_fraction"), ""
        )
        if "never answered" in why and (moved_s := told.moved_s()) >= _WALK_S:
            because = f"The wearer moved for {words.span_words(moved_s)}, and the field never answered it."
            return Advice("low_coupling", _TIED, because, (*_CONTACT, "low_coupling_fraction"))
        do = "Let the wearer walk for half a minute at the start: contact shows when the field answers steps."
        if "folds" in why:
            return None  # another rate is the remedy, and is told as one
        if "no accelerometer" in why:
            do = "Record the accelerometer as well: without movement to compare with, contact cannot be told."
        elif "lost or at the rails" in why:
            return None
        return Advice("contact", do, _sentence(words.absence(why)), _CONTACT)
    return None


_CONTACT = ("contact_loss_fraction",)
_WALK_S = 30.0
"""Movement from which another walk at the start would tell no more."""
_TIED = (
    "Look at soles, floor and strap: dry, thick soles and a dry floor keep the body off the ground, and the "
    "electrode must lie on the skin."
)


def _stretches(n: int) -> str:
    return f"in {n} {'stretch' if n == 1 else 'stretches'}" if n else ""


def _mains(told: Told) -> Advice | None:
    """Mains too strong with the electrode on: with it off, the contact is to be mended."""
    if (warned := told.warning("mains", "mains_hz")) is not None:
        do = "Correct mains_hz in study.toml: the grid of the place is another one."
        return Advice("mains", do, warned["explanation"], ("mains_fraction",), "mains")
    if not told.matters("mains_fraction"):
        return None
    peak = max((f for f in told.of("mains", "fault") if f["value"]), key=lambda f: f["value"], default=None)
    do = "Move away from powered equipment and its leads, or switch it off while you record."
    strongest = ""
    if peak is not None:
        value, limit = (words.amount(peak[key], peak["unit"]) for key in ("value", "limit"))
        strongest = f"its peak reached {value} where {limit} are allowed"
    because = _sentence(told.beside("mains_fraction"), strongest) + told.during("mains")
    return Advice("mains", do, because, ("mains_fraction",))


def _folding(told: Told) -> Advice | None:
    """Mains that folds among movement, or to where it cannot be seen: the rate that avoids it."""
    lines = told.quality["mains_lines"]
    first = next((line for line in lines if line["harmonic"] == 1), None)
    warned = told.warning("mains", "mains_in_movement_v")
    low, high = FOLDS_INTO_HZ
    within = [line for line in lines if low <= line["folded_hz"] <= high and words.folds(line)]
    if first is None or not (warned or first in within or not first["assessable"]):
        return None
    line = first if first in within or not within else within[0]
    now_hz = float(told.quality["nominal_hz"])
    then_hz = better_hz(float(first["nominal_hz"]), now_hz)
    said, at = words.line_words(line, with_verdict=False), f"at {words.number(now_hz, 5)} Hz"
    if line in within:
        why, end = f"{said} {at}, into the movement band", "mains stays out of the movement band"
    else:
        stands = said if words.folds(line) else f"{said} lies beside half the rate"
        why, end = f"{stands} {at}, where it cannot be told from other things", "mains can be seen"
    if then_hz is None:
        do = "Record at another sampling rate, or put a low-pass filter before the converter."
        return Advice("folding", do, _sentence(why), ("mains_fraction",), "mains")
    then = f"{words.number(then_hz, 5)} Hz"
    rests = _sentence(why, f"at {then} no line up to the fifth harmonic folds into that band")
    return Advice("folding", f"Record at {then} or more, so that {end}.", rests, ("mains_fraction",), "mains")


def _losses(told: Told) -> Advice | None:
    warned = told.warning("dropout", "lost_fraction", "filled_fraction")
    if not told.matters("lost_fraction", "longest_gap_s") and not warned:
        return None
    frames = told.quality["frames"]
    damaged, lost = frames.get("damaged") or 0, frames.get("lost") or 0
    do = "Shorten the way between strap and receiver, and keep the wearer’s body out of it."
    if told.value("filled_fraction"):
        do = "Shorten the way to the receiver, and have gaps left out: a constant fills them here."
        because = _sentence(told.beside("filled_fraction"), told.beside("longest_gap_s"))
        return Advice("losses", do, because + told.during("dropout"), (*_LOSSES, "stuck_fraction"), "dropout")
    if damaged and damaged >= lost / 2:
        do = "Change the card or the cable, or shorten the way to the receiver: frames came, but broken."
    counted = f"{words.count(damaged)} frames came damaged" if damaged else "no frame came damaged"
    because = _sentence(told.beside("lost_fraction"), told.beside("longest_gap_s"), counted)
    return Advice("losses", do, because + told.during("dropout"), _LOSSES, "dropout")


_LOSSES = ("lost_fraction", "longest_gap_s", "damaged_fraction")


def _damage(told: Told) -> Advice | None:
    """Damage without losses: with them it is one cause."""
    if told.matters("lost_fraction", "longest_gap_s") or not told.matters("damaged_fraction"):
        return None
    do = "Copy the dump from the device again; if it stays damaged, change the card or the cable."
    return Advice("damage", do, _sentence(told.beside("damaged_fraction")), ("damaged_fraction",))


def _held(told: Told) -> Advice | None:
    warned = told.warning("dropout", "held_fraction", "stuck_fraction")
    held = told.value("held_fraction") or 0.0
    explains = told.decides("stuck_fraction") and held >= (told.value("stuck_fraction") or 0.0) / 2
    if warned is None and not explains:
        return None
    do = "Read the sensor once for each row: rows that repeat the one before are late or made up."
    because = warned["explanation"] if warned else _sentence(told.beside("held_fraction"))
    return Advice("held", do, because, ("stuck_fraction",), "dropout")


def _saturation(told: Told) -> Advice | None:
    """Overloads, and the settling after them."""
    at_rail = told.matters("saturated_fraction")
    settling = told.matters("settling_fraction") and bool(told.value("saturated_fraction"))
    settling = settling and not told.decides("contact_loss_fraction")  # what comes back settles as well
    if not at_rail and not settling:
        return None
    drive = told.value("overdrive")
    do = "Lower the gain"
    if drive and drive > 1:
        do += f" to {words.share(round(0.9 / drive, 2))} of what it is, or widen the input range as much"
    else:
        do += ", or keep the wearer away from what charges the electrode"
    reach = f"the signal would reach {words.number(drive, 3)} times as far as the rails" if drive else ""
    after = told.beside("settling_fraction") if settling else ""
    because = _sentence(told.beside("saturated_fraction"), after, reach) + told.during("saturation")
    return Advice("saturation", do + ".", because, _OVERLOAD)


_OVERLOAD = ("saturated_fraction", "settling_fraction")


def _settling(told: Told) -> Advice | None:
    """Settling without overloads: contacts that come back."""
    if not told.matters("settling_fraction") or told.value("saturated_fraction"):
        return None
    do = "Put the strap on a minute before the start, and leave it: each new contact takes time to settle."
    because = _sentence(told.beside("settling_fraction"))
    return Advice("settling", do, because, ("settling_fraction",))


def _stuck(told: Told) -> Advice | None:
    """A value that stands still, where neither fillings nor held rows explain it."""
    warned = told.warning("stuck")
    explained = (told.value("filled_fraction") or 0.0) + (told.value("held_fraction") or 0.0)
    if told.matters("stuck_fraction") and explained < (told.value("stuck_fraction") or 0.0) / 2:
        because = _sentence(told.beside("stuck_fraction"), _stretches(len(told.of("stuck", "fault"))))
    elif warned is not None:
        because = warned["explanation"]
    else:
        return None
    do = "Check the converter, its bus and the device’s memory: a value stood still."
    return Advice("stuck", do, because, ("stuck_fraction",), "stuck")


def _clock(told: Told) -> Advice | None:
    warned = told.warning("clock")
    if warned is None:
        return None
    do = {
        "rate_error_ppm": "Correct the sampling rate or the tick rate in the layout.",
        "clock_skew_ppm": "Have the device’s crystal and the receiver’s clock looked at.",
        "step_lag_s": "Set all clocks from one before the start, and check which sensor is which.",
    }.get(
        warned["measure"], "Charge or change the battery, and check that nothing makes the device start anew."
    )
    if "were set" in warned["explanation"] or "was set" in warned["explanation"]:
        do = "Let nothing set the clocks while you record."
    return Advice("clock", do, warned["explanation"], warned_by="clock")


_NOTED = {
    "low_coupling": "Look at what the wearer stood on: dry, thick soles keep the body off the ground.",
    "uncorroborated": "Look at who walked by: other people some steps away move the field less.",
}
_WARNED = {
    "noise_floor": "Check the electrode’s lead and its amplifier before the next recording.",
    "gravity": "Check the accelerometer: its scale in the layout, its axes, and how it was calibrated.",
    "activity_mismatch": "Write the log by the clock that starts the recording, and check it at the end.",
    "duplicate": "Check how the dump was copied: frames stand in it twice.",
}
"""Detector whose notes, or whose warnings, lead to one advice -> that advice."""
_NOTEWORTHY = 0.2


def _by_note(detector: str) -> Callable[[Told], Advice | None]:
    """Notes never count against a session; where they cover a fifth of it they are worth an advice."""

    def cause(told: Told) -> Advice | None:
        if (told.value(f"{detector}_fraction") or 0.0) < _NOTEWORTHY:
            return None
        unanswered = "contact_loss_fraction" in words.not_assessed(told.quality)
        if detector == "low_coupling" and unanswered and told.moved_s() >= _WALK_S:
            return None  # one cause with the contact that could not be told
        return Advice(detector, _NOTED[detector], _sentence(told.beside(f"{detector}_fraction")))

    return cause


def _by_warning(detector: str) -> Callable[[Told], Advice | None]:
    def cause(told: Told) -> Advice | None:
        warned = told.warning(detector)
        if warned is None:
            return None
        return Advice(detector, _WARNED[detector], warned["explanation"], warned_by=detector)

    return cause


_CAUSES: tuple[Callable[[Told], Advice | None], ...] = (
    _contact,
    _saturation,
    _settling,
    _losses,
    _damage,
    _mains,
    _folding,
    _stuck,
    _held,
    _clock,
    *(_by_warning(detector) for detector in _WARNED),
    *(_by_note(detector) for detector in _NOTED),
)
