"""A paragraph of methods for the paper, with the study's numbers in it."""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from statistics import median
from typing import Any

from pipeline.report import words
from pipeline.report.flow import Count, Flow
from pipeline.report.margins import turned_by_size
from pipeline.report.review import Review
from pipeline.report.words import counted, listed
from pipeline.verdict import Policy


@dataclass(frozen=True)
class Facts:
    """What does not stand in the sessions: the study's title, the version, layouts by name, the policy.

    ``dated`` says whether the dates of the sessions are true ones.
    """

    study: str
    version: str
    layouts: Mapping[str, str]
    policy: Policy
    dated: bool = True


def methods_text(
    qualities: Sequence[Mapping[str, Any]], reviews: Mapping[str, Review], flow: Flow, facts: Facts
) -> str:
    """Recorded what, judged how, left out why, analysed what: plain text in one paragraph.

    It follows STROBE (von Elm et al. 2007): setting and dates (item 5), measurement (8), handling of what is
    missing (12c), numbers and reasons at each step (13a and 13b).
    """
    sentences = (
        *_recorded(qualities, flow, facts.dated),
        *_read(qualities, flow, facts),
        *_rules(facts.policy),
        *_judged(qualities, flow),
        *_moved(qualities),
        *_signed(reviews, flow),
        *_analysed(flow),
    )
    return " ".join(words.one_line(sentence) for sentence in sentences) + "\n"


def _recorded(qualities: Sequence[Mapping[str, Any]], flow: Flow, dated: bool) -> Iterator[str]:
    devices, sites = (len({q[key] for q in qualities}) for key in ("device", "site"))
    days = sorted(datetime.fromisoformat(q["started_at"]).date() for q in qualities)
    when = f" on {_day(days[0])}" if days[0] == days[-1] else f" from {_day(days[0])} to {_day(days[-1])}"
    yield (
        f"Recorded {_were(flow.recorded.sessions)} {_who(flow.recorded)} with "
        f"{counted(devices, 'device')} at {counted(sites, 'site')}{when if dated else ''}."
    )
    lengths = sorted(q["duration_s"] for q in qualities if q["verdict"] != "unreadable")
    if len(lengths) > 1:
        low, middle, high = (words.span_words(s) for s in (lengths[0], median(lengths), lengths[-1]))
        yield f"A session lasted {middle} (median; {low} to {high}), all together {flow.read.time}."
    elif lengths:
        yield f"It lasted {words.span_words(lengths[0])}."
    yield from _sampled([q for q in qualities if q["verdict"] != "unreadable"])


def _sampled(read: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """Sampling rates and mains, each with its sessions where there are several."""
    rates = Counter(float(q["nominal_hz"]) for q in read if q["nominal_hz"])
    mains = Counter(float(hz) for q in read for hz in {line["nominal_hz"] for line in q["mains_lines"]})
    if rates:
        yield f"Nominal sampling rate was {_per_session(rates)}."
    if mains:
        yield f"Mains frequency was {_per_session(mains)}."


def _per_session(counts: Mapping[float, int]) -> str:
    """Rates with their sessions, as '125 Hz (2 sessions) and 250 Hz (14 sessions)'."""
    told = [
        f"{words.number(hz, 6)} Hz" + (f" ({counted(n, 'session')})" if len(counts) > 1 else "")
        for hz, n in sorted(counts.items())
    ]
    return listed(told)


def _day(day: Any) -> str:
    return f"{day.day} {day:%B} {day.year}"


def _who(count: Count) -> str:
    return f"{counted(count.sessions, 'session')} of {counted(count.participants, 'participant')}"


def _were(n: int) -> str:
    return "was" if n == 1 else "were"


def _read(qualities: Sequence[Mapping[str, Any]], flow: Flow, facts: Facts) -> Iterator[str]:
    layouts = ", ".join(f"{name} {digest[:8]}" for name, digest in sorted(facts.layouts.items()))
    yield (
        f"The dumps were decoded and judged by sessiongate {facts.version} (layouts by SHA-256: {layouts}; "
        f"policy {facts.policy.sha256[:8]})."
    )
    if flow.unreadable.sessions:
        n = flow.unreadable.sessions
        yield f"{counted(n, 'session')} could not be read ({_by(flow.unreadable_by)})."
    elif qualities:
        yield "Every session could be read."


def _rules(policy: Policy) -> Iterator[str]:
    """The limits in use with their values, and what the verdict does with them."""
    mains = words.share(policy.thresholds["mains.limit_fraction"].value)
    yield (
        "A stretch counts as clean where no sample is lost, at a rail, in the recovery after an overload or "
        "a re-contact, or stuck, the electrode is on, and line and harmonics together stay within "
        f"{mains} of the input range (peak amplitude)."
    )
    surely = words.share(policy.thresholds["contact_loss.least_probability"].value)
    yield (
        "The electrode counted as off where the field’s answer to movement, its mains and its transients "
        f"together made that probable to {surely} or more."
    )
    limits = []
    for name, limit in policy.limits.items():
        bound = "at least" if limit.bound == "min" else "at most"
        limits.append(f"{_lower(name)} {bound} {words.amount(limit.value, limit.unit, name)}")
    yield (
        "A session was accepted whole where each measure that could be had was within its limit: "
        f"{listed(limits)}."
    )
    keys = ("bridge_s", "shortest_interval_s", "least_usable_s")
    bridge, shortest, least = (words.span_words(policy.verdict(key)) for key in keys)
    yield (
        f"Otherwise its clean stretches of {shortest} or more were used, faults that add up to less than "
        f"{bridge} staying marked in them; a session with less than {least} or less than "
        f"{words.share(policy.verdict('least_usable_fraction'))} of it clean was not used."
    )
    own = [t for t in policy.thresholds.values() if t.own]
    if own:
        changed = [f"{t.key} {words.amount(t.value, t.unit, t.name)}" for t in own]
        yield f"Set by the study itself {_were(len(own))} {listed(changed)}; all else is built in."
    else:
        yield "All thresholds are the built-in ones."


def _lower(name: str) -> str:
    return words.lower_first(words.measure_title(name))


def _by(reasons: Sequence[tuple[str, int]]) -> str:
    return "; ".join(f"{words.lower_first(reason)}: {n}" for reason, n in reasons)


def _judged(qualities: Sequence[Mapping[str, Any]], flow: Flow) -> Iterator[str]:
    n = flow.rejected.sessions
    cut = f" ({flow.cut.time} cut from {counted(flow.cut.sessions, 'session')})" if flow.cut.sessions else ""
    yield (
        f"By these rules, of {counted(flow.read.sessions, 'session')} read, {flow.whole} {_were(flow.whole)} "
        f"accepted whole and {flow.in_part} in part{cut}, and {n} {_were(n)} not to be used"
        + (f" (by first reason: {_by(flow.rejected_by)})." if n else ".")
    )
    lacking = Counter(
        name for q in qualities if q["verdict"] != "unreadable" for name in words.not_assessed(q)
    )
    if lacking:
        told = [f"{_lower(name)} in {n}" for name, n in sorted(lacking.items(), key=lambda i: (-i[1], i[0]))]
        yield f"Not assessable {_were(len(told))} {listed(told)} of them."


def _moved(qualities: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """Whether the verdicts hang on where the limits stand."""
    judged = [q for q in qualities if q["verdict"] != "unreadable" and q.get("margins") is not None]
    if not judged:
        return
    by_size = turned_by_size(judged)
    if not any(n for _, n in by_size):
        yield (
            f"With all limits moved by up to {words.percent(by_size[-1][0])} either way no verdict "
            "would turn; the thresholds of the detectors were not moved."
        )
        return
    sizes = listed([words.percent(size) for size, _ in by_size])
    turned = listed([words.count(n) for _, n in by_size])
    yield (
        f"With all limits moved by {sizes} either way, {turned} of {counted(len(judged), 'verdict')} would "
        "turn; the thresholds of the detectors were not moved."
    )


def _signed(reviews: Mapping[str, Review], flow: Flow) -> Iterator[str]:
    if not flow.decided:
        yield "No person changed a verdict."
        return
    people = len({review["initials"] for review in reviews.values()})
    moved = (
        (flow.left_out.sessions, f"left out{_why(flow.left_out_by)}"),
        (flow.taken_back.sessions, f"taken back{_why(flow.taken_back_by)}"),
        (flow.shortened.sessions, "used in part instead of whole"),
        (flow.extended.sessions, "used whole instead of in part"),
        (flow.confirmed, "left as computed"),
    )
    told = [f"{n} {_were(n)} {what}" for n, what in moved if n]
    outcome = f": {listed(told)}" if told else ""
    yield (
        f"{counted(people, 'person', 'people')} decided about {counted(flow.decided, 'session')}{outcome}."
    )
    if flow.stale:
        yield (
            f"{counted(flow.stale, 'decision')} made before what was looked at changed "
            f"{_were(flow.stale)} not followed."
        )
    if flow.unfit:
        yield f"{counted(flow.unfit, 'decision')} could not be followed, as nothing was there to be used."
    if flow.unknown:
        yield (
            f"For {counted(flow.unknown, 'decision')} it was not noted, or not in full, what was looked at, "
            "so nobody can tell whether that has changed since."
        )


def _why(reasons: Sequence[tuple[str, int]]) -> str:
    return f" ({_by(reasons)})" if reasons else ""


def _analysed(flow: Flow) -> Iterator[str]:
    share = flow.analysed.hours / flow.recorded.hours if flow.recorded.hours else None
    of_all = f", {words.share(share)} of the time recorded" if share is not None else ""
    yield (
        f"Analysed {_were(flow.analysed.sessions)} {_who(flow.analysed)} ({flow.analysed_whole} whole, "
        f"{flow.analysed_in_part} in part; {flow.analysed.time}{of_all})."
    )
    gone = flow.recorded.participants - flow.analysed.participants
    if gone:
        yield f"Of {counted(gone, 'participant')} nothing was analysed."
