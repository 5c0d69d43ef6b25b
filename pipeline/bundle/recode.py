"""From what was chosen to what leaves the house: names, dates and texts replaced.

What is handed on of a session is listed here field by field: what is new in the results stays behind until
somebody has thought about it.
"""

from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any

from pipeline.bundle.choose import Chosen, Picked
from pipeline.bundle.gather import Gathered, Held
from pipeline.bundle.keep import COLUMN, UNSCANNED, further_columns, left_out, unscanned_words
from pipeline.bundle.layout_copy import layout_copy
from pipeline.bundle.names import Names, descriptions_in, neutral_unit
from pipeline.bundle.recoded import Recoded, RecodedActivity, RecodedSession, Wishes
from pipeline.bundle.scan import withheld_words
from pipeline.bundle.traits import small_cells

NEUTRAL_TITLE = "Recordings of a body-worn electric-field sensor"
UNREADABLE = "The dumps could not be read."
NO_REASON = "reason left out"

CAUTIONS = (
    "Times of day are true to the second, and so are the days between sessions of one participant: whoever "
    "has the calendar of the laboratory can tell which session is which.",
    "Hum of the mains is a calendar: how its frequency wanders can be held against public records of a "
    "grid's frequency, and gives the true time back.",
)
"""What shifted dates do not hide."""

_Row = Mapping[str, Any]


def recode(chosen: Chosen, names: Names, wishes: Wishes) -> tuple[Recoded, Mapping[str, Picked]]:
    """Replace everything that tells of whom, where and when.

    Parameters
    ----------
    chosen : Chosen
        The study, with what goes in of each session.
    names : Names
        Codes; their key knows every name of the study.
    wishes : Wishes
        What the bundle is to hold.

    Returns
    -------
    Recoded
        What every writer sees.
    mapping
        Code of each session -> what it was before: for who copies from its files in the results.
    """
    gathered = chosen.gathered
    told = sorted(((_session(p, names), p) for p in chosen.sessions), key=lambda pair: pair[0].code)
    layouts = {
        names.code("layout", name): (names.key.keyed(digest), layout_copy(text, names))
        for name, (digest, text) in gathered.layouts.items()
    }
    recoded = Recoded(
        title=_title(names),
        version=gathered.version,
        policy_sha256=gathered.policy_sha256,
        policy_text=gathered.policy_text,
        layouts={code: layouts[code] for code in sorted(layouts)},
        sessions=tuple(session for session, _ in told),
        findings={session.code: tuple(_findings(p.held, session.code, names)) for session, p in told},
        time_zone=gathered.time_zone if "time_zone" in names.keep else "UTC",
        wishes=wishes,
        left_out=left_out(gathered, names.keep),
        warnings=(
            *CAUTIONS,
            *unscanned_words(names.keep),
            *withheld_words(withheld(names)),
            *small_cells([session for session, _ in told], wishes.least),
        ),
    )
    return recoded, {session.code: picked for session, picked in told}


def names_in(gathered: Gathered) -> dict[str, list[str]]:
    """Kind -> the names of a study that need a code, in the order of its sessions table."""
    return {
        "participant": [held.participant for held in gathered.sessions],
        "session": [held.name for held in gathered.sessions],
        "device": [held.device for held in gathered.sessions],
        "site": [held.site for held in gathered.sessions],
        "layout": [*gathered.layouts],
        "reviewer": [held.review["initials"] for held in gathered.sessions if held.review],
    }


def activities_in(gathered: Gathered) -> dict[str, str]:
    """Activity -> intensity with which it stands first in the log."""
    found: dict[str, str] = {}
    for held in gathered.sessions:
        for row in held.activities:
            found.setdefault(row["activity"], row["intensity"])
    return found


def _session(picked: Picked, names: Names) -> RecodedSession:
    held = picked.held
    shift = timedelta(days=names.key.shifts[held.participant])
    started_at = held.started_at + shift
    quality = _quality(held, names, started_at, shift)
    return RecodedSession(
        code=quality["session"],
        participant=quality["participant"],
        device=quality["device"],
        site=quality["site"],
        layout=quality["layout"],
        started_at=datetime.fromisoformat(quality["started_at"]),
        mains_hz=held.mains_hz,
        activities=tuple(
            RecodedActivity(a["start_s"], a["stop_s"], names.activity(a["activity"]), a["intensity"])
            for a in held.activities
        ),
        extra=_extra(held, names),
        quality=quality,
        review=_review(held.review, names, shift) if held.review else None,
        use=picked.use,
        has_recording=picked.recording,
        parts=picked.parts,
        suffixes=tuple(held.samples) if picked.recording else (),
        has_events=picked.recording and held.events is not None,
    )


def _extra(held: Held, names: Names) -> dict[str, str]:
    """Further columns that were asked for, each value searched."""
    kept = [name for name in further_columns(names.gathered) if names.passes(f"{COLUMN}{name}", name)]
    return {name: held.extra.get(name, "") if _extra_passes(held, name, names) else "" for name in kept}


def _extra_passes(held: Held, name: str, names: Names) -> bool:
    field, value = f"{COLUMN}{name}", held.extra.get(name, "")
    own = f"{field}{UNSCANNED}" not in names.keep and bool(value) and names.scan.is_own(value, held)
    return not own and names.passes(field, value)


def withheld(names: Names) -> dict[str, tuple[int, int]]:
    """Field that is kept -> its different values that stay behind all the same, and all its values."""
    gathered, counts = names.gathered, dict[str, tuple[int, int]]()
    told: dict[str, set[str]] = {
        "title": {gathered.title},
        "activities": set(activities_in(gathered)),
        "layouts": {text for _, text in gathered.layouts.values()},
        "channels": {*names.key.codes["channel"]},
        "descriptions": descriptions_in(text for _, text in gathered.layouts.values()),
        "review": {str(held.review["reason"]) for held in gathered.sessions if held.review},
        "texts": {str(note) for held in gathered.sessions for note in held.quality.get("notes", ())},
    }
    for field, values in told.items():
        if field in names.keep:
            counts[field] = sum(not names.passes(field, value) for value in values), len(values)
    for name in further_columns(gathered):
        if (field := f"{COLUMN}{name}") not in names.keep:
            continue
        if not names.passes(field, name):
            counts["a column with such a name"] = 1, 1
            continue
        passed = {held.extra.get(name, ""): _extra_passes(held, name, names) for held in gathered.sessions}
        counts[f"column '{name}'"] = sum(not one for one in passed.values()), len(passed)
    return counts


def _title(names: Names) -> str:
    title = names.gathered.title
    return title if names.passes("title", title) else NEUTRAL_TITLE


def _quality(held: Held, names: Names, started_at: datetime, shift: timedelta) -> dict[str, Any]:
    """``quality.json`` recoded; in the order of the original."""
    old = held.quality
    unread = old["verdict"] == "unreadable"
    stamp = started_at.astimezone(UTC)  # an offset would be that of the true date, and tell of summer time
    say = (lambda text: UNREADABLE if text else "") if unread else names.text
    return {
        "session": names.code("session", held.name),
        "participant": names.code("participant", held.participant),
        "site": names.code("site", held.site),
        "device": names.code("device", held.device),
        "layout": names.layouts(old["layout"], ";"),
        "started_at": stamp.isoformat().replace("+00:00", "Z"),
        "device_start_utc": _shifted_stamp(old["device_start_utc"], shift),
        "title": _title(names),
        "time_zone": names.gathered.time_zone if "time_zone" in names.keep else "UTC",
        "verdict": old["verdict"],
        "sentence": say(old["sentence"]),
        "reasons": [{"measure": r["measure"], "text": say(r["text"])} for r in old["reasons"]],
        **{key: [list(pair) for pair in old[key]] for key in ("usable", "clean", "whole")},
        "left_out": [
            {"start_s": part["start_s"], "stop_s": part["stop_s"], "text": say(part["text"])}
            for part in old["left_out"]
        ],
        **{key: list(old[key]) for key in ("not_assessed", "warnings")},
        **{key: old[key] for key in ("duration_s", "nominal_hz", "n_samples")},
        "recordings": [
            {**_only(one, "file", "sample_hz", "n_samples"), "channels": _channels(one["channels"], names)}
            for one in old["recordings"]
        ],
        "measures": [_measure(row, names) for row in old["measures"]],
        "margins": _margins(old["margins"], names),
        "conditions": {
            name: _only(row, "samples", "seconds", "fraction") for name, row in old["conditions"].items()
        },
        "mains_lines": [_line(row, names) for row in old["mains_lines"]],
        **_dumps(old, names),
        "frames": _only(old["frames"], "decoded", "expected", "lost", "duplicate", "late", "damaged"),
        "clock": _only(old["clock"], *_CLOCK),
        "notes": [note for note in old["notes"] if names.passes("texts", note)],
        "events": _only(old["events"], "file", "n_events") if old["events"] else None,
    }


_CLOCK = ("source", "rate_hz", "residual_s", "skew_ppm", "skew_uncertainty_ppm", "jitter_s", "restarts")
_MEASURE = ("name", "title", "value", "limit", "limit_is", "within", "limit_reason")
_MARGIN = ("name", "value", "limit", "bound", "factor", "turns_to")
_LINE = (
    *("nominal_hz", "harmonic", "folded_hz", "assessable", "found_hz", "rms", "unit"),
    *("found_uncertainty_hz", "rms_uncertainty", "wander_hz"),
)


def _only(row: _Row, *keys: str) -> dict[str, Any]:
    return {key: row[key] for key in keys if key in row}


def _channels(channels: Sequence[str], names: Names) -> list[str]:
    return [names.channel(name) for name in channels]


def _channel(name: str | None, names: Names) -> str | None:
    return None if name is None else names.channels_in(name)


def _measure(row: _Row, names: Names) -> dict[str, Any]:
    rounded = {"value": _mains(row["value"], names)} if row["name"] == "mains_hz" else {}
    return {
        **_only(row, *_MEASURE),
        **rounded,
        "unit": neutral_unit(row["unit"]),
        "channel": _channel(row["channel"], names),
        "absent": names.text(row["absent"]),
    }


def _mains(value: float | None, names: Names) -> float | None:
    """A frequency of the mains to 0.1 Hz: how it stood at the time is in public records."""
    return value if value is None or "mains_hz" in names.keep else round(value, 1)


def _margins(old: _Row, names: Names) -> dict[str, Any]:
    def limit(row: _Row | None) -> dict[str, Any] | None:
        return None if row is None else {**_only(row, *_MARGIN), "channel": _channel(row["channel"], names)}

    return {
        "limits": [limit(row) for row in old["limits"]],
        "nearest": limit(old["nearest"]),
        "moved": [_only(row, "factor", "verdict", "by_limit") for row in old["moved"]],
    }


def _line(row: _Row, names: Names) -> dict[str, Any]:
    rounded = {key: _mains(row[key], names) for key in ("folded_hz", "found_hz") if key in row}
    return {
        **_only(row, *_LINE),
        **rounded,
        "channel": _channel(row["channel"], names),
        "why": names.text(row["why"]),
    }


def _dumps(old: _Row, names: Names) -> dict[str, Any]:
    """Ledger and makers, with dumps numbered in the order in which the session has them."""
    numbered = {dump: f"dump-{i}" for i, dump in enumerate(old["ledger"], 1)}
    made_by = old["made_by"]
    dumps = {numbered[dump]: digest for dump, digest in made_by["dumps"].items() if dump in numbered}
    bins = ("decoded", "duplicate", "damaged", "unrecognised", "padding")
    return {
        "ledger": {numbered[dump]: _only(row, *bins) for dump, row in old["ledger"].items()},
        "made_by": {
            **_only(made_by, "version", "policy_sha256"),
            # Named as reports look it up, but keyed: files of the bundle call it an HMAC.
            "layout_sha256": names.key.keyed(made_by["layout_sha256"]),
            "dumps": dumps,
        },
    }


def _review(old: _Row, names: Names, shift: timedelta) -> dict[str, Any]:
    return {
        **_only(old, "decision", "stale", "followed", "why"),
        "reason": old["reason"] if names.passes("review", old["reason"]) else NO_REASON,
        "initials": names.code("reviewer", old["initials"]),
        "date": (date.fromisoformat(old["date"]) + shift).isoformat(),
    }


def _findings(held: Held, code: str, names: Names) -> Iterator[dict[str, Any]]:
    for row in held.findings:
        kept = ("detector", "start_s", "stop_s", "severity", "measure", "value", "limit")
        rounded = {"value": _mains(row["value"], names)} if row["measure"] == "mains_hz" else {}
        yield {
            **_only(row, *kept),
            **rounded,
            "session": code,
            "channel": _channel(row["channel"], names),
            "unit": neutral_unit(row["unit"]),
            "explanation": names.text(row["explanation"]),
        }


def _shifted_stamp(stamp: str | None, shift: timedelta) -> str | None:
    """An instant moved by whole days; None where the device's clock was set to the first years there are."""
    if stamp is None:
        return None
    try:
        return (datetime.fromisoformat(stamp) + shift).isoformat().replace("+00:00", "Z")
    except OverflowError:
        return None
